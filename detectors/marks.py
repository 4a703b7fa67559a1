"""What one click says by its own looks, given the clicks before it: a motor's or the room's.

The features enter a logistic in which clicks of skipping motors stand against whatever clicks while
a motor is healthy, so that their weighted sum is a log-likelihood ratio. The weights are in
`DetectorSettings`; ``stallcurve tune`` fits them with the very same features.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from detectors.clicks import likeness
from detectors.settings import DetectorSettings

if TYPE_CHECKING:
    from detectors.acoustic import HeardClick

#: Fields of `DetectorSettings` that weigh the features, in their order.
MARK_WEIGHTS = (
    "mark_score",
    "mark_weak",
    "mark_coverage",
    "mark_decay",
    "mark_dull",
    "mark_broken",
    "mark_kept",
    "mark_likeness",
    "mark_first",
    "mark_unlike",
)
#: Earlier clicks that one is compared with.
COMPARED = 6
#: No click says more than this, either way.
LEAST_MARK, MOST_MARK = -4.0, 3.2


def mark_features(heard: HeardClick, before: Sequence[HeardClick]) -> list[float]:
    """Features of one click, in the order of `MARK_WEIGHTS`.

    A knock in a room differs from the one before in colour and strength, and does not touch the
    motor's tone; the falls of one motor are alike. Weak clicks are alike by chance, so likeness
    counts with their strength.
    """
    click = heard.click
    score = min(click.score_db, 18.0)
    strong = float(np.clip((score - 3.0) / 5.0, 0.0, 1.0))
    unbroken = 1.0 if heard.kept is None else float(np.clip((heard.kept - 0.3) / 0.4, 0.0, 1.0))
    alike, unlike, first = 0.0, 0.0, strong
    near = before[-COMPARED:]
    if near:
        first = 0.0
        shape = max(likeness(click.shape_db, other.click.shape_db) for other in near)
        alike = strong * (max(0.6, shape) - 0.9)
        away = min(level_distance_db(heard, other) for other in near)
        unlike = strong * unbroken * min(max(away - 4.5, 0.0), 6.0) / 6.0
    return [
        score - 8.0,
        max(0.0, 4.0 - score),
        click.coverage - 0.75,
        (min(click.decay_db, 16.0) - 10.0) / 10.0,
        max(0.0, 6.0 - click.decay_db) / 6.0,
        0.0 if heard.kept is None else max(0.0, 0.5 - max(heard.kept, 0.0)),
        0.0 if heard.kept is None else max(0.0, heard.kept - 0.5),
        alike,
        first,
        unlike,
    ]


def level_distance_db(one: HeardClick, other: HeardClick) -> float:
    """Root mean square difference of two clicks' levels in the usable bands, in dB."""
    usable = one.click.usable
    away = (one.click.level_db - other.click.level_db)[usable]
    return float(np.sqrt(np.mean(away * away))) if usable.any() else 0.0


def mark_llr(heard: HeardClick, before: Sequence[HeardClick], settings: DetectorSettings) -> float:
    """Log-likelihood ratio of one click's own looks, given the clicks before it."""
    value = settings.mark_intercept
    for name, feature in zip(MARK_WEIGHTS, mark_features(heard, before), strict=True):
        value += getattr(settings, name) * feature
    return max(LEAST_MARK, min(MOST_MARK, value))
