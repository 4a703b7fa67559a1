"""Broadband clicks over the sound of the motor.

A click is a moment at which most bands rise at once above what the motor's own steps reach in a
whole electrical cycle, and fall again within a few hundredths of a second. The measure is a
spectral flux against a running baseline in whitened bands (Bello et al. 2005, IEEE Trans. Speech
Audio Process. 13, 1035; Stowell and Plumbley, ICMC 2007), with the step as the
yardstick of the baseline: a motor falls back at most once in four steps, so the peaks of most steps
are the healthy motor's, however loud its steps are. A body that rings in a mode or two stands out
in few bands only, so the best three neighbouring ones are looked at by themselves as well.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from detectors.frames import SLOT_FRAMES, FloatArray

#: Frames of the past that the baseline rests on (1.4 s).
HISTORY = 512
#: Frames without which there is no baseline yet (0.43 s).
WARM = 160
#: Every so many frames enter the quantiles.
STRIDE = 4
#: Frames after a click that are looked at before it is believed (85 ms).
LOOK_AHEAD = 32
#: Of these, the ones in which a click must fall (64 ms).
FALL_FRAMES = 24
#: Frames after a click between which its decay is measured (16 to 32 ms).
DECAY_FRAMES = (6, 13)
#: Frames on either side within which only the greatest score counts.
ASIDE = 6
#: Clicks nearer than this many frames are one (60 ms): a fall of several cycles, or its echo.
MERGE = 22
#: ... unless the later one is stronger by this factor.
MERGE_STRONGER = 1.5
#: Frames before a click that its rise is measured against.
BEFORE = 12
#: The motor's peaks are taken over a whole electrical cycle, so that a loud step among four is in
#: all of them, but over no more than this, in s; over a single step up to the second figure.
STEPS_IN_CYCLE = 4
LONGEST_CYCLE_S, LONGEST_STEP_S = 0.12, 0.17
#: Bands side by side in which a click of one or two modes is looked for.
NARROW_BANDS = 3
#: Excess beyond this many dB in one band counts no more.
EXCESS_CAP_DB = 25.0
#: Quantiles of the peaks, in parts of a hundred: the base, and the one that gives its spread.
BASE_PART, LOW_PART = 20, 5
#: Standard deviations between these two, and from the base to the level that must be passed.
SPREADS_BETWEEN, SPREADS_OVER = 0.80, 2.8
#: How much more at steps too slow to be many within the history, and the rate where that begins.
SLOW_SPREADS_MORE, SLOW_STEP_HZ = 2.0, 25.0
#: Limits of a band's standard deviation, in dB.
SPREAD_LEAST_DB, SPREAD_MOST_DB = 0.8, 3.0
#: A band is the motor's where its base is this much over that of the rest.
MOTOR_BAND_DB = 6.0
#: The base may rise by this much a slot, in dB: a motor at constant speed does not change fast.
BASE_RISE_DB = 0.15


@dataclass(frozen=True, slots=True)
class Narrow:
    """What a click did in the few neighbouring bands in which it stands out most.

    Attributes:
        first: Index of the lowest of them.
        excess_db: Excess over the motor's own peaks, mean over them, in dB.
        rise_db: Rise over the frames before, in dB.
        fall_db: Fall in the frames after, in dB.
        decay_db: Fall within 16 to 32 ms, in dB.
    """

    first: int
    excess_db: float
    rise_db: float
    fall_db: float
    decay_db: float


@dataclass(frozen=True, slots=True)
class Click:
    """One broadband event.

    Attributes:
        frame: Index of the frame of its greatest score.
        known_frame: Frames that must have come in before it can be told.
        score_db: Excess over the motor's own peaks, mean over the bands, in dB.
        coverage: Fraction of the bands that stand out.
        rise_db: Rise over the frames before, mean over the bands, in dB.
        fall_db: Fall in the frames after, mean over the bands, in dB.
        decay_db: Fall within 16 to 32 ms, mean over the bands, in dB.
        narrow: What its best few neighbouring bands did.
        own_db: Excess over the bands in which the motor is louder than the room, mean, in dB; the
            score where there are none.
        shape_db: Excess per band, shape (bands,).
        level_db: Level per band, shape (bands,).
        base_db: The motor's own peaks at that time per band, shape (bands,).
        threshold_db: What a click had to exceed at that time per band, shape (bands,).
        greatest_db: Greatest score so far, of a click or not.
        usable: Bands with enough sound in them to be looked at, shape (bands,).
    """

    frame: int
    known_frame: int
    score_db: float
    coverage: float
    rise_db: float
    fall_db: float
    decay_db: float
    narrow: Narrow
    own_db: float
    shape_db: FloatArray
    level_db: FloatArray
    base_db: FloatArray
    threshold_db: FloatArray
    greatest_db: float
    usable: NDArray[np.bool_]


def neighbour_sums(values: FloatArray) -> FloatArray:
    """Sums over `NARROW_BANDS` neighbours along the first axis, that of the bands."""
    return np.asarray(values[:-2] + values[1:-1] + values[2:])


def likeness(one: FloatArray, other: FloatArray) -> float:
    """Cosine of two clicks' excess per band, 0 to 1."""
    size = float(np.sqrt((one @ one) * (other @ other)))
    return float(one @ other) / size if size > 0 else 0.0


@dataclass(frozen=True, slots=True)
class ClickLimits:
    """What an event must reach to be called a click at all; see `DetectorSettings`."""

    score_db: float
    coverage: float
    narrow_db: float
    rise_db: float
    fall_db: float


class ClickFinder:
    """Finds clicks in one stretch of frames (the rest before, the motion, the rest after).

    Frames are handed over in order from ``begin``; results do not depend on how many at a time.
    """

    def __init__(
        self,
        *,
        begin: int,
        bands: int,
        step_s: float,
        frame_rate_hz: float,
        limits: ClickLimits,
        rest_db: FloatArray | None = None,
    ) -> None:
        self.begin = begin
        self.limits = limits
        self.rest_db = rest_db  # base of the rest before the move, where it is known
        pool_s = min(max(step_s, min(STEPS_IN_CYCLE * step_s, LONGEST_CYCLE_S)), LONGEST_STEP_S)
        self.pool = max(3, math.ceil(pool_s * frame_rate_hz) + 1)
        slow = min(1.0, max(0.0, 1.25 * (1.0 - 1.0 / (step_s * SLOW_STEP_HZ))))
        self.spreads_over = np.float32(SPREADS_OVER + slow * SLOW_SPREADS_MORE)
        self._levels: FloatArray = np.zeros((0, bands), np.float32)
        self._masked: NDArray[np.bool_] = np.zeros(0, np.bool_)
        self._first = begin  # index of the oldest frame kept
        self._slot = 0  # next slot to judge, counted from begin
        self._last: Click | None = None
        self.slots_judged = 0
        self.base_db: FloatArray | None = None
        self.greatest_db = 0.0  # greatest score so far, of a click or not
        self._threshold_db: FloatArray | None = None
        self._latest: tuple[FloatArray | None, FloatArray | None, float] | None = None

    @property
    def judged_to(self) -> int:
        """Frame up to which clicks have been looked for."""
        return self.begin + self._slot * SLOT_FRAMES

    def push(
        self, levels: FloatArray, masked: NDArray[np.bool_], *, ended: bool = False
    ) -> list[Click]:
        """Take the next frames and give the clicks that can be told by now.

        Args:
            levels: Shape (n, bands), dB.
            masked: Shape (n,): frames in which nothing may be found (dropouts).
            ended: No more frames will come: judge what is left.
        """
        self._levels = np.concatenate([self._levels, levels])
        self._masked = np.concatenate([self._masked, masked])
        have = self._first + len(self._levels) - self.begin
        if ended:
            slots = -(-have // SLOT_FRAMES)
        elif have < WARM:
            slots = 0
        else:
            slots = (have - LOOK_AHEAD) // SLOT_FRAMES
        if slots <= self._slot or have < 3 * ASIDE:
            return []
        clicks = self._judge(self._slot, slots, have)
        self.slots_judged += slots - self._slot
        self._slot = slots
        self._forget()
        return clicks

    def stand_at(self, click: Click | None) -> None:
        """Say of base and scores what was known when a click could be told; None: all known by now.

        Whoever decides on a click is to know as much with blocks of any size.
        """
        if self._latest is None:
            self._latest = self.base_db, self._threshold_db, self.greatest_db
        if click is None:
            now, self._latest = self._latest, None
        else:
            now = click.base_db, click.threshold_db, click.greatest_db
        self.base_db, self._threshold_db, self.greatest_db = now

    def _forget(self) -> None:
        keep_from = self.judged_to - HISTORY - self.pool - SLOT_FRAMES - BEFORE
        drop = min(max(0, keep_from - self._first), len(self._levels))
        drop -= drop % STRIDE
        if drop > HISTORY:
            self._levels = self._levels[drop:]
            self._masked = self._masked[drop:]
            self._first += drop

    def _baselines(self, first_slot: int, last_slot: int, have: int) -> tuple[FloatArray, ...]:
        """Base and spread for each slot, shape (slots, bands) each."""
        from scipy.ndimage import maximum_filter1d

        offset = self._first - self.begin  # always a multiple of STRIDE
        pooled = maximum_filter1d(
            self._levels, self.pool, axis=0, origin=(self.pool - 1) // 2, mode="nearest"
        )[::STRIDE]
        # Two slots share one base, which ends with the first of them.
        ends = (np.arange(first_slot, last_slot) // 2 * 2 + 1) * SLOT_FRAMES
        ends = np.minimum(np.maximum(ends, WARM), have)
        unique, which = np.unique(-(-ends // STRIDE) - offset // STRIDE, return_inverse=True)
        span = HISTORY // STRIDE
        low, base = (np.empty((len(unique), pooled.shape[1]), np.float32) for _ in range(2))
        full = unique >= span
        if full.any():
            view = np.lib.stride_tricks.sliding_window_view(pooled, span, axis=0)
            chosen = np.ascontiguousarray(view[unique[full] - span])
            ranks = (span * LOW_PART // 100, span * BASE_PART // 100)
            part = np.partition(chosen, ranks, axis=2)
            low[full], base[full] = (part[:, :, r] for r in ranks)
        for index in np.flatnonzero(~full).tolist():
            part = np.sort(pooled[: unique[index]], axis=0)
            low[index], base[index] = (part[len(part) * q // 100] for q in (LOW_PART, BASE_PART))
        spread: FloatArray = np.clip(
            (base - low) / np.float32(SPREADS_BETWEEN),
            np.float32(SPREAD_LEAST_DB),
            np.float32(SPREAD_MOST_DB),
        )
        base, spread = base[which], spread[which]
        for index in range(len(base)):
            if self.base_db is not None:
                base[index] = np.minimum(base[index], self.base_db + np.float32(BASE_RISE_DB))
            self.base_db = base[index]
        return base, spread

    def _judge(self, first_slot: int, last_slot: int, have: int) -> list[Click]:
        base, spread = self._baselines(first_slot, last_slot, have)
        offset = self._first - self.begin
        before = first_slot * SLOT_FRAMES - offset - ASIDE
        after = last_slot * SLOT_FRAMES - offset + ASIDE
        pad_before, pad_after = max(0, -before), max(0, after - len(self._levels))
        stretch = self._levels[max(0, before) : after]
        masked = self._masked[max(0, before) : after]
        if pad_before or pad_after:
            stretch = np.pad(stretch, ((pad_before, pad_after), (0, 0)), mode="edge")
            masked = np.pad(masked, (pad_before, pad_after), constant_values=True)
        width = SLOT_FRAMES + 2 * ASIDE
        threshold = base + self.spreads_over * spread
        self._threshold_db = threshold[-1]
        view = np.lib.stride_tricks.sliding_window_view(stretch, width, axis=0)[::SLOT_FRAMES]
        hidden = np.lib.stride_tricks.sliding_window_view(masked, width)[::SLOT_FRAMES]
        usable = (base > -105.0) & (base > base.max(axis=1, keepdims=True) - 70.0)
        counted = np.maximum(usable.sum(axis=1), 1).astype(np.float32)
        excess = view - threshold[:, :, None]
        np.clip(excess, 0.0, EXCESS_CAP_DB, out=excess)
        excess *= usable[:, :, None]
        score = excess.sum(axis=1) / counted[:, None]
        # An event is looked for where either measure peaks, each in parts of its own limit.
        narrow = neighbour_sums(excess.swapaxes(0, 1)).max(axis=0)
        looked = narrow / np.float32(NARROW_BANDS * self.limits.narrow_db)
        np.maximum(looked, score / np.float32(self.limits.score_db), out=looked)
        score[hidden] = 0.0
        looked[hidden] = 0.0
        inner = score[:, ASIDE : ASIDE + SLOT_FRAMES]
        greatest = np.maximum.accumulate(np.maximum(inner.max(axis=1), self.greatest_db))
        self.greatest_db = float(greatest[-1])
        clicks: list[Click] = []
        for slot, place in np.argwhere(looked[:, ASIDE : ASIDE + SLOT_FRAMES] >= 1.0):
            value = inner[slot, place]
            around = looked[slot, place : place + 2 * ASIDE + 1]
            if around[ASIDE] < around.max():
                continue
            frame = (first_slot + int(slot)) * SLOT_FRAMES + int(place)
            if frame >= have:
                continue
            shape = excess[slot, :, place + ASIDE].copy()
            click = self._click(
                frame,
                float(value),
                shape,
                base[slot],
                threshold[slot],
                float(greatest[slot]),
                usable[slot],
                float((shape > 1.0).sum() / counted[slot]),
            )
            if click is not None and self._is_new(click):
                clicks.append(click)
                self._last = click
        return clicks

    def _is_new(self, click: Click) -> bool:
        last = self._last
        return (
            last is None
            or click.frame - last.frame >= MERGE
            or click.score_db >= MERGE_STRONGER * last.score_db
        )

    def _click(
        self,
        frame: int,
        score: float,
        shape: FloatArray,
        base: FloatArray,
        threshold: FloatArray,
        greatest: float,
        usable: NDArray[np.bool_],
        coverage: float,
    ) -> Click | None:
        here = frame - (self._first - self.begin)
        rise, fall, decay = self._course(here, usable)
        narrow = self._narrow(here, shape)
        limits = self.limits
        broad = score >= limits.score_db and coverage >= limits.coverage
        broad = broad and rise >= limits.rise_db and fall >= limits.fall_db
        few = narrow.excess_db >= limits.narrow_db
        few = few and narrow.rise_db >= limits.rise_db and narrow.fall_db >= limits.fall_db
        if not broad and not few:
            return None
        known = max((frame // SLOT_FRAMES + 1) * SLOT_FRAMES + LOOK_AHEAD, WARM)
        return Click(
            self.begin + frame,
            self.begin + known,
            score,
            coverage,
            rise,
            fall,
            decay,
            narrow,
            self._own_excess(shape, score, base),
            shape,
            self._levels[here].copy(),
            base.copy(),
            threshold.copy(),
            greatest,
            usable.copy(),
        )

    def _course(self, here: int, bands: slice | NDArray[np.bool_]) -> tuple[float, float, float]:
        """Rise before a frame, fall and decay after it, mean over some bands, in dB."""
        now = self._levels[here, bands]
        past = self._levels[max(0, here - BEFORE) : max(1, here - 2)][:, bands]
        rise = float((now - past.mean(axis=0)).mean())
        later = self._levels[here + 3 : here + FALL_FRAMES + 1][:, bands]
        fall = float((now - later.min(axis=0)).mean()) if len(later) else 0.0
        soon = self._levels[here + DECAY_FRAMES[0] : here + DECAY_FRAMES[1]][:, bands]
        decay = float((now - soon.mean(axis=0)).mean()) if len(soon) else 0.0
        return rise, fall, decay

    def _narrow(self, here: int, shape: FloatArray) -> Narrow:
        """The neighbouring bands that stand out most at a frame."""
        sums = neighbour_sums(shape)
        first = int(sums.argmax())
        return Narrow(
            first,
            float(sums[first]) / NARROW_BANDS,
            *self._course(here, slice(first, first + NARROW_BANDS)),
        )

    def score_here(self, click: Click) -> float:
        """Score that a click of another stretch would have had in this one, in dB."""
        if self._threshold_db is None:
            return click.score_db
        excess = np.clip(click.level_db - self._threshold_db, 0.0, EXCESS_CAP_DB)
        return float(excess.mean())

    def motor_bands(self) -> NDArray[np.bool_]:
        """Bands in which the base stands clear of the rest's."""
        return self._clear_of_rest(self.base_db)

    def _clear_of_rest(self, base_db: FloatArray | None) -> NDArray[np.bool_]:
        if base_db is None or self.rest_db is None:
            return np.zeros(self._levels.shape[1], np.bool_)
        clear: NDArray[np.bool_] = base_db - self.rest_db > MOTOR_BAND_DB
        return clear

    def _own_excess(self, shape: FloatArray, score: float, base_db: FloatArray) -> float:
        bands = self._clear_of_rest(base_db)
        return float(shape[bands].mean()) if bands.any() else score
