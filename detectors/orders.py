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
from typing import Any

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
WHITE_LOW_DB, WHITE_HIGH_DB = -6.0, 50.0
#: In a comb's mean a line counts no more than this, in dB, so that no single one decides.
LINE_CAP_DB = 20.0
#: How far the motor's clock and the sound card's may disagree (one in ...).
TOLERANCE = 0.012
#: Numbers of lines over which a comb is averaged; the best one counts.
COMB_SIZES = (3, 6, 12, 24, 48, 96, 192)
#: Ratios to the commanded rate near which a comb shares lines with it.
SHARED_RATIOS = tuple(
    sorted({p / q for q in range(1, 7) for p in range(1, 4 * q + 1) if math.gcd(p, q) == 1})
)


def whitened_db(level: FloatArray, group: int) -> FloatArray:
    """Level of each bin over the median of its neighbourhood, in dB, cut at both ends.

    Args:
        level: In dB, shape (bins,).
        group: Bins to a neighbourhood.
    """
    count = max(1, len(level) // group)
    middle = np.median(level[: count * group].reshape(count, -1), axis=1)
    centres = (np.arange(count) + 0.5) * group - 0.5
    around = np.interp(np.arange(len(level)), centres, middle)
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
        values = np.minimum(white[places], LINE_CAP_DB).astype(np.float64)
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


#: Orders of the electrical rate at which motors are heard most: its first multiples, the step rate
#: (order 4) and its multiples, and the rates of 2 to 256 microsteps with their first multiples.
STRONG_ORDERS = np.array(
    sorted(
        {1, 2, 3, 5, 6, 7}
        | {4 * k for k in range(1, 17)}
        | {4 * 2**m * k for m in range(1, 9) for k in (1, 2, 3)}
    ),
    np.float64,
)
#: A line may lie this far from where the command puts it: a part of its frequency, and Hz.
LINE_PART, LINE_HZ = 0.0008, 0.35
#: How far the motor's and the sound card's clocks may differ.
CLOCK_PART = 0.003
#: Rates over the commanded one that the clocks allow, and those that nobody commanded.
FINE_RATES = np.linspace(1 - CLOCK_PART, 1 + CLOCK_PART, 9)
OTHER_RATES = np.exp(np.arange(math.log(0.24), math.log(4.2), 0.004))
_ALL_RATES = (OTHER_RATES[:, None] * FINE_RATES[None, :]).ravel()
_ASCENDING = np.argsort(_ALL_RATES, kind="stable")
_FOREIGN = np.abs(OTHER_RATES[:, None] / np.array(SHARED_RATIOS) - 1).min(axis=1) > 0.008
#: Peaks that are looked at.
MOST_PEAKS = 80


@dataclass(frozen=True, slots=True)
class LineScore:
    """How much of what stands out in the spectrum lies on the commanded orders.

    Attributes:
        share: Part of the peaks' summed heights that the commanded rate explains, 0 to 1.
        chance: The same for rates that nobody commanded, at the middle.
        z: ``share`` in spreads of ``chance``.
        best_ratio: The rate that explains most, over the commanded one.
        best_share: What that one explains.
        strongest_db: Height of the strongest explained peak, in dB.
    """

    share: float
    chance: float
    z: float
    best_ratio: float
    best_share: float
    strongest_db: float


def spectrum_peaks(
    white: FloatArray, growth: FloatArray | None, *, bin_hz: float, low_hz: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Frequencies in Hz and heights in dB of the highest peaks that came with the motion.

    Args:
        white: Whitened level, shape (bins,).
        growth: Level over that of the rest before the move, in dB; None where there was none.
        bin_hz: Width of a bin.
        low_hz: Peaks below are left out.
    """
    low = max(2, int(low_hz / bin_hz))
    inner = white[low:-2].astype(np.float64)
    left, right = white[low - 1 : -3], white[low + 1 : -1]
    top = (inner > left) & (inner >= right) & (inner > 4.0)
    place = np.flatnonzero(top)
    height = inner[place]
    if growth is not None:
        height = np.minimum(height, growth[low:-2][place])
    good = height > 3.0
    place, height = place[good], height[good]
    if len(place) > MOST_PEAKS:
        chosen = np.sort(np.argsort(-height, kind="stable")[:MOST_PEAKS])
        place, height = place[chosen], height[chosen]
    a, b, c = (white[low + place + k].astype(np.float64) for k in (-1, 0, 1))
    bend = a - 2 * b + c
    shift = np.where(bend < -1e-6, 0.5 * (a - c) / np.minimum(bend, -1e-6), 0.0)
    return (low + place + np.clip(shift, -0.5, 0.5)) * bin_hz, height


def on_orders(peaks_hz: NDArray[np.float64], electrical_rate_hz: float) -> NDArray[np.bool_]:
    """Which peaks lie on the strong orders of a rate, give or take the clocks' difference."""
    order = peaks_hz / electrical_rate_hz
    near = np.abs(order[:, None] - STRONG_ORDERS[None, :]).min(axis=1)
    on: NDArray[np.bool_] = near * electrical_rate_hz <= CLOCK_PART * peaks_hz + LINE_HZ
    return on


def _explained(
    peaks_hz: NDArray[np.float64],
    heights: NDArray[np.float64],
    rates_hz: NDArray[np.float64],
    allowed_part: float,
) -> NDArray[np.float64]:
    """Share of the heights that lies on the strong orders of each rate; the rates ascend.

    Each order of each peak is explained by an interval of rates; heights are added where one begins
    and taken off where it ends, in thousandths of a dB, so that the sums are exact.
    """
    allowed = allowed_part * peaks_hz + LINE_HZ
    orders = STRONG_ORDERS[None, ::-1]
    first = np.searchsorted(rates_hz, (peaks_hz - allowed)[:, None] / orders, "left")
    after = np.searchsorted(rates_hz, (peaks_hz + allowed)[:, None] / orders, "right")
    # A rate that explains a peak by two of its orders does so once.
    first[:, 1:] = np.maximum(first[:, 1:], after[:, :-1])
    some = first < after
    weight = np.broadcast_to(np.rint(1e3 * heights)[:, None], some.shape)[some]
    begun, ended = (np.bincount(place[some], weight, len(rates_hz) + 1) for place in (first, after))
    total = float(heights.sum()) + 10.0
    return np.asarray(np.cumsum(begun - ended)[:-1] / (1e3 * total))


def score_lines(
    peaks_hz: NDArray[np.float64], heights: NDArray[np.float64], electrical_rate_hz: float
) -> LineScore:
    """Whether the peaks lie on the orders of the commanded rate rather than on another's."""
    if len(peaks_hz) == 0:
        return LineScore(0.0, 0.0, 0.0, 1.0, 0.0, 0.0)
    others = np.empty(len(_ALL_RATES))
    others[_ASCENDING] = _explained(
        peaks_hz, heights, _ALL_RATES[_ASCENDING] * electrical_rate_hz, LINE_PART
    )
    other = others.reshape(len(OTHER_RATES), len(FINE_RATES)).max(axis=1)
    own = _explained(peaks_hz, heights, FINE_RATES * electrical_rate_hz, LINE_PART)
    share = float(own.max())
    ratio = float(FINE_RATES[int(own.argmax())])
    foreign = other[_FOREIGN]
    middle = float(np.median(foreign))
    spread = max(
        1.4826 * float(np.median(np.abs(foreign - middle))),
        float(np.quantile(foreign, 0.9)) - middle,
        0.02,
    )
    best = int(other.argmax())
    places = electrical_rate_hz * ratio * STRONG_ORDERS
    near = np.abs(peaks_hz[:, None] - places[None, :]).min(axis=1)
    explained = near <= LINE_PART * peaks_hz + LINE_HZ
    return LineScore(
        share=share,
        chance=middle,
        z=(share - middle) / spread,
        best_ratio=float(OTHER_RATES[best]),
        best_share=float(other[best]),
        strongest_db=float((heights * explained).max()),
    )


#: Ratios p/q of which the commanded step lines share one in p/gcd(p, 4): with these a motor at
#: the rival's rate makes enough of them to pass for one at the commanded rate.
RIVAL_RATIOS = tuple(
    sorted(
        p / q
        for p in (2, 3, 4, 6, 8)
        for q in range(1, 8)
        if math.gcd(p, q) == 1 and 0.4 <= p / q <= 2.5 and p / q not in (1.0, 2.0)
    )
)
#: Step lines of a rival that are looked at, and the fewest that tell anything.
RIVAL_LINES, RIVAL_LEAST_LINES = 24, 5
#: A rival's line counts where it lies this many bins off the commanded orders.
RIVAL_OFF_BINS = 2.5


def rival_excess_db(
    white: FloatArray, electrical_rate_hz: float, *, bin_hz: float, low_hz: float
) -> tuple[float, float, float]:
    """The rate that best explains lines which the commanded one cannot.

    A motor at four fifths of the commanded rate shares every fifth line with it, and a comb that
    looks at those alone finds them all. So each rival is judged by the step lines that lie on no
    commanded order, and half the rate by the odd orders of half the electrical rate.

    Args:
        white: Whitened level in dB, shape (bins,).
        electrical_rate_hz: As commanded.

    Returns:
        The rival's ratio to the commanded rate, the mean height of its own lines over that of any
        place in the spectrum, in dB, and the same of the commanded step lines; (1, 0, ...) where
        no rival has enough lines.
    """
    # A line may lie half a bin off; the place is taken with its neighbours.
    height = np.minimum(white, LINE_CAP_DB)
    wide = np.maximum(np.maximum(height[1:-1], height[:-2]), height[2:]).astype(np.float64)
    low = max(1, round(low_hz / bin_hz))
    chance = float(wide[low:].mean())
    number = np.arange(1, RIVAL_LINES + 1)
    fine = np.array([0.999, 1.0, 1.001])

    def excess_db(orders: NDArray[np.floating[Any]]) -> float | None:
        place = np.rint(fine[:, None] * orders[None, :] * electrical_rate_hz / bin_hz).astype(int)
        inside = (place[0] > low) & (place[-1] < len(wide) - 1)
        if inside.sum() < RIVAL_LEAST_LINES:
            return None
        return float(wide[place[:, inside] - 1].mean(axis=1).max()) - chance

    best = (1.0, 0.0)
    for ratio in (0.5, *RIVAL_RATIOS):
        orders = number - 0.5 if ratio == 0.5 else 4.0 * ratio * number
        off = np.abs(orders - np.rint(orders)) * electrical_rate_hz
        orders = orders[off > RIVAL_OFF_BINS * bin_hz]
        excess = excess_db(orders)
        if excess is not None and excess > best[1]:
            best = (float(ratio), excess)
    own = excess_db(4.0 * number)
    # Where the command itself has too few lines, nothing is said.
    return (*best, own) if own is not None else (1.0, 0.0, 0.0)
