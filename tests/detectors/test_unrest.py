"""How the level wanders beside the motor's own beat."""

from __future__ import annotations

import numpy as np
import pytest
from in_blocks import in_blocks
from scipy import stats

from detectors.unrest import GROUPS, STRETCH_FRAMES, UNREST, LevelUnrest, describe

FRAME_RATE_HZ, BANDS = 375.0, 12


def noise(count: int, seed: int = 1, spread_db: float = 1.0) -> np.ndarray:
    levels = np.random.default_rng(seed).normal(-60.0, spread_db, (count, BANDS))
    return levels.astype(np.float32)


def beating(count: int, rate_hz: float, height_db: float) -> np.ndarray:
    time_s = np.arange(count) / FRAME_RATE_HZ
    return (height_db * np.sin(2 * np.pi * rate_hz * time_s))[:, None].astype(np.float32)


def heard(
    levels: np.ndarray, electrical_rate_hz: float = 10.0, sizes: tuple[int, ...] = (97,)
) -> LevelUnrest:
    unrest = LevelUnrest(electrical_rate_hz, bands=BANDS, frame_rate_hz=FRAME_RATE_HZ)
    for block in in_blocks(levels, sizes):
        unrest.push(block)
    return unrest


def figures(levels: np.ndarray, electrical_rate_hz: float = 10.0) -> dict[str, float]:
    return heard(levels, electrical_rate_hz).figures(None)


def test_the_motors_own_beat_is_taken_off() -> None:
    still = figures(noise(1500))
    beat = figures(noise(1500) + beating(1500, 10.0, 4.0))
    other = figures(noise(1500) + beating(1500, 10.7, 4.0))
    assert beat["residual_db"] == pytest.approx(still["residual_db"], rel=0.15)
    assert other["residual_db"] > 3.0 * still["residual_db"]


@pytest.mark.parametrize("rate_hz", [1.5, 2.2, 3.4])
def test_slow_beats_show_beside_those_of_the_cycle(rate_hz: float) -> None:
    still = figures(noise(1500))
    slow = figures(noise(1500) + beating(1500, rate_hz, 1.5))
    assert slow["slow_beat_db"] > still["slow_beat_db"] + 8.0
    assert slow["beat_peak_db"] > still["beat_peak_db"] + 5.0


def test_a_few_frames_that_stand_out_make_a_heavy_tail() -> None:
    levels = noise(1500)
    knocked = levels.copy()
    knocked[100::150] += 12.0
    assert figures(knocked)["residual_kurtosis"] > 2.0 * figures(levels)["residual_kurtosis"]
    assert figures(knocked)["residual_tail"] > 2.0 * figures(levels)["residual_tail"]


def test_a_change_of_level_is_a_rise_or_a_fall() -> None:
    step = np.where(np.arange(1500) < 700, 0.0, 5.0)[:, None].astype(np.float32)
    up, down = figures(noise(1500) + step), figures(noise(1500) - step)
    assert up["quarter_rise_db"] > 2.0 > up["quarter_fall_db"]
    assert down["quarter_fall_db"] > 2.0 > down["quarter_rise_db"]


def test_scatter_and_kurtosis_are_the_ones_of_the_statistics_library() -> None:
    """Against scipy.stats, where the cycle is too short to have a shape."""
    levels = np.random.default_rng(3).standard_t(6, (STRETCH_FRAMES, GROUPS)).astype(np.float32)
    found = describe(levels, electrical_rate_hz=300.0, frame_rate_hz=FRAME_RATE_HZ)
    scatter = stats.median_abs_deviation(levels.astype(float), axis=0, scale="normal")
    assert found[0] == pytest.approx(scatter + 0.05, rel=0.01)
    assert found[1] == pytest.approx(stats.kurtosis(levels.astype(float), fisher=False), rel=1e-6)


def test_the_group_that_grew_most_is_described() -> None:
    levels = noise(1500)
    levels[:, -BANDS // GROUPS :] += beating(1500, 13.3, 5.0)
    unrest = heard(levels)
    growth = np.zeros(BANDS, np.float32)
    growth[-1] = 10.0
    assert unrest.figures(growth)["residual_db"] > 3.0 * unrest.figures(None)["residual_db"]


def test_blocks_do_not_matter() -> None:
    levels = noise(8000)
    one, other = heard(levels, sizes=(8000,)), heard(levels, sizes=(1, 333, 40))
    assert one.figures(None) == other.figures(None)


def test_too_little_says_nothing() -> None:
    assert figures(noise(50)) == dict.fromkeys(UNREST, 0.0)
    assert figures(noise(100))["residual_db"] > 0.0


def test_sound_is_not_kept() -> None:
    unrest = heard(noise(20 * STRETCH_FRAMES + 5), sizes=(5000,))
    assert len(unrest._pending) == 5
