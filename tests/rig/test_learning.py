"""The plan that learns: what it asks, when it stops, and what its brackets rest on."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.learning import LearningPlan, LearningSettings, threshold_by_through

FORCES_N = (20.0, 30.0, 40.0, 50.0, 60.0, 70.0)
Law = Callable[[float], float]


def plan_of(*, fitted_band: Callable[[], float] | None = None, **changes: object) -> LearningPlan:
    given: dict[str, object] = {"forces_n": FORCES_N, "start_mm_s": 0.5, "max_mm_s": 25.0}
    return LearningPlan(
        LearningSettings(**{**given, **changes}),  # type: ignore[arg-type]
        cost=lambda _speed, skips, scout: 18.0 if skips else 12.0 if scout else 30.0,
        fitted_band=fitted_band,
    )


def work(
    plan: LearningPlan, law: Law, *, wrong: float = 0.0, seed: int = 1
) -> list[tuple[int, float, bool]]:
    """Answer until the plan is over."""
    rng = np.random.default_rng(seed)
    told = []
    while (choice := plan.ask()) is not None:
        skips = (choice.speed_mm_s > law(FORCES_N[choice.current])) != (rng.random() < wrong)
        plan.tell(choice.current, choice.speed_mm_s, skipped=skips)
        told.append((choice.current, choice.speed_mm_s, skips))
    return told


def power(at40: float, slope: float, yielded: float = 0.0) -> Law:
    return lambda force: at40 * ((force - yielded) / (40.0 - yielded)) ** slope


def melting(force: float) -> float:
    plain = power(4.0, 1.8)(force)
    return plain / (1 + (plain / 5.0) ** 4) ** 0.25


def bent(force: float) -> float:
    """A sum of two powers: none of the plan's own curves."""
    return 1.2 * (force / 40.0) + 2.0 * (force / 40.0) ** 2.6


@settings(max_examples=12, deadline=None)
@given(
    at40=st.floats(1.5, 6.0),
    slope=st.floats(1.1, 2.3),
    yielded=st.floats(0.0, 10.0),
)
def test_every_bracket_holds_the_threshold(at40: float, slope: float, yielded: float) -> None:
    law, plan = power(at40, slope, yielded), plan_of()
    told = work(plan, law)
    assert len(told) <= 45
    for current, force in enumerate(FORCES_N):
        found = plan.summary(current)
        assert found is not None
        assert found.clean_mm_s is None or found.clean_mm_s <= law(force)
        assert found.skip_mm_s is None or found.skip_mm_s >= law(force)
        if found.status == "found":
            assert found.skip_mm_s / found.clean_mm_s < 1.04  # type: ignore[operator]
        else:
            assert found.status in ("start-speed", "speed-limit")


@pytest.mark.parametrize("law", [melting, bent])
def test_a_law_that_is_not_its_own_gets_true_brackets_all_the_same(law: Law) -> None:
    plan = plan_of()
    work(plan, law)
    closed = 0
    for current, force in enumerate(FORCES_N):
        found = plan.summary(current)
        if found is None or found.clean_mm_s is None or found.skip_mm_s is None:
            continue
        assert found.clean_mm_s <= law(force) <= found.skip_mm_s
        closed += 1
    assert closed >= 4


def test_a_step_down_after_a_clean_trial_has_its_price() -> None:
    """After a faster clean trial at more current what it left has to go; after a skip it does."""

    def next_current(release_cost: float, *, skipped: bool) -> int:
        plan = plan_of()
        plan.release_cost = release_cost
        plan.tell(5, 5.0, skipped=skipped)
        choice = plan.ask()
        assert choice is not None
        return choice.current

    assert next_current(1e4, skipped=False) == 5
    assert next_current(0.0, skipped=False) < 5
    assert next_current(1e4, skipped=True) == next_current(0.0, skipped=True)


def test_wrong_answers_are_outvoted() -> None:
    off = []
    for seed in range(4):
        law, plan = power(2.5, 1.6), plan_of(error_rate=0.05)
        work(plan, law, wrong=0.05, seed=seed)
        for current, force in enumerate(FORCES_N):
            found = plan.summary(current)
            if found is not None and found.clean_mm_s and found.skip_mm_s:
                middle = math.sqrt(found.clean_mm_s * found.skip_mm_s)
                off.append(abs(math.log(middle / law(force))))
    assert len(off) >= 22
    assert np.quantile(off, 0.9) < 0.03
    assert max(off) < 0.15


def test_the_same_answers_give_the_same_questions() -> None:
    one, other = plan_of(), plan_of()
    told = work(one, power(3.0, 1.5))
    for current, speed_mm_s, skips in told:
        choice = other.ask()
        assert choice is not None
        assert (choice.current, choice.speed_mm_s) == (current, speed_mm_s)
        other.tell(current, speed_mm_s, skipped=skips)
    assert other.ask() is None


def test_asking_again_changes_nothing() -> None:
    plan = plan_of()
    plan.tell(2, 3.0, skipped=True)
    assert plan.ask() == plan.ask()


def test_a_band_that_is_asked_for_stops_it_early() -> None:
    """Once the fit has it, and the ends of its range are brackets."""
    asked: list[LearningPlan] = []

    def fitted_band() -> float:
        closed = [
            found
            for current in range(len(FORCES_N))
            if (found := wide.summary(current)) is not None
            and found.clean_mm_s is not None
            and found.skip_mm_s is not None
        ]
        asked.append(wide)
        return 0.05 if len(closed) >= 4 else 0.5

    narrow, wide = plan_of(), plan_of(band=0.06, fitted_band=fitted_band)
    law = power(3.0, 1.5)
    told = work(wide, law)
    assert len(told) < len(work(narrow, law))
    assert wide.band <= 0.06
    assert 0 < len(asked) < len(told) / 2  # only where the cloud says that it might be so
    for end in (0, len(FORCES_N) - 1):
        found = wide.summary(end)
        assert found is not None
        assert found.clean_mm_s is not None
        assert found.skip_mm_s is not None


def test_a_band_that_the_fit_has_not_does_not_stop_it() -> None:
    """What the cloud believes is not what will be in the curve file."""
    wide = plan_of(band=0.5, fitted_band=lambda: math.inf)
    work(wide, power(3.0, 1.5))
    assert wide.band < 0.5
    assert all(wide.settled(current) for current in range(len(FORCES_N)))


def test_a_bracket_that_cannot_be_closed_does_not_keep_the_others_busy() -> None:
    """Where the detector cannot tell near one threshold, the plan ends without that bracket."""
    law, plan = power(3.0, 1.5), plan_of()
    asked = 0
    while (choice := plan.ask()) is not None:
        asked += 1
        true_mm_s = law(FORCES_N[choice.current])
        if choice.current == 1 and abs(math.log(choice.speed_mm_s / true_mm_s)) < 0.025:
            plan.set_aside(choice.current, choice.speed_mm_s)
        else:
            plan.tell(choice.current, choice.speed_mm_s, skipped=choice.speed_mm_s > true_mm_s)
    assert asked < 50
    assert [plan.settled(current) for current in range(len(FORCES_N))] == [
        current != 1 for current in range(len(FORCES_N))
    ]
    wide = plan.summary(1)
    assert wide is not None
    assert wide.clean_mm_s is not None
    assert wide.skip_mm_s is not None
    assert wide.clean_mm_s < law(FORCES_N[1]) < wide.skip_mm_s
    assert wide.skip_mm_s / wide.clean_mm_s < 1.12


def test_a_plan_with_a_band_has_to_be_told_the_fits() -> None:
    with pytest.raises(ValueError, match="has to be told the fit's"):
        plan_of(band=0.05)


def test_no_question_is_far_above_what_ran_clean() -> None:
    plan = plan_of()
    cleans: list[tuple[int, float]] = []
    for current, speed_mm_s, skips in work(plan, power(3.0, 1.5)):
        below = [v for c, v in cleans if c <= current]
        assert speed_mm_s <= 2.5 * max([0.5, *below]) * 1.001
        if not skips:
            cleans.append((current, speed_mm_s))


def test_what_got_through_tilts_the_question_and_nothing_else() -> None:
    plain, tilted = plan_of(), plan_of()
    for plan in (plain, tilted):
        plan.tell(0, 1.25, skipped=False)
        plan.tell(1, 3.1, skipped=False)
    plain.tell(3, 7.7, skipped=True)
    tilted.tell(3, 7.7, skipped=True, through_mm_s=3.2)
    assert plain.band == tilted.band
    assert plain.summary(3) == tilted.summary(3)
    assert plain.expected_mm_s(3) == tilted.expected_mm_s(3)
    assert plain.ask() != tilted.ask()


def test_a_scout_is_no_end_of_a_bracket() -> None:
    full, scouted = plan_of(), plan_of()
    for plan, scout in ((full, False), (scouted, True)):
        for speed, skipped in 2 * ((2.95, False), (3.05, True)):
            plan.tell(2, speed, skipped=skipped, scout=scout)
    assert full.bracket(2) == (2.95, 3.05)
    assert scouted.bracket(2) is None
    assert scouted.summary(2) is None


def test_wide_stretches_are_scouted_and_brackets_are_not() -> None:
    plan = plan_of()
    law = power(3.0, 1.5)
    ways = []
    while (choice := plan.ask()) is not None:
        skips = choice.speed_mm_s > law(FORCES_N[choice.current])
        plan.tell(choice.current, choice.speed_mm_s, skipped=skips, scout=choice.scout)
        ways.append(choice.scout)
    assert ways[0]
    assert not any(ways[-6:])
    full = {(a.current, a.speed_mm_s) for a in plan.answers if not a.scout}
    for current in range(len(FORCES_N)):
        pair = plan.bracket(current)
        assert pair is not None
        assert {(current, pair[0]), (current, pair[1])} <= full


def test_the_threshold_by_what_got_through_lies_between_that_and_what_was_asked() -> None:
    assert threshold_by_through(4.0, 4.0) == 4.0
    assert 1.0 < threshold_by_through(4.0, 1.0) < 4.0
    assert threshold_by_through(4.0, 0.5) < threshold_by_through(4.0, 1.0)


def test_a_bracket_that_the_curve_doubts_counts_once_both_ends_were_told_twice() -> None:
    plan = plan_of(resolution=0.03)
    law = power(3.0, 1.5)
    for current in (0, 1, 3, 4, 5):  # the others say where this one ought to be
        for share, skipped in ((0.99, False), (1.01, True)):
            plan.tell(current, law(FORCES_N[current]) * share, skipped=skipped)
    low = 0.85 * law(FORCES_N[2])
    for _ in range(2):
        assert plan.bracket(2) is None
        plan.tell(2, low, skipped=False)
        plan.tell(2, 1.03 * low, skipped=True)
    assert plan.bracket(2) == (low, 1.03 * low)


def test_a_current_that_is_given_up_is_not_asked_again() -> None:
    plan = plan_of()
    plan.drop(0)
    assert 0 not in {current for current, _, _ in work(plan, power(3.0, 1.5))}
    assert plan.summary(0) is None


def test_a_speed_that_was_set_aside_is_not_asked_again() -> None:
    plan = plan_of()
    first = plan.ask()
    assert first is not None
    plan.set_aside(first.current, first.speed_mm_s)
    second = plan.ask()
    assert second is not None
    assert (second.current, second.speed_mm_s) != (first.current, first.speed_mm_s)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"forces_n": (20.0, 30.0)}, "three currents"),
        ({"forces_n": (20.0, 40.0, 30.0)}, "rising"),
        ({"start_mm_s": 30.0}, "lowest speed"),
        ({"band": 0.9}, "band 0.9 is outside"),
        ({"error_rate": 0.5}, "error_rate 0.5 is outside"),
    ],
)
def test_settings_that_make_no_sense_are_refused(changes: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        plan_of(**changes)
