"""Adding up clicks: when a few of them are a train, and when they are a room with people in it.

Clicks of a skipping motor and knocks of a room are taken as two Poisson processes with marks. Each
click adds the logarithm of the rates' ratio and what its own looks say; each second without one
takes off the difference of the rates. The sum restarts whenever it falls below nothing, which makes
it a change detector (Page 1954). Clicks of one take are not independent, as this sum would have it:
a dropped tool makes five knocks of one kind. So the sum, and how the clicks so far are alike,
follow each other and leave the motor's tone, are features of a second set of trees, whose log-odds
are what is compared with two thresholds, one for `skip` and one for `clean` (Wald 1945); the
thresholds stand for the error rates that were found with them on takes left out.
"""

from __future__ import annotations

import cmath
import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from detectors.acoustic import HeardClick
from detectors.click_trees import shipped_trees
from detectors.leaning import own_word
from detectors.marks import COMPARED, FEATURES, LEAST_MARK, MOST_MARK, NOT_TOLD, mark_features
from detectors.settings import DetectorSettings

#: Experience of rooms that the first seconds of this one are weighed against, in s.
ROOM_BEFORE_S = 1.5
#: However long a room was quiet, it may click this often, a second.
ROOM_LEAST_HZ = 0.03
#: Three clicks and more whose intervals, all longer than this, differ by no more than a part of
#: their mean are a clock's or a relay's.
CLOCK_LEAST_S, CLOCK_PART = 0.4, 0.06
#: A click at least so loud, through which less than this part of the motor's lines goes on while
#: by so much more went on just before, is the motor's: no knock in the room shifts their phase. A
#: move with one such is never clean.
BREAK_SCORE_DB, BREAK_KEPT, BREAK_DROP = 8.0, 0.3, 0.65
#: Clicks that are looked back at for likeness and for intervals.
RECENT, RECENT_INTERVALS = 8, 6
#: From so many clicks of a move on a train is asked for more with each, up to so many.
CROWD, CROWD_MOST = 6, 40
#: Clicks whose own word is above this are looked at for a period.
LIKELY = -1.5
#: Clicks over less than this part of a period say nothing of it.
LOCK_PART = 0.7
#: Shorter periods are not told from the spread of the clicks' times, in s.
LOCK_LEAST_S = 0.01
#: A train is of no fewer clicks than this, unless its log-odds are higher by so much than those at
#: which a skip is decided.
LEAST_CLICKS, LONE_MORE = 2, 0.7
#: What is said where there is no click, or no second one.
NOTHING_SAID = -5.0
#: What a broken tone says goes no further than this (to thresholds that nothing is meant to reach).
MOST_SAID = 50.0
#: Names of the features of a train, in their order.
TRAIN_FEATURES = (
    "last",
    "greatest",
    "second",
    "total",
    "best",
    "count",
    "interval_spread",
    "interval_least_s",
    "alike",
    "unlike",
    "kept_least",
    "kept_middle",
    "rate_gain",
    "cycle_s",
    "turn_lock",
    "clock_lock",
)
_ALIKE, _UNLIKE = FEATURES.index("alike"), FEATURES.index("unlike")


@dataclass(frozen=True, slots=True)
class TrainStep:
    """The clicks up to and including one of them.

    Attributes:
        time_s: Of the last click.
        number: Clicks of the move up to it that are clicks of their own.
        features: In the order of `TRAIN_FEATURES`.
        look: Features of the last click by itself, see `click_looks`.
        times_s: Of the clicks since Page's sum was last at nothing.
        clock: Whether they come as regularly as a clock's.
        breaks: Clicks of the move so far that broke the motor's tone beyond doubt.
        kept: Mean over the two clicks that broke the motor's tone most of how much of it went on;
            None where it could not be told.
    """

    time_s: float
    number: int
    features: tuple[float, ...]
    look: Sequence[float]
    times_s: tuple[float, ...]
    clock: bool
    breaks: int
    kept: float | None


@dataclass(frozen=True, slots=True)
class TrainEvidence:
    """The evidence for a train at its strongest.

    Attributes:
        llr: Greatest log-odds reached, skipping motor against room; `NOTHING_SAID` without clicks.
        decided_s: Time of the click with which ``decide_skip`` was reached; None if it was not.
        times_s: Times of the clicks of the strongest train, in s.
        kept: Least part of the motor's lines that went on through one of the clicks of the
            strongest train, the mean over its two clearest; None where it could not be told.
        whole: Log-odds of the whole move, see `detectors.whole`; None until it is over, and where
            a train decided.
        at_decision: Log-odds with the click that decided; None if none did.
    """

    llr: float
    decided_s: float | None
    times_s: tuple[float, ...]
    kept: float | None
    whole: float | None = None
    at_decision: float | None = None

    @property
    def log_odds(self) -> float:
        """What the move is judged by: the whole of it where it was weighed, else the train, up to
        the click that decided where one did, for the judge stops listening there."""
        if self.whole is not None:
            return self.whole
        return self.llr if self.at_decision is None else self.at_decision


@dataclass(frozen=True, slots=True)
class ClickRates:
    """Rates of the two processes.

    Attributes:
        gain: Logarithm of their ratio.
        drift_hz: Their difference, not below nothing.
    """

    gain: float
    drift_hz: float


def click_rates(*, room_clicks: float, room_s: float, settings: DetectorSettings) -> ClickRates:
    """Rates of a skipping motor and of this room.

    A room that clicks more than a slowly skipping motor makes its clicks count less, or nothing.

    Args:
        room_clicks: Clicks heard while the motor rested.
        room_s: For how long it did.
        settings: The detector's numbers.
    """
    room = (ROOM_BEFORE_S * settings.room_rate_hz + room_clicks) / (ROOM_BEFORE_S + room_s)
    room = max(room, ROOM_LEAST_HZ)
    return ClickRates(
        math.log(settings.skip_rate_hz / room), max(settings.skip_rate_hz - room, 0.0)
    )


def page_sums(
    times_s: Sequence[float], marks: Sequence[float], rates: ClickRates
) -> list[tuple[float, int]]:
    """Page's sum after each click, and the index of the click it was last at nothing before.

    Args:
        times_s: Of the clicks, in order.
        marks: Log-likelihood ratio of each click's own looks.
        rates: Of the two processes.
    """
    sums: list[tuple[float, int]] = []
    total, begin = 0.0, 0
    for index, (time_s, mark) in enumerate(zip(times_s, marks, strict=True)):
        if index:
            total -= rates.drift_hz * (time_s - times_s[index - 1])
        if total <= 0.0:
            total, begin = 0.0, index
        total += rates.gain + mark
        sums.append((total, begin))
    return sums


def apart(clicks: Sequence[HeardClick], *, cycle_s: float) -> list[int]:
    """Indices of the clicks that are clicks of their own.

    A motor that fell back by a cycle cannot fall again until the field has come round, so what
    comes sooner belongs to the click before.
    """
    chosen: list[int] = []
    for index, heard in enumerate(clicks):
        if not chosen or heard.time_s - clicks[chosen[-1]].time_s >= 0.7 * cycle_s:
            chosen.append(index)
    return chosen


def lock(times_s: Sequence[float], period_s: float) -> float:
    """How far times keep step with a period: 0 is chance, one less than their number is exactly.

    The Rayleigh statistic of their phases (Mardia and Jupp 2000, Directional Statistics, 6.3), less
    its mean for phases at random; 0 where they do not span the period.

    Args:
        times_s: In order.
        period_s: Of a turn, or of a clock.
    """
    if len(times_s) < 2 or period_s < LOCK_LEAST_S:
        return 0.0
    if times_s[-1] - times_s[0] < LOCK_PART * period_s:
        return 0.0
    sum_of = sum(cmath.exp(2j * math.pi * (time_s / period_s % 1.0)) for time_s in times_s)
    return abs(sum_of) ** 2 / len(times_s) - 1.0


def clock_lock(times_s: Sequence[float]) -> float:
    """The same for a period that is not known: the middle of the intervals, its half or third."""
    if len(times_s) < 3:
        return 0.0
    middle = statistics.median(later - sooner for sooner, later in pairwise(times_s))
    return max(lock(times_s, middle / part) for part in (1.0, 2.0, 3.0))


def click_looks(
    clicks: Sequence[HeardClick], *, step_s: float, first: int = 0
) -> list[list[float]]:
    """Features of each click from the ``first`` on, given those before it.

    Args:
        clicks: Clicks within the move, in order.
        step_s: Duration of a step.
        first: Index of the first click that is asked for.
    """
    return [
        mark_features(clicks[index], clicks[max(0, index - COMPARED) : index], step_s=step_s)
        for index in range(first, len(clicks))
    ]


def click_words(looks: Sequence[Sequence[float]], settings: DetectorSettings) -> list[float]:
    """What is said of each click, as log-odds."""
    return [own_word("click", one, settings) for one in looks]


def train_steps(
    clicks: Sequence[HeardClick],
    *,
    rates: ClickRates,
    cycle_s: float,
    turn_s: float,
    looks: Sequence[Sequence[float]],
    said: Sequence[float],
    last_only: bool = False,
) -> list[TrainStep]:
    """The train after each of its clicks.

    Args:
        clicks: Clicks within the move, in order.
        rates: See `click_rates`.
        cycle_s: Duration of an electrical cycle.
        turn_s: Duration of a turn of the motor: what ticks once in it is a tooth.
        looks: Features of each click, see `click_looks`.
        said: What click trees say of each, see `click_words`.
        last_only: Leave out all steps but the last.
    """
    chosen = apart(clicks, cycle_s=cycle_s)
    times = [clicks[i].time_s for i in chosen]
    words = [said[i] for i in chosen]
    marks = [max(LEAST_MARK, min(MOST_MARK, word)) for word in words]
    sums = page_sums(times, marks, rates)
    steps: list[TrainStep] = []
    likely: list[float] = []
    best, breaks = 0.0, 0
    for number, index in enumerate(chosen):
        total, begin = sums[number]
        breaks += _breaks_the_tone(clicks[index])
        best = max(best, total)
        if words[number] > LIKELY:
            likely.append(times[number])
        if last_only and number < len(chosen) - 1:
            continue
        greatest = sorted(words[max(0, number + 1 - RECENT) : number + 1], reverse=True)
        recent = times[max(0, number + 1 - RECENT_INTERVALS) : number + 1]
        intervals = [later - sooner for sooner, later in pairwise(recent)]
        kept = [
            k
            for i in chosen[max(0, number + 1 - RECENT) : number + 1]
            if (k := clicks[i].kept) is not None
        ]
        spread = 1.0
        if len(intervals) > 1:
            spread = statistics.pstdev(intervals) / statistics.fmean(intervals)
        steps.append(
            TrainStep(
                time_s=times[number],
                number=number + 1,
                features=(
                    words[number],
                    greatest[0],
                    greatest[1] if number else NOTHING_SAID,
                    total,
                    best,
                    min(number + 1.0, 10.0),
                    spread,
                    min(intervals, default=9.0),
                    looks[index][_ALIKE],
                    looks[index][_UNLIKE],
                    min(kept, default=NOT_TOLD),
                    statistics.median(kept) if kept else NOT_TOLD,
                    rates.gain,
                    min(cycle_s, 0.5),
                    lock(likely[-RECENT:], turn_s),
                    clock_lock(likely[-RECENT:]),
                ),
                look=looks[index],
                times_s=tuple(times[begin : number + 1]),
                clock=_is_a_clock(times[begin : number + 1]),
                breaks=breaks,
                kept=statistics.fmean(sorted(kept)[:2]) if kept else None,
            )
        )
    return steps


def _breaks_the_tone(heard: HeardClick) -> bool:
    kept, steady = heard.kept, heard.steady
    if kept is None or steady is None or heard.click.score_db < BREAK_SCORE_DB:
        return False
    return kept < BREAK_KEPT and steady - kept > BREAK_DROP


def _is_a_clock(times_s: Sequence[float]) -> bool:
    intervals = [later - sooner for sooner, later in pairwise(times_s)]
    if len(intervals) < 2 or min(intervals) < CLOCK_LEAST_S:
        return False
    return max(intervals) - min(intervals) < CLOCK_PART * statistics.fmean(intervals)


def train_words(steps: Sequence[TrainStep]) -> list[float]:
    """What the shipped trees say of the train after each click, as log-odds."""
    trees = shipped_trees("train")
    return [trees.log_odds(step.features) for step in steps]


def weigh_steps(
    steps: Sequence[TrainStep], said: Sequence[float], settings: DetectorSettings
) -> TrainEvidence:
    """Evidence of the clicks heard in a move.

    Args:
        steps: The train after each click.
        said: What train trees say of each, see `train_words`.
        settings: The detector's numbers.
    """
    best = TrainEvidence(NOTHING_SAID, None, (), None)
    decided_s: float | None = None
    at_decision: float | None = None
    for step, word in zip(steps, said, strict=True):
        value = settings.train_intercept + settings.train_trees * word
        if step.breaks:
            value = max(value, min(settings.suspect_skip, MOST_SAID))
        if value > best.llr:
            best = TrainEvidence(value, None, step.times_s, step.kept)
        lone = step.number < LEAST_CLICKS and value < settings.decide_skip + LONE_MORE
        if lone or decided_s is not None:
            continue
        # The more clicks there were, the more chances to reach a limit by accident.
        crowd = max(0.0, math.log(min(step.number, CROWD_MOST) / CROWD))
        least = settings.decide_skip + settings.decide_crowd * crowd
        if value >= least and (not step.clock or step.breaks >= 2):
            decided_s, at_decision = step.time_s, value
    return TrainEvidence(best.llr, decided_s, best.times_s, best.kept, at_decision=at_decision)


def calibrated(llr: float, settings: DetectorSettings) -> float:
    """Probability of a skip for the log-odds of a train or of a whole move."""
    exponent = settings.calibration_intercept + settings.calibration_slope * llr
    return 1.0 / (1.0 + math.exp(-max(-30.0, min(30.0, exponent))))
