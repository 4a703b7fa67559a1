"""The counter board's lines, and what the length says."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from detectors.encoder import LineReader, checksum, parse_line
from detectors.evidence import (
    CommandedMotion,
    FilamentCount,
    Judgement,
    MotorGeometry,
    Reason,
    Verdict,
)
from detectors.joining import join_witnesses
from detectors.length import LengthEvidence, LengthWatch, LengthWord

GEOMETRY = MotorGeometry(steps_per_turn=200, filament_per_motor_turn_mm=7.65)


def line(micros: int, count: int) -> bytes:
    body = f"C {micros} {count}".encode()
    return body + f" {checksum(body):02x}\n".encode()


def test_example_of_the_manual() -> None:
    assert parse_line(b"C 1000000 250 45") == (1_000_000, 250)


@given(micros=st.integers(0, 2**32 - 1), count=st.integers(-(2**31), 2**31))
def test_lines_come_back(micros: int, count: int) -> None:
    assert parse_line(line(micros, count).strip()) == (micros, count)


@given(data=st.binary(max_size=200), cut=st.integers(0, 30))
def test_garbage_never_raises_and_never_counts_unchecked(data: bytes, cut: int) -> None:
    reader = LineReader()
    reader.feed(data + b"\n", 1.0)
    found = reader.feed(line(5_000_000, 7), 2.0)
    assert [reading.count for reading in found] == [7]


@given(st.integers(1, 25))
def test_pieces_of_any_size(size: int) -> None:
    data = b"# counter 1 test\r\n" + b"".join(line(10_000 * k, k) for k in range(30))
    reader = LineReader()
    found = []
    for at in range(0, len(data), size):
        found += reader.feed(data[at : at + size], 1.0 + at * 1e-4)
    assert [reading.count for reading in found] == list(range(30))
    assert not any(reading.lost for reading in found)
    steps = [b.time_s - a.time_s for a, b in itertools.pairwise(found)]
    assert all(step <= 0.010001 for step in steps)


def test_clock_wraps() -> None:
    reader = LineReader()
    first = reader.feed(line(2**32 - 5_000, 1), 10.0)[0]
    second = reader.feed(line(5_000, 2), 10.01)[0]
    assert second.time_s - first.time_s == pytest.approx(0.01, abs=1e-6)
    assert not second.lost


def test_restart_and_bad_line_are_marked() -> None:
    reader = LineReader()
    reader.feed(line(50_000_000, 900), 1.0)
    assert reader.feed(b"# counter 1 x\n" + line(1_000, 0), 1.1)[0].lost
    assert reader.feed(b"C 11000 1 ff\n" + line(21_000, 2), 1.2)[0].lost
    assert reader.dropped == 1


def watch(loss: list[tuple[float, float]], *, counts_per_mm: float = 50.0, part: float = 1.0):
    """Evidence of a move of 5 s at 4 mm/s that loses ``(time, mm)`` at once, and a part of all."""
    motion = CommandedMotion(speed_mm_s=4.0, start_s=1.0, end_s=6.0)
    watch = LengthWatch(GEOMETRY, counts_per_mm)
    for k in range(700):
        t = 0.01 * k
        moved = 4.0 * part * min(max(0.0, t - 1.0), 5.0) - sum(mm for at, mm in loss if t >= at)
        watch.take(FilamentCount(t, math.floor(moved * counts_per_mm)))
    return watch.conclude(motion)


def test_full_length() -> None:
    assert watch([]).word is LengthWord.FULL


def test_backlash_at_the_start_is_no_loss() -> None:
    assert watch([(1.02, 0.3)]).word is LengthWord.FULL


def test_sudden_losses_are_whole_cycles() -> None:
    cycle = GEOMETRY.filament_per_cycle_mm
    found = watch([(2.0 + 0.5 * k, 3 * cycle) for k in range(6)])
    assert found.word is LengthWord.IN_STEPS
    assert found.lost_cycles == 18
    assert found.falls == 6
    assert found.first_fall_s == pytest.approx(2.0, abs=0.1)
    assert found.overwhelming


def test_smooth_loss_is_grip() -> None:
    found = watch([], part=0.8)
    assert found.word is LengthWord.SMOOTHLY
    assert found.lost_mm == pytest.approx(0.2 * 4.0 * 4.7, rel=0.05)


def test_small_error_of_the_wheel_is_no_loss() -> None:
    assert watch([], part=0.98).word is LengthWord.FULL


def test_too_much_is_implausible() -> None:
    assert watch([], part=1.6).word is LengthWord.IMPLAUSIBLE


def sound(verdict: Verdict, reason: Reason, **details: float) -> Judgement:
    return Judgement(
        verdict, reason, 0.9 if verdict is Verdict.SKIP else 0.05, 5.0, details=details
    )


@pytest.mark.parametrize(
    ("heard", "measured", "verdict", "reason"),
    [
        (Verdict.CLEAN, LengthWord.FULL, Verdict.CLEAN, Reason.HEARD_THROUGHOUT),
        (Verdict.CLEAN, LengthWord.SMOOTHLY, Verdict.SLIP, Reason.LENGTH_LOST_SMOOTHLY),
        (Verdict.CLEAN, LengthWord.IN_STEPS, Verdict.VOID, Reason.WITNESSES_DISAGREE),
        (Verdict.SKIP, LengthWord.IN_STEPS, Verdict.SKIP, Reason.CLICK_TRAIN),
        (Verdict.SKIP, LengthWord.SMOOTHLY, Verdict.SKIP, Reason.CLICK_TRAIN),
        (Verdict.SKIP, LengthWord.FULL, Verdict.VOID, Reason.WITNESSES_DISAGREE),
        (Verdict.CLEAN, LengthWord.LOST, Verdict.VOID, Reason.ENCODER_LOST),
        (Verdict.CLEAN, LengthWord.IMPLAUSIBLE, Verdict.VOID, Reason.ENCODER_IMPLAUSIBLE),
    ],
)
def test_two_witnesses(
    heard: Verdict, measured: LengthWord, verdict: Verdict, reason: Reason
) -> None:
    why = Reason.CLICK_TRAIN if heard is Verdict.SKIP else Reason.HEARD_THROUGHOUT
    joined = join_witnesses(
        sound(heard, why, llr=12.0, motor_to_rest_db=12.0),
        LengthEvidence(measured, lost_mm=1.0),
        decided_s=5.0,
    )
    assert (joined.verdict, joined.reason) == (verdict, reason)
    assert joined.lost_mm == 1.0


def test_overwhelming_evidence_of_one() -> None:
    falls = LengthEvidence(LengthWord.IN_STEPS, 4.0, 26, 9, 2.0, overwhelming=True)
    quiet = sound(Verdict.VOID, Reason.TOO_NOISY)
    assert join_witnesses(quiet, falls, decided_s=5.0).verdict is Verdict.SKIP
    full = LengthEvidence(LengthWord.FULL)
    loud = sound(Verdict.SKIP, Reason.CLICK_TRAIN, llr=60.0)
    assert join_witnesses(loud, full, decided_s=5.0).verdict is Verdict.SKIP


def test_no_witness_is_void() -> None:
    assert join_witnesses(None, None, decided_s=0.0).verdict is Verdict.VOID
