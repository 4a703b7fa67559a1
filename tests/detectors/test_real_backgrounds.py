"""The judge under sound that was recorded in the world, from packages of the system.

Sources and licences:

- Debian package ``alsa-utils`` (GPL-2): ``/usr/share/sounds/alsa``, a woman speaking, and noise.
- Debian package ``sound-theme-freedesktop`` (CC-BY-SA 3.0, CC-BY 3.0, GPL-2+, see its copyright
  file): bells, a camera's shutter, plugs, telephones, speech.

They are played in a loop from before the move to after it.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
import soundfile
from made_sound import MadeTake, make_take, rms
from scipy import signal

from detectors.decision import Judge
from detectors.evidence import CommandedMotion, Judgement, SoundBlock, Verdict

FOLDER = Path("/usr/share/sounds")
FILES = (
    "alsa/Front_Center.wav",
    "alsa/Noise.wav",
    "alsa/Rear_Left.wav",
    "freedesktop/stereo/bell.oga",
    "freedesktop/stereo/camera-shutter.oga",
    "freedesktop/stereo/phone-incoming-call.oga",
    "freedesktop/stereo/power-plug.oga",
    "freedesktop/stereo/service-login.oga",
    "freedesktop/stereo/trash-empty.oga",
)


def background(name: str, count: int, sample_rate_hz: int, seed: int) -> np.ndarray:
    path = FOLDER / name
    if not path.exists():
        if os.environ.get("CI"):
            pytest.fail(f"{path} is missing: install alsa-utils and sound-theme-freedesktop")
        pytest.skip(f"{path} is not installed (alsa-utils, sound-theme-freedesktop)")
    sound, rate = soundfile.read(path, always_2d=True)
    mono = sound.mean(axis=1)
    mono = signal.resample_poly(mono, sample_rate_hz, rate)
    rng = np.random.default_rng(seed)
    pause = np.zeros(int(rng.uniform(0.1, 0.8) * sample_rate_hz))
    loop = np.concatenate([mono, pause])
    return np.roll(np.resize(loop, count), int(rng.integers(0, len(loop))))


def judged(take: MadeTake, name: str, ratio_db: float, seed: int) -> Judgement:
    x = take.samples - take.samples.mean()
    rate = take.sample_rate_hz
    inside = slice(int((take.start_s + 0.2) * rate), int((take.end_s - 0.2) * rate))
    noise = background(name, len(x), rate, seed)
    noise = noise / (rms(noise) + 1e-12) * rms(x[inside]) * 10 ** (-ratio_db / 20)
    y = x + noise
    y = 0.5 * y / np.abs(y).max()
    motion = CommandedMotion(speed_mm_s=take.speed_mm_s, start_s=take.start_s, end_s=take.end_s)
    judge = Judge(motion, take.geometry, sample_rate_hz=rate)
    judge.hear(SoundBlock(y.astype(np.float32), 0.0))
    return judge.finish()


@pytest.mark.parametrize("name", FILES)
def test_no_healthy_motor_is_called_skipping(name: str) -> None:
    for seed in (9, 104, 203):
        take = make_take(
            seed, skip=False, room="quiet", ratio_db=35, sample_rate_hz=32000, harm=False
        )
        result = judged(take, name, 10.0, seed)
        assert result.verdict is not Verdict.SKIP, (seed, result.explanation, result.details)


@pytest.mark.parametrize("name", FILES)
def test_no_skipping_motor_is_called_clean(name: str) -> None:
    verdicts = []
    for seed in (9, 104, 203):
        take = make_take(
            seed,
            skip=True,
            room="quiet",
            ratio_db=35,
            sample_rate_hz=32000,
            click_db=(24, 28),
            harm=False,
        )
        verdicts.append(judged(take, name, 10.0, seed).verdict)
    assert Verdict.CLEAN not in verdicts
    assert Verdict.SKIP in verdicts
