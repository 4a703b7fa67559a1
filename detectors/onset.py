"""When the motor is first heard: how late the sound comes behind the command.

Sound cards, sound servers and wireless microphones deliver late, some by most of a second, and say
nothing of it. The command is known, so the delay can be measured on every move: the first time from
which the sound stays above what the room did before.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from detectors.evidence import SoundBlock

#: Length of a frame, in s.
FRAME_S = 0.01
#: The room is taken from this long before the command at the most, in s.
_ROOM_S = 1.5
#: Frames above the room count where they exceed its mean by this many of its spreads, and ...
_SPREADS = 5.0
#: ... by at least this much, in dB.
_LEAST_DB = 3.0
#: The sound has to stay for this long, in s, or this many steps of the motor.
_STAY_S = 0.4
_STAY_STEPS = 6
#: Frames of the mean that a faint motor needs.
_MEAN = 8
#: Share of the pieces of that time in which it has to be heard.
_SHARE = 0.75


def sound_lag_s(
    blocks: Sequence[SoundBlock],
    *,
    sample_rate_hz: int,
    start_s: float,
    step_rate_hz: float,
    most_s: float = 1.5,
) -> float | None:
    """How long after the start of a motion its sound arrives, in s.

    Args:
        blocks: The sound of one trial, from before the motion, in order and without gaps.
        sample_rate_hz: Of the sound.
        start_s: When the motion began, on the time base of the blocks.
        step_rate_hz: Commanded full steps a second: slow steps come one by one.
        most_s: Greatest delay that is looked for.

    Returns:
        The delay (a little negative where the clock runs ahead), or None where the motor cannot be
        told from the room.
    """
    if not blocks or step_rate_hz <= 0:
        return None
    origin_s = blocks[0].start_s
    samples = np.concatenate([block.samples for block in blocks]).astype(np.float64)
    levels = _levels_db(samples, sample_rate_hz)
    first = round((start_s - origin_s) / FRAME_S)
    last = first + round(most_s / FRAME_S)
    found = _stays_from(levels, first, last, step_rate_hz)
    if found is None:
        # A motor little louder than the room stands out only on the mean of several frames.
        power = 10.0 ** (levels / 10.0)
        mean = 10.0 * np.log10(
            np.apply_along_axis(np.convolve, 0, power, np.ones(_MEAN) / _MEAN, "valid")
        )
        found = _stays_from(mean, first, last, step_rate_hz)
        if found is not None:
            found += _MEAN // 2
    return None if found is None else found * FRAME_S + origin_s - start_s


def _stays_from(
    levels: NDArray[np.float64], first: int, last: int, step_rate_hz: float
) -> int | None:
    """First frame from a little before ``first`` on from which the sound stays above the room."""
    room = levels[max(0, first - round(_ROOM_S / FRAME_S)) : max(0, first - 10)]
    if len(room) < 20:
        return None
    middle = np.median(room, axis=0)
    spread = 1.4826 * np.median(np.abs(room - middle), axis=0)
    loud = levels > middle + np.maximum(_LEAST_DB, _SPREADS * np.maximum(spread, 0.3))
    heard: NDArray[np.bool_] = np.asarray(loud.any(axis=1))
    # A slow motor is silent between its steps: it is looked for in pieces of one step and a half.
    piece = max(3, math.ceil(1.5 / step_rate_hz / FRAME_S))
    stay = max(round(_STAY_S / FRAME_S), _STAY_STEPS * math.ceil(1.0 / step_rate_hz / FRAME_S))
    for at in range(max(0, first - 10), last):
        if at + stay > len(heard):
            return None
        if not heard[at]:
            continue
        span = heard[at : at + stay]
        pieces = [bool(span[k : k + piece].any()) for k in range(0, stay - piece + 1, piece)]
        if pieces and sum(pieces) >= _SHARE * len(pieces):
            return at
    return None


def _levels_db(samples: NDArray[np.float64], sample_rate_hz: int) -> NDArray[np.float64]:
    """Level of each frame in octave-wide bands, in dB; shape (frames, bands)."""
    size = max(32, round(FRAME_S * sample_rate_hz))
    count = len(samples) // size
    if count == 0:
        return np.zeros((0, 1))
    frames = samples[: count * size].reshape(count, size)
    power = np.abs(np.fft.rfft(frames * np.hanning(size), axis=1)) ** 2
    edges = [1, 3, 6, 12, 24, 48, 96, 192]
    bands = [
        power[:, low:high].sum(axis=1)
        for low, high in itertools.pairwise(edges)
        if low < power.shape[1]
    ]
    levels: NDArray[np.float64] = 10.0 * np.log10(np.stack(bands, axis=1) + 1e-14)
    return levels
