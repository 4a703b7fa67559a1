"""The firmware's planner: joins, full stops, short segments, and a track that is continuous."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.simulation.planner import START_DELAY_S, Planner


def run_all(planner: Planner) -> float:
    """Run until idle; returns the time of the end."""
    at = 0.0
    for _ in range(10000):
        if planner.idle:
            return at
        at = planner.next_event_s
        planner.run(at)
    raise AssertionError("the planner does not come to an end")


def test_one_move_takes_ramp_and_cruise() -> None:
    planner = Planner(steps_per_mm=400.0)
    planner.add(distance_mm=10.0, speed_mm_s=5.0, acceleration_mm_s2=100.0, now_s=0.0)
    assert run_all(planner) == pytest.approx(START_DELAY_S + 10.0 / 5.0 + 5.0 / 100.0)


def test_equal_collinear_moves_join_without_slowing() -> None:
    planner = Planner(steps_per_mm=400.0)
    for _ in range(8):
        planner.add(distance_mm=1.0, speed_mm_s=4.0, acceleration_mm_s2=200.0, now_s=0.0)
    end = run_all(planner)
    # Queued in time the eight are one move of 8 mm; the third made it start at once.
    assert end == pytest.approx(8.0 / 4.0 + 4.0 / 200.0, abs=1e-9)
    t = np.linspace(0.1, end - 0.1, 4001)
    speed = np.diff(planner.track.positions(t)) / np.diff(t)
    assert speed.min() == pytest.approx(4.0, rel=1e-6)


def test_an_emptied_queue_ends_at_a_full_stop() -> None:
    planner = Planner(steps_per_mm=400.0)
    planner.add(distance_mm=1.0, speed_mm_s=4.0, acceleration_mm_s2=200.0, now_s=0.0)
    planner.run(START_DELAY_S)
    # It runs already, with the stop at its end decided: the next one cannot change that.
    planner.add(distance_mm=1.0, speed_mm_s=4.0, acceleration_mm_s2=200.0, now_s=0.2)
    assert run_all(planner) == pytest.approx(START_DELAY_S + 2 * (1.0 / 4.0 + 4.0 / 200.0))


def test_a_reversal_stops_between() -> None:
    planner = Planner(steps_per_mm=400.0)
    planner.add(distance_mm=2.0, speed_mm_s=4.0, acceleration_mm_s2=200.0, now_s=0.0)
    planner.add(distance_mm=-2.0, speed_mm_s=4.0, acceleration_mm_s2=200.0, now_s=0.0)
    end = run_all(planner)
    assert end == pytest.approx(START_DELAY_S + 2 * (2.0 / 4.0 + 4.0 / 200.0))
    assert planner.track.positions(np.array([end + 1.0]))[0] == pytest.approx(0.0, abs=1e-9)


def test_short_segments_are_stretched_when_the_queue_is_low() -> None:
    planner = Planner(steps_per_mm=400.0)
    for _ in range(5):
        planner.add(distance_mm=0.05, speed_mm_s=10.0, acceleration_mm_s2=1e5, now_s=0.0)
    assert run_all(planner) > 5 * 0.05 / 10.0 * 1.5


def test_moves_below_six_steps_are_owed_not_made() -> None:
    planner = Planner(steps_per_mm=100.0)
    made = [
        planner.add(distance_mm=0.04, speed_mm_s=1.0, acceleration_mm_s2=100.0, now_s=0.0)
        for _ in range(4)
    ]
    assert made == [False, True, False, True]
    run_all(planner)
    assert planner.track.positions(np.array([99.0]))[0] == pytest.approx(0.16)


def test_stop_now_holds_the_place() -> None:
    planner = Planner(steps_per_mm=400.0)
    planner.add(distance_mm=10.0, speed_mm_s=5.0, acceleration_mm_s2=100.0, now_s=0.0)
    planner.run(START_DELAY_S)
    planner.stop_now(1.0)
    assert planner.idle
    there = planner.track.positions(np.array([1.0, 5.0]))
    assert 3.0 < there[0] < 5.0
    assert there[1] == there[0]


@given(
    st.lists(
        st.tuples(
            st.floats(0.1, 5.0), st.floats(0.5, 20.0), st.sampled_from([1.0, 1.0, 1.0, -1.0])
        ),
        min_size=1,
        max_size=12,
    ),
    st.floats(50.0, 2000.0),
)
def test_the_track_is_continuous_and_within_limits(
    moves: list[tuple[float, float, float]], acceleration: float
) -> None:
    planner = Planner(steps_per_mm=400.0)
    for length, speed, sign in moves:
        planner.add(
            distance_mm=sign * length,
            speed_mm_s=speed,
            acceleration_mm_s2=acceleration,
            now_s=0.0,
        )
    end = run_all(planner)
    top = max(speed for _, speed, _ in moves)
    before = None
    for phase in planner.track.phases:
        assert abs(phase.speed_mm_s) <= top * (1 + 1e-9)
        if before is not None:
            assert phase.start_s == pytest.approx(before.end_s)
            assert phase.position_mm == pytest.approx(before.at(before.duration_s), abs=1e-6)
            last_speed = before.speed_mm_s + before.acceleration_mm_s2 * before.duration_s
            assert phase.speed_mm_s == pytest.approx(last_speed, abs=1e-5)
        before = phase
    total = sum(length * sign for length, _, sign in moves)
    assert planner.track.positions(np.array([end + 1.0]))[0] == pytest.approx(total, abs=1e-6)
