"""Learning a bench: can skips be told here, what hurts, and what to do about it.

The room at rest, the motor at speeds known to be good, and a skip provoked on purpose are listened
to by the very judge that will judge the trials. The one figure that sums it up is the separation:
by how much the provoked clicks stand out beyond anything that the healthy motor and the room do.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from detectors.decision import Judge
from detectors.errors import DetectorFileError
from detectors.evidence import (
    CommandedMotion,
    Judgement,
    MotorGeometry,
    Reason,
    SoundBlock,
    Verdict,
)
from detectors.room import RoomMemory
from detectors.settings import DetectorSettings, detector_text, read_detector_table

#: Least separation at which a bench is blessed, in dB.
LEAST_SEPARATION_DB = 3.0
#: Least growth of the sound with the motion that is comfortable, in dB.
FAIR_GROWTH_DB = 6.0
#: Below this the gain is too low, in dB re full scale; the same for the rest.
LOW_LEVEL_DB, ROOM_LEVEL_DB = -75.0, -90.0
#: Part of samples at the rail beyond which the gain is too high.
RAILED_PART = 1e-4


@dataclass(frozen=True, slots=True)
class Recording:
    """Sound of one move (or of the room), with the rest before and after it.

    Attributes:
        blocks: In order.
        sample_rate_hz: Samples per second.
        motion: As commanded; for the room alone, a motion that begins after the end.
    """

    blocks: Sequence[SoundBlock]
    sample_rate_hz: int
    motion: CommandedMotion


@dataclass(frozen=True, slots=True)
class Heard:
    """What the judge made of one recording.

    Attributes:
        judgement: Its verdict.
        level_db: Mean level of the move, dB re full scale.
        rest_db: Mean level of the rest before it.
        growth_db: By how much the move is louder, in the third best band.
        railed_part: Part of the samples in flat tops.
        scores_db: Scores of the clicks within the move.
        room_scores_db: Scores of the clicks outside it that would stand out over the motor.
    """

    judgement: Judgement
    level_db: float
    rest_db: float
    growth_db: float
    railed_part: float
    scores_db: tuple[float, ...]
    room_scores_db: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Baseline:
    """What was learnt of a bench.

    Attributes:
        blessed: Whether trials may be judged here.
        separation_db: Median score of the provoked clicks over the greatest of the healthy motor's
            and the room's, in dB; nan where no skip was heard.
        motor_db: Level of the running motor, dB re full scale.
        room_db: Level of the room.
        growth_db: Least growth with the motion over the good runs.
        advice: What hurts and what to do, one sentence each, most important first.
        settings: For the detector file.
    """

    blessed: bool
    separation_db: float
    motor_db: float
    room_db: float
    growth_db: float
    advice: tuple[str, ...]
    settings: DetectorSettings


def _decibel(power: float) -> float:
    return 10.0 * math.log10(power + 1e-15)


def hear_recording(
    recording: Recording,
    geometry: MotorGeometry,
    settings: DetectorSettings,
    *,
    room: RoomMemory | None = None,
) -> Heard:
    """Judge a recording and keep the figures that advice rests on.

    Args:
        recording: What to judge.
        geometry: Of the bench.
        settings: The detector's numbers.
        room: What the room did before; learns what it did during this recording.
    """
    room = room if room is not None else RoomMemory()
    judge = Judge(
        recording.motion,
        geometry,
        sample_rate_hz=recording.sample_rate_hz,
        settings=settings,
        room_before=(room.clicks, room.heard_s),
    )
    for block in recording.blocks:
        judge.hear(block)
    judgement = judge.finish()
    room.remember(judge, judgement)
    listener = judge.listener
    assert listener is not None
    move, finder = listener.move, listener.move.finder
    rest = [*listener.before.clicks, *listener.after.clicks]
    return Heard(
        judgement=judgement,
        level_db=_decibel(move.mean_power),
        rest_db=_decibel(listener.before.mean_power),
        growth_db=listener.growth_db,
        railed_part=move.railed / max(1, move.hops * listener.grid.hop),
        scores_db=tuple(
            score for c in move.clicks if (score := c.click.score_db) >= settings.click_score_db
        ),
        room_scores_db=tuple(
            finder.score_here(c.click) if finder is not None else c.click.score_db for c in rest
        ),
    )


def learn_bench(
    good: Iterable[Recording],
    provoked: Iterable[Recording],
    geometry: MotorGeometry,
    *,
    settings: DetectorSettings | None = None,
) -> Baseline:
    """Learn a bench from runs that are known to be good and from skips provoked on purpose.

    Args:
        good: Moves at speeds and currents at which the motor does not skip.
        provoked: Moves at a current so low that it must; none where the good runs were not heard
            as such, and then the bench is not blessed.
        geometry: Of the bench.
        settings: The detector's numbers.
    """
    settings = settings if settings is not None else DetectorSettings()
    room = RoomMemory()
    well = [hear_recording(recording, geometry, settings, room=room) for recording in good]
    ill = [hear_recording(recording, geometry, settings, room=room) for recording in provoked]
    if not well:
        raise ValueError("a bench is learnt from at least one good run")
    trains = sorted(
        score
        for heard in ill
        if heard.judgement.verdict is Verdict.SKIP
        for score in heard.scores_db
    )
    others = [score for heard in well for score in (*heard.scores_db, *heard.room_scores_db)]
    floor = max([settings.click_score_db, *others])
    separation = trains[len(trains) // 2] - floor if trains else math.nan
    blessed = (
        bool(ill)
        and all(heard.judgement.verdict is Verdict.CLEAN for heard in well)
        and all(heard.judgement.verdict is Verdict.SKIP for heard in ill)
        and separation >= LEAST_SEPARATION_DB
    )
    return Baseline(
        blessed=blessed,
        separation_db=separation,
        motor_db=min(heard.level_db for heard in well),
        room_db=max(heard.rest_db for heard in well),
        growth_db=min(heard.growth_db for heard in well),
        advice=tuple(_advice(well, ill, separation, blessed=blessed)),
        settings=settings,
    )


def _advice(
    well: Sequence[Heard], ill: Sequence[Heard], separation_db: float, *, blessed: bool
) -> list[str]:
    every = [*well, *ill]
    said: list[str] = []
    if any(heard.judgement.reason is Reason.SILENT for heard in every):
        said.append("The microphone delivers silence: check its switch, its mute and the device.")
        return said
    if any(heard.railed_part > RAILED_PART for heard in every):
        said.append("The input is overdriven: lower the gain until nothing clips in a skip.")
    loudest = max(heard.level_db for heard in every)
    if loudest < LOW_LEVEL_DB:
        said.append(
            f"The level is very low ({loudest:.0f} dB of full scale): raise the gain or move the "
            "microphone to the extruder."
        )
    growth = min(heard.growth_db for heard in well)
    if growth < FAIR_GROWTH_DB:
        said.append(
            f"The motor is only {growth:.0f} dB above the room: move the microphone nearer to the "
            "motor, or slow the fan for the trials."
        )
    for heard in well:
        reason = heard.judgement.reason
        if reason is Reason.MOTOR_NOT_HEARD:
            said.append(
                "The step rate is not heard at a speed known to be good: fix the microphone to the "
                "extruder's frame, or choose a faster start speed."
            )
            in_step = any(other.judgement.verdict is Verdict.CLEAN for other in well)
            if heard.growth_db >= FAIR_GROWTH_DB and not in_step:
                said.append(
                    "Something is heard to move, though: check that motor.steps_per_turn, "
                    "drive.gear_ratio and drive.filament_per_turn_mm are those of this bench."
                )
        elif reason is Reason.WRONG_STEP_RATE and heard.growth_db >= FAIR_GROWTH_DB:
            said.append(
                "The motor is heard at another rate than commanded: check motor.steps_per_turn, "
                "drive.gear_ratio and drive.filament_per_turn_mm in the bench file."
            )
        elif heard.judgement.verdict is Verdict.SKIP:
            said.append(
                "A run that ought to be good skipped: raise its current or lower its speed, and "
                "listen again."
            )
        elif reason is Reason.UNSURE:
            said.append("The room clicks as a motor would: remove what does (relays, typing).")
    for heard in ill:
        if heard.judgement.verdict is Verdict.CLEAN:
            said.append(
                "The provoked skip was not heard, or the motor did not skip: lower the current "
                "further; if it skips audibly, move the microphone nearer."
            )
        elif heard.judgement.verdict is Verdict.VOID:
            said.append(f"The provoked skip could not be judged: {heard.judgement.explanation}.")
    if not math.isnan(separation_db):
        if separation_db < LEAST_SEPARATION_DB:
            said.append(
                f"Skips stand out by {separation_db:.1f} dB only, {LEAST_SEPARATION_DB:g} are "
                "needed: quieten the room or move the microphone nearer."
            )
        elif blessed:
            how = "all the same" if said else "well"
            said.append(f"Skips are told {how} here: they stand out by {separation_db:.0f} dB.")
    return list(dict.fromkeys(said))


def baseline_text(baseline: Baseline) -> str:
    """Text of the detector file of a bench that was learnt.

    Raises:
        DetectorFileError: The bench was not blessed.
    """
    if not baseline.blessed:
        raise DetectorFileError(
            "skips cannot be told on this bench, so no detector file is written: "
            + " ".join(baseline.advice)
        )
    lines = [
        detector_text(baseline.settings, note="Learnt with 'stallcurve listen'."),
        "[baseline]",
        f"separation_db = {baseline.separation_db:.2f}",
        f"motor_db = {baseline.motor_db:.2f}",
        f"room_db = {baseline.room_db:.2f}",
        f"growth_db = {baseline.growth_db:.2f}",
    ]
    return "\n".join(lines) + "\n"


def save_baseline(path: Path | str, baseline: Baseline) -> None:
    """Write the detector file of a blessed bench.

    Raises:
        DetectorFileError: It was not blessed, or the file cannot be written.
    """
    text = baseline_text(baseline)
    try:
        Path(path).write_text(text, encoding="utf-8")
    except OSError as problem:
        raise DetectorFileError(f"{path}: cannot be written: {problem.strerror}") from problem


def read_baseline(path: Path | str) -> dict[str, float]:
    """The ``[baseline]`` figures of a detector file; empty where the bench was not learnt.

    Raises:
        DetectorFileError: The file cannot be used.
    """
    table = read_detector_table(path).get("baseline", {})
    if not isinstance(table, dict):
        raise DetectorFileError(f"{path}: baseline must be a table")
    return {key: float(value) for key, value in table.items() if isinstance(value, int | float)}
