"""Whether the motor runs at the commanded rate: order tracking with the command as tachometer.

At constant speed every sound that the steps make lies on multiples of the electrical rate (four
full steps), most of it on multiples of the step rate, for any motor and any body. The spectrum is
whitened against its own neighbourhood, the whitened lines on the commanded comb are averaged, and
the same is done for many combs that nobody commanded: how far the commanded one stands out of
those, in their own spread, is the measure (order tracking: Fyfe and Munck 1997, MSSP 11, 187). So
hum, speech and music, which raise the others as well, do not pass for the motor.

Slow steps are heard as pulses rather than as lines. For them the same measure is taken on the
spectrum of the band levels over time (squared-envelope family; logarithmic as in Borghesani and
Antoni 2017, MSSP 90, 378).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from detectors.frames import FloatArray

#: Length of one spectrum, in s, and how far apart two are.
SPECTRUM_S = 0.5
ADVANCE_S = 0.25
#: Lines above this are not used, in Hz.
TOP_HZ = 6000.0
LOWEST_LINE_HZ = 20.0
#: Width of the neighbourhood that a line is compared with, in Hz.
NEIGHBOURHOOD_HZ = 48.0
#: Whitened levels are cut off here, in dB, so that no single line decides.
WHITE_LOW_DB, WHITE_HIGH_DB = -6.0, 20.0
#: How far the motor's clock and the sound card's may disagree (one in ...).
TOLERANCE = 0.012
#: Numbers of lines over which a comb is averaged; the best one counts.
COMB_SIZES = (3, 6, 12, 24, 48, 96, 192)
#: Ratios to the commanded rate near which a comb shares lines with it.
SHARED_RATIOS = tuple(
    sorted({p / q for q in range(1, 7) for p in range(1, 4 * q + 1) if math.gcd(p, q) == 1})
)


def whitened_db(power: FloatArray, group: int) -> FloatArray:
    """Level of each bin over the median of its neighbourhood, in dB, cut at both ends.

    Args:
        power: Shape (n, bins).
        group: Bins to a neighbourhood.
    """
    level = 10.0 * np.log10(power + np.float32(1e-20))
    count = level.shape[1] // group
    middle = np.median(level[:, : count * group].reshape(len(level), count, group), axis=2)
    centres = (np.arange(count) + 0.5) * group - 0.5
    bins = np.arange(level.shape[1])
    right = np.clip(np.searchsorted(centres, bins), 1, max(1, count - 1))
    if count < 2:
        around = np.repeat(middle, level.shape[1], axis=1)
    else:
        share = np.clip((bins - centres[right - 1]) / group, 0.0, 1.0).astype(np.float32)
        around = middle[:, right - 1] * (1 - share) + middle[:, right] * share
    white: FloatArray = np.clip(level - around, WHITE_LOW_DB, WHITE_HIGH_DB).astype(np.float32)
    return white


@dataclass(frozen=True, slots=True)
class CombScore:
    """How far the commanded comb stands out.

    Attributes:
        z: In spreads of the combs that nobody commanded.
        mean_db: Mean whitened level on its lines, in dB.
        lines: Number of lines of the best size.
        ratio: Rate found within the tolerance, over the commanded one.
        above_all: Excess over the best comb that nobody commanded, in dB.
    """

    z: float
    mean_db: float
    lines: int
    ratio: float
    above_all: float


class Comb:
    """Lines of one rate and of its rivals in a spectrum of a given bin width."""

    def __init__(self, rate_hz: float, *, bin_hz: float, bins: int, low_hz: float) -> None:
        self.rate_hz = rate_hz
        self.bin_hz = bin_hz
        self.bins = bins
        self.low_hz = low_hz
        top = bins - 3
        self.count = max(1, min(COMB_SIZES[-1], int(top * bin_hz / (rate_hz * (1 + TOLERANCE)))))
        fine = np.linspace(1 - TOLERANCE, 1 + TOLERANCE, 25)
        rivals = np.exp(np.linspace(math.log(0.55), math.log(1.9), 160))
        shared = np.array(SHARED_RATIOS)
        near = np.abs(rivals[:, None] / shared[None, :] - 1).min(axis=1)
        rivals = rivals[near > 2.2 * TOLERANCE]
        if len(rivals) < 12:  # cannot be: the list of shared ratios is fixed
            raise ValueError("too few rival combs")
        self._own = self._places(fine)
        self._ratios = fine
        self._rivals = self._places((rivals[:, None] * fine[None, ::3]).ravel())
        self._rival_shape = (len(rivals), len(fine[::3]))
        self.sizes = sorted({min(size, self.count) for size in COMB_SIZES})

    def _places(self, ratios: NDArray[np.float64]) -> NDArray[np.int64]:
        lines = np.arange(1, self.count + 1)
        place = np.rint(ratios[:, None] * self.rate_hz * lines[None, :] / self.bin_hz)
        return np.clip(place, 0, self.bins - 1).astype(np.int64)

    def _means(self, white: FloatArray, places: NDArray[np.int64]) -> NDArray[np.float64]:
        """Mean whitened level over the first lines, shape (combs, sizes)."""
        values = white[places].astype(np.float64)
        counted = places * self.bin_hz >= self.low_hz
        total = np.cumsum(values * counted, axis=1)
        number = np.maximum(np.cumsum(counted, axis=1), 1)
        at = np.array(self.sizes) - 1
        return total[:, at] / number[:, at]

    def score(self, white: FloatArray) -> CombScore:
        """Score of the commanded comb in a whitened spectrum, shape (bins,)."""
        own = self._means(white, self._own)
        rival = self._means(white, self._rivals).reshape(*self._rival_shape, -1).max(axis=1)
        middle = np.median(rival, axis=0)
        spread = 1.4826 * np.median(np.abs(rival - middle), axis=0) + 0.05
        upper = np.quantile(rival, 0.84, axis=0) - middle
        spread = np.maximum(spread, upper)
        best = own.argmax(axis=0)
        height = own.max(axis=0)
        z = (height - middle) / spread
        size = int(z.argmax())
        return CombScore(
            z=float(z[size]),
            mean_db=float(height[size]),
            lines=self.sizes[size],
            ratio=float(self._ratios[best[size]]),
            above_all=float(height[size] - rival[:, size].max()),
        )


def search_rate(
    white: FloatArray, *, rate_hz: float, bin_hz: float, low_hz: float, lines: int = 16
) -> tuple[float, float]:
    """The comb that stands out most, at any rate from a fifth to four times the commanded one.

    Returns:
        Ratio to the commanded rate, and its standing-out in spreads of all the combs tried.
    """
    ratios = np.exp(np.arange(math.log(0.2), math.log(4.0), 0.002))
    harmonic = np.arange(1, lines + 1)
    place = np.rint(ratios[:, None] * rate_hz * harmonic[None, :] / bin_hz).astype(np.int64)
    inside = (place < len(white)) & (place * bin_hz >= low_hz)
    values = white[np.minimum(place, len(white) - 1)].astype(np.float64) * inside
    number = np.maximum(inside.sum(axis=1), 1)
    mean = values.sum(axis=1) / number * np.sqrt(np.minimum(number, lines) / lines)
    middle = float(np.median(mean))
    spread = 1.4826 * float(np.median(np.abs(mean - middle))) + 0.05
    best = int(mean.argmax())
    return float(ratios[best]), (float(mean[best]) - middle) / spread
