"""How the level of a move wanders beside the motor's own beat: for skips that make no click.

Where a click is no louder than a step, or the motor has lost step from the start, there is nothing
to find; but a motor in step sounds alike from cycle to cycle, and one that is not does not. The
level's mean over the electrical cycles is taken off (time-synchronous averaging: Braun 1975,
Acustica 32, 69), and what is left is described: how wide it scatters, how heavy its tails are
(kurtosis of the residual: Randall and Antoni 2011, MSSP 25, 485), how much of it beats slower than
the cycle, and how it steps from one quarter of a second to the next.
"""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import NDArray

from detectors.frames import FloatArray

#: Neighbouring bands are taken together in this many groups.
GROUPS = 4
#: Frames of one stretch that is described (2 s), the least that is one too at the end of a move,
#: and the least of a move that is shorter than that.
STRETCH_FRAMES, LEAST_FRAMES, SHORT_FRAMES = 750, 330, 60
#: So many stretches are all described; after them every fourth.
DENSE_STRETCHES, EVERY = 6, 4
#: Levels are taken against their middle and cut off here, in dB, where a few knocks would rule.
LEVEL_CUT_DB = 8.0
#: Parts of a cycle that have a mean of their own at most; a cycle of fewer frames than the second
#: figure has no shape.
MOST_PARTS, LEAST_CYCLE_FRAMES = 48, 3.0
#: Parts of a thousand beyond which the residual's upper end lies.
TAIL_PARTS = 5
#: Beats that are slower than a cycle, in Hz; the slow ones among them end at the second figure, and
#: they are compared with those between the last two.
BEAT_LOW_HZ, SLOW_BEAT_HZ, BEAT_HIGH_HZ, REFERENCE_HZ = 0.7, 4.0, 25.0, 70.0
#: A multiple of the cycle's rate takes this many bins of the spectrum to either side.
LINE_BINS = 2.5
#: Figures go no further than these.
LEAST_SCATTER_DB, MOST_KURTOSIS, LEAST_BEAT = 0.05, 50.0, 1e-3
QUARTER_S = 0.25
#: Names of the figures.
UNREST = (
    "residual_db",
    "residual_most_db",
    "residual_kurtosis",
    "residual_tail",
    "slow_beat_db",
    "slow_beat_most_db",
    "beat_peak_db",
    "quarter_rise_db",
    "quarter_fall_db",
)
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


class LevelUnrest:
    """Describes the level along the steady part of a move, stretch by stretch."""

    def __init__(self, electrical_rate_hz: float, *, bands: int, frame_rate_hz: float) -> None:
        self.electrical_rate_hz = electrical_rate_hz
        self.frame_rate_hz = frame_rate_hz
        self._starts = np.linspace(0, bands, GROUPS + 1).astype(int)
        self._pending: FloatArray = np.zeros((0, GROUPS), np.float32)
        self._sum: Floats = np.zeros((_COUNT, GROUPS))
        self._most: Floats = np.full((_COUNT, GROUPS), -np.inf)
        self._stretches = 0
        self._passed = 0

    def push(self, levels: FloatArray) -> None:
        """Take the next frames, shape (n, bands), in dB."""
        means = np.add.reduceat(levels, self._starts[:-1], axis=1) / np.diff(self._starts)
        self._pending = np.concatenate([self._pending, means.astype(np.float32)])
        while len(self._pending) >= STRETCH_FRAMES:
            stretch, self._pending = np.split(self._pending, [STRETCH_FRAMES])
            self._passed += 1
            if self._passed <= DENSE_STRETCHES or self._passed % EVERY == 0:
                found = self._describe(stretch)
                self._sum += found
                self._most = np.maximum(self._most, found)
                self._stretches += 1

    def _describe(self, levels: FloatArray) -> Floats:
        return describe(
            levels, electrical_rate_hz=self.electrical_rate_hz, frame_rate_hz=self.frame_rate_hz
        )

    def figures(self, growth_db: FloatArray | None) -> dict[str, float]:
        """The figures of `UNREST`, zeros where too little was heard.

        Args:
            growth_db: By how much the move is louder than the rest, per band: the group of bands
                that grew most is the motor's. None where it is unknown: the lowest.
        """
        total, most, count = self._sum, self._most, self._stretches
        left = len(self._pending)
        if left >= LEAST_FRAMES or (not count and left >= SHORT_FRAMES):
            found = self._describe(self._pending)
            total, most, count = total + found, np.maximum(most, found), count + 1
        if not count:
            return dict.fromkeys(UNREST, 0.0)
        group = 0
        if growth_db is not None:
            grown = np.add.reduceat(growth_db, self._starts[:-1]) / np.diff(self._starts)
            group = int(np.argmax(grown))
        mean, top = (total / count)[:, group], most[:, group]
        values = (mean[0], top[0], mean[1], top[2], mean[3], top[3], mean[4], top[5], top[6])
        return dict(zip(UNREST, (float(value) for value in values), strict=True))


#: Rows of `describe`.
_COUNT = 7


def describe(levels: FloatArray, *, electrical_rate_hz: float, frame_rate_hz: float) -> Floats:
    """Scatter, kurtosis, upper tail, slow beat, greatest beat, rise and fall of one stretch.

    Args:
        levels: Shape (n, groups), in dB.
        electrical_rate_hz: Of the motor.
        frame_rate_hz: Frames a second.

    Returns:
        Shape (7, groups): robust standard deviation of the residual, in dB; its kurtosis; its
        99.5th percentile over its middle, in standard deviations; its slow beats over the fast
        ones, and its greatest beat over the middle one, in dB; the greatest rise and the greatest
        fall from one quarter of a second to the next, in dB.
    """
    from scipy import fft

    count = len(levels)
    rows = np.ascontiguousarray(levels.T, np.float64)  # by group
    rows -= np.median(rows, axis=1, keepdims=True)
    cycle_frames = frame_rate_hz / electrical_rate_hz
    residual = rows - _cycle_mean(rows, cycle_frames)
    ranks = (count // 2, count - 1 - count * TAIL_PARTS // 1000)
    part = np.partition(residual, ranks, axis=1)
    middle, tail = part[:, ranks[0]], part[:, ranks[1]]
    away = np.partition(np.abs(residual - middle[:, None]), count // 2, axis=1)[:, count // 2]
    scatter = 1.4826 * away + LEAST_SCATTER_DB
    square = (residual - residual.mean(axis=1, keepdims=True)) ** 2
    variance = np.maximum(square.mean(axis=1), 1e-6)
    kurtosis = np.minimum((square * square).mean(axis=1) / variance**2, MOST_KURTOSIS)

    window, fast, beats, slow = _beats(count, electrical_rate_hz, frame_rate_hz)
    np.clip(residual, -LEVEL_CUT_DB, LEVEL_CUT_DB, out=residual)
    residual *= window
    spectrum = fft.rfft(residual, axis=1)[:, : len(fast)]
    power = spectrum.real**2 + spectrum.imag**2
    reference = np.median(power[:, fast], axis=1) + LEAST_BEAT
    slow_db, peak_db = np.zeros(len(rows)), np.zeros(len(rows))
    if slow.any():
        slow_db = 10.0 * np.log10(power[:, slow].mean(axis=1) / reference + LEAST_BEAT)
    if beats.any():
        chosen = power[:, beats]
        usual = np.median(chosen, axis=1) + LEAST_BEAT
        peak_db = 10.0 * np.log10(chosen.max(axis=1) / usual + LEAST_BEAT)

    quarter = max(1, int(QUARTER_S * frame_rate_hz))
    whole = count // quarter * quarter
    change = np.zeros((len(rows), 1))
    if whole >= 2 * quarter:
        quarters = rows[:, :whole].reshape(len(rows), -1, quarter).mean(axis=2)
        change = np.diff(quarters, axis=1)
    tail = (tail - middle) / scatter
    rise, fall = change.max(axis=1), (-change).max(axis=1)
    return np.stack([scatter, kurtosis, tail, slow_db, peak_db, rise, fall])


@functools.lru_cache(maxsize=8)
def _beats(
    count: int, electrical_rate_hz: float, frame_rate_hz: float
) -> tuple[Floats, Bools, Bools, Bools]:
    """Window of a stretch; bins of the fast beats to compare with, of all slow ones, and of the
    slowest."""
    bins = int(REFERENCE_HZ / frame_rate_hz * count) + 1
    beat_hz = np.arange(bins) * (frame_rate_hz / count)
    order = beat_hz / electrical_rate_hz
    from_line_hz = np.abs(order - np.rint(order)) * electrical_rate_hz
    off_line = (from_line_hz > LINE_BINS * frame_rate_hz / count) | (order < 0.5)
    fast = off_line & (beat_hz > BEAT_HIGH_HZ)
    if np.count_nonzero(fast) <= 3:
        fast = np.ones(bins, np.bool_)
    beats = off_line & (beat_hz > BEAT_LOW_HZ) & (beat_hz < BEAT_HIGH_HZ)
    return np.hanning(count), fast, beats, beats & (beat_hz < SLOW_BEAT_HZ)


def _cycle_mean(rows: Floats, cycle_frames: float) -> Floats:
    """Mean level at each frame's place in the electrical cycle, shape (groups, n)."""
    cut = np.clip(rows, -LEVEL_CUT_DB, LEVEL_CUT_DB)
    if cycle_frames < LEAST_CYCLE_FRAMES:
        mean: Floats = cut.mean(axis=1, keepdims=True)
        return mean
    place, parts = _places(rows.shape[1], cycle_frames)
    counts = np.maximum(np.bincount(place, minlength=parts), 1)
    sums = np.stack([np.bincount(place, weights=row, minlength=parts) for row in cut])
    found: Floats = (sums / counts)[:, place]
    return found


@functools.lru_cache(maxsize=8)
def _places(count: int, cycle_frames: float) -> tuple[NDArray[np.intp], int]:
    """The part of the cycle that each frame lies in, and the number of parts."""
    parts = int(min(cycle_frames, MOST_PARTS))
    return ((np.arange(count) / cycle_frames) % 1.0 * parts).astype(np.intp), parts
