"""The search as a turn-taker: bounded, honest, resistant to an erring detector."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from detectors.evidence import Verdict
from rig.search import SearchSettings, ThresholdSearch, entropy_bits, fewest_trials

speeds = st.floats(1.02, 19.6)


def settings(**changes: float) -> SearchSettings:
    base = {"start_mm_s": 1.0, "max_mm_s": 20.0, "resolution": 0.03}
    return SearchSettings(**(base | changes))


def play(
    search: ThresholdSearch, threshold_mm_s: float, *, error_rate: float = 0.0, seed: int = 0
) -> ThresholdSearch:
    """Answer until it is over; a wrong answer comes with the given probability."""
    rng = np.random.default_rng(seed)
    while (question := search.ask()) is not None:
        skips = question.speed_mm_s > threshold_mm_s
        if rng.random() < error_rate:
            skips = not skips
        search.tell(question.speed_mm_s, Verdict.SKIP if skips else Verdict.CLEAN)
    return search


@given(threshold=speeds, hint=st.none() | st.floats(0.7, 1.4))
def test_without_errors_the_bracket_holds_the_threshold_and_is_as_narrow_as_asked(
    threshold: float, hint: float | None
) -> None:
    hinted = {} if hint is None else {"hint_mm_s": min(max(threshold * hint, 1.0), 20.0)}
    search = play(ThresholdSearch(settings(**hinted)), threshold)
    result = search.result
    assert result is not None
    assert result.status in ("found", "start-speed", "speed-limit")
    assert result.trials <= search.most_trials
    if result.status == "found":
        assert result.clean_mm_s is not None
        assert result.skip_mm_s is not None
        assert result.clean_mm_s <= threshold * (1 + 1e-9)
        assert result.skip_mm_s > threshold
        assert result.skip_mm_s / result.clean_mm_s <= 1.03**1.2
        assert result.outvoted == 0


@given(threshold=speeds, seed=st.integers(0, 10_000), error_rate=st.sampled_from([0.05, 0.15, 0.4]))
def test_it_ends_whatever_it_is_told(threshold: float, seed: int, error_rate: float) -> None:
    search = play(
        ThresholdSearch(settings(error_rate=min(error_rate, 0.3))),
        threshold,
        error_rate=error_rate,
        seed=seed,
    )
    assert search.result is not None
    assert search.result.trials <= search.most_trials
    assert search.at_most_left == 0


@given(threshold=speeds)
def test_the_same_answers_give_the_same_questions(threshold: float) -> None:
    first = play(ThresholdSearch(settings()), threshold)
    again = ThresholdSearch(settings())
    for answer in first.answers:
        question = again.ask()
        assert question is not None
        assert question.speed_mm_s == answer.speed_mm_s
        assert again.ask() == question
        again.tell(answer.speed_mm_s, answer.verdict, answer.p_skip)
    assert again.result == first.result


@given(threshold=speeds)
def test_what_is_left_shrinks_and_covers_what_comes(threshold: float) -> None:
    search = ThresholdSearch(settings())
    left = [search.at_most_left]
    while (question := search.ask()) is not None:
        assert 1 <= search.likely_left <= search.at_most_left
        skips = question.speed_mm_s > threshold
        search.tell(question.speed_mm_s, Verdict.SKIP if skips else Verdict.CLEAN)
        left.append(search.at_most_left)
    assert all(b < a for a, b in itertools.pairwise(left))


def test_one_wrong_answer_is_outvoted() -> None:
    threshold, wrong = 5.0, 0
    for position in range(3, 9):
        search = ThresholdSearch(settings(error_rate=0.05))
        number = 0
        while (question := search.ask()) is not None:
            number += 1
            skips = question.speed_mm_s > threshold
            if number == position:
                skips = not skips
            search.tell(question.speed_mm_s, Verdict.SKIP if skips else Verdict.CLEAN)
        result = search.result
        assert result is not None
        assert result.lower_mm_s is not None
        wrong += not 0.97 * threshold < result.estimate_mm_s < 1.03 * threshold
    assert wrong == 0


def test_a_void_is_no_answer() -> None:
    search = ThresholdSearch(settings())
    with pytest.raises(ValueError, match="void"):
        search.tell(1.0, Verdict.VOID)
    assert search.answers == []


@given(threshold=speeds)
def test_a_speed_set_aside_is_not_asked_again_and_both_its_sides_are(threshold: float) -> None:
    """Every question close to the threshold stays undecided, as it does for a motor just above."""
    search = ThresholdSearch(settings())
    while (question := search.ask()) is not None:
        close = abs(math.log(question.speed_mm_s / threshold)) < 0.006
        if close and len(search.aside) < 4:
            search.set_aside(question.speed_mm_s)
            after = search.ask()
            assert after is not None
            assert abs(math.log(after.speed_mm_s / question.speed_mm_s)) > 0.01
            continue
        skips = question.speed_mm_s > threshold
        search.tell(question.speed_mm_s, Verdict.SKIP if skips else Verdict.CLEAN)
    result = search.result
    assert result is not None
    assert len(search.answers) < search.most_trials
    if result.status == "found":
        assert result.clean_mm_s is not None
        assert result.skip_mm_s is not None
        assert result.clean_mm_s <= threshold < result.skip_mm_s
        assert result.skip_mm_s / result.clean_mm_s <= 1.05


def test_the_ends_of_the_range() -> None:
    low = play(ThresholdSearch(settings()), 0.5).result
    high = play(ThresholdSearch(settings()), 30.0).result
    assert low is not None
    assert high is not None
    assert (low.status, low.clean_mm_s, low.excluded) == ("start-speed", None, "start-speed")
    assert (high.status, high.skip_mm_s, high.excluded) == ("speed-limit", None, None)
    assert high.clean_mm_s == 20.0


def test_grip_that_fails_ends_the_search() -> None:
    search = ThresholdSearch(settings())
    search.tell(1.0, Verdict.CLEAN)
    search.tell(2.5, Verdict.SLIP)
    search.tell(2.5, Verdict.SLIP)
    assert search.result is not None
    assert search.result.excluded == "slip"


@pytest.mark.parametrize(
    ("key", "value"),
    [("resolution", 0.0), ("error_rate", 0.5), ("growth", 1.0), ("max_mm_s", 0.5)],
)
def test_settings_out_of_range_are_refused(key: str, value: float) -> None:
    with pytest.raises(ValueError, match=r"outside|lowest speed"):
        settings(**{key: value})


def test_way_up_without_a_hint_grows_by_the_same_factor() -> None:
    search = ThresholdSearch(settings(growth=2.0))
    asked = []
    for _ in range(4):
        question = search.ask()
        assert question is not None
        asked.append(question.speed_mm_s)
        search.tell(question.speed_mm_s, Verdict.CLEAN)
    assert asked == [1.0, 2.0, 4.0, 8.0]


def test_entropy_and_the_fewest_trials() -> None:
    assert entropy_bits(0.5) == 1.0
    assert entropy_bits(0.0) == 0.0
    assert fewest_trials(1024, error_rate=0.0) == pytest.approx(10.0)
