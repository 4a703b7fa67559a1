"""What a whole move says, once it is over: for moves in which no train of clicks decided before.

A train weighs what came up to each click. At the end more is known: whether clicks went on or
stopped, how many there were for the time, and how surely the motor was heard at its rate. Boosted
trees and small networks weigh this (`detectors.click_trees`, `detectors.nets`), from words that no
setting of the detector changes.
"""

from __future__ import annotations

import statistics
from collections.abc import Mapping, Sequence
from itertools import pairwise

from detectors.leaning import own_word
from detectors.marks import FEATURES, NOT_TOLD
from detectors.sequential import MOST_SAID, NOTHING_SAID, TrainStep, clock_lock, lock
from detectors.settings import DetectorSettings
from detectors.unrest import UNREST

#: Clicks whose own word is above these are called strong and plain.
STRONG, PLAIN = -1.0, 1.0
#: No feature of counting goes beyond these.
MOST_STEPS, MOST_STRONG, MOST_ROOM_HZ, MOST_SUM, MOST_S = 30.0, 20.0, 5.0, 60.0, 20.0
MOST_CYCLES = 50.0
#: Strongest clicks that are told apart, and those whose looks are averaged.
TOLD_APART, AVERAGED = 4, 6
#: What is averaged of their looks.
LOOKS = (
    "score_db",
    "coverage",
    "rise_db",
    "decay_db",
    "own_db",
    "kept",
    "steady_near",
    "change_db",
    "alike",
    "unlike",
    "colour",
    "over_spread_db",
    "best_three_db",
    "narrow_db",
    "narrow_decay_db",
    "likest",
)
_LOOKS_AT = tuple(FEATURES.index(name) for name in LOOKS)

#: By how much the log-odds of clicks like a clock's stay below a skip's.
CLOCK_SHORT = 0.1

#: The rate of the room's clicks is told from no less than this, in s.
LEAST_ROOM_S = 0.3

#: Figures of the judge that go in as they are.
FROM_DETAILS = (
    "heard_score",
    "heard_z",
    "comb_db",
    "comb_lines",
    "rate_ratio",
    "lines_db",
    "lines_z",
    "lines_share",
    "lines_best",
    "lines_best_ratio",
    "rival_db",
    "rival_ratio",
    "rival_own_db",
    "growth_db",
    "roughness_db",
    "motor_to_rest_db",
    "events",
    "growth_low_db",
    "growth_high_db",
    "passing_db",
    "sub_harmonic_db",
    "beat_cycle_z",
    "beat_step_z",
    "greatest_db",
    *UNREST,
)

#: Names of `whole_features`.
WHOLE_FEATURES = (
    "best_train",
    "last_train",
    "mean_of_three_best_trains",
    "best_train_at_part",
    "trains",
    "strong_clicks",
    "plain_clicks",
    "strong_clicks_a_cycle",
    "sum_of_words",
    "breaks_of_the_tone",
    "kept_in_best_train",
    *(f"word_{number}" for number in range(1, TOLD_APART + 1)),
    "length_s",
    "part_after_last_strong",
    "time_after_last_strong_s",
    "strong_for_s",
    "cycle_s",
    "room_hz",
    *FROM_DETAILS,
    *(f"look_{name}" for name in LOOKS),
    "interval_spread",
    "interval_middle_s",
    "interval_middle_cycles",
    "turn_lock",
    "clock_lock",
)


def whole_features(
    steps: Sequence[TrainStep],
    said: Sequence[float],
    *,
    begin_s: float,
    end_s: float,
    cycle_s: float,
    turn_s: float,
    room: tuple[float, float],
    details: Mapping[str, float],
) -> list[float]:
    """Features of a whole move, in the order of `WHOLE_FEATURES`.

    Args:
        steps: The train after each click of the move.
        said: What train trees say of each, see `train_words`.
        begin_s: When the move began.
        end_s: When it ended, or the sound did.
        cycle_s: Duration of an electrical cycle.
        turn_s: Duration of a turn of the motor.
        room: Clicks while the motor rested, and for how long it did, in s.
        details: Figures of the judge, see `Judgement.details`.
    """
    length_s = max(end_s - begin_s, 1e-3)
    words = [step.features[0] for step in steps]
    strong = [step.time_s for step in steps if step.features[0] > STRONG]
    greatest = sorted(words, reverse=True)[:TOLD_APART]
    best = max(said, default=NOTHING_SAID)
    at = max(range(len(said)), key=said.__getitem__) if steps else None
    kept = steps[at].kept if at is not None else None
    return [
        best,
        said[-1] if steps else NOTHING_SAID,
        statistics.fmean(sorted(said)[-3:]) if steps else NOTHING_SAID,
        (steps[at].time_s - begin_s) / length_s if at is not None else 0.0,
        min(float(len(steps)), MOST_STEPS),
        min(float(len(strong)), MOST_STRONG),
        float(min(sum(word > PLAIN for word in words), MOST_STRONG)),
        len(strong) / length_s * cycle_s,
        min(sum(max(word, -2.0) + 2.0 for word in words), MOST_SUM),
        float(steps[-1].breaks) if steps else 0.0,
        1.0 if kept is None else kept,
        *greatest,
        *[NOTHING_SAID] * (TOLD_APART - len(greatest)),
        min(length_s, MOST_S),
        (end_s - strong[-1]) / length_s if strong else 1.0,
        min(end_s - strong[-1] if strong else length_s, MOST_S),
        min(strong[-1] - strong[0] if strong else 0.0, MOST_S),
        min(cycle_s, 0.5),
        min(room[0] / max(room[1], LEAST_ROOM_S), MOST_ROOM_HZ),
        *(details[name] for name in FROM_DETAILS),
        *_mean_look(steps),
        *_intervals(strong, cycle_s),
        lock(strong, turn_s),
        clock_lock(strong),
    ]


def _mean_look(steps: Sequence[TrainStep]) -> list[float]:
    """Mean looks of the clicks that are most like a motor's."""
    best = sorted(steps, key=lambda step: step.features[0], reverse=True)[:AVERAGED]
    if not best:
        return [NOT_TOLD] * len(LOOKS)
    return [statistics.fmean(step.look[at] for step in best) for at in _LOOKS_AT]


def _intervals(times_s: Sequence[float], cycle_s: float) -> list[float]:
    """Spread of the intervals between strong clicks over their mean, and their middle."""
    gaps = [later - sooner for sooner, later in pairwise(times_s)]
    if len(gaps) < 2:
        return [NOT_TOLD, NOT_TOLD, NOT_TOLD]
    middle = statistics.median(gaps)
    spread = statistics.pstdev(gaps) / max(statistics.fmean(gaps), 1e-3)
    return [spread, middle, min(middle / cycle_s, MOST_CYCLES)]


def whole_word(features: Sequence[float], settings: DetectorSettings) -> float:
    """What is said of a whole move, as log-odds."""
    return own_word("whole", features, settings)


def whole_log_odds(said: float, steps: Sequence[TrainStep], settings: DetectorSettings) -> float:
    """Log-odds of a skipping motor for a whole move.

    With a click that broke the motor's tone beyond doubt they are no less than makes a take
    suspect; with clicks as regular as a clock's they do not reach a skip.

    Args:
        said: What is said of it by itself, see `whole_word`.
        steps: The train after each click.
        settings: The detector's numbers.
    """
    value = said
    if steps and steps[-1].breaks:
        value = max(value, min(settings.suspect_skip, MOST_SAID))
    if steps and steps[-1].clock:
        value = min(value, settings.decide_whole - CLOCK_SHORT)
    return value
