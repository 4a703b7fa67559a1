"""The motor's tone along a long move."""

from __future__ import annotations

import numpy as np
import pytest
from in_blocks import in_blocks

from detectors import tone
from detectors.tone import MotorTone

RATE_HZ, STEP_HZ = 8000, 200.0


def heard(sound: np.ndarray, sizes: tuple[int, ...]) -> MotorTone:
    motor = MotorTone(STEP_HZ, sample_rate_hz=RATE_HZ)
    for block in in_blocks(sound, sizes):
        motor.move(block, from_s=1.0)
    motor.finish()
    return motor


def test_of_a_long_move_two_thirds_are_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    seconds = 40
    time_s = np.arange(seconds * RATE_HZ) / RATE_HZ
    sound = np.random.default_rng(2).normal(0.0, 0.01, len(time_s))
    sound += 0.02 * np.sin(2 * np.pi * STEP_HZ * time_s)
    sound = sound.astype(np.float32)
    whole = heard(sound, (len(sound),))
    monkeypatch.setattr(tone, "ALL_SPECTRA", 20)
    part = heard(sound, (len(sound),))
    assert len(part.looks) < 0.7 * len(whole.looks)
    assert part.looks[-1].time_s == pytest.approx(whole.looks[-1].time_s, abs=6.0)
    level_db = whole.looks[3].level_db
    assert all(look.level_db == pytest.approx(level_db, abs=0.5) for look in part.looks)
    small = heard(sound, (1, 777, 3001))
    assert [look.time_s for look in small.looks] == [look.time_s for look in part.looks]
    assert [look.level_db for look in small.looks] == [look.level_db for look in part.looks]
    assert len(small._move) < 2 * small.size
