"""The microphone as a witness: from blocks of sound to clicks, the motor's tone, and faults.

`Listener` cuts the stream into frames, sorts them into the rest before the move, the move and the
rest after it, and hands them to the click finder and to the comb. It concludes nothing; that is
the work of `detectors.decision`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from detectors.clicks import Click, ClickFinder, ClickLimits
from detectors.evidence import CommandedMotion, MotorGeometry, SoundBlock
from detectors.frames import (
    SLOT_FRAMES,
    BoolArray,
    FloatArray,
    HopFacts,
    band_levels_db,
    frame_grid,
    hop_facts,
)
from detectors.pulses import StepPulses
from detectors.settings import DetectorSettings
from detectors.tone import Crossing, MotorTone
from detectors.unrest import LevelUnrest

#: Sound this near to the start of the move belongs neither to the rest nor to the move, in s.
START_GUARD_S = 0.12
#: The same before the end of the move, and after it until the rest begins.
END_GUARD_S = 0.06
AFTER_GUARD_S = 0.25
BEFORE_GUARD_S = 0.05
#: Clicks this near to either end of the steady part say nothing about the tone, in s.
EDGE_BEFORE_S, EDGE_AFTER_S = 0.08, 0.09
#: A recording may begin with a click of its own, in s.
SWITCH_ON_S = 0.1
#: Steps of a block's time against the count of samples that mean nothing, in s.
CLOCK_SLACK_S = 0.05
#: Longest gap that is filled with nothing so that times stay right, in s.
LONGEST_GAP_S = 5.0
#: Sound that is kept to look back at a click, in s.
HISTORY_S = 1.0
#: Frames that stand in for those of a dropout, again and again (85 ms).
FILL_FRAMES = 32
#: Samples are worked on in stretches of at most this many slots, so that memory stays flat.
MOST_SLOTS = 96
#: Hops after the last frame that are looked at with it: its own second half, and one for dropouts.
HOPS_BEYOND = 2


@dataclass(frozen=True, slots=True)
class HeardClick:
    """A click of the move.

    Attributes:
        time_s: On the common time base, in s.
        click: What was measured of it.
        crossing: What it did to the motor's lines; None where that cannot be told.
    """

    time_s: float
    click: Click
    crossing: Crossing | None = None

    @property
    def kept(self) -> float | None:
        """See `Crossing.kept`; None where that cannot be told."""
        return self.crossing.kept if self.crossing is not None else None

    @property
    def steady(self) -> float | None:
        """See `Crossing.steady`; None where that cannot be told."""
        return self.crossing.steady if self.crossing is not None else None


@dataclass(slots=True)
class Stretch:
    """Counts over one stretch of frames (rest before, move, rest after)."""

    begin_s: float
    hops: int = 0
    dead_hops: int = 0
    lost_hops: int = 0
    railed: int = 0
    same: int = 0
    power_sum: float = 0.0
    peak_power: float = 0.0
    clicks: list[HeardClick] = field(default_factory=list)
    finder: ClickFinder | None = None
    next_frame: int = 0

    @property
    def mean_power(self) -> float:
        """Mean square, full scale is 1."""
        return self.power_sum / self.hops if self.hops else 0.0


class Listener:
    """Hears one move. Blocks may be of any size; what comes out does not depend on it."""

    def __init__(
        self,
        motion: CommandedMotion,
        geometry: MotorGeometry,
        *,
        sample_rate_hz: int,
        settings: DetectorSettings,
    ) -> None:
        self.motion = motion
        self.geometry = geometry
        self.settings = settings
        self.grid = frame_grid(sample_rate_hz)
        self.origin_s: float | None = None
        self.on_click: Callable[[HeardClick], None] | None = None
        self.told_to_s = motion.start_s  # what was heard up to here told the last click
        self.lost_s: list[tuple[float, float]] = []  # (from, to) of gaps in the stream
        self._pending: list[FloatArray] = []
        self._waiting = 0
        self._samples_in = 0
        self._next_frame = 0
        self._carry: FloatArray = np.zeros(0, np.float32)
        self._last_rows: FloatArray = np.full((FILL_FRAMES, self.grid.bands), -100.0, np.float32)
        self._history: FloatArray = np.zeros(0, np.float32)
        self._dead_before = np.zeros(1, np.bool_)
        self.before = Stretch(-math.inf)
        self.move = Stretch(math.inf)
        self.after = Stretch(math.inf)
        self.tone = MotorTone(
            geometry.step_rate_hz(motion.speed_mm_s), sample_rate_hz=sample_rate_hz
        )
        self.pulses = StepPulses(
            geometry.step_rate_hz(motion.speed_mm_s),
            bands=self.grid.bands,
            frame_rate_hz=self.grid.frame_rate_hz,
        )
        self.unrest = LevelUnrest(
            geometry.electrical_rate_hz(motion.speed_mm_s),
            bands=self.grid.bands,
            frame_rate_hz=self.grid.frame_rate_hz,
        )

    @property
    def origin_now_s(self) -> float:
        """Time of the first sample; 0 before any came."""
        return self.origin_s if self.origin_s is not None else 0.0

    # -- times ---------------------------------------------------------------------------------

    def frame_time_s(self, frame: int) -> float:
        """Time of the middle of a frame."""
        return self.origin_now_s + (frame + 1) * self.grid.hop / self.grid.sample_rate_hz

    def _frame_at(self, time_s: float) -> int:
        if math.isinf(time_s):
            return 2**62 if time_s > 0 else 0
        return max(0, round((time_s - self.origin_now_s) * self.grid.frame_rate_hz) - 1)

    @property
    def rest_db(self) -> FloatArray | None:
        """Level per band that the rest before the move does not fall below, in dB."""
        finder = self.before.finder
        return finder.base_db if finder is not None else None

    @property
    def growth_db(self) -> float:
        """By how much the move is louder than the rest before it, in dB.

        Taken in the third best band, of the level that is hardly ever undercut, so that neither
        noise nor clicks count; 0 where either is unknown.
        """
        growth = self.band_growth_db
        return 0.0 if growth is None else float(np.sort(growth)[-3])

    @property
    def band_growth_db(self) -> FloatArray | None:
        """By how much each band is louder than in the rest before, in dB, shape (bands,)."""
        return self._over(self.before)

    def _over(self, rest: Stretch) -> FloatArray | None:
        """By how much each band of the move is louder than in a rest, in dB; None where unknown."""
        one, other = self.move.finder, rest.finder
        if one is None or other is None or one.base_db is None or other.base_db is None:
            return None
        growth: FloatArray = one.base_db - other.base_db
        return growth

    @property
    def passing_db(self) -> float:
        """By how much the move is louder than the rests before it and after it, in dB.

        As `growth_db`, of the smaller of both in each band; 0 where one of them is unknown.
        """
        growth, fall = self._over(self.before), self._over(self.after)
        if growth is None or fall is None:
            return 0.0
        return float(np.sort(np.minimum(growth, fall))[-3])

    @property
    def heard_to_s(self) -> float:
        """Time up to which sound was taken in."""
        origin = self.origin_s if self.origin_s is not None else self.motion.start_s
        return origin + self._samples_in / self.grid.sample_rate_hz

    @property
    def judged_to_s(self) -> float:
        """Time up to which clicks of the move have been looked for."""
        finder = self.move.finder
        return self.frame_time_s(finder.judged_to) if finder else self.motion.start_s

    @property
    def steady_from_s(self) -> float:
        """Start of what is listened to as the move."""
        return self.motion.start_s + self.motion.ramp_s + START_GUARD_S

    @property
    def steady_to_s(self) -> float:
        """End of what is listened to as the move."""
        return self.motion.end_s - self.motion.ramp_s - END_GUARD_S

    # -- sound in ------------------------------------------------------------------------------

    def hear(self, block: SoundBlock) -> None:
        """Take the next block, in order."""
        samples = np.asarray(block.samples, np.float32)
        if self.origin_s is None:
            self.origin_s = block.start_s
        expected_s = self.heard_to_s
        gap_s = block.start_s - expected_s
        if block.lost or gap_s > CLOCK_SLACK_S:
            self.lost_s.append((expected_s, max(block.start_s, expected_s + 1e-3)))
        if gap_s > CLOCK_SLACK_S:
            fill = round(min(gap_s, LONGEST_GAP_S) * self.grid.sample_rate_hz)
            self._take(np.zeros(fill, np.float32))
            if gap_s > LONGEST_GAP_S:
                self.origin_s += gap_s - LONGEST_GAP_S
        self._take(samples)

    def _take(self, samples: FloatArray) -> None:
        self._pending.append(samples)
        self._waiting += len(samples)
        self._samples_in += len(samples)
        slot, beyond = self.grid.slot_samples, HOPS_BEYOND * self.grid.hop
        while self._waiting + len(self._carry) >= slot + beyond:
            waiting = np.concatenate([self._carry, *self._pending])
            slots = min((len(waiting) - beyond) // slot, MOST_SLOTS)
            used = slots * slot
            self._work(waiting[: used + beyond])
            self._carry = waiting[used:]
            self._pending = []
            self._waiting = 0

    def _work(self, samples: FloatArray) -> None:
        """Whole slots: frames, facts, stretches and tone. The last hops belong to the next."""
        grid = self.grid
        count = len(samples) // grid.hop - HOPS_BEYOND
        levels = band_levels_db(samples[: (count + 1) * grid.hop], grid)
        facts = hop_facts(samples, grid.hop)
        # A frame is masked when one of its hops, or one beside them, carries no sound at all.
        dead = np.concatenate([self._dead_before, facts.dead])
        masked = dead[:count] | dead[1 : count + 1] | dead[2 : count + 2] | dead[3 : count + 3]
        lost = dead[1 : count + 1] & dead[:count]
        self._dead_before = dead[count : count + 1]
        levels = self._filled(levels, masked)
        first = self._next_frame
        self._next_frame += count
        edges = (
            (
                self.before,
                self._frame_at(self.origin_now_s + SWITCH_ON_S),
                self._frame_at(self.motion.start_s - BEFORE_GUARD_S),
            ),
            (self.move, self._frame_at(self.steady_from_s), self._frame_at(self.steady_to_s)),
            (self.after, self._frame_at(self.motion.end_s + AFTER_GUARD_S), 2**62),
        )
        last, taken = first + count, first
        move_from, move_to = max(first, edges[1][1]), min(last, edges[1][2])

        def take_in(to: int) -> None:
            """Count the move, and hand it to all that hears the motor, up to a frame."""
            nonlocal taken
            if to <= taken:
                return
            self._follow(samples[(taken - first) * grid.hop :], taken, to)
            part = slice(max(taken, move_from) - first, min(to, move_to) - first)
            if part.start < part.stop:
                self._count(self.move, part, facts, lost)
                self.pulses.push(levels[part])
                self.unrest.push(levels[part])
            taken = to

        for stretch, begin, end in edges:
            low, high = max(first, begin), min(last, end)
            done = last >= end
            if low >= high and not (done and stretch.finder is not None):
                continue
            part = slice(max(0, low - first), max(0, high - first))
            found = self._find(stretch, max(low, begin), levels[part], masked[part], ended=done)
            if stretch is not self.move:
                self._count(stretch, part, facts, lost)
                stretch.clicks += found
                continue
            for heard in found:
                # No more is taken in than up to where the click could first be told, so that
                # whoever decides on it knows as much with blocks of any size.
                slots = max(1, -(-(heard.click.known_frame - first) // SLOT_FRAMES))
                known = min(last, first + slots * SLOT_FRAMES)
                take_in(known)
                self._tell(heard, samples, first, known)
            if found and stretch.finder is not None:
                stretch.finder.stand_at(None)
        take_in(last)
        keep = round(HISTORY_S * grid.sample_rate_hz)
        self._history = np.concatenate([self._history, samples[: count * grid.hop]])[-keep:]

    def _tell(self, heard: HeardClick, samples: FloatArray, first: int, known: int) -> None:
        """A click of the move can be told by now."""
        finder = self.move.finder
        assert finder is not None
        finder.stand_at(heard.click)
        heard = self._with_crossing(heard, samples, first, known)
        self.move.clicks.append(heard)
        self.told_to_s = self.origin_now_s + (known + 1) * self.grid.hop / self.grid.sample_rate_hz
        if self.on_click is not None:
            self.on_click(heard)

    def _with_crossing(
        self, heard: HeardClick, samples: FloatArray, first: int, known: int
    ) -> HeardClick:
        """The click with the test whether the motor's lines went on through it."""
        # Where the motor still speeds up or begins to slow down, its tone breaks by itself.
        if not (
            self.steady_from_s + EDGE_BEFORE_S <= heard.time_s <= self.steady_to_s - EDGE_AFTER_S
        ):
            return heard
        hop = self.grid.hop
        sound = np.concatenate([self._history, samples[: (known - first + 1) * hop]])
        at = len(self._history) + (heard.click.frame + 1 - first) * hop
        return replace(heard, crossing=self.tone.across(sound, at))

    def _follow(self, samples: FloatArray, first: int, last: int) -> None:
        """Hand the hops from frame ``first`` to ``last`` to the tone."""
        if last <= first:
            return
        hop = self.grid.hop
        sound, at = samples[: (last - first) * hop], first * hop
        start = self._frame_at(self.motion.start_s - BEFORE_GUARD_S) * hop
        steady = self._frame_at(self.steady_from_s) * hop
        stop = self._frame_at(self.steady_to_s) * hop
        if at < start:
            self.tone.rest(sound[: max(0, start - at)])
        if at + len(sound) > steady and at < stop:
            self.tone.move(
                sound[max(0, steady - at) : max(0, stop - at)],
                from_s=self.origin_now_s + steady / self.grid.sample_rate_hz,
            )

    def _filled(self, levels: FloatArray, masked: BoolArray) -> FloatArray:
        """Levels with those of masked frames replaced by the ones that were live before them.

        Not by a single one: what never changes would pass for a motor that never does.
        """
        rows = np.concatenate([self._last_rows, levels])
        for place in np.flatnonzero(masked) + len(self._last_rows):
            rows[place] = rows[place - len(self._last_rows)]
        self._last_rows = rows[len(rows) - len(self._last_rows) :].copy()
        return rows[len(rows) - len(levels) :]

    def _count(self, stretch: Stretch, part: slice, facts: HopFacts, lost: BoolArray) -> None:
        stretch.hops += part.stop - part.start
        stretch.dead_hops += int(facts.dead[part].sum())
        stretch.lost_hops += int(lost[part].sum())
        stretch.railed += int(facts.railed[part].sum())
        stretch.same += int(facts.same[part].sum())
        power = facts.power[part]
        if len(power):
            stretch.power_sum += float(power.sum(dtype=np.float64))
            stretch.peak_power = max(stretch.peak_power, float(power.max()))

    def _find(
        self,
        stretch: Stretch,
        begin: int,
        levels: FloatArray,
        masked: BoolArray,
        *,
        ended: bool,
    ) -> list[HeardClick]:
        settings = self.settings
        if stretch.finder is None:
            if not len(levels):
                return []
            # On the grid of the slots, so that a click is told as early as it can be.
            skipped = min(-begin % SLOT_FRAMES, len(levels))
            begin, levels, masked = begin + skipped, levels[skipped:], masked[skipped:]
            stretch.begin_s = self.frame_time_s(begin)
            stretch.finder = ClickFinder(
                begin=begin,
                bands=self.grid.bands,
                step_s=1.0 / self.geometry.step_rate_hz(self.motion.speed_mm_s),
                frame_rate_hz=self.grid.frame_rate_hz,
                limits=ClickLimits(
                    settings.click_score_db,
                    settings.click_coverage,
                    settings.click_narrow_db,
                    settings.click_rise_db,
                    settings.click_fall_db,
                ),
                rest_db=self.rest_db if stretch is self.move else None,
            )
        return [
            HeardClick(self.frame_time_s(click.frame), click)
            for click in stretch.finder.push(levels, masked, ended=ended)
        ]

    def finish(self) -> None:
        """No more sound will come: judge what is left."""
        if self.origin_s is None:
            return
        slot = self.grid.slot_samples
        left = self._waiting + len(self._carry)
        if left >= 8 * self.grid.hop:
            # The last slot is filled up by silence, which is masked.
            filling = slot - left % slot + HOPS_BEYOND * self.grid.hop
            self._take(np.zeros(filling, np.float32))
        empty = np.zeros((0, self.grid.bands), np.float32)
        for stretch in (self.before, self.move, self.after):
            if stretch.finder is not None:
                begin = stretch.finder.begin
                found = self._find(stretch, begin, empty, np.zeros(0, np.bool_), ended=True)
                stretch.clicks += found
        self.tone.finish()
