"""What one click says by its own looks, given the clicks before it: a motor's or the room's.

`mark_features` describes a click by figures that a fall of the motor and a knock in the room differ
in; `detectors.click_trees` and `detectors.nets` turn them into the log-odds of a skipping motor
against whatever clicks while a motor is healthy.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from detectors.clicks import NARROW_BANDS, likeness, neighbour_sums

if TYPE_CHECKING:
    from detectors.acoustic import HeardClick
    from detectors.frames import FloatArray

#: Names of the features, in their order.
FEATURES = (
    "score_db",
    "coverage",
    "rise_db",
    "fall_db",
    "decay_db",
    "own_db",
    "kept",
    "steady",
    "kept_near",
    "steady_near",
    "change_db",
    "change_before_db",
    "alike",
    "first",
    "unlike",
    "low_db",
    "middle_db",
    "high_db",
    "spread_db",
    "colour",
    "over_spread_db",
    "over_most_db",
    "just_before",
    "best_three_db",
    "step_s",
    "narrow_db",
    "narrow_rise_db",
    "narrow_fall_db",
    "narrow_decay_db",
    "narrow_band",
    "narrow_over_rest_db",
    "nearest_db",
    "likest",
)
#: Earlier clicks that one is compared with, and how long ago a click is just before, in s.
COMPARED = 6
JUST_BEFORE_S = 2.0
#: No two clicks are further apart than this, in dB.
MOST_AWAY_DB = 15.0
#: Stands for what could not be told of the motor's lines.
NOT_TOLD = -2.0
#: Steps are told apart by their length up to this, in s.
LONGEST_STEP_S = 0.2
#: No click says more than this, either way.
LEAST_MARK, MOST_MARK = -4.0, 6.0


def mark_features(heard: HeardClick, before: Sequence[HeardClick], *, step_s: float) -> list[float]:
    """Features of one click, in the order of `FEATURES`.

    Args:
        heard: The click.
        before: Clicks before it.
        step_s: Duration of a step: what stands out among slow steps may be one of them.

    A knock in a room differs from the one before in colour and strength, and does not touch the
    motor's tone; the falls of one motor are alike, and ring in the body that the steps ring in.
    Weak clicks are alike by chance, so likeness counts with their strength.
    """
    click = heard.click
    score = min(click.score_db, 18.0)
    strong = float(np.clip((score - 3.0) / 5.0, 0.0, 1.0))
    unbroken = 1.0 if heard.kept is None else float(np.clip((heard.kept - 0.3) / 0.4, 0.0, 1.0))
    alike, unlike, first = 0.0, 0.0, strong
    likest, nearest = 0.0, MOST_AWAY_DB
    near = before[-COMPARED:]
    if near:
        first = 0.0
        likest = max(likeness(click.shape_db, other.click.shape_db) for other in near)
        alike = strong * (max(0.6, likest) - 0.9)
        away = min(level_distance_db(heard, other) for other in near)
        nearest = min(away, MOST_AWAY_DB)
        unlike = strong * unbroken * min(max(away - 4.5, 0.0), 6.0) / 6.0
    crossing = heard.crossing
    lines = [NOT_TOLD, NOT_TOLD, NOT_TOLD, NOT_TOLD, 0.0, 0.0]
    if crossing is not None:
        lines = [
            crossing.kept if crossing.kept is not None else NOT_TOLD,
            crossing.steady if crossing.steady is not None else NOT_TOLD,
            crossing.kept_near,
            crossing.steady_near,
            crossing.change_db,
            crossing.change_before_db,
        ]
    return [
        score,
        click.coverage,
        click.rise_db,
        click.fall_db,
        click.decay_db,
        click.own_db,
        *lines,
        alike,
        first,
        unlike,
        *_colour(heard),
        float(sum(heard.time_s - other.time_s < JUST_BEFORE_S for other in near)),
        _best_three_db(heard),
        min(step_s, LONGEST_STEP_S),
        click.narrow.excess_db,
        click.narrow.rise_db,
        click.narrow.fall_db,
        click.narrow.decay_db,
        float(click.narrow.first),
        click.narrow.excess_db - click.score_db,
        nearest,
        likest,
    ]


def _best_three_db(heard: HeardClick) -> float:
    """Level over the motor's own peaks in the best three neighbouring bands: a few modes ring."""
    over = heard.click.level_db - heard.click.base_db
    if len(over) < NARROW_BANDS:
        return float(over.mean())
    return float(neighbour_sums(over).max()) / NARROW_BANDS


def _colour(heard: HeardClick) -> list[float]:
    """Excess in the low, middle and high bands, its spread, and how like the motor's own it is."""
    click = heard.click
    shape, usable = click.shape_db, click.usable
    level, base = click.level_db[usable], click.base_db[usable]
    third = [_mean(shape[:2]), _mean(shape[2:6]), _mean(shape[6:])]
    if len(level) < 3:
        return [*third, 0.0, 0.0, 0.0, 0.0]
    over = level - base
    away_level, away_base = level - level.mean(), base - base.mean()
    size = float(np.sqrt((away_level @ away_level) * (away_base @ away_base)))
    colour = float(away_level @ away_base) / size if size > 0.0 else 0.0
    return [*third, float(shape[usable].std()), colour, float(over.std()), float(over.max())]


def _mean(values: FloatArray) -> float:
    return float(values.mean()) if len(values) else 0.0


def level_distance_db(one: HeardClick, other: HeardClick) -> float:
    """Root mean square difference of two clicks' levels in the usable bands, in dB."""
    usable = one.click.usable
    away = (one.click.level_db - other.click.level_db)[usable]
    return float(np.sqrt(np.mean(away * away))) if usable.any() else 0.0
