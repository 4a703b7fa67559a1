"""The judge: hears one move block by block and says one of four words.

A skip may be called as soon as the evidence is there; `clean` only after the whole steady part was
heard. What cannot be trusted is `void`, with its reason.
"""

from __future__ import annotations

import math
from dataclasses import replace

from detectors.acoustic import HeardClick, Listener
from detectors.clicks import STEPS_IN_CYCLE
from detectors.evidence import (
    CommandedMotion,
    FilamentCount,
    Judgement,
    MotorGeometry,
    Reason,
    SoundBlock,
    Verdict,
)
from detectors.frames import SAME_APART
from detectors.heard import MotorHeard
from detectors.joining import join_witnesses
from detectors.length import LengthWatch, LengthWord
from detectors.sequential import (
    ClickRates,
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
from detectors.whole import whole_features, whole_log_odds, whole_word

#: How often the encoder is asked while the move goes on, in s.
COUNT_CHECK_S = 0.2
#: Clicks that are looked back at when a new one comes.
MOST_CLICKS = 64
#: Fewer clicks than this are few.
FEW_CLICKS = 6
#: The motor's lines over all the rest, in dB, at which it is loud enough to have made the clicks.
TONAL_MOTOR_DB = -3.0
#: A train as plain as this (log odds) is the motor's where the motion made the sound louder by so
#: much, in dB, whether its rate is heard or not: a motor that skips all the time keeps none.
PLAIN_TRAIN, PLAIN_GROWTH_DB = 4.0, 1.5
#: Clicks of the room count from this part of the median score of those in the move.
ROOM_PART = 0.6
#: Probability of a skip given to a stall, and to what may be one.
STALL_P_SKIP, DOUBT_P_SKIP = 0.9, 0.5
#: Voids in which enough was heard for the probability to be believed, though not for a verdict.
HEARD_ENOUGH = (
    Reason.UNSURE,
    Reason.MOTOR_NOT_HEARD,
    Reason.WRONG_STEP_RATE,
    Reason.TOO_NOISY,
)
#: A motor heard this surely at the commanded rate is not at another one.
RIVAL_MOST_HEARD = 10.5
#: Below this mean square the microphone is dead (about -95 dB re full scale), unless the motor is
#: heard at its rate all the same.
SILENT_POWER = 3e-10
#: Below this one 16 bits may hold nothing for a while.
FAINT_POWER = 1e-8
#: From the lesser part of the samples on that are exactly what others nearby are, the sound is
#: rounded to so few values that clicks may be lost, from the greater on that they are: what is left
#: must sound as healthy as rough sound has to for `clean`, or healthier still.
COARSE_PART, ROUNDED_PART, CLEAN_ROUNDED = 0.35, 0.5, -5.5
ROUNDED = "the sound is so quiet that it rounds to nothing: raise the gain"


def believed(p_skip: float, reason: Reason) -> float:
    """The probability of a skip in a void: half way to not knowing where sound is missing or
    spoilt, and all the way where there is none."""
    if reason in (Reason.SILENT, Reason.UNREADABLE):
        return 0.5
    return p_skip if reason in HEARD_ENOUGH else 0.5 + 0.5 * (p_skip - 0.5)


def most_for_clean(coarse: float, settings: DetectorSettings) -> float:
    """Log-odds up to which sound may be clean, given the part of its samples that are the same."""
    if coarse > ROUNDED_PART:
        return CLEAN_ROUNDED
    return settings.clean_rough if coarse > COARSE_PART else math.inf


def skip_reason(train: TrainEvidence) -> Reason:
    """What a skip is called by: its clicks, or where there are none the sound of the whole move."""
    return Reason.CLICK_TRAIN if train.times_s else Reason.STALL_TONE


def skip_decided(train: TrainEvidence, settings: DetectorSettings) -> bool:
    """Whether the evidence is enough for a skip: a train that decided, or else the whole move."""
    return train.decided_s is not None or train.log_odds >= settings.decide_whole


def skips_plainly(train: TrainEvidence, settings: DetectorSettings) -> bool:
    """Whether the whole move says it so plainly that the motor need not be heard besides."""
    return train.whole is not None and train.whole >= settings.plain_skip


def may_skip(
    train: TrainEvidence, settings: DetectorSettings, *, elsewhere: bool, smooth: bool
) -> bool:
    """Whether what was heard of the motor itself allows a skip at all.

    A motor that runs at another rate than commanded sounds out of step all along, so that only a
    train of clicks makes it a skip; and what nothing stands out of is none.

    Args:
        train: The evidence.
        settings: The detector's numbers.
        elsewhere: The motor was heard at another rate.
        smooth: Its rate was not heard, and its sound is smooth.
    """
    if train.decided_s is not None:
        return True
    return not elsewhere and (not smooth or train.llr >= settings.suspect_skip)


class Judge:
    """Judges one move from sound, filament counts, or both.

    Args:
        motion: The move as commanded; its end may be given later by `motion_changed`.
        geometry: Of the motor and its drive.
        sample_rate_hz: Of the sound; None where there is no microphone.
        settings: The detector's numbers.
        counts_per_mm: Of the encoder; None where there is none.
        room_before: Clicks of the room heard earlier on this bench, with the motor at rest or
            running in step, and the seconds listened to for them: a room that was quiet for
            minutes makes two clicks mean more.
    """

    def __init__(
        self,
        motion: CommandedMotion,
        geometry: MotorGeometry,
        *,
        sample_rate_hz: int | None,
        settings: DetectorSettings | None = None,
        counts_per_mm: float | None = None,
        room_before: tuple[float, float] = (0.0, 0.0),
    ) -> None:
        self.motion = motion
        self._room_before = room_before
        self.geometry = geometry
        self.settings = settings if settings is not None else DetectorSettings()
        self._listener = (
            Listener(motion, geometry, sample_rate_hz=sample_rate_hz, settings=self.settings)
            if sample_rate_hz is not None
            else None
        )
        self._motor_heard = (
            MotorHeard(self._listener, geometry, self.settings)
            if self._listener is not None
            else None
        )
        self._watch = LengthWatch(geometry, counts_per_mm) if counts_per_mm is not None else None
        self._checked_s = -math.inf
        self._told = 0  # clicks that were handed over as they became known
        self._looks: list[list[float]] = []
        self._words: list[float] = []
        self._decided: Judgement | None = None
        self._last_figures: dict[str, float] | None = None  # once all was heard
        if self._listener is not None:
            self._listener.on_click = self._clicked

    @property
    def _motor(self) -> MotorHeard:
        assert self._motor_heard is not None
        return self._motor_heard

    @property
    def listener(self) -> Listener | None:
        """What was made of the sound, for tuning and pictures; None without a microphone."""
        return self._listener

    @property
    def decided(self) -> Judgement | None:
        """An early verdict, with which the move may be broken off."""
        return self._decided

    def motion_changed(self, motion: CommandedMotion) -> None:
        """The true start or end of the move became known."""
        self.motion = motion
        if self._listener is not None:
            self._listener.motion = motion

    def count(self, reading: FilamentCount) -> None:
        """Take the next reading of the encoder."""
        if self._watch is None or self._decided is not None:
            return
        self._watch.take(reading)
        if reading.time_s - self._checked_s < COUNT_CHECK_S:
            return
        self._checked_s = reading.time_s
        length = self._watch.conclude(self.motion, until_s=reading.time_s)
        if length.word is LengthWord.IN_STEPS and length.overwhelming:
            self._decided = join_witnesses(None, length, decided_s=reading.time_s)

    def hear(self, block: SoundBlock) -> None:
        """Take the next block of sound."""
        listener = self._listener
        if listener is None or self._decided is not None:
            return
        listener.hear(block)

    def _clicked(self, heard: HeardClick) -> None:
        """A click of the move became known: is it enough?"""
        self._told += 1
        if self._decided is not None:
            return
        train = self._train_now(heard)
        if train.decided_s is not None and self._is_audible(train):
            sound = self._skip(train)
            if self._watch is None:
                self._decided = sound
                return
            length = self._watch.conclude(self.motion, until_s=self._listener_time_s())
            joined = join_witnesses(sound, length, decided_s=sound.decided_s)
            if joined.verdict is Verdict.SKIP:
                self._decided = joined

    def _listener_time_s(self) -> float:
        return self._listener.heard_to_s if self._listener is not None else self.motion.start_s

    def _rates(self, *, so_far: bool) -> ClickRates:
        room_clicks, room_s = self.room(so_far=so_far)
        return click_rates(
            room_clicks=room_clicks + self._room_before[0],
            room_s=room_s + self._room_before[1],
            settings=self.settings,
        )

    def _know_clicks(self, count: int) -> list[HeardClick]:
        """The first clicks of the move, each looked at once."""
        assert self._listener is not None
        clicks = self._listener.move.clicks[:count]
        known = len(self._looks)
        if count > known:
            looks = click_looks(clicks, step_s=self._cycle_s / STEPS_IN_CYCLE, first=known)
            self._looks += looks
            self._words += click_words(looks, self.settings)
        return clicks

    def _train_now(self, until: HeardClick) -> TrainEvidence:
        """Evidence of the clicks up to ``until``, as it stands with that one."""
        assert self._listener is not None
        count = self._told
        clicks = self._know_clicks(count)
        if until.time_s > self._listener.steady_to_s:
            return weigh_steps([], [], self.settings)
        begin = max(0, count - MOST_CLICKS)
        steps = train_steps(
            clicks[begin:],
            rates=self._rates(so_far=True),
            cycle_s=self._cycle_s,
            turn_s=self._turn_s,
            looks=self._looks[begin:count],
            said=self._words[begin:count],
            last_only=True,
        )
        return weigh_steps(steps, train_words(steps), self.settings)

    def _steps(self) -> list[TrainStep]:
        """The train after each click of the steady part."""
        listener = self._listener
        assert listener is not None
        clicks = self._know_clicks(len(listener.move.clicks))
        inside = sum(c.time_s <= listener.steady_to_s for c in clicks)
        return train_steps(
            clicks[:inside],
            rates=self._rates(so_far=False),
            cycle_s=self._cycle_s,
            turn_s=self._turn_s,
            looks=self._looks[:inside],
            said=self._words[:inside],
        )

    def _weigh(self) -> TrainEvidence:
        """Evidence of all the clicks, and of the whole move where no train of them decided."""
        assert self._listener is not None
        steps = self._steps()
        said = train_words(steps)
        train = weigh_steps(steps, said, self.settings)
        decided = train.decided_s is not None and self._is_audible(train)
        if decided or not self._listener.move.hops:
            return train
        features = whole_features(
            steps,
            said,
            begin_s=self.motion.start_s,
            end_s=min(self.motion.end_s, self._listener.heard_to_s),
            cycle_s=self._cycle_s,
            turn_s=self._turn_s,
            room=self.room(),
            details=self._figures(train),
        )
        whole = whole_log_odds(whole_word(features, self.settings), steps, self.settings)
        return replace(train, whole=whole)

    @property
    def _cycle_s(self) -> float:
        return 1.0 / self.geometry.electrical_rate_hz(self.motion.speed_mm_s)

    @property
    def _turn_s(self) -> float:
        return self.geometry.turn_s(self.motion.speed_mm_s)

    def room(self, *, so_far: bool = False) -> tuple[int, float]:
        """Clicks while the motor rested that would stand out over it, and how long it rested.

        Args:
            so_far: Leave out the rest after the move.
        """
        listener = self._listener
        if listener is None or listener.move.finder is None:
            return 0, 0.0
        rests = [listener.before] if so_far else [listener.before, listener.after]
        rests = [rest for rest in rests if rest.finder is not None]
        finder = listener.move.finder
        scores = sorted(c.click.score_db for c in listener.move.clicks)
        # Much weaker ones are of another kind and say nothing of the clicks in the move.
        middle = scores[len(scores) // 2] if scores else 0.0
        least = max(self.settings.click_score_db, ROOM_PART * middle)
        clicks = sum(finder.score_here(c.click) >= least for rest in rests for c in rest.clicks)
        return clicks, sum(rest.hops for rest in rests) / listener.grid.frame_rate_hz

    def clicks_are_the_motors(self) -> bool:
        """Whether the clicks heard in the move can be the motor's own."""
        if self._listener is None:
            return False
        steps = self._steps()
        return self._is_audible(weigh_steps(steps, train_words(steps), self.settings))

    def _is_audible(self, train: TrainEvidence) -> bool:
        """Whether the clicks can be the motor's: it is heard, in step or out of it."""
        assert self._listener is not None
        settings, growth_db = self.settings, self._listener.growth_db
        if skips_plainly(train, settings) or growth_db >= settings.growth_db:
            return True
        if train.llr >= PLAIN_TRAIN and growth_db >= PLAIN_GROWTH_DB:
            return True
        # A motor that is heard but not louder than the room: the clicks are its own only where
        # they break its tone.
        touched = train.kept is not None and train.kept < 0.4
        looks = self._listener.tone.looks
        tonal = max((k.motor_to_rest_db for k in looks), default=-60.0) >= TONAL_MOTOR_DB
        louder = growth_db >= 0.5 * settings.growth_db
        return self._motor.at_rate() and (louder or tonal or touched)

    def _skip(self, train: TrainEvidence) -> Judgement:
        if train.decided_s is not None:
            words = "a train of clicks was heard while the motor ran"
        elif train.times_s:
            words = "clicks were heard, and the whole move sounds like that of a skipping motor"
        else:
            words = "no click stood out, but the sound wanders like that of a motor out of step"
        return self._judgement(Verdict.SKIP, skip_reason(train), train, words)

    def _judgement(
        self, verdict: Verdict, reason: Reason, train: TrainEvidence, explanation: str
    ) -> Judgement:
        listener = self._listener
        assert listener is not None
        settings = self.settings
        p_skip = calibrated(train.log_odds, settings)
        if verdict is Verdict.VOID:
            p_skip = believed(p_skip, reason)
        counted = verdict is Verdict.SKIP or train.log_odds >= settings.suspect_skip
        times = train.times_s if counted else ()
        details = self._figures(train)
        if train.whole is not None:
            details["whole"] = train.whole
        return Judgement(
            verdict=verdict,
            reason=reason,
            p_skip=p_skip,
            decided_s=listener.told_to_s if verdict is Verdict.SKIP else listener.heard_to_s,
            first_skip_s=times[0] if verdict is Verdict.SKIP and times else None,
            click_times_s=times,
            heard=self._motor.part(),
            explanation=explanation,
            details=details,
        )

    def _figures(self, train: TrainEvidence) -> dict[str, float]:
        """What was heard, in figures, and what of it is in the clicks."""
        heard = self._last_figures if self._last_figures is not None else self._sound_figures()
        return {"llr": train.llr, "kept": train.kept if train.kept is not None else 1.0, **heard}

    def _sound_figures(self) -> dict[str, float]:
        listener = self._listener
        assert listener is not None
        score = listener.tone.overall()
        lines = listener.tone.lines()
        looks = [k for k in listener.tone.looks if k.time_s <= listener.steady_to_s]
        rival = listener.tone.rival()
        pulses = listener.pulses.score()
        growth = listener.band_growth_db
        third = listener.grid.bands // 3
        finder = listener.move.finder
        return {
            "heard_z": score.z if score else 0.0,
            "comb_lines": float(score.lines) if score else 0.0,
            "comb_db": score.mean_db if score else 0.0,
            "rate_ratio": score.ratio if score else 0.0,
            "heard_score": self._motor.score(),
            "rate_heard": float(self._motor.at_rate()),
            "stall_doubt": float(bool(self._motor.may_have_stalled())),
            "roughness_db": self._motor.roughness_db(),
            "smooth_unheard": float(self._is_smooth_and_unheard()),
            "lines_z": lines.z if lines else 0.0,
            "lines_share": lines.share if lines else 0.0,
            "lines_best": lines.best_share if lines else 0.0,
            "lines_best_ratio": lines.best_ratio if lines else 0.0,
            "lines_db": lines.strongest_db if lines else 0.0,
            "move_power": listener.move.mean_power,
            "rest_power": listener.before.mean_power,
            "motor_to_rest_db": max((k.motor_to_rest_db for k in looks), default=-60.0),
            "growth_db": listener.growth_db,
            "growth_low_db": float(growth[:third].mean()) if growth is not None else 0.0,
            "growth_high_db": float(growth[-third:].mean()) if growth is not None else 0.0,
            "passing_db": listener.passing_db,
            "sub_harmonic_db": listener.tone.sub_harmonic_db(),
            "beat_cycle_z": pulses.cycle_z if pulses is not None else 0.0,
            "beat_step_z": pulses.step_z if pulses is not None else 0.0,
            "greatest_db": finder.greatest_db if finder is not None else 0.0,
            "events": float(len(listener.move.clicks)),
            "rival_ratio": rival[0],
            "rival_db": rival[1],
            "rival_own_db": rival[2],
            "room_events": float(len(listener.before.clicks)),
            **listener.unrest.figures(growth),
        }

    def finish(self) -> Judgement:
        """The verdict, after the move ended and the rest after it was heard."""
        if self._decided is not None:
            return self._decided
        sound: Judgement | None = None
        if self._listener is not None:
            self._listener.finish()
            # The last clicks may have decided it.
            if self._decided is not None:
                return self._decided
            self._last_figures = self._sound_figures()
            sound = self._conclude(self._weigh())
        length = self._watch.conclude(self.motion) if self._watch is not None else None
        decided_s = sound.decided_s if sound is not None else self._checked_s
        self._decided = join_witnesses(sound, length, decided_s=max(decided_s, self.motion.start_s))
        return self._decided

    def _conclude(self, train: TrainEvidence) -> Judgement:
        listener = self._listener
        assert listener is not None
        settings = self.settings
        move = listener.move
        void = self._void

        if move.hops == 0 or listener.heard_to_s < listener.steady_from_s:
            return void(Reason.STREAM_LOST, train, "the sound ends before the steady motion")
        dead = move.mean_power < SILENT_POWER and not self._motor.at_rate()
        if dead or move.dead_hops >= 0.98 * move.hops:
            return void(Reason.SILENT, train, "the microphone delivers silence")
        rival, elsewhere = self._rival_rate(), self._other_rate()
        possible = may_skip(
            train,
            settings,
            elsewhere=bool(rival or elsewhere),
            smooth=self._is_smooth_and_unheard(),
        )
        if skip_decided(train, settings) and possible and self._is_audible(train):
            return self._skip(train)
        end_s = listener.steady_to_s
        if math.isfinite(end_s) and listener.heard_to_s < end_s - 0.2:
            return void(Reason.STREAM_LOST, train, "the sound ends before the motion does")
        inside = [
            (a, b) for a, b in listener.lost_s if b > self.motion.start_s and a < self.motion.end_s
        ]
        coarse = move.same / (move.hops * (listener.grid.hop - SAME_APART))
        if inside or move.lost_hops > settings.lost_part * move.hops:
            if coarse > COARSE_PART and move.mean_power < FAINT_POWER:
                return void(Reason.SILENT, train, ROUNDED)
            return void(Reason.STREAM_LOST, train, "parts of the move are missing in the sound")
        railed = move.railed / (move.hops * listener.grid.hop)
        if railed > settings.railed_part:
            return void(Reason.CLIPPED, train, "the input is overdriven: lower the gain")
        if train.log_odds > most_for_clean(coarse, settings):
            return void(Reason.SILENT, train, ROUNDED)
        if move.hops < settings.least_steady_s * listener.grid.frame_rate_hz:
            return void(Reason.TOO_SHORT, train, "too little steady motion to judge")
        if rival:
            return void(Reason.WRONG_STEP_RATE, train, rival)
        if self._motor.has_stalled():
            told = self._judgement(
                Verdict.SKIP,
                Reason.STALL_TONE,
                train,
                "the motor roared with the motion, but kept no step rate at all",
            )
            return replace(told, p_skip=max(told.p_skip, STALL_P_SKIP))
        if elsewhere:
            return void(Reason.WRONG_STEP_RATE, train, elsewhere)
        motor = self._motor
        heard, doubt = motor.at_rate(), motor.may_have_stalled()
        if doubt and not (heard and train.log_odds <= settings.clean_rough):
            told = void(Reason.UNSURE, train, doubt)
            return replace(told, p_skip=max(told.p_skip, DOUBT_P_SKIP))
        if not heard and not (motor.comes_and_goes() and train.log_odds <= settings.clean_unheard):
            return void(
                Reason.MOTOR_NOT_HEARD, train, "the commanded step rate is not in the sound"
            )
        looks = [k for k in listener.tone.looks if k.time_s <= listener.steady_to_s]
        if motor.part() < settings.heard_part:
            return void(Reason.MOTOR_NOT_HEARD, train, "the motor was not heard throughout")
        hidden = listener.growth_db < settings.growth_db
        loudest_db = max((k.motor_to_rest_db for k in looks), default=-60.0)
        if hidden and loudest_db < settings.motor_to_rest_db:
            return void(Reason.TOO_NOISY, train, "the background hides the motor")
        if train.log_odds >= settings.suspect_skip:
            return void(Reason.UNSURE, train, self._why_unsure())
        rate = (
            "heard at the commanded rate throughout"
            if heard
            else "came and went with the move, smoothly, though its rate is not in the sound"
        )
        return self._judgement(
            Verdict.CLEAN, Reason.HEARD_THROUGHOUT, train, f"{rate}, without a train of clicks"
        )

    def _rival_rate(self) -> str:
        """At what other rate lines were heard that no commanded order has, in words; or nothing."""
        assert self._listener is not None
        ratio, excess_db, own_db = self._listener.tone.rival()
        if self._surely_heard or excess_db < max(self.settings.rival_db, own_db):
            return ""
        return f"the motor was heard at {ratio:.2f} times the commanded rate, or a multiple of it"

    def _other_rate(self) -> str:
        """What other rate explains far more of the peaks than the commanded one, or nothing."""
        assert self._listener is not None
        lines = self._listener.tone.lines()
        if self._surely_heard or lines is None:
            return ""
        if lines.best_share <= 2 * lines.share + self.settings.wrong_rate_z:
            return ""
        return f"the motor was heard at {lines.best_ratio:.3f} times the commanded rate"

    def _is_smooth_and_unheard(self) -> bool:
        return self._motor.is_smooth() and not self._motor.at_rate()

    @property
    def _surely_heard(self) -> bool:
        return self._motor.score() >= RIVAL_MOST_HEARD

    def _why_unsure(self) -> str:
        """What speaks neither for a skip nor against it."""
        assert self._listener is not None
        clicks = len(self._listener.move.clicks)
        if not clicks:
            return "no click was heard, but the move does not sound like that of a healthy motor"
        if clicks < FEW_CLICKS:
            return "clicks were heard, too few to be sure"
        return "clicks were heard, and they may be the motor's or the room's"

    def _void(self, reason: Reason, train: TrainEvidence, explanation: str) -> Judgement:
        return self._judgement(Verdict.VOID, reason, train, explanation)
