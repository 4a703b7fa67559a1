"""Adding up clicks: when a few of them are a train, and when they are a room with people in it.

Clicks of a skipping motor and knocks of a room are taken as two Poisson processes with marks. Each
click adds the logarithm of the rates' ratio and of its mark's likelihood ratio; each second without
one takes off the difference of the rates. The sum restarts whenever it falls below nothing, which
makes it a change detector (Page 1954), with a threshold from the false alarms that are allowed
(Wald 1945).
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from detectors.acoustic import HeardClick
from detectors.marks import COMPARED, level_distance_db, mark_llr
from detectors.settings import DetectorSettings

#: Experience of rooms that the first seconds of this one are weighed against, in s.
ROOM_BEFORE_S = 1.5
#: However long a room was quiet, it may click this often, a second.
ROOM_LEAST_HZ = 0.03
#: The motor's tone is broken by two clicks where less than this part of it goes on ...
BROKEN_KEPT = 0.35
#: ... and by one, where it is at least so loud and less than this part goes on.
BROKEN_ONCE_KEPT, BROKEN_ONCE_SCORE_DB = 0.15, 8.0
#: Two such clicks of a move, however far apart, are of one motor where their levels differ by less.
TWIN_DB = 7.0
#: A single one counts only where the tone went on by more than this just before.
STEADY = 0.6
#: Between these parts of the tone going on it is less and less broken.
UNBROKEN_FROM, UNBROKEN_TO = 0.35, 0.7
#: Three clicks and more whose intervals, all longer than this, differ by no more than a part of
#: their mean are a clock's or a relay's.
CLOCK_LEAST_S, CLOCK_PART = 0.4, 0.06


@dataclass(frozen=True, slots=True)
class TrainEvidence:
    """The evidence for a train at its strongest.

    Attributes:
        llr: Greatest log-likelihood ratio reached, skipping motor against room.
        decided_s: Time of the click with which ``decide_skip`` was reached; None if it was not.
        times_s: Times of the clicks of the strongest train, in s.
        kept: Least part of the motor's lines that went on through one of the clicks of the
            strongest train, the mean over its two clearest; None where it could not be told.
    """

    llr: float
    decided_s: float | None
    times_s: tuple[float, ...]
    kept: float | None


@dataclass(slots=True)
class _Run:
    """The clicks since the sum was last at nothing."""

    times_s: list[float] = field(default_factory=list)
    kept: list[float] = field(default_factory=list)
    clear: bool = False

    def add(self, heard: HeardClick) -> None:
        self.times_s.append(heard.time_s)
        if heard.kept is None:
            return
        self.kept.append(heard.kept)
        steady = heard.steady is not None and heard.steady > STEADY
        self.clear |= steady and _broke_loudly(heard)

    def bonus(self, settings: DetectorSettings) -> float:
        """What clicks that broke the motor's tone add."""
        value = settings.broken_once if self.clear else 0.0
        if len(self.kept) >= 2 and sorted(self.kept)[1] < BROKEN_KEPT:
            value = max(value, settings.broken_tone)
        return value

    def doubt(self, settings: DetectorSettings) -> float:
        """What clicks that leave it alone take off before they are called the motor's."""
        if self._is_a_clock():
            return math.inf
        if not self.kept:
            return settings.unknown_tone
        part = (statistics.median(self.kept) - UNBROKEN_FROM) / (UNBROKEN_TO - UNBROKEN_FROM)
        return settings.unbroken_tone * max(0.0, min(1.0, part))

    def _is_a_clock(self) -> bool:
        apart = [later - sooner for sooner, later in pairwise(self.times_s)]
        if len(apart) < 2 or min(apart) < CLOCK_LEAST_S:
            return False
        return max(apart) - min(apart) < CLOCK_PART * statistics.fmean(apart)


def _broke_loudly(heard: HeardClick) -> bool:
    """Whether a click is loud and the motor's tone did not go on through it."""
    loud = heard.click.score_db >= BROKEN_ONCE_SCORE_DB
    return loud and heard.kept is not None and heard.kept < BROKEN_ONCE_KEPT


def weigh_train(
    clicks: Sequence[HeardClick],
    *,
    room_clicks: float,
    room_s: float,
    cycle_s: float,
    settings: DetectorSettings,
) -> TrainEvidence:
    """Evidence of the clicks heard in a move.

    Args:
        clicks: Clicks within the move, in order.
        cycle_s: Duration of an electrical cycle: a motor that fell back by one cannot fall again
            until the field has come round, so clicks nearer than that are one.
        room_clicks: Clicks heard while the motor rested, and ``room_s``, for how long it did.
    """
    room = (ROOM_BEFORE_S * settings.room_rate_hz + room_clicks) / (ROOM_BEFORE_S + room_s)
    room = max(room, ROOM_LEAST_HZ)
    # A room that clicks more than a slowly skipping motor makes its clicks count less, or nothing.
    gain = math.log(settings.skip_rate_hz / room)
    drift = max(settings.skip_rate_hz - room, 0.0)
    total, best = 0.0, 0.0
    decided_s: float | None = None
    run = _Run()
    best_run: tuple[float, ...] = ()
    last_s: float | None = None
    loud: list[HeardClick] = []  # those of the whole move that broke the tone
    for index, heard in enumerate(clicks):
        if last_s is not None and heard.time_s - last_s < 0.7 * cycle_s:
            continue
        if last_s is not None:
            total -= drift * (heard.time_s - last_s)
        if total <= 0.0:
            total, run = 0.0, _Run()
        total += gain + mark_llr(heard, clicks[max(0, index - COMPARED) : index], settings)
        run.add(heard)
        last_s = heard.time_s
        bonus = run.bonus(settings)
        if _broke_loudly(heard):
            twin = next((c for c in loud if level_distance_db(heard, c) < TWIN_DB), None)
            loud.append(heard)
            if twin is not None:  # however long ago
                bonus = max(bonus, settings.broken_once)
                if twin.time_s not in run.times_s:
                    run.times_s.insert(0, twin.time_s)
        if total + bonus > best:
            best, best_run = total + bonus, tuple(run.times_s)
        doubt = 0.0 if bonus else run.doubt(settings)
        enough = len(run.times_s) >= 2 or run.clear
        if decided_s is None and enough and total + bonus - doubt >= settings.decide_skip:
            decided_s = heard.time_s
    inside = set(best_run)
    kept = sorted(c.kept for c in clicks if c.time_s in inside and c.kept is not None)[:2]
    return TrainEvidence(best, decided_s, best_run, sum(kept) / len(kept) if kept else None)
