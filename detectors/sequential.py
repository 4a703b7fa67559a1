"""Adding up clicks: when a few of them are a train, and when they are a room with people in it.

Clicks of a skipping motor and knocks of a room are taken as two Poisson processes with marks. Each
click adds the logarithm of the rates' ratio and of its mark's likelihood ratio; each second without
one takes off the difference of the rates. The sum restarts whenever it falls below nothing, which
makes it a change detector (Page 1954), with a threshold from the false alarms that are allowed
(Wald 1945).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from detectors.acoustic import HeardClick
from detectors.clicks import likeness
from detectors.settings import DetectorSettings

#: Score of a click that is loud beside the motor.
LOUD_SCORE_DB = 9.0
#: The motor's tone is broken by a click where less than this part of it goes on.
BROKEN_KEPT = 0.35


@dataclass(frozen=True, slots=True)
class TrainEvidence:
    """The evidence for a train at its strongest.

    Attributes:
        llr: Greatest log-likelihood ratio reached, skipping motor against room.
        decided_s: Time of the click with which ``decide_skip`` was reached; None if it was not.
        times_s: Times of the clicks of the strongest train, in s.
        best_two: Sum of the marks of the two best clicks; 0 with fewer than two.
        kept: Least part of the motor's lines that went on through one of the clicks of the
            strongest train, the mean over its two clearest; None where it could not be told.
    """

    llr: float
    decided_s: float | None
    times_s: tuple[float, ...]
    best_two: float
    kept: float | None


def mark_llr(heard: HeardClick, before: Sequence[HeardClick], settings: DetectorSettings) -> float:
    """Log-likelihood ratio of one click's own looks, given the clicks before it."""
    click = heard.click
    value = settings.mark_intercept
    value += settings.mark_score * (min(click.score_db, 16.0) - 10.0)
    value += settings.mark_coverage * (click.coverage - 0.75)
    if before:
        alike = max(likeness(click.shape_db, other.click.shape_db) for other in before[-6:])
        value += settings.mark_likeness * (max(0.5, alike) - 0.9)
    if heard.kept is not None:
        # That the tone goes on speaks against a weak click more than against one so loud that it
        # must be near.
        least = -0.5 if click.score_db >= LOUD_SCORE_DB else -1.5
        value += max(least, settings.mark_tone * (0.5 - max(0.0, heard.kept)))
    return max(-3.0, min(3.0, value))


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
    # The room's rate, with the setting's rate as two seconds of earlier experience.
    room = (2.0 * settings.room_rate_hz + room_clicks) / (2.0 + room_s)
    skip = max(settings.skip_rate_hz, 2.0 * room)
    gain, drift = math.log(skip / room), skip - room
    total, best = 0.0, 0.0
    decided_s: float | None = None
    run: list[float] = []
    run_kept: list[float] = []
    best_run: tuple[float, ...] = ()
    last_s: float | None = None
    marks: list[float] = []
    best_two = 0.0
    for index, heard in enumerate(clicks):
        if last_s is not None and heard.time_s - last_s < 0.7 * cycle_s:
            continue
        if last_s is not None:
            total -= drift * (heard.time_s - last_s)
        if total <= 0.0:
            total, run, run_kept = 0.0, [], []
        mark = mark_llr(heard, clicks[max(0, index - 6) : index], settings)
        if marks:
            best_two = max(best_two, mark + max(marks))
        marks.append(mark)
        total += gain + mark
        run.append(heard.time_s)
        last_s = heard.time_s
        if heard.kept is not None:
            run_kept.append(heard.kept)
        broken = sorted(run_kept)[:2]
        bonus = settings.broken_tone if len(broken) == 2 and max(broken) < BROKEN_KEPT else 0.0
        if total + bonus > best:
            best, best_run = total + bonus, tuple(run)
        if decided_s is None and total + bonus >= settings.decide_skip and len(run) >= 2:
            decided_s = heard.time_s
    inside = set(best_run)
    kept = sorted(c.kept for c in clicks if c.time_s in inside and c.kept is not None)[:2]
    return TrainEvidence(
        best, decided_s, best_run, best_two, sum(kept) / len(kept) if kept else None
    )
