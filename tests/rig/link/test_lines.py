"""Bytes to events: whatever the pieces, whatever is glued together."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.link import events as ev
from rig.link.dialect import load_dialect
from rig.link.lines import LONGEST_LINE, LineAssembler, classify

NUMBERED = load_dialect("numbered")


@given(st.lists(st.binary(max_size=40).map(lambda b: b.translate(None, b"\r\n\0"))), st.data())
def test_lines_do_not_depend_on_the_pieces(lines: list[bytes], data: st.DataObject) -> None:
    stream = b"".join(line + b"\n" for line in lines)
    assembler, got = LineAssembler(), []
    while stream:
        size = data.draw(st.integers(1, len(stream)))
        got += assembler.feed(stream[:size])
        stream = stream[size:]
    assert got == [line for line in lines if line]
    assert assembler.partial == b""


def test_half_a_line_waits_and_can_be_dropped_with_its_rest() -> None:
    assembler = LineAssembler()
    assert assembler.feed(b"ok T:21") == []
    assert assembler.partial == b"ok T:21"
    assert assembler.drop_partial() == b"ok T:21"
    assert assembler.feed(b"0.0 /210.0\nok\n") == [b"ok"]


def test_a_line_without_end_does_not_fill_the_memory() -> None:
    assembler = LineAssembler()
    lines = assembler.feed(b"x" * 10 * LONGEST_LINE)
    assert [len(line) for line in lines] == [LONGEST_LINE]
    assert assembler.partial == b""
    assert assembler.feed(b"more\nok\n") == [b"ok"]


@given(st.binary(max_size=200))
def test_no_bytes_whatever_raise(data: bytes) -> None:
    for line in LineAssembler().feed(data + b"\n"):
        for event in classify(line, NUMBERED):
            assert isinstance(event, ev.Event)


@pytest.mark.parametrize(
    ("line", "number", "planner", "command"),
    [
        (b"ok", None, None, None),
        (b"OK", None, None, None),
        (b"ok N78 P15 B3", 78, 15, 3),
        (b"ok P15 B3 N78", 78, 15, 3),
        (b"ok 137", 137, None, None),
        (b"ok N:4", 4, None, None),
        (b"ok 0", 0, None, None),
        (b"ok T:21.9 /0.0 B:75.0 /75.0 B@:37 @:0", None, None, None),
        (b"ok T0:192.4 /192.0 B:70.0 /70.0", None, None, None),
    ],
)
def test_forms_of_ok(
    line: bytes, number: int | None, planner: int | None, command: int | None
) -> None:
    event = classify(line, NUMBERED)[0]
    assert isinstance(event, ev.Ok)
    assert (event.number, event.planner_free, event.command_free) == (number, planner, command)


@pytest.mark.parametrize(
    ("line", "actual_c", "target_c"),
    [
        (b"T:21.9 /0.0 B:75.0 /75.0 B@:37 @:0", 21.9, 0.0),
        (b"ok T0:192.4 /192.0 B:70.0 /70.0", 192.4, 192.0),
        (b"ok B:70.0 /70.0 T0:192.4 /192.0", 192.4, 192.0),
        (b"okT:210.0 /210.0 T\x00:209", 210.0, 210.0),
        (b"T:200 E:0 W:?", 200.0, None),
        (b" T:-14.0 /0.00", -14.0, 0.0),
    ],
)
def test_temperatures_wherever_they_stand(
    line: bytes, actual_c: float, target_c: float | None
) -> None:
    (pure,) = LineAssembler().feed(line + b"\n")
    found = [e for e in classify(pure, NUMBERED) if isinstance(e, ev.Temperature)]
    assert found == [ev.Temperature(actual_c, target_c)]


@pytest.mark.parametrize(
    ("line", "kind"),
    [
        (b"echo:busy: processing", ev.Busy),
        (b"busy:processing", ev.Busy),
        (b"echo:busy: paused for user", ev.Busy),
        (b"wait", ev.Idle),
        (b'echo:Unknown command: "M155"', ev.Unknown),
        (b"//action:paused", ev.Note),
        (b"Resend: 9", ev.Resend),
        (b"Resend:1", ev.Resend),
        (b"Resemd: 9", ev.Resend),
        (b"rs 9", ev.Resend),
        (b"rs N9", ev.Resend),
        (b"skip 389", ev.AlreadyHad),
        (b"Error:checksum mismatch, Last Line: 66555", ev.TransferError),
        (b"Error:expected line 1 got 139", ev.TransferError),
        (b"Error:No Line Number with checksum, Last Line: 3", ev.TransferError),
        (b"Error:volume.init failed", ev.Failure),
        (b"!! Must home axis first", ev.Failure),
        (b"start", ev.Restarted),
        (b"ok T:2start", ev.Restarted),
        (b"echo: External Reset", ev.Restarted),
        (b"restart", ev.Text),
        (b"echo:  M203 X500.00 Y500.00 Z5.00 E25.00", ev.Text),
        (b"Max inactivity time (30 minutes) Heaters switch off!", ev.Text),
        (b"okay then", ev.Text),
        (b"echo:SD card ok", ev.Text),
    ],
)
def test_kinds(line: bytes, kind: type) -> None:
    events = classify(line, NUMBERED)
    assert [type(event) for event in events] == [kind]


def test_a_duplicate_and_a_garbled_banner() -> None:
    (duplicate,) = classify(b"ok duplicate line:4", NUMBERED)
    assert duplicate == ev.Ok(number=4, duplicate=True, tail="duplicate line:4")
    assert classify(b"\xfe\x80\xf8start", NUMBERED) == (ev.Garbage(3), ev.Restarted("start"))
    assert classify(b"\xfe\x80", NUMBERED) == (ev.Garbage(2),)


@pytest.mark.parametrize(
    "line", [b"T:190.2 /190.0 @:6N7531ok N7531 P0 B3", b"T:190.2 /190.0 @0:65 @N7531ok N7531 P0 B3"]
)
def test_a_report_that_swallowed_an_ok_gives_both(line: bytes) -> None:
    temperature, ok = classify(line, NUMBERED)
    assert temperature == ev.Temperature(190.2, 190.0)
    assert isinstance(ok, ev.Ok)
    assert (ok.number, ok.planner_free, ok.command_free) == (7531, 0, 3)
