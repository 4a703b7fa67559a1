"""Steps heard as pulses of the level, and how rough the level is from cycle to cycle."""

from __future__ import annotations

import numpy as np
import pytest
from in_blocks import in_blocks

from detectors.pulses import SEGMENT_FRAMES, StepPulses, cycle_roughness_db, level_spectrum

FRAME_RATE_HZ, BANDS = 375.0, 12


def noise(count: int, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).normal(-60.0, 2.0, (count, BANDS)).astype(np.float32)


def pulsed(count: int, rate_hz: float, height_db: float = 6.0) -> np.ndarray:
    time_s = np.arange(count) / FRAME_RATE_HZ
    pulse = (time_s * rate_hz) % 1.0 < 1.5 * rate_hz / FRAME_RATE_HZ
    return (noise(count) + height_db * pulse[:, None]).astype(np.float32)


def heard(levels: np.ndarray, step_rate_hz: float, sizes: tuple[int, ...] = (97,)) -> StepPulses:
    pulses = StepPulses(step_rate_hz, bands=BANDS, frame_rate_hz=FRAME_RATE_HZ)
    for block in in_blocks(levels, sizes):
        pulses.push(block)
    return pulses


@pytest.mark.parametrize("rate_hz", [11.0, 23.7, 40.0, 71.0])
@pytest.mark.parametrize("count", [900, 1700, 3300])
def test_steps_are_heard_at_their_own_rate_only(rate_hz: float, count: int) -> None:
    levels = pulsed(count, rate_hz)
    own = heard(levels, rate_hz).score()
    other = heard(levels, rate_hz * 1.213).score()
    assert own is not None
    assert other is not None
    assert own.step_z > 6.0
    assert other.step_z < 3.0


def test_noise_beats_at_no_rate() -> None:
    scores = [heard(noise(1600, seed), 31.0).score() for seed in range(12)]
    assert all(s is not None and max(s.step_z, s.cycle_z) < 5.0 for s in scores)


def test_blocks_do_not_matter() -> None:
    levels = pulsed(2000, 29.0)
    one, other = heard(levels, 29.0, (2000,)), heard(levels, 29.0, (1, 333, 40))
    assert one.score() == other.score()
    assert np.array_equal(one.roughness_db(), other.roughness_db())  # type: ignore[arg-type]


def test_too_little_says_nothing() -> None:
    pulses = heard(noise(200), 30.0)
    assert pulses.score() is None
    assert pulses.roughness_db() is None


def test_memory_does_not_grow() -> None:
    pulses = heard(noise(20 * SEGMENT_FRAMES + 5), 30.0, (5000,))
    assert len(pulses._levels) == 5


def test_a_band_without_sound_does_not_count() -> None:
    levels = pulsed(1500, 20.0)
    levels[:, 3:] = -150.0
    assert np.isfinite(level_spectrum(levels)).all()
    assert heard(levels, 20.0).score().step_z > 4.0  # type: ignore[union-attr]


def test_roughness_is_the_deviation_of_the_cycles_means() -> None:
    """Cycles that alternate by 6 dB deviate by 3 dB; what changes within a cycle counts nothing."""
    cycles = np.repeat(np.tile([-40.0, -46.0], 50), 8)[:, None] * np.ones(BANDS)
    assert cycle_roughness_db(cycles.astype(np.float32), 8) == pytest.approx(
        [3.0] * BANDS, abs=1e-4
    )
    within = np.tile([-40.0, -52.0], 400)[:, None] * np.ones(BANDS)
    assert cycle_roughness_db(within.astype(np.float32), 8) == pytest.approx(
        [0.0] * BANDS, abs=1e-6
    )
