"""Numbers, checksums and what to send again, over a channel that damages and loses lines."""

from __future__ import annotations

import random

import pytest
from fake_printer import Answer, FakeFirmware
from hypothesis import given
from hypothesis import strategies as st

from rig.link.conversation import Link
from rig.link.dialect import load_dialect
from rig.link.numbering import HISTORY, Numbering, checksum, numbered_line
from rig.link.numbering import Answer as Meaning

TEXT = st.text(st.characters(min_codepoint=32, max_codepoint=126, exclude_characters="*"))


@given(st.integers(0, 10**7), TEXT)
def test_a_line_checks_itself(number: int, text: str) -> None:
    line = numbered_line(number, text)
    body, _, given_sum = line.rpartition(b"*")
    assert checksum(body) == int(given_sum)
    assert body == f"N{number} {text}".encode()


@given(TEXT, st.integers(0, 7), st.data())
def test_any_single_flipped_bit_is_seen(text: str, bit: int, data: st.DataObject) -> None:
    body = numbered_line(7, text).rpartition(b"*")[0]
    at = data.draw(st.integers(0, len(body) - 1))
    damaged = bytearray(body)
    damaged[at] ^= 1 << bit
    assert checksum(damaged) != checksum(body)


def filled(lines: int) -> Numbering:
    numbering = Numbering()
    for k in range(lines):
        numbering.add(f"M{k}")
    return numbering


def test_requests_are_believed_only_within_what_was_sent() -> None:
    numbering = filled(388)
    assert numbering.request(388).answer is Meaning.SEND
    assert numbering.request(389).answer is Meaning.ACCEPTED
    assert numbering.request(388 - HISTORY).answer is Meaning.SEND
    assert numbering.request(388 - HISTORY - 1).answer is Meaning.IMPOSSIBLE
    assert numbering.request(390).answer is Meaning.IMPOSSIBLE
    assert numbering.request(0).answer is Meaning.IMPOSSIBLE


def test_one_impossible_request_is_noise_and_two_are_a_restart() -> None:
    numbering = filled(388)
    assert numbering.request(1).answer is Meaning.IMPOSSIBLE
    assert numbering.request(1).answer is Meaning.RESTARTED
    assert filled(388).request(1, last_number=0).answer is Meaning.RESTARTED
    assert filled(1).request(1, last_number=0).answer is Meaning.SEND, "the first line was damaged"


def test_what_is_settled_is_never_sent_again() -> None:
    numbering = filled(10)
    numbering.settled(10)
    assert numbering.request(9).answer is Meaning.IMPOSSIBLE
    with pytest.raises(KeyError):
        numbering.line(9)


def test_of_two_numbers_that_disagree_one_is_damaged() -> None:
    assert filled(10).request(9, last_number=9).first == 10
    assert filled(10).request(9, last_number=10).answer is Meaning.ACCEPTED
    assert filled(10).request(9, last_number=700).first == 9


@given(
    seed=st.integers(0, 2**32),
    family=st.sampled_from(["A1", "A2", "A3"]),
    damage=st.floats(0.0, 0.25),
    loss=st.floats(0.0, 0.1),
)
def test_every_line_is_done_once_and_in_order(
    seed: int, family: str, damage: float, loss: float
) -> None:
    """Lines damaged on the way there, oks lost on the way back: nothing is lost, nothing twice."""
    dice = random.Random(seed)
    firmware = FakeFirmware(family)
    done: list[str] = []

    def act(text: str) -> list[Answer] | None:
        if text.startswith("G1"):
            done.append(text)
            if dice.random() < loss:
                return [(1.0, b"wait\n")]
        return None

    firmware.overrides = act
    honest = firmware.receive

    def damaging(line: bytes) -> list[Answer]:
        if b"G1" in line and dice.random() < damage:
            return firmware.complaint(b"checksum mismatch")
        return honest(line)

    firmware.port.answer = damaging
    firmware.temperature_c = firmware.target_c = 210.0
    link = Link(firmware.port, load_dialect("numbered"), firmware.clock)
    link.restart_numbers()
    link.command("M83")
    wanted = [f"G1 E{k} F600" for k in range(1, 31)]
    for text in wanted:
        link.command(text, timeout_s=60.0)
    assert done == wanted
