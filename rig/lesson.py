"""Learning a bench's sound: the moves that `detectors.listen` judges the bench by.

The motor runs at speeds known to be good with the plan's greatest current, then the plan's least
current has to push faster and faster until it skips. Heats and moves: the caller has shown the
cautions and entered the guard.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from detectors.evidence import CommandedMotion, Reason, Verdict
from detectors.listen import FAIR_GROWTH_DB, Baseline, Recording, learn_bench
from detectors.sources import FileSource
from rig.budget import filament_limit_mm
from rig.checkup import BELOW_MAX_FEED
from rig.errors import UnfitBenchError, UsageError
from rig.records import TrialOrder, TrialRecord
from rig.release import fresh_mm, release_mm
from rig.trial import make_order, run_trial, trial_length_mm

if TYPE_CHECKING:
    from rig.bench import Bench
    from rig.station import Station

#: Speeds of the good runs, in start speeds of the plan.
GOOD_SPEEDS = (1.0, 1.5, 1.0)
#: Each provoking move is faster than the last by this factor ...
FASTER = 1.6
#: ... and after the first skip this much faster again: well above the threshold.
WELL_ABOVE = 1.25
#: The number of a repeated move is that of the first and this; numbers name sound files.
AGAIN = 100
#: So many times a faster speed is tried where the good ones are not heard.
MOST_FASTER = 4
#: Verdicts that a faster speed may turn: few steps a second are single sounds, many are a tone.
_TOO_SLOW = (Reason.MOTOR_NOT_HEARD, Reason.WRONG_STEP_RATE)
#: Verdicts that the same move would get again.
_HOPELESS = (Reason.SILENT, Reason.CLIPPED)
#: Moves by which a skip has to come, and provoked skips that are listened to.
MOST_PROVOKING, PROVOKED = 9, 3


def learn(station: Station, *, tell: Callable[[str], None]) -> Baseline:
    """Heat, make the moves, and say whether skips can be told on this bench.

    Args:
        station: Opened, connected and prepared, within its guard.
        tell: Called with a line for the person after each move.

    Raises:
        UnfitBenchError: No sound came in; see also `check_lesson`.
        StallcurveError: Link, interlock or limit: the lesson ends.
    """
    bench, plan = station.bench, station.bench.plan
    temperature_c = plan.temperatures_c[0]
    tell(f"heating to {temperature_c:g} C")
    station.printer.set_target(temperature_c)
    station.printer.wait_until_steady(tick=lambda _: station.look())
    with tempfile.TemporaryDirectory(prefix="stallcurve-") as name:
        folder = Path(name)
        runs = list(_good_runs(station, temperature_c, folder, tell))
        good = [_recording(station, record, folder) for record in runs]
        if any(record.verdict is Verdict.CLEAN for record in runs):
            provoked = [
                _recording(station, record, folder)
                for record in _provoked(station, temperature_c, folder, tell, first=len(good) + 1)
            ]
            return learn_bench(good, provoked, bench.geometry(), settings=station.detector)
        # Who does not hear the motor run well will not hear it skip: spare the filament.
        tell("no good run was heard as one: no skip is provoked")
        baseline = learn_bench(good, [], bench.geometry(), settings=station.detector)
        heard_mm_s = None
        loud = baseline.growth_db >= FAIR_GROWTH_DB
        if loud and all(record.reason in _TOO_SLOW for record in runs):
            heard_mm_s = _heard_from(station, temperature_c, tell, first=len(good) + 1)
    if heard_mm_s is None:
        return baseline
    sentence = (
        f"At {heard_mm_s:g} mm/s the motor is heard: set plan.start_speed_mm_s to that, and listen "
        "again."
    )
    return replace(baseline, advice=(sentence,))


def check_lesson(bench: Bench) -> None:
    """Whether there is something to learn, within the filament and the pile that are allowed.

    Raises:
        UnfitBenchError: There is no microphone.
        UsageError: The limits allow less filament than the lesson may need.
    """
    if bench.microphone.device == "none":
        raise UnfitBenchError(
            'microphone.device = "none": there is nothing to learn; an encoder needs no lesson'
        )
    plan, limits = bench.plan, bench.limits
    speeds_mm_s = [plan.start_speed_mm_s * factor for factor in GOOD_SPEEDS]
    speeds_mm_s += [plan.start_speed_mm_s * FASTER**step for step in range(MOST_PROVOKING)]
    # The skips that are listened to come where the provoking ends, at the fastest at worst; good
    # moves and skips may each be made twice.
    speeds_mm_s += [plan.start_speed_mm_s * factor for factor in GOOD_SPEEDS]
    speeds_mm_s += [math.inf] * (2 * PROVOKED)
    speeds_mm_s = [min(v, limits.max_speed_mm_s) for v in speeds_mm_s]
    needed_m = 1e-3 * sum(
        release_mm(bench) + trial_length_mm(bench, speed_mm_s=v, acceleration_mm_s2=None)
        for v in speeds_mm_s
    )
    allowed_m = 1e-3 * filament_limit_mm(bench)
    if needed_m > allowed_m:
        raise UsageError(
            f"the lesson may need {needed_m:.2f} m of filament, and {allowed_m:.2f} m are allowed "
            "(the least of limits.max_filament_m, filament.available_m and limits.pile_litre): "
            "raise it, or lower plan.trial_length_mm or limits.max_speed_mm_s"
        )


def _good_runs(
    station: Station, temperature_c: float, folder: Path, tell: Callable[[str], None]
) -> Iterator[TrialRecord]:
    plan = station.bench.plan
    for number, factor in enumerate(GOOD_SPEEDS, 1):
        speed_mm_s = min(plan.start_speed_mm_s * factor, _top_mm_s(station))
        order = _order(station, temperature_c, plan.currents_a[-1], speed_mm_s, number=number)
        yield _made(station, order, folder, tell, "the motor, known good")


def _made(
    station: Station, order: TrialOrder, folder: Path, tell: Callable[[str], None], what: str
) -> TrialRecord:
    """One move; one that is void is made once more, as a run does."""
    record = run_trial(station, order, audio_folder=folder)
    tell(f"{what}: {_words(record)}")
    if record.verdict is Verdict.VOID and record.reason not in _HOPELESS:
        again = replace(order, number=order.number + AGAIN)
        record = run_trial(station, again, audio_folder=folder)
        tell(f"{what}, once more: {_words(record)}")
    return record


def _heard_from(
    station: Station, temperature_c: float, tell: Callable[[str], None], *, first: int
) -> float | None:
    """A faster speed at which the motor is heard to run well, in mm/s, or None."""
    plan, speed_mm_s = station.bench.plan, station.bench.plan.start_speed_mm_s * max(GOOD_SPEEDS)
    for number in range(first, first + MOST_FASTER):
        speed_mm_s = round(min(speed_mm_s * FASTER, _top_mm_s(station)), 1)
        order = _order(station, temperature_c, plan.currents_a[-1], speed_mm_s, number=number)
        record = run_trial(station, order)
        tell(f"faster, whether it is heard: {_words(record)}")
        if record.verdict is Verdict.CLEAN:
            return speed_mm_s
        if record.reason not in _TOO_SLOW:
            return None
    return None


def _provoked(
    station: Station,
    temperature_c: float,
    folder: Path,
    tell: Callable[[str], None],
    *,
    first: int,
) -> Iterator[TrialRecord]:
    """Moves of the least current, up to speeds at which it has to skip."""
    plan = station.bench.plan
    current_a, speed_mm_s, top_mm_s = plan.currents_a[0], plan.start_speed_mm_s, _top_mm_s(station)
    last: TrialRecord | None = None
    skipped, number = False, first
    for number in range(first, first + MOST_PROVOKING):
        order = _order(
            station, temperature_c, current_a, speed_mm_s, number=number, fresh=last is not None
        )
        last = run_trial(station, order, audio_folder=folder)
        tell(f"provoking a skip: {_words(last)}")
        skipped = last.verdict is Verdict.SKIP
        if skipped or speed_mm_s >= top_mm_s:
            break
        speed_mm_s = min(speed_mm_s * FASTER, top_mm_s)
    if not skipped:
        assert last is not None
        yield last  # the fastest move: it stands for the skip that was not heard
        return
    speed_mm_s = min(speed_mm_s * WELL_ABOVE, top_mm_s)
    for extra in range(1, PROVOKED + 1):
        order = _order(station, temperature_c, current_a, speed_mm_s, number=number + extra)
        yield _made(station, order, folder, tell, "a skip on purpose")


def _top_mm_s(station: Station) -> float:
    """The fastest that bench file and firmware allow, in mm/s."""
    top = station.bench.limits.max_speed_mm_s
    settings = station.printer.settings
    if settings is not None and settings.max_feed_mm_s is not None:
        top = min(top, settings.max_feed_mm_s * BELOW_MAX_FEED)
    return top


def _order(
    station: Station,
    temperature_c: float,
    current_a: float,
    speed_mm_s: float,
    *,
    number: int,
    fresh: bool = True,
) -> TrialOrder:
    plan, settings = station.bench.plan, station.printer.settings
    order = make_order(
        station.bench,
        temperature_c=temperature_c,
        current_a=current_a,
        speed_mm_s=speed_mm_s,
        acceleration_mm_s2=settings.acceleration_mm_s2 if settings is not None else None,
        number=number,
    )
    return replace(
        order,
        prime_mm=fresh_mm(
            station.bench,
            station.last_move,
            current_a=current_a,
            speed_mm_s=speed_mm_s,
            wanted=fresh,
        ),
        prime_speed_mm_s=plan.start_speed_mm_s,
        purpose="bracket",
    )


def _words(record: TrialRecord) -> str:
    order = record.order
    return (
        f"{order.current_a:g} A, {order.speed_mm_s:.3f} mm/s: {record.verdict} "
        f"({record.explanation or record.reason})"
    )


def _recording(station: Station, record: TrialRecord, folder: Path) -> Recording:
    """The sound of a move, read back, with the motion on its time."""
    if not record.audio:
        raise UnfitBenchError(f"no sound was recorded: {record.explanation or record.reason}")
    start_s, end_s = record.motion_s
    order = record.order
    with FileSource(folder / Path(record.audio).name) as source:
        return Recording(
            blocks=list(source),
            sample_rate_hz=source.sample_rate_hz,
            motion=CommandedMotion(
                speed_mm_s=order.speed_mm_s,
                start_s=start_s,
                end_s=end_s,
                settle_s=order.settle_s,
                current_a=station.bench.chain().applied_rms_a(order.current_a),
            ),
        )
