"""Cutting a move: exact in sum, whole steps, short enough to be broken off."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.printer_plan import FEWEST_STEPS, lead_s, motion_time_s, plan_move

LENGTHS = st.floats(0.5, 200.0)
SPEEDS = st.floats(0.05, 40.0)
STEPS = st.none() | st.floats(80.0, 3000.0)


@given(LENGTHS, SPEEDS, STEPS, st.floats(5.0, 190.0))
def test_segments_sum_up_exactly(
    length_mm: float, speed_mm_s: float, steps_per_mm: float | None, one_move_mm: float
) -> None:
    plan = plan_move(
        length_mm=length_mm,
        speed_mm_s=speed_mm_s,
        acceleration_mm_s2=1000.0,
        one_move_mm=one_move_mm,
        steps_per_mm=steps_per_mm,
    )
    written = [Decimal(f"{one:.5f}") for one in plan.lengths_mm]
    assert sum(written) == Decimal(f"{plan.commanded_mm:.5f}")
    assert all(Decimal(0) < one <= Decimal(one_move_mm) + Decimal("0.02") for one in written)
    step_mm = 1.0 / steps_per_mm if steps_per_mm else 1e-5
    assert abs(plan.commanded_mm - length_mm) <= step_mm / 2.0 + 1e-5


@given(st.floats(5.0, 200.0), st.floats(0.5, 40.0))
def test_segments_last_a_quarter_of_a_second(length_mm: float, speed_mm_s: float) -> None:
    plan = plan_move(
        length_mm=length_mm,
        speed_mm_s=speed_mm_s,
        acceleration_mm_s2=1000.0,
        one_move_mm=190.0,
        steps_per_mm=420.0,
    )
    if length_mm / speed_mm_s > 1.0:
        for one in plan.lengths_mm:
            assert 0.19 <= one / speed_mm_s <= 0.31


@given(LENGTHS, SPEEDS, st.floats(80.0, 3000.0))
def test_every_segment_ends_on_a_whole_step(
    length_mm: float, speed_mm_s: float, steps_per_mm: float
) -> None:
    plan = plan_move(
        length_mm=length_mm,
        speed_mm_s=speed_mm_s,
        acceleration_mm_s2=1000.0,
        one_move_mm=190.0,
        steps_per_mm=steps_per_mm,
    )
    end_mm = 0.0
    for one in plan.lengths_mm:
        end_mm += one
        # What is written has five decimals: never more than that away from the step.
        off_steps = end_mm * steps_per_mm - round(end_mm * steps_per_mm)
        assert abs(off_steps) <= 1e-5 * steps_per_mm


def test_slow_segments_keep_enough_steps() -> None:
    plan = plan_move(
        length_mm=2.0,
        speed_mm_s=0.05,
        acceleration_mm_s2=1000.0,
        one_move_mm=190.0,
        steps_per_mm=100.0,
    )
    assert min(plan.lengths_mm) * 100.0 >= FEWEST_STEPS - 1


def test_expected_time_of_a_trapezoid_and_a_triangle() -> None:
    """By hand: 30 mm at 5 mm/s with 1000 mm/s2 is 6 s and 5 ms; 1 mm at 100 mm/s with 100 mm/s2
    never reaches the speed: 2 sqrt(1/100) = 0.2 s."""
    assert motion_time_s(length_mm=30.0, speed_mm_s=5.0, acceleration_mm_s2=1000.0) == 6.005
    assert motion_time_s(
        length_mm=1.0, speed_mm_s=100.0, acceleration_mm_s2=100.0
    ) == pytest.approx(0.2)
    assert motion_time_s(length_mm=0.0, speed_mm_s=1.0, acceleration_mm_s2=1.0) == 0.0


def test_the_lead_lets_the_planner_stop_and_ends_within_a_second() -> None:
    assert lead_s(speed_mm_s=5.0, acceleration_mm_s2=1000.0) == 1.0
    assert lead_s(speed_mm_s=40.0, acceleration_mm_s2=20.0) == pytest.approx(1.3)
    assert lead_s(speed_mm_s=40.0, acceleration_mm_s2=1.0) == 1.5


@pytest.mark.parametrize(("length_mm", "speed_mm_s"), [(0.0, 1.0), (1.0, 0.0), (-1.0, 1.0)])
def test_nonsense_is_refused(length_mm: float, speed_mm_s: float) -> None:
    with pytest.raises(ValueError, match="positive length, speed"):
        plan_move(
            length_mm=length_mm,
            speed_mm_s=speed_mm_s,
            acceleration_mm_s2=1000.0,
            one_move_mm=190.0,
        )


def test_less_than_a_step_is_refused() -> None:
    with pytest.raises(ValueError, match="less than one step"):
        plan_move(
            length_mm=0.001,
            speed_mm_s=1.0,
            acceleration_mm_s2=1000.0,
            one_move_mm=190.0,
            steps_per_mm=100.0,
        )
