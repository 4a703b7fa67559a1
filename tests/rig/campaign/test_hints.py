"""Where to look next, and when more force buys no more flow."""

from __future__ import annotations

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
