"""Fitting the detector's numbers to labelled takes, with scores on benches left out.

Each take is listened to once. What was heard of it (its clicks, the room's, and the verdict that
there would be without a train of clicks) is kept, and the numbers are fitted to that:

- what is said of single clicks and of whole moves, by logistic regression of the features that the
  trees and networks are asked about, beside the word of these (`detectors.leaning`), and the two
  numbers by which the log-odds of trains are bent in the same way; all of them drawn towards the
  given ones, so that few takes move them little;
- the thresholds, from the takes' log-odds, moved the farther the more takes there are;
- the calibration, by logistic regression of the takes' labels on their log-odds (Platt 1999), drawn
  towards the given one.

What comes later is fitted to words that had not seen the bench (stacking: Wolpert 1992, Neural
Networks 5, 241), for words of takes that were learnt from are surer than those of new ones. Scores
come from a cross-validation around all of it, in which all takes of a bench are left out together.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from detectors.errors import TakeError
from detectors.evidence import Judgement, Verdict
from detectors.leaning import lean, leaning
from detectors.nets import shipped_nets, shipped_word
from detectors.scores import Scores, score_takes
from detectors.sequential import TrainEvidence, TrainStep, train_words
from detectors.settings import DetectorSettings, Weights
from detectors.takes import Take, TakeSet
from detectors.traces import NEVER, Trace, trace_takes

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Clicks before the labelled first skip by less than this belong to it, in s.
COLLAR_S = 0.05
#: Strength of the pull towards the given numbers, in takes, where these are off by their size:
#: that of the constant, of the factor of a word, and of the weight of a feature of a click and of
#: a whole move. The last two were chosen on takes of four makers of sound that the trees were not
#: grown on, for takes of benches left out.
PULL, INTERCEPT_SIZE, SLOPE_SIZE = 4.0, 1.0, 0.3
WEIGHT_SIZES = {"click": 0.6, "whole": 0.9}
#: No fewer rows of either kind are learnt from.
LEAST_ROWS = 10
#: Parts into which the benches are divided while the numbers are fitted.
PARTS = 5
#: Part of the clean takes that may be called skip, and of the skips that may be called clean.
ALLOWED_FALSE, ALLOWED_MISSED = 0.004, 0.002
#: Bounds of the thresholds, as log-odds.
DECIDE_LEAST, WHOLE_LEAST, DECIDE_MOST = 1.5, 1.0, 8.0
SUSPECT_LEAST, SUSPECT_MOST = -2.5, 1.0
#: Bounds of the constant and the factor of a word.
INTERCEPT_MOST, SLOPE_LEAST, SLOPE_MOST = 3.0, 0.3, 2.0
#: Log-odds beyond which nothing is learnt.
MOST_RATIO = 40.0
#: Clicks of a take that are learnt from.
MOST_STEPS = 20


@dataclass(frozen=True, slots=True)
class Move:
    """A take with what is said of its clicks, and what there is to say of the whole of it.

    Attributes:
        trace: What was heard.
        steps: The train after each click, and ``said``: what train trees say of it.
        features: Of the whole move, and ``word``: what the shipped trees and networks say of them;
            None where nothing was heard.
    """

    trace: Trace
    steps: list[TrainStep]
    said: list[float]
    features: list[float] | None
    word: float | None

    @property
    def label(self) -> str | None:
        return self.trace.take.label

    def evidence(self, settings: DetectorSettings) -> TrainEvidence:
        """See `Trace.evidence`; the words of single clicks stay as they are."""
        word = None
        if self.features is not None and self.word is not None:
            rows = np.array([self.features])
            word = float(lean("whole", np.array([self.word]), rows, settings)[0])
        return self.trace.evidence(settings, told=(self.steps, self.said), word=word)


def move_of(trace: Trace, settings: DetectorSettings) -> Move:
    """A take with what is said of its clicks by these settings."""
    steps = trace.steps(settings)
    said = train_words(steps)
    if not trace.otherwise.details:
        return Move(trace, steps, said, None, None)
    features = trace.whole(steps, said)
    return Move(trace, steps, said, features, shipped_word("whole", features))


def _learnt_from(trace: Trace, times_s: Sequence[float]) -> list[int]:
    """Which of the clicks of a take tell of its label: in a skip those before the first do not."""
    take = trace.take
    if take.label not in (Verdict.SKIP, Verdict.CLEAN, Verdict.SLIP):
        return []
    begin_s = -np.inf
    if take.label is Verdict.SKIP:
        begin_s = np.inf if take.first_skip_s is None else take.first_skip_s - COLLAR_S
    return [index for index, time_s in enumerate(times_s) if time_s >= begin_s][:MOST_STEPS]


@dataclass(frozen=True, slots=True)
class _Rows:
    """What is said of clicks, trains or moves; whether they are of skips; weights, by which each
    take gets its due; features, shape (rows, features), where there are any."""

    said: Floats
    truth: Bools
    weights: Floats
    features: Floats


def _rows(found: Sequence[tuple[Trace, Sequence[float], Sequence[Sequence[float]]]]) -> _Rows:
    """Rows from takes, what is said of each click of theirs, and its features."""
    counts = [len(said) for _, said, _ in found]
    skips = [trace.take.label is Verdict.SKIP for trace, _, _ in found]
    return _Rows(
        said=np.array([word for _, said, _ in found for word in said], float),
        truth=np.repeat(np.array(skips, bool), counts),
        weights=np.repeat([max(count, 1) ** -0.7 for count in counts], counts),
        features=np.array([row for _, _, rows in found for row in rows], float),
    )


def _regress(
    columns: Floats,
    truth: Bools,
    weights: Floats,
    *,
    start: Floats,
    sizes: Floats,
) -> Floats | None:
    """Logistic regression drawn towards ``start``; None where rows of a kind are missing.

    Args:
        columns: A constant, what is said, and features, shape (rows, numbers).
        truth: Whether each row is of a skip.
        weights: Of the rows; both kinds come to weigh alike, as when the trees were grown.
        start: The given numbers.
        sizes: By how much each of them is expected to be off.
    """
    from scipy.optimize import minimize

    if truth.sum() < LEAST_ROWS or (~truth).sum() < LEAST_ROWS:
        return None
    weights = weights.copy()
    number = min(weights[truth].sum(), weights[~truth].sum())
    weights[truth] *= number / weights[truth].sum()
    weights[~truth] *= number / weights[~truth].sum()
    sign = np.where(truth, 1.0, -1.0)

    def loss(p: Floats) -> tuple[float, Floats]:
        margin = sign * (columns @ p)
        off = (p - start) / sizes
        value = float(weights @ np.logaddexp(0.0, -margin)) + PULL * float(off @ off)
        # The logistic of -margin, which does not overflow.
        slope = weights * sign * np.exp(-np.logaddexp(0.0, margin))
        return value, 2.0 * PULL * off / sizes - columns.T @ slope

    free = [(None, None)] * (columns.shape[1] - 2)
    limits = [(-INTERCEPT_MOST, INTERCEPT_MOST), (SLOPE_LEAST, SLOPE_MOST), *free]
    best: Floats = minimize(loss, start, jac=True, method="L-BFGS-B", bounds=limits).x
    return best.round(4)


def _bend(
    said: Floats, truth: Bools, weights: Floats, *, start: tuple[float, float]
) -> list[float]:
    """Constant and factor of a word; the given ones where rows of a kind are missing."""
    columns = np.stack([np.ones(len(said)), said], axis=1)
    sizes = np.array([INTERCEPT_SIZE, SLOPE_SIZE])
    best = _regress(columns, truth, weights, start=np.array(start), sizes=sizes)
    return list(start) if best is None else [float(value) for value in best]


def _lean(
    which: str, rows: _Rows, settings: DetectorSettings
) -> tuple[float, float, Weights] | None:
    """Constant, factor and weights for a ``click`` or a ``whole`` move; None where rows of a kind
    are missing."""
    if not len(rows.said):
        return None
    nets = shipped_nets(which)
    intercept, slope, given = leaning(which, settings)
    weights = dict(given)
    columns = np.column_stack([np.ones(len(rows.said)), rows.said, nets.bend(rows.features)])
    best = _regress(
        columns,
        rows.truth,
        rows.weights,
        start=np.array([intercept, slope, *(weights.get(name, 0.0) for name in nets.names)]),
        sizes=np.array(
            [INTERCEPT_SIZE, SLOPE_SIZE, *[WEIGHT_SIZES[which]] * len(nets.names)],
        ),
    )
    if best is None:
        return None
    values = [float(value) for value in best]
    found = zip(nets.names, values[2:], strict=True)
    return values[0], values[1], tuple((name, value) for name, value in found if value)


def fit_clicks(traces: Sequence[Trace], settings: DetectorSettings) -> DetectorSettings:
    """Settings with what is said of single clicks fitted to these takes."""
    found = []
    for trace in traces:
        used = _learnt_from(trace, [click.time_s for click in trace.clicks])
        found.append((trace, [trace.words[i] for i in used], [trace.looks[i] for i in used]))
    best = _lean("click", _rows(found), settings)
    if best is None:
        return settings
    return replace(settings, click_intercept=best[0], click_trees=best[1], click_weights=best[2])


def fit_moves(moves: Sequence[Move], settings: DetectorSettings) -> DetectorSettings:
    """Settings with what is said of trains and of whole moves fitted to these takes."""
    found: list[tuple[Trace, list[float], list[list[float]]]] = []
    for move in moves:
        used = _learnt_from(move.trace, [step.time_s for step in move.steps])
        found.append((move.trace, [move.said[i] for i in used], []))
    rows = _rows(found)
    given = settings.train_intercept, settings.train_trees
    intercept, slope = _bend(rows.said, rows.truth, rows.weights, start=given)
    settings = replace(settings, train_intercept=intercept, train_trees=slope)
    heard = [
        (move.trace, [move.word], [move.features])
        for move in moves
        if move.label in (Verdict.SKIP, Verdict.CLEAN)
        and move.features is not None
        and move.word is not None
    ]
    best = _lean("whole", _rows(heard), settings)
    if best is None:
        return settings
    return replace(settings, whole_intercept=best[0], whole_trees=best[1], whole_weights=best[2])


Judged = tuple[Move, DetectorSettings]


def _usable(judged: Sequence[Judged]) -> list[Judged]:
    """Clean and skipping takes in which the motor was heard."""
    return [
        (move, settings)
        for move, settings in judged
        if move.label in (Verdict.CLEAN, Verdict.SKIP)
        and (move.trace.otherwise.verdict is Verdict.CLEAN or move.trace.audible)
    ]


def _between(value: float, low: float, high: float) -> float:
    return min(high, max(low, value))


def _moved(given: float, found: float, *, takes: int, allowed: float) -> float:
    """A threshold moved from the given one towards the one found as a quantile of some takes: as
    far as takes are expected beyond it, for less than one of them says little of where it is."""
    beyond = takes * allowed
    return given + (found - given) * beyond / (1.0 + beyond)


def fit_thresholds(judged: Sequence[Judged], settings: DetectorSettings) -> DetectorSettings:
    """Settings with thresholds and calibration fitted to the takes' log-odds.

    Args:
        judged: Takes, each with settings whose words were not fitted to it.
        settings: The detector's numbers that were.
    """
    usable = _usable(judged)
    skips = np.array([move.label is Verdict.SKIP for move, _ in usable], bool)
    if skips.sum() < LEAST_ROWS or (~skips).sum() < LEAST_ROWS:
        return settings
    whole = [move.evidence(replace(own, decide_skip=NEVER)) for move, own in usable]
    # Both thresholds move together, so that a train and the whole move keep their ratio.
    beyond = np.array(
        [max(e.llr - settings.decide_skip, e.log_odds - settings.decide_whole) for e in whole]
    )
    shift = _moved(
        0.0,
        float(np.quantile(beyond[~skips], 1.0 - ALLOWED_FALSE)) + 0.2,
        takes=int((~skips).sum()),
        allowed=ALLOWED_FALSE,
    )
    settings = replace(
        settings,
        decide_skip=round(_between(settings.decide_skip + shift, DECIDE_LEAST, DECIDE_MOST), 3),
        decide_whole=round(_between(settings.decide_whole + shift, WHOLE_LEAST, DECIDE_MOST), 3),
    )
    ratios = np.array(
        [
            move.evidence(replace(own, decide_skip=settings.decide_skip)).log_odds
            for move, own in usable
        ]
    )
    suspect = _moved(
        settings.suspect_skip,
        float(np.quantile(ratios[skips], ALLOWED_MISSED)) - 0.2,
        takes=int(skips.sum()),
        allowed=ALLOWED_MISSED,
    )
    intercept, slope = _bend(
        np.minimum(ratios, MOST_RATIO),
        skips,
        np.ones(len(ratios)),
        start=(settings.calibration_intercept, settings.calibration_slope),
    )
    return replace(
        settings,
        suspect_skip=round(_between(suspect, SUSPECT_LEAST, SUSPECT_MOST), 3),
        calibration_intercept=intercept,
        calibration_slope=slope,
    )


def _parts(takes: Sequence[Take], folds: int) -> list[int]:
    """The part each take is in: all of a bench are in one, unless there is but one bench."""
    benches = list(dict.fromkeys(take.bench for take in takes))
    if len(benches) < 2:
        return [number % folds for number in range(len(takes))]
    part = {bench: number % folds for number, bench in enumerate(benches)}
    return [part[take.bench] for take in takes]


def fit(traces: Sequence[Trace], settings: DetectorSettings) -> DetectorSettings:
    """Settings with all that is fitted: clicks, trains, whole moves, thresholds, calibration."""
    part = _parts([trace.take for trace in traces], PARTS)
    by_clicks: dict[int, DetectorSettings] = {}
    for one in sorted(set(part)):
        others = [trace for trace, of in zip(traces, part, strict=True) if of != one]
        by_clicks[one] = fit_clicks(others, settings)
    moves = [move_of(trace, by_clicks[of]) for trace, of in zip(traces, part, strict=True)]
    apart = {
        one: fit_moves([m for m, of in zip(moves, part, strict=True) if of != one], own)
        for one, own in by_clicks.items()
    }
    judged = [(move, apart[of]) for move, of in zip(moves, part, strict=True)]
    return fit_thresholds(judged, fit_moves(moves, fit_clicks(traces, settings)))


@dataclass(frozen=True, slots=True)
class TuningResult:
    """Outcome of `tune`.

    Attributes:
        settings: Fitted to all the takes.
        held_out: Scores with each bench judged by settings that never saw it.
        before: Scores of the settings that were given.
        benches: Number of benches.
        takes: Number of labelled takes.
    """

    settings: DetectorSettings
    held_out: Scores
    before: Scores
    benches: int
    takes: int


def _judge_apart(
    traces: Sequence[Trace], left_out: Sequence[Trace], settings: DetectorSettings
) -> list[Judgement]:
    fitted = fit(traces, settings)
    return [trace.judge(fitted) for trace in left_out]


def tune(
    take_set: TakeSet,
    *,
    settings: DetectorSettings | None = None,
    folds: int = 5,
    jobs: int = -1,
    progress: Callable[[int, int], None] | None = None,
    fitting: Callable[[int, int], None] | None = None,
) -> TuningResult:
    """Fit a detector to labelled takes and score it on benches it did not see.

    Args:
        take_set: Labelled takes; others are left out.
        settings: Where to start from.
        folds: Parts into which the benches are divided; with one bench its takes are divided.
        jobs: Processes; -1 for one a core.
        progress: Called with takes listened to and takes in all.
        fitting: Called with fits done and fits in all.

    Raises:
        TakeError: There are too few labelled takes to fit anything.
    """
    from joblib import Parallel, delayed

    settings = settings if settings is not None else DetectorSettings()
    takes = take_set.labelled().takes
    kinds = {kind: sum(t.label is kind for t in takes) for kind in (Verdict.CLEAN, Verdict.SKIP)}
    if min(kinds.values()) < 5:
        raise TakeError(
            f"{kinds[Verdict.CLEAN]} clean and {kinds[Verdict.SKIP]} skipping takes are labelled; "
            "tuning needs at least 5 of each"
        )
    traces = trace_takes(takes, settings, jobs=jobs, progress=progress)
    part = _parts(takes, folds)
    places = {one: [i for i, of in enumerate(part) if of == one] for one in sorted(set(part))}
    held: list[Judgement | None] = [None] * len(takes)
    work = Parallel(n_jobs=jobs, return_as="generator")
    found = work(
        delayed(_judge_apart)(
            [trace for trace, of in zip(traces, part, strict=True) if of != one],
            [traces[index] for index in chosen],
            settings,
        )
        for one, chosen in places.items()
    )
    for done, (chosen, judgements) in enumerate(zip(places.values(), found, strict=True), 1):
        for index, judgement in zip(chosen, judgements, strict=True):
            held[index] = judgement
        if fitting is not None:
            fitting(done, len(places) + 1)
    settled = fit(traces, settings)
    if fitting is not None:
        fitting(len(places) + 1, len(places) + 1)
    return TuningResult(
        settings=settled,
        held_out=score_takes(takes, [j for j in held if j is not None]),
        before=score_takes(takes, [trace.judge(settings) for trace in traces]),
        benches=len({take.bench for take in takes}),
        takes=len(takes),
    )
