"""The judge over recorded takes: the very code that listens live, on files of any length."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

from detectors.decision import Judge
from detectors.errors import TakeError
from detectors.evidence import Judgement, MotorGeometry, Reason, Verdict
from detectors.room import RoomMemory
from detectors.settings import DetectorSettings
from detectors.sources import FileSource
from detectors.takes import Take, collect_takes

#: Sound is read in blocks of this length; verdicts do not depend on it.
BLOCK_S = 4.0
#: Sound after the move that is still listened to, in s: what follows has no say.
TAIL_S = 3.0
#: Sound before the move that is listened to, in s.
LEAD_S = 10.0


def unreadable(take: Take, why: str) -> Judgement:
    """The verdict on a take whose sound cannot be read."""
    return Judgement(Verdict.VOID, Reason.UNREADABLE, 0.5, take.motion.start_s, explanation=why)


def judge_of(
    take: Take,
    source: FileSource,
    settings: DetectorSettings | None,
    *,
    room: RoomMemory | None = None,
) -> Judge:
    """A judge for a take's move and the sound of its file.

    Raises:
        TakeError: The sound has a sample rate that cannot be heard.
    """
    try:
        return Judge(
            take.motion,
            take.geometry,
            sample_rate_hz=source.sample_rate_hz,
            settings=settings,
            room_before=(room.clicks, room.heard_s) if room is not None else (0.0, 0.0),
        )
    except ValueError as problem:
        raise TakeError(f"{take.path}: {problem}") from problem


def judge_take(
    take: Take, settings: DetectorSettings | None = None, *, room: RoomMemory | None = None
) -> Judgement:
    """Judge one take. A file that cannot be read is void, never an exception.

    Args:
        take: What to judge.
        settings: The detector's numbers.
        room: What the room did before, in a session; learns what it did during this take.
    """
    try:
        source = FileSource(take.path, block_s=BLOCK_S)
    except TakeError as problem:
        return unreadable(take, str(problem))
    with source:
        try:
            judge = judge_of(take, source, settings, room=room)
        except TakeError as problem:
            return unreadable(take, str(problem))
        source.skip_to(take.motion.start_s - LEAD_S)
        try:
            for block in source:
                judge.hear(block)
                if judge.decided is not None or block.start_s > take.motion.end_s + TAIL_S:
                    break
        except TakeError as problem:
            decided = judge.decided
            return decided if decided is not None else unreadable(take, str(problem))
        judgement = judge.finish()
        if room is not None:
            room.remember(judge, judgement)
        return judgement


def _number(value: float | None) -> float | None:
    return round(float(value), 4) if value is not None and math.isfinite(value) else None


def take_document(take: Take, judgement: Judgement) -> dict[str, Any]:
    """One entry of the ``replay --json`` document; numbers are finite or None."""
    return {
        "file": take.file,
        "verdict": judgement.verdict.value,
        "reason": judgement.reason.value,
        "p_skip": _number(judgement.p_skip),
        "first_skip_s": _number(judgement.first_skip_s),
        "decided_s": _number(judgement.decided_s),
        "clicks": judgement.clicks,
        "heard": _number(judgement.heard),
        "set": take.bench,
        "label": take.label.value if take.label is not None else None,
        "explanation": judgement.explanation,
    }


def judge_takes(
    takes: Sequence[Take],
    settings: DetectorSettings | None = None,
    *,
    jobs: int = 1,
    progress: Callable[[int], None] | None = None,
) -> Iterator[Judgement]:
    """Judgements in the order of the takes, as they come.

    Args:
        takes: Any number.
        settings: The detector's numbers.
        jobs: Processes; -1 for one a core. A joblib backend registered by the caller (a cluster's
            for instance) is used as it is.
        progress: Called with the number of takes done.
    """
    done = 0
    # A few takes at a time to a process: starting a task costs more than a short take.
    groups = _groups(takes, 1 if jobs == 1 else max(1, min(16, len(takes) // 8)))
    if jobs == 1 or len(takes) < 4 or len(groups) == 1:  # nothing to spread
        for group in groups:
            for judgement in _judge_each(group, settings):
                done += 1
                yield judgement
                if progress is not None:
                    progress(done)
        return
    from joblib import Parallel, delayed

    work = Parallel(n_jobs=jobs, return_as="generator")
    for results in work(delayed(_judge_group)(group, settings) for group in groups):
        for judgement in results:
            done += 1
            yield judgement
        if progress is not None:
            progress(done)


def _groups(takes: Sequence[Take], size: int) -> list[list[Take]]:
    """Takes in order, ``size`` at a time; a session stays whole."""
    groups: list[list[Take]] = []
    for take in takes:
        last = groups[-1] if groups else None
        if (
            last is not None
            and last[-1].session == take.session
            and (take.session or len(last) < size)
        ):
            last.append(take)
        else:
            groups.append([take])
    return groups


def _judge_each(takes: Sequence[Take], settings: DetectorSettings | None) -> Iterator[Judgement]:
    room = RoomMemory() if takes[0].session else None
    for take in takes:
        yield judge_take(take, settings, room=room)


def _judge_group(takes: Sequence[Take], settings: DetectorSettings | None) -> list[Judgement]:
    return list(_judge_each(takes, settings))


def replay_takes(
    takes: Sequence[Take],
    settings: DetectorSettings | None = None,
    *,
    jobs: int = -1,
    progress: Callable[[int, int], None] | None = None,
) -> dict[str, Any]:
    """The ``replay --json`` document for takes that are at hand; see `replay`."""
    total = len(takes)
    tell = (lambda done: progress(done, total)) if progress is not None else None
    judged = judge_takes(takes, settings, jobs=jobs, progress=tell)
    return {"takes": [take_document(t, j) for t, j in zip(takes, judged, strict=True)]}


def replay(
    paths: Iterable[Path | str],
    settings: DetectorSettings | None = None,
    *,
    speed_mm_s: float | None = None,
    geometry: MotorGeometry | None = None,
    jobs: int = -1,
    progress: Callable[[int, int], None] | None = None,
) -> dict[str, Any]:
    """The ``replay --json`` document for any mix of take sets, folders, lists and sound files.

    Args:
        paths: What to judge.
        settings: The detector's numbers.
        speed_mm_s: For sound files that are in no list.
        geometry: For the same.
        jobs: Processes; -1 for one a core.
        progress: Called with the takes done and the takes in all.

    Raises:
        TakeError: A list, bench file or path cannot be used.
    """
    takes = collect_takes(paths, speed_mm_s=speed_mm_s, geometry=geometry).takes
    return replay_takes(takes, settings, jobs=jobs, progress=progress)
