"""How late the sound comes behind the command."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from detectors.evidence import SoundBlock
from detectors.onset import sound_lag_s

RATE = 16000


def recording(*, begins_s: float | None, step_rate_hz: float, seconds: float = 5.0) -> SoundBlock:
    """A hissing room in which a motor ticks at its step rate from a given time."""
    rng = np.random.default_rng(5)
    samples = 0.003 * rng.normal(size=round(seconds * RATE))
    if begins_s is not None:
        tick = np.exp(-np.arange(80) / 20.0) * np.sin(0.7 * np.arange(80))
        for at in np.arange(begins_s, seconds - 0.01, 1.0 / step_rate_hz):
            k = round(at * RATE)
            samples[k : k + 80] += 0.05 * tick
    return SoundBlock(samples.astype(np.float32), 100.0)


@given(lag=st.floats(0.0, 1.2), step_rate_hz=st.sampled_from([12.0, 26.0, 130.0, 400.0]))
def test_the_delay_is_found_to_a_step(lag: float, step_rate_hz: float) -> None:
    block = recording(begins_s=0.7 + lag, step_rate_hz=step_rate_hz)
    found = sound_lag_s([block], sample_rate_hz=RATE, start_s=100.7, step_rate_hz=step_rate_hz)
    assert found == pytest.approx(lag, abs=0.06 + 1.0 / step_rate_hz)


def test_a_motor_that_is_not_heard_has_no_delay() -> None:
    block = recording(begins_s=None, step_rate_hz=100.0)
    found = sound_lag_s([block], sample_rate_hz=RATE, start_s=100.7, step_rate_hz=100.0)
    assert found is None


def test_a_single_knock_is_no_motor() -> None:
    block = recording(begins_s=1.6, step_rate_hz=100.0)
    samples = block.samples.copy()
    samples[round(0.9 * RATE) : round(0.93 * RATE)] += 0.4
    found = sound_lag_s(
        [SoundBlock(samples, 100.0)], sample_rate_hz=RATE, start_s=100.7, step_rate_hz=100.0
    )
    assert found == pytest.approx(0.9, abs=0.06)


def test_nothing_to_compare_with_gives_no_answer() -> None:
    block = recording(begins_s=0.1, step_rate_hz=100.0)
    assert sound_lag_s([], sample_rate_hz=RATE, start_s=0.0, step_rate_hz=100.0) is None
    assert sound_lag_s([block], sample_rate_hz=RATE, start_s=100.1, step_rate_hz=100.0) is None
