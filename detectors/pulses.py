"""The motor's steps heard as pulses: the rate at which the level of the sound beats.

Slow steps, and motors whose tone lies in a dense wood of microsteps, are single sounds rather than
lines. Their rate is in the spectrum of the level over time: at constant speed the level in every
band repeats with the step and with the electrical cycle of four steps. This is the squared-envelope
family of methods, on the logarithm of the envelope, which a few loud knocks do not rule (Borghesani
and Antoni 2017, MSSP 90, 378; for the family: Randall and Antoni 2011, MSSP 25, 485).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from detectors.frames import FloatArray

#: Length of one spectrum of the level, in frames (about 4 s), and the shortest that is taken.
SEGMENT_FRAMES, LEAST_FRAMES = 1500, 330
#: So many segments are all taken (two minutes); after them every fifth.
DENSE_SEGMENTS, EVERY = 30, 5
#: Levels are taken against their middle and cut off here, in dB, so that knocks do not rule.
LEVEL_CUT_DB = 6.0
#: Multiples of the rate that are looked at, and the most that one of them counts, in dB.
MULTIPLES, MULTIPLE_CAP_DB = 8, 15.0
#: How far the motor's and the sound card's clocks may differ.
CLOCK_PARTS = np.array([-0.002, -0.001, 0.0, 0.001, 0.002])
#: Rates that nobody commanded, over the commanded one; none near a simple ratio.
_SIMPLE = np.array(sorted({p / q for p in range(1, 9) for q in range(1, 9)}))
_SPACED = np.exp(np.linspace(math.log(0.62), math.log(1.63), 48))
RIVALS = _SPACED[np.abs(_SPACED[:, None] / _SIMPLE[None, :] - 1.0).min(axis=1) > 0.006]


@dataclass(frozen=True, slots=True)
class PulseScore:
    """How far the commanded rates stand out of those that nobody commanded, in their spreads.

    Attributes:
        cycle_z: Of the electrical cycle.
        step_z: Of the step.
    """

    cycle_z: float
    step_z: float


class StepPulses:
    """Collects the spectrum of the level along the steady part of a move."""

    def __init__(self, step_rate_hz: float, *, bands: int, frame_rate_hz: float) -> None:
        self.step_rate_hz = step_rate_hz
        self.frame_rate_hz = frame_rate_hz
        self._levels: FloatArray = np.zeros((0, bands), np.float32)
        self._cycle_frames = max(1, round(frame_rate_hz / (step_rate_hz / 4.0)))
        self._power: NDArray[np.float64] | None = None
        self._rough: NDArray[np.float64] | None = None
        self._segments = 0
        self._passed = 0
        self._score: PulseScore | None = None
        self._scored = False

    def push(self, levels: FloatArray) -> None:
        """Take the next frames, shape (n, bands), in dB."""
        self._scored = False
        self._levels = np.concatenate([self._levels, levels])
        while len(self._levels) >= SEGMENT_FRAMES:
            segment, self._levels = np.split(self._levels, [SEGMENT_FRAMES])
            self._passed += 1
            if self._passed <= DENSE_SEGMENTS or self._passed % EVERY == 0:
                self._add(segment)

    def _add(self, levels: FloatArray) -> None:
        power = level_spectrum(levels)
        rough = cycle_roughness_db(levels, self._cycle_frames)
        self._power = power if self._power is None else self._power + power
        self._rough = rough if self._rough is None else self._rough + rough
        self._segments += 1

    def roughness_db(self) -> NDArray[np.float64] | None:
        """How much the level differs from one electrical cycle to another, per band, in dB.

        A healthy motor's cycles are alike; one that has lost step altogether roars.
        """
        if self._rough is not None:
            return self._rough / self._segments
        if len(self._levels) < LEAST_FRAMES:
            return None
        return cycle_roughness_db(self._levels, self._cycle_frames)

    def score(self) -> PulseScore | None:
        """The score over all that was heard; None where that is too little.

        A move shorter than a segment is judged by what there is of it.
        """
        if not self._scored:
            self._score, self._scored = self._make_score(), True
        return self._score

    def _make_score(self) -> PulseScore | None:
        power, count = self._power, SEGMENT_FRAMES
        if power is None:
            count = len(self._levels)
            if count < LEAST_FRAMES:
                return None
            power = level_spectrum(self._levels)
        mean_db = 10.0 * np.log10(power / max(1, self._segments) + 1e-3)
        bin_hz = self.frame_rate_hz / count
        return PulseScore(
            _standing_out(mean_db, self.step_rate_hz / 4.0, bin_hz),
            _standing_out(mean_db, self.step_rate_hz, bin_hz),
        )


def level_spectrum(levels: FloatArray) -> NDArray[np.float64]:
    """Spectrum of the cut level over time, mean over the bands, each over its own median.

    Args:
        levels: Shape (n, bands), in dB.

    Returns:
        Shape (n // 2 + 1,), power over that of the middle bin.
    """
    from scipy import fft

    cut = np.clip(levels - np.median(levels, axis=0), -LEVEL_CUT_DB, LEVEL_CUT_DB)
    window = np.hanning(len(cut)).astype(np.float32)
    spectrum = fft.rfft(cut * window[:, None], axis=0)
    power = (spectrum.real**2 + spectrum.imag**2).astype(np.float64)
    middle = np.median(power, axis=0)
    usable = middle > 0.0  # a band without any sound does not beat
    if not usable.any():
        return np.ones(len(power))
    mean: NDArray[np.float64] = (power[:, usable] / middle[usable]).mean(axis=1)
    return mean


def cycle_roughness_db(levels: FloatArray, cycle_frames: int) -> NDArray[np.float64]:
    """Standard deviation over time of the mean level of a cycle, shape (bands,), in dB.

    Args:
        levels: Shape (n, bands), in dB.
        cycle_frames: Frames to a cycle; where they are more than n, nothing can differ.
    """
    count = len(levels) // cycle_frames
    if count == 0:
        return np.zeros(levels.shape[1])
    power = 10.0 ** (levels[: count * cycle_frames].astype(np.float64) / 10.0)
    mean = power.reshape(count, cycle_frames, -1).mean(axis=1)
    rough: NDArray[np.float64] = (10.0 * np.log10(mean + 1e-16)).std(axis=0)
    return rough


def _comb_db(level_db: NDArray[np.float64], rate_hz: float, bin_hz: float) -> float | None:
    lines = np.arange(1, MULTIPLES + 1) * rate_hz
    lines = lines[lines < (len(level_db) - 3) * bin_hz]
    if len(lines) == 0:
        return None
    place = np.rint(lines[None, :] * (1.0 + CLOCK_PARTS)[:, None] / bin_hz).astype(int)
    top = np.maximum(np.maximum(level_db[place], level_db[place - 1]), level_db[place + 1])
    return float(np.minimum(top, MULTIPLE_CAP_DB).mean(axis=1).max())


def _standing_out(level_db: NDArray[np.float64], rate_hz: float, bin_hz: float) -> float:
    own = _comb_db(level_db, rate_hz, bin_hz)
    others = [_comb_db(level_db, rate_hz * ratio, bin_hz) for ratio in RIVALS]
    known = np.array([value for value in others if value is not None])
    if own is None or len(known) < 8:
        return 0.0
    middle = float(np.median(known))
    spread = max(1.4826 * float(np.median(np.abs(known - middle))), 0.3)
    return (own - middle) / spread
