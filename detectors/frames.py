"""Samples to short frames of band levels: the one place where sound is cut up.

Every later step sees the sound as rows of band levels in dB, about 375 rows a second whatever the
sample rate, and as a few facts about each row (dead, at the rail). Samples may arrive in blocks of
any size: rows depend only on the position of the samples in the stream.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: Upper edges of the bands in Hz; the first band begins at `LOWEST_HZ`. Roughly a third to half an
#: octave each, narrower than a click is wide and wider than a line of the step rate.
BAND_EDGES_HZ = (
    290.0,
    480.0,
    780.0,
    1150.0,
    1550.0,
    2050.0,
    2650.0,
    3400.0,
    4300.0,
    5400.0,
    6800.0,
    8400.0,
    10300.0,
    12600.0,
    15600.0,
)
LOWEST_HZ = 90.0
FRAMES_PER_S = 375.0
#: Rows are made and judged in slots of this many frames (43 ms).
SLOT_FRAMES = 16
#: Level that stands for "nothing", in dB re full scale: below the noise of 24 bits.
FLOOR_DB = -150.0
FloatArray = NDArray[np.float32]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class FrameGrid:
    """How a stream of one sample rate is cut into frames.

    Attributes:
        sample_rate_hz: Samples per second.
        hop: Samples from one frame to the next; a frame is two hops long.
        starts: First spectrum bin of each band.
        stop: One past the last bin of the last band.
        centres_hz: Geometric centre of each band, in Hz.
    """

    sample_rate_hz: int
    hop: int
    starts: tuple[int, ...]
    stop: int
    centres_hz: tuple[float, ...]

    @property
    def frame_rate_hz(self) -> float:
        """Frames per second."""
        return self.sample_rate_hz / self.hop

    @property
    def bands(self) -> int:
        """Number of bands."""
        return len(self.starts)

    @property
    def slot_samples(self) -> int:
        """Samples that one slot moves on by."""
        return self.hop * SLOT_FRAMES


def _is_smooth(number: int) -> bool:
    for factor in (2, 3, 5):
        while number % factor == 0:
            number //= factor
    return number == 1


def frame_grid(sample_rate_hz: int) -> FrameGrid:
    """The grid for a sample rate: hop nearest to 1/375 s whose transform is fast.

    Raises:
        ValueError: The rate is below 8 kHz or above 384 kHz.
    """
    if not 8_000 <= sample_rate_hz <= 384_000:
        raise ValueError(f"sample rate {sample_rate_hz} Hz is outside 8000 to 384000 Hz")
    wanted = sample_rate_hz / FRAMES_PER_S
    hop = min(
        (n for n in range(int(wanted * 0.85), int(wanted * 1.15) + 2) if _is_smooth(n)),
        key=lambda n: abs(n - wanted),
    )
    bin_hz = sample_rate_hz / (2 * hop)
    top_hz = min(0.46 * sample_rate_hz, BAND_EDGES_HZ[-1])
    edges = [LOWEST_HZ]
    for edge in BAND_EDGES_HZ:
        if edge > top_hz:
            break
        edges.append(edge)
    bins = [max(1, round(edge / bin_hz + 0.5)) for edge in edges]
    starts, centres = [], []
    for low, high, low_hz, high_hz in zip(bins, bins[1:], edges, edges[1:], strict=False):
        if high > low:
            starts.append(low)
            centres.append(float(np.sqrt(low_hz * high_hz)))
    return FrameGrid(sample_rate_hz, hop, tuple(starts), bins[-1], tuple(centres))


def band_levels_db(samples: FloatArray, grid: FrameGrid) -> FloatArray:
    """Band levels of consecutive frames.

    Args:
        samples: Shape ((n + 1) * hop,): n frames of two hops, half overlapping. n must be a
            multiple of eight, so that rows come out the same however many are made at once.

    Returns:
        Shape (n, bands), dB re a full-scale square wave in the band, rounded to 1e-3 dB.
    """
    from scipy import fft

    hop = grid.hop
    count = len(samples) // hop - 1
    frames = np.lib.stride_tricks.sliding_window_view(samples, 2 * hop)[::hop][:count]
    window = np.hanning(2 * hop + 1)[:-1].astype(np.float32)
    spectrum = fft.rfft(frames * window, axis=1)[:, : grid.stop]
    power = spectrum.real**2 + spectrum.imag**2
    bands = np.add.reduceat(power, grid.starts, axis=1)
    # A full-scale square wave has power 1; the window passes 3/8 of it; one side of the spectrum.
    scale = np.float32(2.0 / (0.375 * (2 * hop) ** 2))
    level = 10.0 * np.log10(bands * scale + np.float32(10.0 ** (FLOOR_DB / 10.0)))
    rounded: FloatArray = np.round(level, 3).astype(np.float32)
    return rounded


@dataclass(frozen=True, slots=True)
class HopFacts:
    """What can be told of the raw samples, one value a hop.

    Attributes:
        dead: All samples of the hop are one value.
        railed: Samples that sit in a flat top of three or more at the hop's extreme value.
        power: Mean square after removal of the hop's mean.
        same: Samples that are exactly what they were `SAME_APART` samples before in the hop.
    """

    dead: BoolArray
    railed: NDArray[np.int32]
    power: FloatArray
    same: NDArray[np.int32]


#: A prime number, so that a sample rate that was raised by repeating samples does not count.
SAME_APART = 7
#: A flat top counts as clipping only where the hop's extreme is at least this far from zero.
RAIL_LEAST = 0.05
#: From here on it does whatever the samples are made of; below, only where they are finer than one
#: in so many parts of the extreme.
RAIL_CERTAIN, LEAST_LEVELS = 0.95, 200.0


def hop_facts(samples: FloatArray, hop: int) -> HopFacts:
    """Facts of consecutive hops; ``samples`` has shape (n * hop,)."""
    rows = samples.reshape(-1, hop)
    high, low = rows.max(axis=1), rows.min(axis=1)
    railed = np.zeros(len(rows), np.int32)
    extreme = np.maximum(high, -low)
    loud = np.flatnonzero(extreme >= RAIL_LEAST)
    if len(loud):
        some = rows[loud]
        at = np.abs(some) >= extreme[loud, None] - np.float32(2e-6)
        flat = at[:, 2:] & at[:, 1:-1] & at[:, :-2]
        count = flat.sum(axis=1)
        for row in np.flatnonzero((count > 0) & (extreme[loud] < RAIL_CERTAIN)):
            # Samples of few bits have flat tops wherever the sound is slow.
            values = np.unique(some[row])
            if len(values) > 1 and np.diff(values).min() > extreme[loud[row]] / LEAST_LEVELS:
                count[row] = 0
        railed[loud] = np.where(count > 0, count + 2, 0)
    mean = rows.mean(axis=1, dtype=np.float32)
    power = np.einsum("ij,ij->i", rows, rows) / np.float32(hop) - mean * mean
    same = np.count_nonzero(rows[:, SAME_APART:] == rows[:, :-SAME_APART], axis=1)
    return HopFacts(
        high == low,
        railed,
        np.maximum(power, 0.0).astype(np.float32),
        same.astype(np.int32),
    )
