"""Rooms with sound that was recorded in the world, laid under motors that were made in quiet ones.

Sources and licences:

- Debian package ``sonic-pi-samples``: a door, blows, snaps, a till, cymbals, tabla and drums,
  guitar, a sauna, glass, a printer at work, worn records, loops of music; CC0 1.0 for nearly all,
  see the package's copyright file for each. Its synthetic sounds are left out.
- Debian package ``alsa-utils`` (GPL-2): a woman speaking, and noise.
- Debian package ``sound-theme-freedesktop`` (CC-BY-SA 3.0, CC-BY 3.0, GPL-2+, see its copyright
  file): bells, a camera's shutter, plugs, telephones, speech.

Nothing of them is copied into this repository. Every second recording is for growing and tuning
(`part="tuning"`), the others are for scores only (`part="held-out"`).
"""

from __future__ import annotations

import functools
import os
import zlib
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

Samples = NDArray[np.float64]
FOLDERS = (
    Path("/usr/share/sonic-pi/samples"),
    Path("/usr/share/sounds/alsa"),
    Path("/usr/share/sounds/freedesktop/stereo"),
)
#: Beginnings of the names, in the first of them, of what is no recording.
SYNTHETIC = ("bass_", "bd_", "elec_", "glitch_", "mehackit_", "sn_")
#: Shorter recordings are single sounds, longer ones go on.
SINGLE_S = 1.2
#: Loudness of the room under the motor, in dB: of what goes on, and of the peak of single sounds.
LASTING_DB, SINGLE_DB = (-2.0, 28.0), (-26.0, 6.0)


def recordings(part: str | None = None) -> list[Path]:
    """All recordings on this machine, or those of one part."""
    found = sorted(
        path
        for folder in FOLDERS
        if folder.is_dir()
        for path in folder.iterdir()
        if path.suffix in (".flac", ".wav", ".oga") and not path.name.startswith(SYNTHETIC)
    )
    if part is None:
        return found
    wanted = {"tuning": 0, "held-out": 1}[part]
    return [path for path in found if zlib.crc32(path.name.encode()) % 2 == wanted]


def need_recordings(part: str | None = None) -> list[Path]:
    """`recordings`, or the reason why a test cannot run."""
    found = recordings(part)
    if len(found) < 60:
        words = "install sonic-pi-samples, alsa-utils and sound-theme-freedesktop"
        if os.environ.get("CI"):
            pytest.fail(f"the recorded sounds are missing: {words}")
        pytest.skip(f"the recorded sounds are missing: {words}")
    return found


@functools.lru_cache(maxsize=16)
def _sound(path: Path, sample_rate_hz: int) -> Samples:
    from scipy import signal

    sound, rate = soundfile.read(path, always_2d=True)
    mono = signal.resample_poly(sound.mean(axis=1), sample_rate_hz, rate)
    return np.asarray(mono / (np.abs(mono).max() + 1e-12))


def real_room(
    rng: np.random.Generator,
    motor: Samples,
    *,
    sample_rate_hz: int,
    start_s: float,
    end_s: float,
    files: Sequence[Path],
) -> tuple[Samples, str, float]:
    """A motor with a recorded room under it.

    Args:
        rng: Chooses everything.
        motor: Samples of a take from a quiet room.
        sample_rate_hz: Its rate.
        start_s, end_s: Begin and end of the motion.
        files: Recordings to choose from, see `recordings`.

    Returns:
        The samples (no louder than before), the recording's name, and the level of the motor over
        the room in dB, both taken over the motion.
    """
    path = files[int(rng.integers(len(files)))]
    sound = _sound(path, sample_rate_hz)
    move = slice(int((start_s + 0.15) * sample_rate_hz), int((end_s - 0.05) * sample_rate_hz))
    motor = motor - motor.mean()
    level = np.sqrt(np.mean(motor[move] ** 2)) + 1e-9
    room = np.zeros(len(motor))
    if len(sound) < SINGLE_S * sample_rate_hz:
        for _ in range(int(rng.integers(1, 6))):
            at = int(rng.integers(0, len(motor)))
            part_of = sound[: len(motor) - at] * np.exp(rng.normal(0.0, 0.3))
            room[at : at + len(part_of)] += part_of
        room *= level * 10 ** (-rng.uniform(*SINGLE_DB) / 20)
    else:
        pause = np.zeros(int(rng.uniform(0.0, 0.5) * sample_rate_hz))
        loop = np.concatenate([sound, pause])
        room = np.roll(np.resize(loop, len(motor)), int(rng.integers(0, len(loop))))
        if len(loop) > len(motor):
            begin = int(rng.integers(0, len(loop) - len(motor)))
            room = loop[begin : begin + len(motor)]
        own = np.sqrt(np.mean(room[move] ** 2)) + 1e-9
        room = room * (level / own) * 10 ** (-rng.uniform(*LASTING_DB) / 20)
    ratio_db = 20 * np.log10(level / (np.sqrt(np.mean(room[move] ** 2)) + 1e-9))
    mixed = motor + room
    top = max(np.abs(mixed).max(), 1e-9)
    return mixed * min(1.0, 0.95 / top), path.name, float(min(ratio_db, 60.0))
