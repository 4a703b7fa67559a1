"""Whether the motor was heard at its rate in a move, throughout it, and in step at all."""

from __future__ import annotations

import math
import statistics

import numpy as np

from detectors.acoustic import Listener
from detectors.evidence import MotorGeometry
from detectors.orders import LineScore
from detectors.settings import DetectorSettings

#: A stall is this loud over the rest, in dB; its level differs from cycle to cycle by this much, in
#: dB; it is heard at the commanded rate less surely than this, and at no other rate more than so.
STALL_GROWTH_DB, STALL_ROUGH_DB, STALL_MOST_HEARD, STALL_MOST_SHARE = 20.0, 2.4, 6.0, 0.25
#: What came with the motion, by this many dB, is not called clean while it is that rough and heard
#: at the rate no more surely than this, or where its odd orders are so much over the step rate's.
DOUBT_GROWTH_DB, DOUBT_MOST_HEARD, DOUBT_SUB_DB = 12.0, 12.0, 9.0
#: From this electrical rate on, in Hz, and with this growth, a motor that has lost step altogether
#: hums on many orders: not clean where it is that rough and another rate explains more by this
#: factor.
FAST_HZ, FAST_GROWTH_DB, FAST_OTHER = 150.0, 4.0, 1.3
#: Slower electrical rates are heard as single knocks.
STALL_LEAST_HZ = 20.0
#: What is louder than the rests before and after the move by so much, in dB, and alike from cycle
#: to cycle within so much, in dB, comes and goes with the move. That will do up to so many steps a
#: second: slow microsteps hardly show their rate.
PASSING_DB, PASSING_ROUGH_DB, PASSING_STEP_HZ = 6.0, 1.5, 90.0
#: What comes and goes by so much is heard at its rate with so much less said of that.
LOUDLY_PASSING_DB, NEARLY_HEARD = 10.0, 1.0
#: No measure of the motor's rate counts more than this, in spreads of rates nobody commanded.
HEARD_CAP = 8.0
#: A look hears the motor where its orders have this part of their share over the whole move.
LOOK_PART, LOOK_LEAST = 0.2, 0.04
#: A motor whose sound came with the motion goes on while it falls by no more than this, in dB.
GOING_ON_DB = 4.0


class MotorHeard:
    """What the sound of a move says of the motor itself, clicks aside.

    Args:
        listener: Which hears the move; asked anew each time.
        geometry: Of the motor and its drive.
        settings: The detector's numbers.
    """

    def __init__(
        self, listener: Listener, geometry: MotorGeometry, settings: DetectorSettings
    ) -> None:
        self._listener, self._geometry, self._settings = listener, geometry, settings

    def part(self) -> float:
        """Part of the looks in which the motor is heard at its rate, or goes on as loud as ever."""
        listener, settings = self._listener, self._settings
        looks = [k for k in listener.tone.looks if k.time_s <= listener.steady_to_s]
        lines = listener.tone.lines()
        if not looks or lines is None:
            return 0.0
        least = 2.0
        if lines.z >= settings.lines_z:
            least = max(2.0 * lines.chance, LOOK_PART * lines.share, LOOK_LEAST)
        loud_db = math.inf
        if listener.growth_db >= settings.growth_db:
            loud_db = statistics.median(k.level_db for k in looks) - GOING_ON_DB
        return sum(
            k.z >= 0.5 * settings.heard_z or k.share >= least or k.level_db >= loud_db
            for k in looks
        ) / len(looks)

    def score(self) -> float:
        """How surely the motor is heard at the commanded rate: a weighted sum of four measures."""
        tone, settings = self._listener.tone, self._settings
        score, lines, pulses = tone.overall(), tone.lines(), self._listener.pulses.score()
        total = 0.0
        for weight, z in (
            (settings.heard_comb, score.z if score is not None else 0.0),
            (settings.heard_lines, lines.z if lines is not None else 0.0),
            (settings.heard_cycle, pulses.cycle_z if pulses is not None else 0.0),
            (settings.heard_step, pulses.step_z if pulses is not None else 0.0),
        ):
            total += weight * max(-1.0, min(HEARD_CAP, z))
        return total

    def at_rate(self) -> bool:
        """Whether the motor is heard at the commanded rate."""
        short = self._settings.heard_least - self.score()
        loudly = self._listener.passing_db >= LOUDLY_PASSING_DB
        return short <= 0.0 or (loudly and short <= NEARLY_HEARD)

    def comes_and_goes(self) -> bool:
        """Whether a slow motor sounds with the move, neither before nor after it, and smoothly."""
        slow = self._geometry.step_rate_hz(self._listener.motion.speed_mm_s) <= PASSING_STEP_HZ
        passes = self._listener.passing_db >= PASSING_DB
        return slow and passes and self.roughness_db() <= PASSING_ROUGH_DB

    def roughness_db(self) -> float:
        """By how much the motor's level differs from cycle to cycle, middle of its bands, in dB."""
        rough = self._listener.pulses.roughness_db()
        finder = self._listener.move.finder
        if rough is None or finder is None:
            return 0.0
        bands = finder.motor_bands()
        return float(np.median(rough[bands])) if bands.any() else 0.0

    def _stall_figures(self) -> tuple[LineScore, bool] | None:
        """The lines, and whether the sound is rough; None where a stall would not show."""
        listener = self._listener
        lines = listener.tone.lines()
        least_db = FAST_GROWTH_DB if self._electrical_hz >= FAST_HZ else DOUBT_GROWTH_DB
        slow = self._electrical_hz < STALL_LEAST_HZ
        if slow or lines is None or listener.growth_db < least_db:
            return None
        return lines, self.roughness_db() >= STALL_ROUGH_DB

    @property
    def _electrical_hz(self) -> float:
        return self._geometry.electrical_rate_hz(self._listener.motion.speed_mm_s)

    def has_stalled(self) -> bool:
        """A full stall: loud and rough with the motion, at no rate at all."""
        figures = self._stall_figures()
        if figures is None or self._listener.growth_db < STALL_GROWTH_DB:
            return False
        lines, rough = figures
        # A motor at another speed than commanded roars as well, but at a rate of its own.
        silent = self.score() < STALL_MOST_HEARD and lines.best_share < STALL_MOST_SHARE
        return rough and silent

    def is_smooth(self) -> bool:
        """Whether the level is too much alike from cycle to cycle for a motor that lost step."""
        return self.roughness_db() < STALL_ROUGH_DB

    def may_have_stalled(self) -> str:
        """What makes one think of a stall, in words; nothing where nothing does."""
        figures = self._stall_figures()
        if figures is None:
            return ""
        lines, rough = figures
        fast = self._electrical_hz >= FAST_HZ
        elsewhere = fast and lines.best_share > FAST_OTHER * lines.share
        if rough and (self.score() < DOUBT_MOST_HEARD or elsewhere):
            return "the sound is rough and hardly at the commanded rate: the motor may have stalled"
        if self._listener.tone.sub_harmonic_db() > DOUBT_SUB_DB:
            return (
                "the sound is that of one knock a cycle: the motor may have stalled from the start"
            )
        return ""
