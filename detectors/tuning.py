"""Fitting the detector's few numbers to labelled takes, with scores on benches left out.

Each take is listened to once. What was heard of it (its clicks, the room's, and the verdict that
there would be without a train of clicks) is kept, and the numbers are fitted to that:

- the weights of a click's marks, by logistic regression of clicks in skips against clicks in clean
  takes, drawn towards the given weights so that few takes move them little;
- the two thresholds, from the takes' log-likelihood ratios;
- the calibration, by logistic regression of the takes' labels on their log-likelihood ratios
  (Platt 1999).

Scores come from cross-validation in which all takes of a bench are left out together.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from detectors.acoustic import HeardClick
from detectors.decision import Judge
from detectors.errors import TakeError
from detectors.evidence import Judgement, Reason, Verdict
from detectors.marks import COMPARED, MARK_WEIGHTS, mark_features
from detectors.replay import BLOCK_S, unreadable
from detectors.scores import Scores, score_takes
from detectors.sequential import weigh_train
from detectors.settings import DetectorSettings
from detectors.sources import FileSource
from detectors.takes import Take, TakeSet

#: Clicks before the labelled first skip by less than this belong to it, in s.
COLLAR_S = 0.05
#: Strength of the pull towards the given weights, in takes.
PULL = 4.0
#: Part of the clean takes that may be called skip, and of the skips that may be called clean.
ALLOWED_FALSE, ALLOWED_MISSED = 0.004, 0.002
#: Bounds of the thresholds, as log-likelihood ratios.
DECIDE_LEAST, DECIDE_MOST = 5.5, 20.0
SUSPECT_LEAST, SUSPECT_MOST = 2.0, 5.0


@dataclass(frozen=True, slots=True)
class Trace:
    """What was heard of one take, enough to judge it again with other numbers.

    Attributes:
        take: The take.
        clicks: Clicks within the move.
        known_s: When each could be told.
        room_clicks: Clicks while the motor rested that would be heard over the motor.
        room_s: For how long it rested.
        audible: Whether clicks can be the motor's.
        otherwise: The verdict without a train of clicks.
    """

    take: Take
    clicks: tuple[HeardClick, ...]
    known_s: tuple[float, ...]
    room_clicks: int
    room_s: float
    audible: bool
    otherwise: Judgement

    @property
    def cycle_s(self) -> float:
        """Duration of an electrical cycle at the commanded speed."""
        return 1.0 / self.take.geometry.electrical_rate_hz(self.take.motion.speed_mm_s)

    def judge(self, settings: DetectorSettings) -> Judgement:
        """The verdict with other weights, thresholds and calibration."""
        train = weigh_train(
            self.clicks,
            room_clicks=self.room_clicks,
            room_s=self.room_s,
            cycle_s=self.cycle_s,
            settings=settings,
        )
        p_skip = calibrated(train.llr, settings)
        other = replace(self.otherwise, p_skip=p_skip)
        if self.otherwise.reason in (Reason.UNREADABLE, Reason.SILENT):
            return replace(other, p_skip=0.5)
        if train.decided_s is not None and self.audible:
            known = dict(zip((c.time_s for c in self.clicks), self.known_s, strict=True))
            return replace(
                other,
                verdict=Verdict.SKIP,
                reason=Reason.CLICK_TRAIN,
                decided_s=known[train.decided_s],
                first_skip_s=train.times_s[0],
                click_times_s=train.times_s,
            )
        if self.otherwise.verdict is Verdict.VOID and self.otherwise.reason is not Reason.UNSURE:
            return replace(other, p_skip=0.5 + 0.5 * (p_skip - 0.5))
        if self.otherwise.verdict is Verdict.SKIP:
            return self.otherwise
        if train.llr >= settings.suspect_skip:
            return replace(other, verdict=Verdict.VOID, reason=Reason.UNSURE)
        return replace(other, verdict=Verdict.CLEAN, reason=Reason.HEARD_THROUGHOUT)


def calibrated(llr: float, settings: DetectorSettings) -> float:
    """Probability of a skip for a log-likelihood ratio."""
    exponent = settings.calibration_intercept + settings.calibration_slope * llr
    return 1.0 / (1.0 + math.exp(-max(-30.0, min(30.0, exponent))))


def trace_take(take: Take, settings: DetectorSettings) -> Trace:
    """Listen to a whole take and keep what was heard."""
    patient = replace(settings, decide_skip=1e9, suspect_skip=1e9)
    try:
        with FileSource(take.path, block_s=BLOCK_S) as source:
            judge = Judge(
                take.motion, take.geometry, sample_rate_hz=source.sample_rate_hz, settings=patient
            )
            for block in source:
                judge.hear(block)
            otherwise = judge.finish()
    except (TakeError, ValueError) as problem:
        return Trace(take, (), (), 0, 0.0, False, unreadable(take, str(problem)))
    listener = judge.listener
    assert listener is not None
    clicks = tuple(c for c in listener.move.clicks if c.time_s <= listener.steady_to_s)
    room_clicks, room_s = judge.room()
    return Trace(
        take=take,
        clicks=clicks,
        known_s=tuple(listener.frame_time_s(c.click.known_frame) for c in clicks),
        room_clicks=room_clicks,
        room_s=room_s,
        audible=judge.clicks_are_the_motors(),
        otherwise=otherwise,
    )


def trace_takes(
    takes: Sequence[Take],
    settings: DetectorSettings,
    *,
    jobs: int = -1,
    progress: Callable[[int, int], None] | None = None,
) -> list[Trace]:
    """`trace_take` over many takes, in processes."""
    from joblib import Parallel, delayed

    traces: list[Trace] = []
    work = Parallel(n_jobs=jobs if len(takes) > 3 else 1, return_as="generator")
    for trace in work(delayed(trace_take)(take, settings) for take in takes):
        traces.append(trace)
        if progress is not None:
            progress(len(traces), len(takes))
    return traces


def _click_rows(
    traces: Sequence[Trace],
) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.float64]]:
    """Features of clicks, whether they are skips, and weights that give each take its due."""
    rows: list[list[float]] = []
    truth: list[bool] = []
    weights: list[float] = []
    for trace in traces:
        label = trace.take.label
        if label not in (Verdict.SKIP, Verdict.CLEAN, Verdict.SLIP):
            continue
        first = trace.take.first_skip_s
        clicks = list(trace.clicks)
        if label is Verdict.SKIP:
            if first is None:
                continue
            used = [i for i, c in enumerate(clicks) if c.time_s >= first - COLLAR_S]
        else:
            used = list(range(len(clicks)))
        for index in used[:40]:
            heard = clicks[index]
            before = clicks[max(0, index - COMPARED) : index]
            rows.append(mark_features(heard, before))
            truth.append(label is Verdict.SKIP)
            weights.append(min(len(used), 40) ** -0.7)
    return np.array(rows).reshape(-1, len(MARK_WEIGHTS)), np.array(truth, bool), np.array(weights)


def fit_marks(traces: Sequence[Trace], settings: DetectorSettings) -> DetectorSettings:
    """Settings with the marks' weights fitted; unchanged where one kind of click is missing."""
    from scipy.optimize import minimize

    rows, truth, weights = _click_rows(traces)
    if truth.sum() < 10 or (~truth).sum() < 10:
        return settings
    weights = weights.copy()
    number = min(weights[truth].sum(), weights[~truth].sum())
    # Both kinds weigh alike, so that the logistic is a log-likelihood ratio.
    weights[truth] *= number / weights[truth].sum()
    weights[~truth] *= number / weights[~truth].sum()
    start = np.array([settings.mark_intercept, *(getattr(settings, n) for n in MARK_WEIGHTS)])
    sizes = np.maximum(0.5 * np.abs(start), 0.2)
    sign = np.where(truth, 1.0, -1.0)

    def loss(p: NDArray[np.float64]) -> float:
        margin = sign * (p[0] + rows @ p[1:])
        pull = PULL * float((((p - start) / sizes) ** 2).sum())
        return float((weights * np.logaddexp(0.0, -margin)).sum()) + pull

    # None may turn its sign: each says what it says by what it is.
    limits = [(-4.0, 3.0)] + [(0.0, 8.0) if w >= 0 else (-8.0, 0.0) for w in start[1:]]
    best = minimize(loss, start, method="L-BFGS-B", bounds=limits).x
    fitted = {name: round(float(w), 4) for name, w in zip(MARK_WEIGHTS, best[1:], strict=True)}
    return replace(settings, mark_intercept=round(float(best[0]), 4), **fitted)


def _ratios(
    traces: Sequence[Trace], settings: DetectorSettings
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Log-likelihood ratios of the clean and the skipping takes that were heard, and which."""
    ratios, skips = [], []
    for trace in traces:
        label = trace.take.label
        usable = trace.otherwise.verdict is Verdict.CLEAN or trace.audible
        if label not in (Verdict.CLEAN, Verdict.SKIP) or not usable:
            continue
        train = weigh_train(
            trace.clicks,
            room_clicks=trace.room_clicks,
            room_s=trace.room_s,
            cycle_s=trace.cycle_s,
            settings=settings,
        )
        ratios.append(train.llr)
        skips.append(label is Verdict.SKIP)
    return np.array(ratios, float), np.array(skips, bool)


def fit_thresholds(traces: Sequence[Trace], settings: DetectorSettings) -> DetectorSettings:
    """Settings with thresholds and calibration fitted to the takes' log-likelihood ratios."""
    from scipy.optimize import minimize

    ratios, skips = _ratios(traces, settings)
    if skips.sum() < 10 or (~skips).sum() < 10:
        return settings
    decide = float(np.quantile(ratios[~skips], 1.0 - ALLOWED_FALSE)) + 0.5
    suspect = float(np.quantile(ratios[skips], ALLOWED_MISSED)) - 0.2
    weights = np.where(skips, 0.5 / skips.sum(), 0.5 / (~skips).sum())
    sign = np.where(skips, 1.0, -1.0)
    capped = np.minimum(ratios, 40.0)

    def loss(p: NDArray[np.float64]) -> float:
        value = float((weights * np.logaddexp(0.0, -sign * (p[0] + p[1] * capped))).sum())
        return value + 1e-3 * float(((p - [-2.4, 0.5]) ** 2).sum())

    best = minimize(loss, [-2.4, 0.5], method="L-BFGS-B", bounds=[(-8, 2), (0.05, 3.0)]).x
    return replace(
        settings,
        decide_skip=round(min(DECIDE_MOST, max(DECIDE_LEAST, decide)), 3),
        suspect_skip=round(min(SUSPECT_MOST, max(SUSPECT_LEAST, suspect)), 3),
        calibration_intercept=round(float(best[0]), 4),
        calibration_slope=round(float(best[1]), 4),
    )


def fit(traces: Sequence[Trace], settings: DetectorSettings) -> DetectorSettings:
    """Settings with all that is fitted: marks, thresholds, calibration."""
    return fit_thresholds(traces, fit_marks(traces, settings))


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


def tune(
    take_set: TakeSet,
    *,
    settings: DetectorSettings | None = None,
    folds: int = 5,
    jobs: int = -1,
    progress: Callable[[int, int], None] | None = None,
) -> TuningResult:
    """Fit a detector to labelled takes and score it on benches it did not see.

    Args:
        take_set: Labelled takes; others are left out.
        settings: Where to start from.
        folds: Parts into which the benches are divided; with one bench its takes are divided.
        jobs: Processes; -1 for one a core.
        progress: Called with takes listened to and takes in all.

    Raises:
        TakeError: There are too few labelled takes to fit anything.
    """
    settings = settings if settings is not None else DetectorSettings()
    takes = take_set.labelled().takes
    kinds = {kind: sum(t.label is kind for t in takes) for kind in (Verdict.CLEAN, Verdict.SKIP)}
    if min(kinds.values()) < 5:
        raise TakeError(
            f"{kinds[Verdict.CLEAN]} clean and {kinds[Verdict.SKIP]} skipping takes are labelled; "
            "tuning needs at least 5 of each"
        )
    traces = trace_takes(takes, settings, jobs=jobs, progress=progress)
    benches = list(dict.fromkeys(take.bench for take in takes))
    if len(benches) > 1:
        groups = {bench: number % folds for number, bench in enumerate(benches)}
        group = [groups[take.bench] for take in takes]
    else:
        group = [number % folds for number in range(len(takes))]
    held: list[Judgement | None] = [None] * len(takes)
    for fold in sorted(set(group)):
        fitted = fit([t for t, g in zip(traces, group, strict=True) if g != fold], settings)
        for index, trace in enumerate(traces):
            if group[index] == fold:
                held[index] = trace.judge(fitted)
    return TuningResult(
        settings=fit(traces, settings),
        held_out=score_takes(takes, [j for j in held if j is not None]),
        before=score_takes(takes, [trace.judge(settings) for trace in traces]),
        benches=len(benches),
        takes=len(takes),
    )
