"""One move at one current and temperature, judged."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from detectors.evidence import CommandedMotion, Judgement, Reason, Verdict
from rig.audio import Recorder
from rig.errors import CommandRefusedError
from rig.hearing import Hearing
from rig.ledger import now_text
from rig.printer_types import TemperatureReading
from rig.records import TrialOrder, TrialRecord
from rig.release import RELEASE_REST_S, LastMove

if TYPE_CHECKING:
    from detectors.decision import Judge
    from rig.bench import Bench
    from rig.printer import Move
    from rig.station import Station

__all__ = [
    "TrialOrder", "TrialRecord", "make_order", "prime", "run_trial", "settle_s", "trial_length_mm",
]  # fmt: skip

#: Sound heard before the motion and after it, in s.
PRE_ROLL_S = 0.6
TAIL_S = 0.5
#: A broken-off move has been judged already; this much more is recorded.
SHORT_TAIL_S = 0.1
#: A sound that is later than reckoned by less than this, in s, is judged as it is.
_LATE_S = 0.08
#: Greatest delay of the sound that is looked for on the first trial, in s.
MOST_LAG_S = 1.5
#: How long one look at the port may wait, in s.
_LOOK_S = 0.02
#: The hot end has to be this near its target, in K, this long, in s, before a trial ...
READY_BAND_C = 1.5
READY_DWELL_S = 2.0
#: ... and may be this far off during it: fast flow draws heat.
TRIAL_BAND_C = 6.0
#: Steady seconds that a judgement needs: enough for a train of clicks.
LEAST_STEADY_S = 2.5
#: A skipping motor falls back a few electrical cycles at a time; a train is several falls.
_CYCLES_OF_A_TRAIN = 30.0

#: Code of an anomaly -> reason of the void it makes.
_DOUBTS = {
    "move-time": Reason.MOVE_TIME,
    "starved": Reason.MOVE_TIME,
    "refused": Reason.REFUSED,
    "settings-changed": Reason.SETTINGS_CHANGED,
    "stepped-down": Reason.SETTINGS_CHANGED,
    "position": Reason.FIRMWARE_RESET,
    "temperature": Reason.TEMPERATURE,
}


def settle_s(*, speed_mm_s: float, filament_per_cycle_mm: float) -> float:
    """Seconds until the pressure in the melt has built up, in s.

    The wound-up filament has to be pushed in first, a few cycles' worth of it, and the melt to
    follow; measured on pushed filament this is some tenths of a second.
    """
    return 0.4 + min(1.0, 4.0 * filament_per_cycle_mm / speed_mm_s)


def trial_length_mm(
    bench: Bench, *, speed_mm_s: float, acceleration_mm_s2: float | None, shortest: bool = False
) -> float:
    """Filament length of a trial at a speed, in mm.

    As the plan says, but long enough for a train of clicks to be told from a knock; no longer than
    that where the shortest trial is wanted.
    """
    cycle_mm = bench.geometry().filament_per_cycle_mm
    least_s = max(LEAST_STEADY_S, _CYCLES_OF_A_TRAIN * cycle_mm / speed_mm_s)
    steady_s = least_s if shortest else max(bench.plan.steady_s or 0.0, least_s)
    ramp_s = speed_mm_s / acceleration_mm_s2 if acceleration_mm_s2 else 0.1
    unsteady_s = ramp_s + settle_s(speed_mm_s=speed_mm_s, filament_per_cycle_mm=cycle_mm)
    least_mm = speed_mm_s * (steady_s + unsteady_s)
    if shortest:
        return least_mm
    return max(bench.plan.trial_length_mm or 0.0, least_mm)


def make_order(
    bench: Bench,
    *,
    temperature_c: float,
    current_a: float,
    speed_mm_s: float,
    acceleration_mm_s2: float | None,
    number: int,
    shortest: bool = False,
) -> TrialOrder:
    """A trial of the plan's length (or the shortest that can be judged) at a speed, without fresh
    filament before it."""
    return TrialOrder(
        temperature_c=temperature_c,
        current_a=current_a,
        speed_mm_s=speed_mm_s,
        length_mm=trial_length_mm(
            bench,
            speed_mm_s=speed_mm_s,
            acceleration_mm_s2=acceleration_mm_s2,
            shortest=shortest,
        ),
        settle_s=settle_s(
            speed_mm_s=speed_mm_s,
            filament_per_cycle_mm=bench.geometry().filament_per_cycle_mm,
        ),
        number=number,
    )


def prime(station: Station, *, length_mm: float, speed_mm_s: float) -> tuple[float, str | None]:
    """Feed fresh filament slowly; not judged.

    Returns:
        Length sent, in mm, and what the firmware refused, or None.
    """
    if length_mm <= 0:
        return 0.0, None
    move = station.printer.start_move(length_mm=length_mm, speed_mm_s=speed_mm_s)
    while not move.done:
        move.poll(0.05)
        station.look()
    return move.sent_mm, move.refused


def rest(station: Station, seconds: float) -> None:
    """Wait with an eye on the heater."""
    clock = station.clock
    end_s = clock.now() + seconds
    while clock.now() < end_s:
        station.printer.temperature()
        station.look()
        clock.sleep(min(0.5, max(0.0, end_s - clock.now())))


def run_trial(
    station: Station, order: TrialOrder, *, audio_folder: str | Path | None = None
) -> TrialRecord:
    """Make one move and judge it.

    The hot end has to be at its target already; the trial waits until it is steady. A move that
    skips is broken off as soon as the judge is sure. Whatever makes the rig doubt its own doing
    turns the verdict into `void`.

    Where the move before had more current, that current stays until fresh filament is fed and the
    pressure has had time to go: the filament may hold more than the motor can at less.

    Args:
        station: The bench, its printer prepared.
        order: What to do.
        audio_folder: Where the sound goes; None keeps none.

    Raises:
        StallcurveError: Any that ends the trial without a verdict: link, interlock, limit. Nothing
            of it is to be kept but the filament.
    """
    started, begun_s = now_text(), station.clock.now()
    printer, bench = station.printer, station.bench
    before = station.last_move
    high_a = order.current_a if before is None else max(order.current_a, before.current_a)
    primed_mm, rested_s = 0.0, 0.0
    try:
        printer.set_current(high_a)
        primed_mm, refused = prime(
            station, length_mm=order.prime_mm, speed_mm_s=order.prime_speed_mm_s
        )
        if refused is not None:
            why = f"the firmware refused fresh filament: {refused}"
            return _not_done(station, order, Reason.REFUSED, why, started, begun_s, primed_mm)
        if high_a > order.current_a:
            rested_s = RELEASE_REST_S
            rest(station, rested_s)
            printer.set_current(order.current_a)
    except CommandRefusedError as error:
        why = str(error)
        return _not_done(station, order, Reason.SETTINGS_CHANGED, why, started, begun_s, primed_mm)
    printer.wait_until_steady(
        band_c=READY_BAND_C, dwell_s=READY_DWELL_S, tick=lambda _: station.look()
    )
    if printer.barrier_waits is None:
        printer.calibrate_barrier()
    with _recording(station, order, audio_folder) as recorder:
        lag_s = station.sound_lag_s
        hearing = Hearing(station, recorder, lag_s=lag_s or 0.0)
        _hush(station)
        hearing.hear_until(station.clock.now() + PRE_ROLL_S)
        _warm_up(station, order, hearing)
        readings: list[TemperatureReading] = []
        station.last_move = LastMove(order.current_a, order.speed_mm_s, clean=False)
        move = printer.start_move(length_mm=order.length_mm, speed_mm_s=order.speed_mm_s)
        judge = _attend(station, order, move, hearing, readings)
        ended_s = move.ended_s if move.ended_s is not None else station.clock.now()
        started_s = move.started_s if move.started_s is not None else ended_s
        tail_s = SHORT_TAIL_S if judge.decided else TAIL_S
        hearing.hear_until(ended_s + tail_s + (MOST_LAG_S if lag_s is None else 0.0))
        hearing.count()
        result = move.result()
        judgement = judge.finish()
        step_rate_hz = bench.geometry().step_rate_hz(order.speed_mm_s)
        late_s = hearing.late_by(started_s, step_rate_hz)
        if late_s is not None and abs(late_s) > _LATE_S + 1.5 / step_rate_hz:
            # The sound is late by something else than was reckoned with: what was judged were the
            # wrong seconds. The same trial is judged again, and the next ones start from here.
            hearing.lag_s += late_s
            judge = _judge(station, replace(judge.motion, end_s=ended_s))
            judgement = hearing.judge_again(judge, late_s)
        if late_s is not None:
            station.sound_lag_s = hearing.lag_s
        station.room.remember(judge, judgement)
        audio = ""
        if recorder is not None and recorder.start_s is not None:
            audio = f"{recorder.path.parent.name}/{recorder.finish().name}"
    origin_s = begun_s
    if recorder is not None and recorder.start_s is not None:
        origin_s = recorder.start_s - hearing.lag_s
    least_c, most_c = _extremes(readings)
    anomalies = list(result.anomalies)
    if result.refused and not any(a.startswith("refused") for a in anomalies):
        anomalies.append(f"refused: {result.refused}")
    if least_c is not None and most_c is not None:
        off_c = max(order.temperature_c - least_c, most_c - order.temperature_c)
        if off_c > TRIAL_BAND_C:
            anomalies.append(
                f"temperature: {least_c:.1f} to {most_c:.1f} C during the trial, wanted "
                f"{order.temperature_c:g} +- {TRIAL_BAND_C:g} C"
            )
    verdict, reason, explanation = merge(judgement, anomalies, lost=hearing.lost)
    station.last_move = replace(station.last_move, clean=verdict is Verdict.CLEAN)
    return TrialRecord(
        order=order,
        verdict=verdict,
        reason=reason,
        p_skip=judgement.p_skip,
        explanation=explanation,
        started=started,
        applied_a=bench.chain().applied_rms_a(order.current_a),
        read_back_a=printer.current_a,
        least_c=least_c,
        most_c=most_c,
        measured_s=result.measured_s,
        expected_s=result.expected_s,
        filament_mm=primed_mm + result.commanded_mm,
        broken_off=result.aborted,
        anomalies=tuple(anomalies),
        motion_s=(started_s - origin_s, ended_s - origin_s),
        first_skip_s=_since(judgement.first_skip_s, origin_s),
        decided_s=_since(judgement.decided_s, origin_s),
        click_times_s=tuple(t - origin_s for t in judgement.click_times_s),
        heard=judgement.heard,
        lost_mm=judgement.lost_mm,
        prime_current_a=high_a if primed_mm > 0 else None,
        rested_s=rested_s,
        details=dict(judgement.details),
        audio=audio,
        step_rate_hz=bench.geometry().step_rate_hz(order.speed_mm_s),
        wall_s=station.clock.now() - begun_s,
    )


def merge(
    judgement: Judgement, anomalies: list[str], *, lost: str | None = None
) -> tuple[Verdict, Reason, str]:
    """The verdict with the rig's own doubts: a doubt never leaves a `clean` or a `skip` standing.

    Returns:
        Verdict, reason and explanation.
    """
    for anomaly in anomalies:
        code = anomaly.partition(":")[0]
        reason = _DOUBTS.get(code, Reason.MOVE_TIME)
        # What the detector found void stays void for its own reason; the rig's comes first only
        # where it would otherwise have counted.
        return Verdict.VOID, reason, anomaly
    if lost is not None and judgement.verdict is not Verdict.SKIP:
        return Verdict.VOID, Reason.STREAM_LOST, lost
    return judgement.verdict, judgement.reason, judgement.explanation


def _attend(
    station: Station,
    order: TrialOrder,
    move: Move,
    hearing: Hearing,
    readings: list[TemperatureReading],
) -> Judge:
    """Keep the move fed and the judge listening until the motion is over."""
    bench, printer = station.bench, station.printer
    motion = CommandedMotion(
        speed_mm_s=order.speed_mm_s,
        start_s=station.clock.now(),
        ramp_s=move.ramp_s,
        settle_s=order.settle_s,
        current_a=bench.chain().applied_rms_a(order.current_a),
    )
    judge: Judge | None = None
    while not move.done:
        move.poll(_LOOK_S)
        if judge is None and move.started_s is not None:
            motion = replace(motion, start_s=move.started_s, end_s=move.started_s + move.expected_s)
            judge = _judge(station, motion)
            hearing.begin(judge)
        hearing.listen()
        hearing.count()
        if printer.last_temperature is not None and (
            not readings or printer.last_temperature.time_s > readings[-1].time_s
        ):
            readings.append(printer.last_temperature)
        station.look()
        done_early = judge is not None and judge.decided is not None
        if (done_early or move.refused or hearing.lost is not None) and not move.aborted:
            move.abort()
    if judge is None:  # nothing moved at all
        judge = _judge(station, motion)
        hearing.begin(judge)
    if move.started_s is not None and move.ended_s is not None:
        judge.motion_changed(replace(motion, start_s=move.started_s, end_s=move.ended_s))
    return judge


def _judge(station: Station, motion: CommandedMotion) -> Judge:
    """A judge for one move with the witnesses that the bench has."""
    from detectors.decision import Judge

    bench = station.bench
    return Judge(
        motion,
        bench.geometry(),
        sample_rate_hz=station.sound.sample_rate_hz if station.sound else None,
        settings=station.detector,
        counts_per_mm=bench.encoder.counts_per_mm
        if bench.encoder is not None and station.counts is not None
        else None,
        room_before=(station.room.clicks, station.room.heard_s),
    )


def _warm_up(station: Station, order: TrialOrder, hearing: Hearing) -> None:
    """Let a judge work once before the first move: loading it then would starve the planner."""
    if station.warmed:
        return
    station.warmed = True
    blocks = list(hearing.early)
    start_s = blocks[len(blocks) // 2].start_s if blocks else station.clock.now()
    judge = _judge(station, CommandedMotion(order.speed_mm_s, start_s, hearing.heard_to_s))
    for block in blocks:
        judge.hear(block)
    judge.finish()


def _hush(station: Station) -> None:
    """Begin to listen now: what was captured before is dropped."""
    station.start_sound()
    if station.sound is not None:
        station.sound.discard()
    if station.counts is not None:
        station.counts.discard()


@contextmanager
def _recording(
    station: Station, order: TrialOrder, folder: str | Path | None
) -> Iterator[Recorder | None]:
    if folder is None or station.sound is None:
        yield None
        return
    path = Path(folder) / f"trial-{order.number:04d}.wav"
    with Recorder(path, sample_rate_hz=station.sound.sample_rate_hz) as recorder:
        yield recorder


def _not_done(
    station: Station,
    order: TrialOrder,
    reason: Reason,
    explanation: str,
    started: str,
    begun_s: float,
    filament_mm: float = 0.0,
) -> TrialRecord:
    """A trial that never came to its move."""
    return TrialRecord(
        order=order,
        verdict=Verdict.VOID,
        reason=reason,
        p_skip=0.5,
        explanation=explanation,
        started=started,
        applied_a=station.bench.chain().applied_rms_a(order.current_a),
        read_back_a=station.printer.current_a,
        filament_mm=filament_mm,
        anomalies=(explanation,),
        step_rate_hz=station.bench.geometry().step_rate_hz(order.speed_mm_s),
        wall_s=station.clock.now() - begun_s,
    )


def _extremes(readings: list[TemperatureReading]) -> tuple[float | None, float | None]:
    values = [reading.actual_c for reading in readings]
    return (min(values), max(values)) if values else (None, None)


def _since(time_s: float | None, origin_s: float) -> float | None:
    return None if time_s is None or not math.isfinite(time_s) else time_s - origin_s
