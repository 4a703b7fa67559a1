"""What own takes add to the shipped trees and networks: applied, learnt, and kept in a file."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_sound import make_take
from test_takes_replay import write_set

from detectors.errors import DetectorFileError
from detectors.evidence import Verdict
from detectors.leaning import lean, own_word
from detectors.marks import FEATURES
from detectors.nets import shipped_nets, shipped_word
from detectors.settings import DetectorSettings, load_detector, save_detector
from detectors.takes import load_take_set
from detectors.traces import Trace, trace_takes
from detectors.tuning import Move, _regress, fit_clicks, fit_moves
from detectors.whole import WHOLE_FEATURES

SETTINGS = DetectorSettings()
NUMBERS = st.floats(-5.0, 5.0)


def weights_of(names: tuple[str, ...]) -> st.SearchStrategy[tuple[tuple[str, float], ...]]:
    chosen = st.dictionaries(st.sampled_from(names), NUMBERS, max_size=6)
    return chosen.map(lambda found: tuple(found.items()))


@given(click=weights_of(FEATURES), whole=weights_of(WHOLE_FEATURES), constant=NUMBERS)
def test_weights_come_back_from_a_file(
    click: tuple[tuple[str, float], ...],
    whole: tuple[tuple[str, float], ...],
    constant: float,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    path = tmp_path_factory.mktemp("detector") / "d.toml"
    settings = replace(SETTINGS, click_weights=click, whole_weights=whole, click_intercept=constant)
    save_detector(path, settings)
    assert load_detector(path) == settings


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[detector.click_weights]\nscor_db = 1\n", "click_weights.scor_db .* mean score_db"),
        ("[detector.whole_weights]\nscore_db = 1\n", "whole_weights.score_db is not a known key"),
        ("[detector]\nclick_weights = 3\n", "click_weights = 3 must be a table"),
        ('[detector.click_weights]\nscore_db = "1"\n', "click_weights.score_db = '1' must be"),
        ("[detector.click_weights]\nscore_db = nan\n", "click_weights.score_db = nan is not a fin"),
    ],
)
def test_wrong_weights_are_named(tmp_path: Path, text: str, says: str) -> None:
    (tmp_path / "d.toml").write_text("format = 3\n" + text)
    with pytest.raises(DetectorFileError, match=rf"d\.toml: detector\.{says}"):
        load_detector(tmp_path / "d.toml")


@given(row=st.lists(st.floats(-20.0, 40.0), min_size=len(FEATURES), max_size=len(FEATURES)))
def test_own_weights_add_to_the_shipped_word(row: list[float]) -> None:
    shipped = shipped_word("click", row)
    assert own_word("click", row, SETTINGS) == shipped
    own = replace(
        SETTINGS, click_intercept=0.5, click_trees=0.8, click_weights=(("rise_db", -1.5),)
    )
    nets = shipped_nets("click")
    bent = nets.bend(np.array([row]))[0][nets.names.index("rise_db")]
    assert own_word("click", row, own) == pytest.approx(0.5 + 0.8 * shipped - 1.5 * bent)
    assert own_word("whole", [0.0] * len(WHOLE_FEATURES), own) == shipped_word(
        "whole", [0.0] * len(WHOLE_FEATURES)
    )


def test_logistic_regression_of_a_fourfold_table() -> None:
    """The weight of a mark that is there or not is the logarithm of the odds ratio (Agresti 2002,
    Categorical Data Analysis, 2nd ed., sec. 5.1): 30 of 40 skips have it and 10 of 40 others."""
    truth = np.repeat([True, False], 40)
    mark = np.concatenate([np.ones(30), np.zeros(10), np.ones(10), np.zeros(30)])
    columns = np.column_stack([np.ones(80), np.zeros(80), mark])
    best = _regress(
        columns,
        truth,
        np.ones(80),
        start=np.array([0.0, 1.0, 0.0]),
        sizes=np.array([1e4, 1e4, 1e4]),
    )
    assert best is not None
    assert best[2] == pytest.approx(math.log(9.0), abs=1e-3)
    assert best[0] == pytest.approx(-math.log(3.0), abs=1e-3)


def test_the_given_numbers_are_kept_where_a_kind_is_missing() -> None:
    columns = np.column_stack([np.ones(30), np.linspace(-3.0, 3.0, 30)])
    start, sizes = np.array([0.0, 1.0]), np.ones(2)
    few = np.arange(30) < 9
    assert _regress(columns, few, np.ones(30), start=start, sizes=sizes) is None
    assert fit_moves([], SETTINGS) == SETTINGS
    assert fit_clicks([], SETTINGS) == SETTINGS


@pytest.fixture(scope="module")
def heard(tmp_path_factory: pytest.TempPathFactory) -> list[Trace]:
    """A clean take and a skip."""
    folder = tmp_path_factory.mktemp("takes")
    for number, skip in enumerate((False, True)):
        take = make_take(45, skip=skip, room="knocks", ratio_db=10.0, sample_rate_hz=16000)
        write_set(folder / f"b{number}", {f"t{number}.wav": take})
    return trace_takes(load_take_set(folder), SETTINGS, jobs=1)


def test_what_tells_own_takes_apart_is_learnt_and_nothing_else(heard: list[Trace]) -> None:
    """The trees say nothing of these moves, and one feature says it all."""
    rng = np.random.default_rng(3)
    knots = dict(zip(WHOLE_FEATURES, shipped_nets("whole").knots, strict=True))["growth_db"]
    middle = {name: float(np.median(k)) for name, k in zip(WHOLE_FEATURES, knots_of(), strict=True)}
    moves = []
    for number in range(80):
        trace = heard[number % 2]
        skips = trace.take.label is Verdict.SKIP
        values = {**middle, "growth_db": float(knots[-3] if skips else knots[2])}
        values["comb_db"] = float(rng.choice(knots_of()[WHOLE_FEATURES.index("comb_db")]))
        moves.append(Move(trace, [], [], [values[name] for name in WHOLE_FEATURES], 0.0))
    found = fit_moves(moves, SETTINGS)
    weights = dict(found.whole_weights)
    assert weights["growth_db"] > 0.8
    assert abs(weights["comb_db"]) < 0.3
    rows = np.array([move.features for move in moves])
    said = lean("whole", np.zeros(len(moves)), rows, found)
    assert said[1::2].min() > 1.0
    assert said[::2].max() < -1.0
    # Fewer takes move it less.
    fewer = dict(fit_moves(moves[:24], SETTINGS).whole_weights)
    assert 0.0 < fewer["growth_db"] < weights["growth_db"]


def knots_of() -> tuple[np.ndarray, ...]:
    return shipped_nets("whole").knots


def test_clicks_before_the_first_skip_are_not_learnt_from(heard: list[Trace]) -> None:
    clean, skip = heard
    assert min(len(clean.clicks), len(skip.clicks)) > 2
    late = replace(skip, take=replace(skip.take, first_skip_s=1e6))
    assert fit_clicks([clean, late] * 20, SETTINGS) == SETTINGS
    assert fit_clicks([clean, skip] * 20, SETTINGS).click_weights
