"""Commanded against measured length: what the encoder has to say about one move.

A motor that falls out of step loses whole electrical cycles, all at once; a gear that grinds loses
length little by little. The start of the move (backlash, filament that straightens) is left out,
and nothing is claimed that the encoder's own step and play could make up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from detectors.evidence import CommandedMotion, FilamentCount, MotorGeometry

#: Readings kept, at most (an hour at 100 a second); beyond that every other one is dropped.
MOST_READINGS = 400_000
#: Left out after the ramp, in s, and at least so many mm of filament.
START_S, START_MM = 0.3, 0.4
#: Length over which a sudden loss is looked for, in s.
SUDDEN_S = 0.08
#: Losses below this part of the length are within the wheel's calibration.
SMOOTH_PART = 0.04
#: A measured length beyond this multiple of the commanded one is no measurement.
IMPLAUSIBLE_PART = 1.25


class LengthWord(StrEnum):
    """What the encoder says."""

    FULL = "full"  #: all of the length came
    IN_STEPS = "in-steps"  #: lost suddenly, by whole cycles or more
    SMOOTHLY = "smoothly"  #: lost little by little
    UNSURE = "unsure"  #: too coarse, too short, or between the two
    LOST = "lost"  #: readings are missing
    IMPLAUSIBLE = "implausible"  #: more than was commanded, or backwards


@dataclass(frozen=True, slots=True)
class LengthEvidence:
    """The encoder's evidence.

    Attributes:
        word: See `LengthWord`.
        lost_mm: Length lost over the judged part.
        lost_cycles: The same in electrical cycles, to the nearest whole one.
        falls: Number of sudden losses.
        first_fall_s: Time of the first; None where there is none.
        overwhelming: So much more than step and play of the encoder that no doubt is left.
    """

    word: LengthWord
    lost_mm: float = 0.0
    lost_cycles: int = 0
    falls: int = 0
    first_fall_s: float | None = None
    overwhelming: bool = False


class LengthWatch:
    """Collects the readings of one move and concludes."""

    def __init__(self, geometry: MotorGeometry, counts_per_mm: float) -> None:
        if not counts_per_mm > 0:
            raise ValueError(f"counts_per_mm = {counts_per_mm} must be above 0")
        self.geometry = geometry
        self.counts_per_mm = counts_per_mm
        self._times: list[float] = []
        self._counts: list[int] = []
        self._lost: list[float] = []
        self._every = 1
        self._seen = 0

    def take(self, reading: FilamentCount) -> None:
        """The next reading, in order."""
        if reading.lost:
            self._lost.append(reading.time_s)
        self._seen += 1
        if self._seen % self._every:
            return
        self._times.append(reading.time_s)
        self._counts.append(reading.count)
        if len(self._times) > MOST_READINGS:
            self._times, self._counts = self._times[::2], self._counts[::2]
            self._every *= 2

    def conclude(self, motion: CommandedMotion, *, until_s: float = math.inf) -> LengthEvidence:
        """Evidence over the steady part up to ``until_s``."""
        lead_s = max(START_S, START_MM / motion.speed_mm_s)
        begin = motion.start_s + motion.ramp_s + lead_s
        end = min(motion.end_s - motion.ramp_s, until_s)
        times = np.asarray(self._times)
        inside = (times >= begin) & (times <= end)
        time_s = times[inside]
        mm = np.asarray(self._counts, np.float64)[inside] / self.counts_per_mm
        if any(motion.start_s < t < end for t in self._lost):
            return LengthEvidence(LengthWord.LOST)
        if len(time_s) < 8 or time_s[-1] - time_s[0] < 0.5 * (end - begin):
            known = math.isfinite(end) and end - begin > 0.5
            return LengthEvidence(LengthWord.LOST if known else LengthWord.UNSURE)
        return self._weigh(time_s, mm, motion.speed_mm_s)

    def _weigh(
        self, time_s: NDArray[np.float64], mm: NDArray[np.float64], speed_mm_s: float
    ) -> LengthEvidence:
        step_mm = 1.0 / self.counts_per_mm
        cycle_mm = self.geometry.filament_per_cycle_mm
        span_mm = speed_mm_s * (time_s[-1] - time_s[0])
        moved_mm = mm[-1] - mm[0]
        lost_mm = span_mm - moved_mm
        if moved_mm < -4 * step_mm or moved_mm > IMPLAUSIBLE_PART * span_mm + 4 * step_mm:
            return LengthEvidence(LengthWord.IMPLAUSIBLE, lost_mm)
        # Length behind the command; falls show as rises of it within a short time.
        behind = speed_mm_s * (time_s - time_s[0]) - (mm - mm[0])
        earlier = np.searchsorted(time_s, time_s - SUDDEN_S)
        rise = behind - behind[np.minimum(earlier, len(behind) - 1)]
        # The rest before a stop counts as sudden only beyond what standing still would make.
        standing_mm = speed_mm_s * SUDDEN_S
        least = max(0.6 * cycle_mm, 2.5 * step_mm)
        sudden = rise > least + standing_mm
        starts = np.flatnonzero(sudden & ~np.concatenate([[False], sudden[:-1]]))
        merged = [
            int(i)
            for n, i in enumerate(starts)
            if n == 0 or time_s[i] - time_s[starts[n - 1]] > 0.04
        ]
        falls = len(merged)
        significant = lost_mm > max(SMOOTH_PART * span_mm, 4 * step_mm)
        first_s = float(time_s[merged[0]]) if merged else None
        cycles = round(lost_mm / cycle_mm)
        if falls >= 1 and lost_mm > 0.5 * falls * cycle_mm:
            clear = falls >= 2 and lost_mm > 6 * step_mm + 2 * cycle_mm
            return LengthEvidence(LengthWord.IN_STEPS, lost_mm, cycles, falls, first_s, clear)
        if significant:
            clear = lost_mm > max(0.15 * span_mm, 10 * step_mm)
            coarse = step_mm > 0.5 * cycle_mm
            # Too coarse to see single falls: the length is gone, how is for the sound to say.
            return LengthEvidence(
                LengthWord.SMOOTHLY, lost_mm, cycles, 0, None, clear and not coarse
            )
        if span_mm < 12 * step_mm:
            return LengthEvidence(LengthWord.UNSURE, lost_mm, cycles)
        return LengthEvidence(LengthWord.FULL, lost_mm, cycles, 0, None, span_mm > 40 * step_mm)
