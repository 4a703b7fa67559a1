"""Where to look next, and when more force buys no more flow."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.hints import Found, melt_limited, next_hint

FORCES = (20.0, 30.0, 40.0, 50.0, 60.0, 70.0)


def law(exponent: float, *, top: float | None = None, width: float = 0.03) -> list[Found]:
    """Thresholds of a power law of speed against force, cut off at ``top`` mm/s."""
    speeds = [(f / 20.0) ** exponent for f in FORCES]
    return [
        Found(f, min(v, top) if top is not None else v, width)
        for f, v in zip(FORCES, speeds, strict=True)
    ]


@given(exponent=st.floats(0.5, 3.0))
def test_a_power_law_has_no_melt_limit(exponent: float) -> None:
    assert melt_limited(law(exponent)) == []


def test_two_flat_steps_are_the_melt_limit() -> None:
    found = law(1.5, top=2.5)
    assert melt_limited(found[:3]) == []
    assert melt_limited(found) == [4, 5]


def test_one_flat_step_within_its_uncertainty_is_not() -> None:
    rising = law(1.0)[:3]
    last = Found(50.0, rising[-1].speed_mm_s * 1.01, 0.3)
    assert melt_limited([*rising, last]) == []


def test_without_anything_found_there_is_no_hint() -> None:
    assert next_hint([], force_n=30.0, temperature_c=210.0) is None


@given(exponent=st.floats(0.4, 2.5), count=st.integers(2, 5))
def test_the_hint_follows_the_law_that_was_seen(exponent: float, count: int) -> None:
    found = law(exponent)
    hint = next_hint(found[:count], force_n=found[count].force_n, temperature_c=210.0)
    assert hint is not None
    off = abs(hint.speed_mm_s / found[count].speed_mm_s - 1.0)
    assert off < 2.5 * hint.spread


def test_another_temperature_is_scaled_to_this_one() -> None:
    cold = law(1.2)
    warm = [Found(f.force_n, 1.25 * f.speed_mm_s, f.width) for f in cold]
    hint = next_hint(
        warm[:2], force_n=40.0, temperature_c=220.0, other=cold, other_temperature_c=205.0
    )
    assert hint is not None
    assert hint.speed_mm_s == pytest.approx(warm[2].speed_mm_s, rel=0.12)


def test_repeats_do_not_stand_in_the_way_of_a_slope() -> None:
    """Forces of the same current differ by nothing, or by the little that the speed makes."""
    once = law(1.5)[:3]
    again = [Found(f.force_n * 1.0001, f.speed_mm_s * 1.004, f.width) for f in once]
    both = sorted([*once, *once, *again], key=lambda f: f.force_n)
    alone, repeated = (next_hint(f, force_n=50.0, temperature_c=210.0) for f in (once, both))
    assert alone is not None
    assert repeated is not None
    assert repeated.speed_mm_s == pytest.approx(alone.speed_mm_s, rel=0.01)


@pytest.mark.parametrize("force_n", [20.0, 29.9, 34.0, 70.0])
def test_a_force_among_those_found_is_hinted_at_where_its_threshold_was(force_n: float) -> None:
    hint = next_hint(law(1.5), force_n=force_n, temperature_c=210.0)
    assert hint is not None
    assert hint.speed_mm_s == pytest.approx((force_n / 20.0) ** 1.5, rel=0.01)


def test_a_force_below_those_found_is_hinted_at_below() -> None:
    hint = next_hint(law(1.5)[2:], force_n=30.0, temperature_c=210.0)
    assert hint is not None
    assert hint.speed_mm_s == pytest.approx(1.5**1.5, rel=0.02)


def test_falling_flows_are_not_followed_downwards() -> None:
    falling = [Found(40.0, 3.0), Found(50.0, 2.5)]
    hint = next_hint(falling, force_n=60.0, temperature_c=210.0)
    assert hint is not None
    assert hint.speed_mm_s == pytest.approx(2.5)


def test_a_melt_limit_is_seen_through_repeats() -> None:
    found = sorted([*law(1.5, top=2.5), *law(1.5, top=2.5)], key=lambda f: f.force_n)
    assert melt_limited(found) == [8, 9, 10, 11]
    assert melt_limited([*law(1.5)[:1]] * 3) == []


any_found = st.lists(
    st.builds(
        Found,
        st.one_of(st.floats(0.1, 1000.0), st.sampled_from([20.0, 20.0 * (1 + 1e-15), 20.3, 70.0])),
        st.floats(0.01, 200.0),
        st.floats(0.0, 1.0),
    ),
    max_size=12,
).map(lambda found: sorted(found, key=lambda f: f.force_n))


@given(
    here=any_found,
    other=any_found,
    force_n=st.one_of(st.floats(0.1, 1000.0), st.just(20.0)),
    other_c=st.one_of(st.none(), st.floats(150.0, 300.0)),
)
def test_whatever_was_found_makes_a_hint_or_none(
    here: list[Found], other: list[Found], force_n: float, other_c: float | None
) -> None:
    hint = next_hint(
        here, force_n=force_n, temperature_c=210.0, other=other, other_temperature_c=other_c
    )
    assert (hint is not None) or not here
    if hint is not None:
        assert math.isfinite(hint.speed_mm_s)
        assert hint.speed_mm_s > 0.0
        assert math.isfinite(hint.spread)
        assert hint.spread > 0.0
    assert all(0 <= index < len(here) for index in melt_limited(here))
