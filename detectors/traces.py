"""What was heard of labelled takes, kept so that they can be judged again with other numbers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

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
from detectors.leaning import lean
from detectors.nets import shipped_word
from detectors.replay import BLOCK_S, judge_of, unreadable
from detectors.sequential import (
    TrainEvidence,
    TrainStep,
    calibrated,
    click_looks,
    click_rates,
    train_steps,
    train_words,
    weigh_steps,
)
from detectors.settings import DetectorSettings
from detectors.sources import FileSource
from detectors.takes import Take
from detectors.whole import whole_features, whole_log_odds, whole_word

#: A threshold that nothing reaches.
NEVER = 1e9


@dataclass(frozen=True, slots=True)
class Trace:
    """What was heard of one take, enough to judge it again with other numbers.

    Attributes:
        take: The take.
        clicks: Clicks within the move.
        looks: Features of each.
        words: What the shipped trees and networks say of each by itself.
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
            said=lean("click", np.array(self.words), np.array(self.looks), settings).tolist(),
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
            word: What is said of the whole move; None: by the shipped trees and networks, and by
                what own takes add.
        """
        if told is None:
            own = self.steps(settings)
            told = own, train_words(own)
        steps, said = told
        train = weigh_steps(steps, said, settings)
        if not self.otherwise.details or (train.decided_s is not None and self.audible):
            return train
        if word is None:
            word = whole_word(self.whole(steps, said), settings)
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
        words=tuple(shipped_word("click", one) for one in looks),
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
