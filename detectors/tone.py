"""The motor's tone along a move: heard at the commanded rate or not, look by look."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from detectors.frames import FloatArray
from detectors.orders import (
    ADVANCE_S,
    LOWEST_LINE_HZ,
    NEIGHBOURHOOD_HZ,
    SPECTRUM_S,
    TOP_HZ,
    WHITE_LOW_DB,
    Comb,
    CombScore,
    LineScore,
    on_orders,
    rival_excess_db,
    score_lines,
    spectrum_peaks,
    whitened_db,
)

T = TypeVar("T")
#: Spectra that overlap by half; those after them do not overlap; and of what comes after so many
#: (two minutes), only every fifth stretch is taken.
DENSE_SPECTRA, ALL_SPECTRA, EVERY = 16, 240, 5
#: Spectra to one look (1 s, later 2 s).
LOOK_SPECTRA = 4
#: For the test whether lines go on through a click: length of the windows, and where the middles
#: of those before and after it lie, in s; long ones, and short ones nearer to it.
KEPT = (0.064, -0.045, 0.052)
NEAR = (0.048, -0.036, 0.044)
#: Samples of one stretch of a Fourier sum.
STRETCH = 64
#: A line is followed where it is not this much stronger after the moment.
KEPT_DROWNED = 2.0
#: Parts of such a window that are looked at for dropouts.
GAP_PARTS = 24
#: Least standing-out of the lines as a whole, least height of one, and how many are followed.
KEPT_LEAST_Z, KEPT_LEAST_DB, KEPT_LINES = 3.0, 12.0, 6
NEAR_LEAST_DB, NEAR_LINES = 8.0, 10
#: Amplitude that stands in for nothing where a level is taken.
LEAST_LINE = 1e-9


@dataclass(frozen=True, slots=True)
class Look:
    """One or two seconds of the move.

    Attributes:
        time_s: Middle of the look, in s.
        z: Standing-out of the commanded comb, see `CombScore`.
        share: Part of the peaks that lie on the commanded orders, see `LineScore`.
        motor_to_rest_db: Power on the comb's lines over all other power, in dB.
        level_db: Power in all, dB re full scale.
    """

    time_s: float
    z: float
    share: float
    motor_to_rest_db: float
    level_db: float


def _going_on(one: NDArray[np.complex128], other: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Real part of the coherence of lines in two windows: 1 where they go on, 0 where not."""
    larger = np.maximum(np.maximum(np.abs(one), np.abs(other)) ** 2, 1e-30)
    kept: NDArray[np.float64] = (one.conj() * other).real / larger
    return kept


@dataclass(frozen=True, slots=True)
class Crossing:
    """What a moment did to the motor's lines.

    Attributes:
        kept: Mean over the lines of the real part of their coherence across the moment, about 1
            where they go on and about 0 where they do not; None where no line is strong enough.
        steady: The same over as long a time before the moment; 0 where the moment drowns them.
        kept_near, steady_near: The same from shorter windows and more lines.
        change_db: Mean change of the lines' level across the moment, in dB either way.
        change_before_db: The same before it.
    """

    kept_near: float
    steady_near: float
    change_db: float
    change_before_db: float
    kept: float | None = None
    steady: float | None = None


def _amplitudes(
    sound: FloatArray,
    at: int,
    lines_hz: NDArray[np.float64],
    windows: tuple[float, float, float],
    sample_rate_hz: int,
) -> tuple[NDArray[np.complex128], ...] | None:
    """Complex amplitudes of lines in three windows, earlier, before and after a moment."""
    window_s, before_s, after_s = windows
    size = round(window_s * sample_rate_hz)
    if len(lines_hz) == 0:
        return None
    window = np.hanning(size)
    amplitudes = []
    for offset_s in 2.0 * before_s - after_s, before_s, after_s:
        begin = at + round(offset_s * sample_rate_hz) - size // 2
        if begin < 0 or begin + size > len(sound) or _has_gap(sound[begin : begin + size]):
            return None
        part = sound[begin : begin + size] * window
        amplitudes.append(_at_lines(part, lines_hz / sample_rate_hz, begin=begin) / size)
    return tuple(amplitudes)


def _at_lines(
    part: NDArray[np.float64], lines: NDArray[np.float64], *, begin: int
) -> NDArray[np.complex128]:
    """Fourier sums of a part of the sound at some frequencies, in cycles a sample.

    The turn over a stretch of `STRETCH` samples is the same in each but for its start, which spares
    most of the exponentials.
    """
    rows = -(-len(part) // STRETCH)
    stretches = np.zeros(rows * STRETCH)
    stretches[: len(part)] = part
    turn = -2j * np.pi * lines[None, :]
    within = np.exp(turn * np.arange(STRETCH)[:, None])
    starts = np.exp(turn * (begin + STRETCH * np.arange(rows))[:, None])
    sums: NDArray[np.complex128] = ((stretches.reshape(rows, STRETCH) @ within) * starts).sum(0)
    return sums


def _mean_going_on(
    amplitudes: tuple[NDArray[np.complex128], ...], weights: NDArray[np.float64]
) -> tuple[float, float]:
    """`_going_on` across the moment and before it, rounded so that memory layout shows nothing."""
    earlier, before, after = amplitudes
    return (
        round(float(np.average(_going_on(before, after), weights=weights)), 4),
        round(float(np.average(_going_on(earlier, before), weights=weights)), 4),
    )


def _mean_change_db(
    one: NDArray[np.complex128],
    other: NDArray[np.complex128],
    weights: NDArray[np.float64],
) -> float:
    change = 20.0 * np.abs(np.log10((np.abs(other) + LEAST_LINE) / (np.abs(one) + LEAST_LINE)))
    return round(float(np.average(change, weights=weights)), 3)


def _has_gap(sound: FloatArray) -> bool:
    """Whether a part of the sound is one repeated value: a dropout breaks every tone."""
    rows = sound[: len(sound) // GAP_PARTS * GAP_PARTS].reshape(GAP_PARTS, -1)
    return bool((rows.max(axis=1) == rows.min(axis=1)).any())


class MotorTone:
    """Collects spectra of the rest and of the move, and scores the commanded comb in them."""

    def __init__(self, step_rate_hz: float, *, sample_rate_hz: int) -> None:
        self.step_rate_hz = step_rate_hz
        self.sample_rate_hz = sample_rate_hz
        self.size = round(SPECTRUM_S * sample_rate_hz)
        self.size -= self.size % 4
        self.advance = round(ADVANCE_S * sample_rate_hz)
        self.bin_hz = sample_rate_hz / self.size
        self.bins = min(int(TOP_HZ / self.bin_hz), int(0.45 * sample_rate_hz / self.bin_hz))
        self.group = round(NEIGHBOURHOOD_HZ / self.bin_hz)
        self.comb = Comb(step_rate_hz, bin_hz=self.bin_hz, bins=self.bins, low_hz=LOWEST_LINE_HZ)
        self._window = np.hanning(self.size + 1)[:-1].astype(np.float32)
        self._rest: FloatArray = np.zeros(0, np.float32)
        self._rest_power: FloatArray | None = None
        self._rest_db: NDArray[np.float64] | None = None
        self._move: FloatArray = np.zeros(0, np.float32)
        self._from_s = 0.0
        self._taken = 0
        self._left_out = 0  # samples that are yet to be left out
        self._look: list[FloatArray] = []
        self._ends: list[int] = []  # last sample of each spectrum of the look
        self._level_sum = np.zeros(self.bins, np.float64)
        self.spectra = 0
        self.looks: list[Look] = []
        self._scored: dict[str, Any] = {}  # what `_once` keeps
        self._scored_at = 0

    def _power(self, samples: FloatArray) -> FloatArray:
        from scipy import fft

        spectrum = fft.rfft(samples * self._window)[: self.bins]
        power = spectrum.real**2 + spectrum.imag**2
        scale = np.float32(2.0 / (0.375 * self.size**2))
        scaled: FloatArray = (power * scale).astype(np.float32)
        return scaled

    def rest(self, samples: FloatArray) -> None:
        """Sound from before the move; the last second is kept."""
        self._rest = np.concatenate([self._rest, samples])[-2 * self.size :]

    def _rest_white(self) -> FloatArray | None:
        """Whitened spectrum of the rest, or None where there was too little of it."""
        if self._rest_power is None and len(self._rest) >= self.size // 2:
            sound = self._rest
            if len(sound) < self.size:
                sound = np.pad(sound, (0, self.size - len(sound)))
            begins = range(len(sound) - self.size, -1, -self.advance)
            powers = [self._power(sound[b : b + self.size]) for b in begins]
            self._rest_power = np.stack(powers).mean(axis=0)
        return self._rest_power

    def move(self, samples: FloatArray, *, from_s: float) -> None:
        """Sound of the steady part, in order; ``from_s`` is where that part began."""
        self._from_s = from_s
        waiting = np.concatenate([self._move, samples])
        self._move = waiting[self._left_out :]
        self._left_out -= len(waiting) - len(self._move)
        begin = 0
        while begin + self.size <= len(self._move):
            power = self._power(self._move[begin : begin + self.size])
            self._look.append(power)
            self._level_sum += 10.0 * np.log10(power + np.float32(1e-20))
            self.spectra += 1
            # Spectra overlap while there are few of them.
            step = self.advance if self.spectra < DENSE_SPECTRA else self.size
            if self.spectra > ALL_SPECTRA:
                step = EVERY * self.size
            begin += step
            self._ends.append(self._taken + self.size)
            self._taken += step
            if len(self._look) == LOOK_SPECTRA:
                self._close_look()
        if begin:
            self._left_out = max(0, begin - len(self._move))
            self._move = self._move[begin:]

    def _close_look(self) -> None:
        if not self._look:
            return
        powers = np.stack(self._look)
        power: FloatArray = powers.mean(axis=0)
        white = whitened_db((10.0 * np.log10(powers + np.float32(1e-20))).mean(axis=0), self.group)
        score = self.comb.score(white)
        middle = 0.5 * (self._ends[0] - self.size + self._ends[-1])
        time_s = self._from_s + middle / self.sample_rate_hz
        total = float(power[round(60.0 / self.bin_hz) :].sum())
        lines = self._line_power(power, score.ratio)
        rest = max(total - lines, 1e-3 * total, 1e-15)
        ratio_db = 10.0 * float(np.log10(max(lines, 1e-6 * rest) / rest))
        level_db = 10.0 * float(np.log10(total + 1e-15))
        self.looks.append(Look(time_s, score.z, self._share(white, power), ratio_db, level_db))
        self._look, self._ends = [], []

    def _share(self, white: FloatArray, power: FloatArray) -> float:
        """Share of the peaks of one look that lies on the commanded orders."""
        rest = self._rest_white()
        growth = None if rest is None else self._growth(10.0 * np.log10(power + 1e-20), rest)
        peaks_hz, heights = spectrum_peaks(white, growth, bin_hz=self.bin_hz, low_hz=LOWEST_LINE_HZ)
        if len(peaks_hz) == 0:
            return 0.0
        on = on_orders(peaks_hz, self.step_rate_hz / 4.0)
        return float((heights * on).sum() / (heights.sum() + 10.0))

    def _growth(self, level_db: NDArray[np.float64], rest: FloatArray) -> FloatArray:
        """Level over that of the rest, in dB, shape (bins,)."""
        from scipy.ndimage import maximum_filter1d

        if self._rest_db is None:
            # The rest is short: what stands two bins beside a line may be its foot.
            self._rest_db = 10.0 * np.log10(maximum_filter1d(rest, 5) + 1e-20)
        growth: FloatArray = (level_db - self._rest_db).astype(np.float32)
        return growth

    def _line_power(self, power: FloatArray, ratio: float) -> float:
        """Power of the comb's lines over their neighbourhood (lines of two hertz, Hann)."""
        rate = self.step_rate_hz * ratio
        if rate / 4 >= 6 * self.bin_hz:
            rate /= 4
        lines = np.arange(1, int((self.bins - 4) * self.bin_hz / rate) + 1)
        centre = np.rint(lines * rate / self.bin_hz).astype(int)
        centre = centre[(centre * self.bin_hz >= LOWEST_LINE_HZ) & (centre < self.bins - 3)]
        if len(centre) == 0:
            return 0.0
        near = power[centre[:, None] + np.arange(-2, 3)[None, :]].sum(axis=1)
        count = len(power) // self.group
        middle = np.median(power[: count * self.group].reshape(count, self.group), axis=1) / 0.69
        around = middle[np.minimum(centre // self.group, count - 1)]
        return max(0.0, float((near - 5 * around).sum()))

    def finish(self) -> None:
        """Close the last, shorter look."""
        if self._look and (len(self._look) >= 2 or not self.looks):
            self._close_look()

    def _white(self) -> FloatArray:
        """Whitened mean level of all the spectra so far, shape (bins,).

        The mean is one of levels in dB, which a few loud clicks do not lift.
        """
        return whitened_db((self._level_sum / self.spectra).astype(np.float32), self.group)

    def _once(self, make: Callable[[], T]) -> T:
        """What is made of all the spectra so far; made again only once there are more of them."""
        if self._scored_at != self.spectra:
            self._scored, self._scored_at = {}, self.spectra
        name = make.__name__
        if name not in self._scored:
            self._scored[name] = make()
        made: T = self._scored[name]
        return made

    def overall(self) -> CombScore | None:
        """Score over all the spectra so far; None before the first."""
        return self._once(self._overall) if self.spectra else None

    def _overall(self) -> CombScore:
        return self.comb.score(self._once(self._white))

    def peaks(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Frequencies in Hz and heights in dB of the peaks that came with the motion."""
        if not self.spectra:
            return np.zeros(0), np.zeros(0)
        return self._once(self._new_peaks)

    def _new_peaks(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        white = self._once(self._white)
        rest = self._rest_white()
        growth = None if rest is None else self._growth(self._level_sum / self.spectra, rest)
        return spectrum_peaks(white, growth, bin_hz=self.bin_hz, low_hz=LOWEST_LINE_HZ)

    def rival(self) -> tuple[float, float, float]:
        """Ratio of the best rival rate, height of the lines that only it explains and of the own.

        Only what came with the motion counts; see `rival_excess_db`.
        """
        return self._once(self._rival) if self.spectra else (1.0, 0.0, 0.0)

    def _rival(self) -> tuple[float, float, float]:
        white, rest = self._once(self._white), self._rest_white()
        if rest is not None:
            growth = self._growth(self._level_sum / self.spectra, rest)
            white = np.minimum(white, np.maximum(growth, WHITE_LOW_DB))
        ratio = self.comb.score(white).ratio
        return rival_excess_db(
            white, ratio * self.step_rate_hz / 4.0, bin_hz=self.bin_hz, low_hz=LOWEST_LINE_HZ
        )

    def lines(self) -> LineScore | None:
        """Whether the lines that came with the motion lie on the commanded orders."""
        return self._once(self._line_score) if self.spectra else None

    def _line_score(self) -> LineScore | None:
        return score_lines(*self.peaks(), self.step_rate_hz / 4.0)

    def across(self, sound: FloatArray, at: int) -> Crossing | None:
        """Whether the motor's strong lines go on through a moment as if nothing had happened.

        A motor that falls back leaves the phase of its lines; a knock in the room does not touch
        it. Each line's amplitude and phase in a window before the moment is compared with those in
        a window after it, and those before with ones before them, where nothing should have
        happened.

        Args:
            sound: Samples around the moment.
            at: Index of the moment in them.

        Returns:
            None where no line is strong enough to tell, or the windows reach out of the sound.
        """
        lines = self.lines()
        if lines is None or lines.z < KEPT_LEAST_Z:
            return None
        peaks_hz, heights = self.peaks()
        electrical_hz = self.step_rate_hz / 4.0
        strong = on_orders(peaks_hz, electrical_hz) & (heights > NEAR_LEAST_DB) & (peaks_hz > 40.0)
        chosen = np.flatnonzero(strong)
        chosen = chosen[np.argsort(-heights[chosen], kind="stable")][:NEAR_LINES]
        near = _amplitudes(sound, at, peaks_hz[chosen], NEAR, self.sample_rate_hz)
        if near is None:
            return None
        earlier, before, after = near
        weights = heights[chosen]
        kept_near, steady_near = _mean_going_on(near, weights)
        crossing = Crossing(
            kept_near=kept_near,
            steady_near=steady_near,
            change_db=_mean_change_db(before, after, weights),
            change_before_db=_mean_change_db(earlier, before, weights),
        )
        chosen = chosen[heights[chosen] > KEPT_LEAST_DB][:KEPT_LINES]
        wide = _amplitudes(sound, at, peaks_hz[chosen], KEPT, self.sample_rate_hz)
        if wide is None:
            return crossing
        weights = heights[chosen]
        kept, steady = _mean_going_on(wide, weights)
        # Lines that the click's own ringing drowns do not tell that it broke them.
        drowned = np.abs(wide[2]) > KEPT_DROWNED * np.abs(wide[1])
        if weights[drowned].sum() > 0.5 * weights.sum():
            steady = 0.0
        return replace(crossing, kept=kept, steady=steady)

    def order_db(self, order: float) -> float:
        """Mean level near an order of the electrical rate, in dB re full scale."""
        place = round(order * self.step_rate_hz / 4.0 / self.bin_hz)
        if not self.spectra or not 2 <= place < self.bins - 2:
            return -200.0
        return float(self._level_sum[place - 1 : place + 2].max() / self.spectra)

    def sub_harmonic_db(self) -> float:
        """Odd orders of the electrical rate over the step rate and its multiples, in dB.

        A healthy motor's odd orders are weak: the four steps of a cycle are nearly alike. One that
        stalls knocks once a cycle.
        """
        odd = [self.order_db(order) for order in (1, 3, 5)]
        whole = [self.order_db(order) for order in (4, 8, 12)]
        return sum(odd) / 3.0 - sum(whole) / 3.0
