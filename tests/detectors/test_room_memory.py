"""What the room did before counts in a session, and fades."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from detectors import replay
from detectors.room import ROOM_MEMORY_S, RoomMemory
from detectors.takes import TakeSet, load_take_set

SET = Path(__file__).parents[2] / "recordings" / "held-out" / "bench-8101"


@pytest.fixture(scope="module")
def takes() -> TakeSet:
    return load_take_set(SET)


def test_it_adds_up_and_fades() -> None:
    room = RoomMemory()
    room.add(3, 60.0)
    assert (room.clicks, room.heard_s) == (3.0, 60.0)
    room.add(0, ROOM_MEMORY_S)
    assert room.heard_s == ROOM_MEMORY_S
    assert room.clicks == pytest.approx(3.0 * ROOM_MEMORY_S / (ROOM_MEMORY_S + 60.0))


def test_a_take_tells_the_room(takes: TakeSet) -> None:
    room = RoomMemory()
    replay.judge_take(takes.takes[0], room=room)
    at_rest = takes.takes[0].motion.start_s
    assert room.heard_s >= 0.8 * at_rest


def test_a_session_is_judged_in_order_and_stays_whole(
    takes: TakeSet, monkeypatch: pytest.MonkeyPatch
) -> None:
    before: list[tuple[str, float | None]] = []

    def watched(take, settings=None, *, room=None):
        before.append((take.session, None if room is None else room.heard_s))
        if room is not None:
            room.add(0, 1.0)
        return replay.unreadable(take, "not asked")

    monkeypatch.setattr(replay, "judge_take", watched)
    night = [replace(take, session="night") for take in takes]
    day = [replace(take, session="day") for take in takes]
    alone = list(takes)
    assert len(list(replay.judge_takes([*night, *day, *alone], jobs=1))) == 18
    rising = [float(n) for n in range(6)]
    assert [heard for session, heard in before if session == "night"] == rising
    assert [heard for session, heard in before if session == "day"] == rising
    assert {heard for session, heard in before if not session} == {None}


def test_processes_do_not_change_a_session(takes: TakeSet) -> None:
    night = [replace(take, session="night") for take in takes]
    one = list(replay.judge_takes(night, jobs=1))
    assert list(replay.judge_takes(night, jobs=2)) == one
