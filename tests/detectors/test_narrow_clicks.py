"""Clicks of one mode, which stand out in few bands, and clicks that keep step with a period."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from detectors.acoustic import Listener
from detectors.evidence import CommandedMotion, MotorGeometry, SoundBlock
from detectors.sequential import clock_lock, lock
from detectors.settings import DetectorSettings

RATE_HZ = 48_000
#: Mode of the made clicks, the band it lies in, and when they come.
MODE_HZ, MODE_BAND, TIMES_S = 3000.0, 7, (2.0, 2.63, 3.1, 3.92, 4.4)


def heard_in(settings: DetectorSettings) -> Listener:
    """Steady noise, as of a motor, in which a single mode is struck a few times."""
    rng = np.random.default_rng(3)
    sound = 0.02 * rng.normal(size=6 * RATE_HZ)
    t = np.arange(round(0.03 * RATE_HZ)) / RATE_HZ
    ring = 0.05 * np.exp(-t / 0.004) * np.sin(2 * math.pi * MODE_HZ * t)
    for at_s in TIMES_S:
        at = round(at_s * RATE_HZ)
        sound[at : at + len(ring)] += ring
    geometry = MotorGeometry(steps_per_turn=200, filament_per_motor_turn_mm=8.0)
    motion = CommandedMotion(speed_mm_s=8.0, start_s=0.8, end_s=5.4)
    listener = Listener(motion, geometry, sample_rate_hz=RATE_HZ, settings=settings)
    listener.hear(SoundBlock(sound.astype(np.float32), 0.0))
    listener.finish()
    return listener


def test_a_click_of_one_mode_is_found_where_it_rings() -> None:
    clicks = heard_in(DetectorSettings()).move.clicks
    near = [min(abs(c.time_s - at) for c in clicks) for at in TIMES_S]
    assert max(near) < 0.02, near
    struck = [c for c in clicks if min(abs(c.time_s - at) for at in TIMES_S) < 0.02]
    for heard in struck:
        narrow = heard.click.narrow
        assert narrow.first <= MODE_BAND < narrow.first + 3
        assert narrow.excess_db > heard.click.score_db
    assert len(clicks) <= 2 * len(TIMES_S), "noise by itself is hardly ever one"


def test_without_the_narrow_measure_it_is_not() -> None:
    clicks = heard_in(DetectorSettings(click_narrow_db=99.0)).move.clicks
    found = sum(min((abs(c.time_s - at) for c in clicks), default=9.0) < 0.02 for at in TIMES_S)
    assert found <= 1


@given(
    period_s=st.floats(0.05, 3.0),
    turns=st.lists(st.integers(0, 200), min_size=2, max_size=12, unique=True),
    first_s=st.floats(0.0, 5.0),
)
def test_times_in_step_with_a_period_lock_to_it(
    period_s: float, turns: list[int], first_s: float
) -> None:
    times = sorted(first_s + period_s * turn for turn in turns)
    assert lock(times, period_s) == pytest.approx(len(times) - 1, abs=1e-6)


@given(times=st.lists(st.floats(0.0, 10.0), min_size=0, max_size=20), period_s=st.floats(0.01, 5.0))
def test_no_times_lock_by_more_than_all_or_less_than_none(
    times: list[float], period_s: float
) -> None:
    times = sorted(times)
    assert -1.0 - 1e-9 <= lock(times, period_s) <= max(0.0, len(times) - 1.0) + 1e-9


def test_at_random_the_lock_is_nothing_on_average() -> None:
    """The Rayleigh statistic of n phases at random has mean one."""
    rng = np.random.default_rng(5)
    found = [lock(sorted(rng.uniform(0.0, 10.0, 8)), 0.37) for _ in range(4000)]
    assert float(np.mean(found)) == pytest.approx(0.0, abs=0.06)


def test_less_than_a_period_says_nothing() -> None:
    assert lock([1.0, 1.01, 1.02], 0.5) == 0.0


def test_a_clock_is_known_by_itself_even_where_ticks_are_missing() -> None:
    ticks = [0.2 + 0.31 * k for k in (0, 1, 2, 4, 5, 7, 8)]
    rng = np.random.default_rng(2)
    loose = sorted(rng.uniform(0.0, 3.0, 7))
    assert clock_lock(ticks) > 5.9
    assert clock_lock(loose) < 4.0
    assert clock_lock([1.0, 2.0]) == 0.0
