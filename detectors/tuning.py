"""Fitting the detector's few numbers to labelled takes, with scores on benches left out.

Each take is listened to once. What was heard of it (its clicks, the room's, and the verdict that
there would be without a train of clicks) is kept, and the numbers are fitted to that:

- the two numbers by which the trees' log-odds of trains are bent, by logistic regression of trains
  in skips against trains in clean takes, and the two for whole moves in the same way, drawn towards
  the given ones so that few takes move them little;
- the thresholds, from the takes' log-odds, moved the farther the more takes there are;
- the calibration, by logistic regression of the takes' labels on their log-odds (Platt 1999), drawn
  towards the given one.

Scores come from cross-validation in which all takes of a bench are left out together.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from detectors.acoustic import HeardClick
from detectors.decision import (
    DOUBT_P_SKIP,
    believed,
    may_skip,
    skip_decided,
    skip_reason,
    skips_plainly,
)
from detectors.errors import TakeError
from detectors.evidence import Judgement, Reason, Verdict
from detectors.replay import BLOCK_S, judge_of, unreadable
from detectors.scores import Scores, score_takes
from detectors.sequential import (
    TrainEvidence,
    TrainStep,
    calibrated,
    click_looks,
    click_rates,
    click_words,
    train_steps,
    train_words,
    weigh_steps,
)
from detectors.settings import DetectorSettings
from detectors.sources import FileSource
from detectors.takes import Take, TakeSet
from detectors.whole import whole_features, whole_log_odds, whole_word

#: Clicks before the labelled first skip by less than this belong to it, in s.
COLLAR_S = 0.05
#: Strength of the pull towards the given weights, in takes.
PULL = 4.0
#: Part of the clean takes that may be called skip, and of the skips that may be called clean.
ALLOWED_FALSE, ALLOWED_MISSED = 0.004, 0.002
#: Bounds of the thresholds, as log-odds.
DECIDE_LEAST, WHOLE_LEAST, DECIDE_MOST = 1.5, 1.0, 8.0
SUSPECT_LEAST, SUSPECT_MOST = -2.5, 1.0
#: Bounds of the two numbers by which the trees' log-odds are bent.
INTERCEPT_MOST, SLOPE_LEAST, SLOPE_MOST = 3.0, 0.3, 2.0
#: A threshold that nothing reaches, and log-odds beyond which nothing is learnt.
NEVER, MOST_RATIO = 1e9, 40.0
#: Clicks of a take that are learnt from.
MOST_STEPS = 20


@dataclass(frozen=True, slots=True)
class Trace:
    """What was heard of one take, enough to judge it again with other numbers.

    Attributes:
        take: The take.
        clicks: Clicks within the move.
        looks: Features of each, and ``words``: what the shipped trees and networks say of each.
        known_s: When each could be told.
        room_clicks: Clicks while the motor rested that would be heard over the motor.
        room_s: For how long it rested.
        audible: Whether clicks can be the motor's.
        otherwise: The verdict without a train of clicks.
    """

    take: Take
    clicks: tuple[HeardClick, ...]
    looks: tuple[list[float], ...]
    words: tuple[float, ...]
    known_s: tuple[float, ...]
    room_clicks: int
    room_s: float
    audible: bool
    otherwise: Judgement

    @property
    def cycle_s(self) -> float:
        """Duration of an electrical cycle at the commanded speed."""
        return 1.0 / self.take.geometry.electrical_rate_hz(self.take.motion.speed_mm_s)

    @property
    def turn_s(self) -> float:
        """Duration of a turn of the motor at the commanded speed."""
        return self.take.geometry.turn_s(self.take.motion.speed_mm_s)

    def steps(self, settings: DetectorSettings) -> list[TrainStep]:
        """The train after each of its clicks."""
        rates = click_rates(room_clicks=self.room_clicks, room_s=self.room_s, settings=settings)
        return train_steps(
            self.clicks,
            rates=rates,
            cycle_s=self.cycle_s,
            turn_s=self.turn_s,
            looks=self.looks,
            said=self.words,
        )

    def whole(self, steps: Sequence[TrainStep], said: Sequence[float]) -> list[float]:
        """Features of the whole move, from the train after each click and what is said of it."""
        motion = self.take.motion
        return whole_features(
            steps,
            said,
            begin_s=motion.start_s,
            end_s=min(motion.end_s, self.otherwise.decided_s),
            cycle_s=self.cycle_s,
            turn_s=self.turn_s,
            room=(self.room_clicks, self.room_s),
            details=self.otherwise.details,
        )

    def evidence(
        self,
        settings: DetectorSettings,
        *,
        told: tuple[Sequence[TrainStep], Sequence[float]] | None = None,
        word: float | None = None,
    ) -> TrainEvidence:
        """Evidence of the clicks, and of the whole move where no train of them decides.

        Args:
            settings: The detector's numbers.
            told: The train after each click and what trees say of it; None: the shipped ones.
            word: What trees and networks say of the whole move; None: the shipped ones.
        """
        if told is None:
            own = self.steps(settings)
            told = own, train_words(own)
        steps, said = told
        train = weigh_steps(steps, said, settings)
        if not self.otherwise.details or (train.decided_s is not None and self.audible):
            return train
        if word is None:
            word = whole_word(self.whole(steps, said))
        return replace(train, whole=whole_log_odds(word, steps, settings))

    def judge(self, settings: DetectorSettings) -> Judgement:
        """The verdict with other weights, thresholds and calibration."""
        return self.judge_by(self.evidence(settings), settings)

    def judge_by(self, train: TrainEvidence, settings: DetectorSettings) -> Judgement:
        """The verdict on other evidence."""
        p_skip = calibrated(train.log_odds, settings)
        other = replace(self.otherwise, p_skip=p_skip)
        if self.otherwise.reason in (Reason.UNREADABLE, Reason.SILENT):
            return replace(other, p_skip=believed(p_skip, self.otherwise.reason))
        audible = self.audible or skips_plainly(train, settings)
        possible = may_skip(
            train,
            settings,
            elsewhere=self.otherwise.reason is Reason.WRONG_STEP_RATE,
            smooth=bool(self.otherwise.details.get("smooth_unheard")),
        )
        if skip_decided(train, settings) and possible and audible:
            decided_s = self.otherwise.decided_s
            if train.decided_s is not None:
                known = dict(zip((c.time_s for c in self.clicks), self.known_s, strict=True))
                decided_s = known[train.decided_s]
            return replace(
                other,
                verdict=Verdict.SKIP,
                reason=skip_reason(train),
                decided_s=decided_s,
                first_skip_s=train.times_s[0] if train.times_s else None,
                click_times_s=train.times_s,
            )
        if self.otherwise.reason is Reason.UNSURE:
            # With thresholds that nothing reaches, only what may be a stall, and is not heard at
            # its rate, is unsure.
            return replace(other, p_skip=max(p_skip, DOUBT_P_SKIP))
        if self.otherwise.verdict is Verdict.VOID:
            return replace(other, p_skip=believed(p_skip, self.otherwise.reason))
        if self.otherwise.verdict is Verdict.SKIP:
            return self.otherwise
        details = self.otherwise.details
        if details["stall_doubt"] and train.log_odds > settings.clean_rough:
            p_skip = max(p_skip, DOUBT_P_SKIP)
            return replace(other, verdict=Verdict.VOID, reason=Reason.UNSURE, p_skip=p_skip)
        if not details["rate_heard"] and train.log_odds > settings.clean_unheard:
            return replace(other, verdict=Verdict.VOID, reason=Reason.MOTOR_NOT_HEARD)
        if train.log_odds >= settings.suspect_skip:
            return replace(other, verdict=Verdict.VOID, reason=Reason.UNSURE)
        return replace(other, verdict=Verdict.CLEAN, reason=Reason.HEARD_THROUGHOUT)


def trace_take(take: Take, settings: DetectorSettings) -> Trace:
    """Listen to a whole take and keep what was heard."""
    patient = replace(
        settings,
        decide_skip=NEVER,
        decide_whole=NEVER,
        suspect_skip=NEVER,
        clean_unheard=NEVER,
        clean_rough=NEVER,
    )
    try:
        with FileSource(take.path, block_s=BLOCK_S) as source:
            judge = judge_of(take, source, patient)
            for block in source:
                judge.hear(block)
            otherwise = judge.finish()
    except TakeError as problem:
        return Trace(take, (), (), (), (), 0, 0.0, False, unreadable(take, str(problem)))
    listener = judge.listener
    assert listener is not None
    clicks = tuple(c for c in listener.move.clicks if c.time_s <= listener.steady_to_s)
    room_clicks, room_s = judge.room()
    looks = click_looks(clicks, step_s=1.0 / take.geometry.step_rate_hz(take.motion.speed_mm_s))
    return Trace(
        take=take,
        clicks=clicks,
        looks=tuple(looks),
        words=tuple(click_words(looks)),
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


def _step_rows(
    traces: Sequence[Trace], settings: DetectorSettings
) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.float64]]:
    """What the trees say of trains, whether they skip, and weights that give each take its due."""
    said: list[float] = []
    truth: list[bool] = []
    weights: list[float] = []
    for trace in traces:
        label, first = trace.take.label, trace.take.first_skip_s
        if label not in (Verdict.SKIP, Verdict.CLEAN, Verdict.SLIP):
            continue
        if label is Verdict.SKIP and first is None:
            continue
        steps = trace.steps(settings)
        if label is Verdict.SKIP and first is not None:
            steps = [s for s in steps if s.time_s >= first - COLLAR_S]
        words = train_words(steps[:MOST_STEPS])
        said += words
        truth += [label is Verdict.SKIP] * len(words)
        weights += [max(len(words), 1) ** -0.7] * len(words)
    return np.array(said), np.array(truth, bool), np.array(weights)


def _bend(
    said: NDArray[np.float64],
    truth: NDArray[np.bool_],
    weights: NDArray[np.float64],
    *,
    intercept: float,
    slope: float,
) -> tuple[float, float]:
    """The two numbers by which log-odds are bent to these rows; the given ones where a kind is
    missing."""
    from scipy.optimize import minimize

    if truth.sum() < 10 or (~truth).sum() < 10:
        return intercept, slope
    weights = weights.copy()
    number = min(weights[truth].sum(), weights[~truth].sum())
    # Both kinds weigh alike, as they did when the trees were grown.
    weights[truth] *= number / weights[truth].sum()
    weights[~truth] *= number / weights[~truth].sum()
    start = np.array([intercept, slope])
    sizes = np.array([1.0, 0.3])
    sign = np.where(truth, 1.0, -1.0)

    def loss(p: NDArray[np.float64]) -> float:
        margin = sign * (p[0] + p[1] * said)
        pull = PULL * float((((p - start) / sizes) ** 2).sum())
        return float((weights * np.logaddexp(0.0, -margin)).sum()) + pull

    limits = [(-INTERCEPT_MOST, INTERCEPT_MOST), (SLOPE_LEAST, SLOPE_MOST)]
    best = minimize(loss, start, method="L-BFGS-B", bounds=limits).x
    return round(float(best[0]), 4), round(float(best[1]), 4)


def fit_trees(traces: Sequence[Trace], settings: DetectorSettings) -> DetectorSettings:
    """Settings with the trees' log-odds, of trains and of whole moves, bent to these takes."""
    intercept, slope = _bend(
        *_step_rows(traces, settings),
        intercept=settings.train_intercept,
        slope=settings.train_trees,
    )
    kinds = (Verdict.SKIP, Verdict.CLEAN)
    heard = [t for t in traces if t.take.label in kinds and t.otherwise.details]
    moves = [(trace, trace.steps(settings)) for trace in heard]
    whole_intercept, whole_slope = _bend(
        np.array([whole_word(trace.whole(steps, train_words(steps))) for trace, steps in moves]),
        np.array([trace.take.label is Verdict.SKIP for trace in heard], bool),
        np.ones(len(heard)),
        intercept=settings.whole_intercept,
        slope=settings.whole_trees,
    )
    return replace(
        settings,
        train_intercept=intercept,
        train_trees=slope,
        whole_intercept=whole_intercept,
        whole_trees=whole_slope,
    )


def _usable(traces: Sequence[Trace]) -> list[Trace]:
    """Clean and skipping takes in which the motor was heard."""
    return [
        trace
        for trace in traces
        if trace.take.label in (Verdict.CLEAN, Verdict.SKIP)
        and (trace.otherwise.verdict is Verdict.CLEAN or trace.audible)
    ]


def _ratios(
    traces: Sequence[Trace], settings: DetectorSettings
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """Log-odds of the clean and the skipping takes that were heard, by their trains and by the
    whole move, and which of them skip."""
    trains, wholes, skips = [], [], []
    for trace in _usable(traces):
        train = trace.evidence(replace(settings, decide_skip=NEVER))
        trains.append(train.llr)
        wholes.append(train.log_odds)
        skips.append(trace.take.label is Verdict.SKIP)
    return np.array(trains, float), np.array(wholes, float), np.array(skips, bool)


def _judged_by(traces: Sequence[Trace], settings: DetectorSettings) -> NDArray[np.float64]:
    """What each of the takes of `_ratios` is judged by."""
    return np.array([trace.evidence(settings).log_odds for trace in _usable(traces)], float)


def _between(value: float, low: float, high: float) -> float:
    return min(high, max(low, value))


def _moved(given: float, found: float, *, takes: int, allowed: float) -> float:
    """A threshold moved from the given one towards the one found as a quantile of some takes: as
    far as takes are expected beyond it, for less than one of them says little of where it is."""
    beyond = takes * allowed
    return given + (found - given) * beyond / (1.0 + beyond)


def fit_thresholds(traces: Sequence[Trace], settings: DetectorSettings) -> DetectorSettings:
    """Settings with thresholds and calibration fitted to the takes' log-odds."""
    trains, wholes, skips = _ratios(traces, settings)
    if skips.sum() < 10 or (~skips).sum() < 10:
        return settings
    # Both thresholds move together, so that a train and the whole move keep their ratio.
    beyond = np.maximum(trains - settings.decide_skip, wholes - settings.decide_whole)
    shift = _moved(
        0.0,
        float(np.quantile(beyond[~skips], 1.0 - ALLOWED_FALSE)) + 0.2,
        takes=int((~skips).sum()),
        allowed=ALLOWED_FALSE,
    )
    decided = replace(
        settings,
        decide_skip=round(_between(settings.decide_skip + shift, DECIDE_LEAST, DECIDE_MOST), 3),
        decide_whole=round(_between(settings.decide_whole + shift, WHOLE_LEAST, DECIDE_MOST), 3),
    )
    ratios = _judged_by(traces, decided)
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
        intercept=settings.calibration_intercept,
        slope=settings.calibration_slope,
    )
    return replace(
        decided,
        suspect_skip=round(_between(suspect, SUSPECT_LEAST, SUSPECT_MOST), 3),
        calibration_intercept=intercept,
        calibration_slope=slope,
    )


def fit(traces: Sequence[Trace], settings: DetectorSettings) -> DetectorSettings:
    """Settings with all that is fitted: trains, thresholds, calibration."""
    return fit_thresholds(traces, fit_trees(traces, settings))


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
