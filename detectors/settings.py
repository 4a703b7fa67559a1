"""The few numbers of the detector, and the file they are kept in.

A detector file is TOML: a ``[detector]`` table with any of the fields below, and, where the bench
was learnt with ``stallcurve listen``, a ``[baseline]`` table. Fields that are absent keep their
default.
"""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any

from detectors.errors import DetectorFileError

FORMAT = 3
#: Weights of features that were learnt of own takes, see `detectors.leaning`.
Weights = tuple[tuple[str, float], ...]

#: Keys that are tables of weights, and what the features are of.
WEIGHED = {"click_weights": "click", "whole_weights": "whole"}


@dataclass(frozen=True, slots=True)
class DetectorSettings:
    """Parameters of the judge; the defaults were fitted by ``stallcurve tune`` on made takes.

    Attributes:
        click_score_db: Least score of a click: excess over the motor's own peaks, mean over bands.
        click_coverage: Least fraction of the bands in which a click stands out at once.
        click_narrow_db: Least excess, mean over the best three neighbouring bands, of a click that
            stands out in few.
        click_rise_db: Least rise over the ten milliseconds before.
        click_fall_db: Least fall within the sixty milliseconds after.
        click_intercept: Log-odds of a motor's click where trees and networks say neither.
        click_trees: The same, per unit of what they say.
        click_weights: The same, per unit of a feature of the click, bent to a normal distribution.
        train_intercept: Log-odds of a skipping motor where the trees say neither.
        train_trees: The same, per unit of what they say.
        whole_intercept: The same as ``train_intercept`` for the trees and networks of a whole move.
        whole_trees: The same as ``train_trees`` for these.
        whole_weights: The same as ``click_weights`` for the features of a whole move.
        skip_rate_hz: Clicks a second of a skipping motor in the sequential test.
        room_rate_hz: Clicks a second of a room with people in it.
        decide_skip: Log-odds of a train at which a skip is decided while the move goes on. Every
            click is another chance to reach them by accident, so they are higher than
            ``decide_whole``.
        decide_crowd: What is added to it per factor e of clicks beyond six in the move.
        decide_whole: Log-odds of a whole move at which it is called a skip.
        suspect_skip: Log-odds above which a trial is not called clean.
        heard_z: Least standing-out of the commanded comb of lines, in spreads of other combs.
        heard_comb: Weight of the commanded comb's standing-out in whether the motor is heard.
        heard_lines: Weight of the standing-out of the peaks that lie on the commanded orders.
        heard_cycle: Weight of the beat of the level with the electrical cycle.
        heard_step: Weight of its beat with the step.
        heard_least: Least weighted sum with which the motor is taken as heard at its rate.
        clean_unheard: Log-odds at which a move is called clean whose rate is not heard, but whose
            sound comes and goes with it.
        clean_rough: Log-odds at which a move is called clean whose sound may be that of a stall.
        plain_skip: Log-odds of a whole move at which a skip is called though the motor is not
            heard.
        heard_part: Least fraction of the looks in which the motor is heard, for clean.
        growth_db: Growth of the sound with the motion at which clicks are taken for the motor's
            even where its tone is not heard.
        motor_to_rest_db: Least level of the motor's lines against all the rest, for clean.
        lines_z: The same for the peaks that lie on the commanded orders.
        wrong_rate_z: Share of the peaks that another rate must explain to be believed.
        rival_db: Height over chance of the lines that only another rate explains, in dB, from which
            that one is believed.
        lost_part: Greatest fraction of the move that may be missing from the sound.
        railed_part: Greatest fraction of samples in flat tops, for clean.
        least_steady_s: Least length of steady motion that can be judged clean, in s.
        calibration_intercept: p_skip is the logistic of this plus ``calibration_slope`` times
            the log-odds of the train that decided, or of the whole move where none did.
        calibration_slope: See above.
    """

    click_score_db: float = 1.2
    click_coverage: float = 0.2
    click_narrow_db: float = 1.8
    click_rise_db: float = 3.0
    click_fall_db: float = 2.0
    click_intercept: float = 0.0
    click_trees: float = 1.0
    click_weights: Weights = ()
    train_intercept: float = 0.0
    train_trees: float = 1.0
    whole_intercept: float = 0.0
    whole_trees: float = 1.0
    whole_weights: Weights = ()
    skip_rate_hz: float = 0.7
    room_rate_hz: float = 0.15
    decide_skip: float = 3.0
    decide_crowd: float = 1.5
    decide_whole: float = 1.5
    suspect_skip: float = -1.5
    heard_z: float = 5.0
    heard_comb: float = 0.56
    heard_lines: float = 2.15
    heard_cycle: float = 0.58
    heard_step: float = 0.58
    heard_least: float = 6.0
    clean_unheard: float = -2.5
    clean_rough: float = -3.0
    plain_skip: float = 2.5
    heard_part: float = 0.7
    growth_db: float = 6.0
    motor_to_rest_db: float = -15.0
    lines_z: float = 4.0
    wrong_rate_z: float = 0.3
    rival_db: float = 5.0
    lost_part: float = 0.03
    railed_part: float = 0.01
    least_steady_s: float = 0.5
    calibration_intercept: float = 0.0
    calibration_slope: float = 1.0

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            for name, number in value if isinstance(value, tuple) else [("", value)]:
                if not math.isfinite(number):
                    key = f"{item.name}.{name}" if name else item.name
                    raise DetectorFileError(f"{key} = {number} is not a finite number")


def settings_from_table(table: dict[str, object], *, name: str) -> DetectorSettings:
    """Settings from a parsed ``[detector]`` table.

    Raises:
        DetectorFileError: A key is unknown or a value is no number.
    """
    known = {item.name for item in fields(DetectorSettings)}
    values: dict[str, Any] = {}
    for key, value in table.items():
        _check_key(key, known, name=f"{name}: detector")
        if key in WEIGHED:
            values[key] = _weights(value, which=WEIGHED[key], name=f"{name}: detector.{key}")
        else:
            values[key] = _number(value, name=f"{name}: detector.{key}")
    try:
        return replace(DetectorSettings(), **values)
    except DetectorFileError as problem:
        raise DetectorFileError(f"{name}: detector.{problem}") from problem


def _check_key(key: str, known: Iterable[str], *, name: str) -> None:
    known = list(known)
    if key not in known:
        near = difflib.get_close_matches(key, known, n=1)
        hint = f"; did you mean {near[0]}?" if near else ""
        raise DetectorFileError(f"{name}.{key} is not a known key{hint}")


def _number(value: object, *, name: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise DetectorFileError(f"{name} = {value!r} must be a number")
    return float(value)


def _weights(table: object, *, which: str, name: str) -> Weights:
    """Weights of features from a table of the file."""
    from detectors.nets import shipped_nets

    if not isinstance(table, dict):
        raise DetectorFileError(f"{name} = {table!r} must be a table of weights")
    for key in table:
        _check_key(key, shipped_nets(which).names, name=name)
    return tuple((key, _number(value, name=f"{name}.{key}")) for key, value in table.items())


def read_detector_table(path: Path | str) -> dict[str, object]:
    """The whole parsed detector file.

    Raises:
        DetectorFileError: It cannot be read, is no TOML, or is of another format.
    """
    path = Path(path)
    try:
        document: dict[str, object] = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as problem:
        raise DetectorFileError(f"{path}: cannot be read: {problem.strerror}") from problem
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as problem:
        raise DetectorFileError(f"{path}: is no detector file (TOML): {problem}") from problem
    if document.get("format") != FORMAT:
        raise DetectorFileError(
            f"{path}: format = {document.get('format')!r} is not {FORMAT}; write the file with "
            "'stallcurve tune' or 'stallcurve listen'"
        )
    return document


def load_detector(path: Path | str) -> DetectorSettings:
    """Settings from a detector file.

    Raises:
        DetectorFileError: See `read_detector_table` and `settings_from_table`.
    """
    table = read_detector_table(path).get("detector", {})
    if not isinstance(table, dict):
        raise DetectorFileError(f"{path}: detector must be a table")
    return settings_from_table(table, name=str(path))


def detector_text(settings: DetectorSettings, *, note: str = "") -> str:
    """The text of a detector file."""
    lines = [f"# {line}" for line in note.splitlines()]
    lines += [f"format = {FORMAT}", "", "[detector]"]
    values = asdict(settings)
    tables = {key: values.pop(key) for key in WEIGHED}
    lines += [f"{key} = {value!r}" for key, value in values.items()]
    for key, weights in tables.items():
        if weights:
            lines += ["", f"[detector.{key}]"]
            lines += [f"{name} = {weight!r}" for name, weight in weights]
    return "\n".join(lines) + "\n"


def save_detector(path: Path | str, settings: DetectorSettings, *, note: str = "") -> None:
    """Write a detector file that `load_detector` reads back equal.

    Raises:
        DetectorFileError: The file cannot be written.
    """
    try:
        Path(path).write_text(detector_text(settings, note=note), encoding="utf-8")
    except OSError as problem:
        raise DetectorFileError(f"{path}: cannot be written: {problem.strerror}") from problem
