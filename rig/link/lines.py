"""Bytes in, typed events out. Pure: no port, no clock.

`LineAssembler` cuts the stream into lines whatever the pieces it arrives in; `classify` says what a
line means in a dialect. Forms of acknowledgement that are understood (spaces and order vary)::

    ok | ok 137 | ok N:4 | ok N78 P15 B3 | ok T:21.9 /0.0 B:75.0 /75.0 | okT:210.0 /210.0
    ok duplicate line:4 | skip 389 | ...@:6N7531ok N7531 P0 B3   (a report that swallowed its ok)
"""

from __future__ import annotations

import re

from rig.link.dialect import Dialect
from rig.link.events import (
    AlreadyHad,
    Busy,
    Event,
    Failure,
    Garbage,
    Halted,
    Idle,
    Note,
    Ok,
    Refusal,
    Refused,
    Resend,
    Restarted,
    SteppedDown,
    Temperature,
    Text,
    TransferError,
    Unknown,
)

#: A line longer than this is no line of a printer: it is cut, so that memory stays bounded.
LONGEST_LINE = 2048

_OK = re.compile(r"^ok(?![a-su-z])", re.IGNORECASE)
# The ok that a report swallowed stands at the very end, with its fields at most.
_OK_TAIL = re.compile(r"ok((?:\s+[NPB]:?\d+)*)\s*$", re.IGNORECASE)
_OK_NUMBER = re.compile(r"^\s*(?:N:?\s*)?(\d+)(?![\d.])", re.IGNORECASE)
_OK_FIELD = re.compile(r"(?<![A-Za-z@])([NPB]):?\s*(\d+)(?![\d.])", re.IGNORECASE)
_DUPLICATE = re.compile(r"duplicate line:?\s*(\d+)", re.IGNORECASE)
_SKIP = re.compile(r"^skip\s+(\d+)$", re.IGNORECASE)
_ASKS_AGAIN = re.compile(r"^([a-z]{2,8})\s*:?\s*(?:N:?\s*)?(\d+)\b", re.IGNORECASE)
_BUSY = re.compile(r"^(?:echo:\s*)?busy\s*:", re.IGNORECASE)
_LAST_LINE = re.compile(r"last line:?\s*(\d+)", re.IGNORECASE)
_EXPECTED = re.compile(r"expected line\s*(\d+)", re.IGNORECASE)
_TRANSFER = re.compile(r"last line|expected line|checksum|line number|format error", re.IGNORECASE)
_ERROR = re.compile(r"^\s*(?:error\b|!!)", re.IGNORECASE)


class LineAssembler:
    """Cuts a byte stream into lines.

    A line ends at a line feed or a carriage return. NUL bytes are dropped. What has come of an
    unfinished line stays in `partial` until the rest arrives or `drop_partial` is called.
    """

    __slots__ = ("_partial", "_skipping")

    def __init__(self) -> None:
        self._partial = bytearray()
        self._skipping = False

    @property
    def partial(self) -> bytes:
        """The unfinished line, without NUL bytes."""
        return bytes(self._partial)

    def feed(self, data: bytes) -> list[bytes]:
        """Take bytes; return the lines they complete, without their ends, empty ones left out."""
        lines: list[bytes] = []
        for piece in re.split(rb"([\r\n])", data.replace(b"\0", b"")):
            if piece in (b"\r", b"\n"):
                if self._partial and not self._skipping:
                    lines.append(bytes(self._partial))
                self._partial.clear()
                self._skipping = False
            elif not self._skipping:
                self._partial += piece
                if len(self._partial) > LONGEST_LINE:
                    lines.append(bytes(self._partial[:LONGEST_LINE]))
                    self._partial.clear()
                    self._skipping = True
        return lines

    def drop_partial(self) -> bytes:
        """Give up an unfinished line: its rest, should it come, is dropped up to its end."""
        lost = bytes(self._partial)
        self._partial.clear()
        if lost:
            self._skipping = True
        return lost

    def clear(self) -> None:
        """Forget everything, as after opening the port anew."""
        self._partial.clear()
        self._skipping = False


def clean(line: bytes) -> tuple[str, int]:
    """The readable text of a line, and how many bytes were none.

    Bytes that are not printable ASCII are taken out, so that a banner behind line noise is found.
    """
    kept = bytes(b for b in line if 0x20 <= b < 0x7F or b == 0x09)
    return kept.decode("ascii").strip(), len(line) - len(kept)


def classify(line: bytes, dialect: Dialect) -> tuple[Event, ...]:
    """Everything that one line says, in the order in which it matters."""
    text, strange = clean(line)
    events: list[Event] = [Garbage(strange)] if strange else []
    if text:
        events.extend(_classify_text(text, dialect))
    return tuple(events)


def _classify_text(text: str, dialect: Dialect) -> list[Event]:
    if dialect.search("restarted", text):
        return [Restarted(text)]
    if _BUSY.match(text):
        return [Busy(text)]
    if dialect.search("halted", text):
        return [Halted(text)]
    if dialect.search("stepped_down", text):
        return [SteppedDown(text)]
    if dialect.search("unknown", text):
        return [Unknown(text), *_swallowed_ok(text)]
    if refused := _refusal(text, dialect):
        return [refused, *_swallowed_ok(text)]
    if text.lower() == "wait":
        return [Idle()]
    if found := _SKIP.match(text):
        return [AlreadyHad(int(found[1]))]
    if _OK.match(text):
        return _acknowledgement(text, dialect)
    if _ERROR.match(text):
        return [_error(text)]
    if text.startswith("//"):
        return [Note(text)]
    if resend := _resend(text):
        return [resend]
    if temperature := _temperature(text, dialect):
        return [temperature, *_swallowed_ok(text)]
    return [Text(text), *_swallowed_ok(text)]


def _acknowledgement(text: str, dialect: Dialect) -> list[Event]:
    tail = text[2:].strip()
    if found := _DUPLICATE.search(tail):
        return [Ok(number=int(found[1]), duplicate=True, tail=tail)]
    temperature = _temperature(tail, dialect)
    ok = _ok_fields(tail, with_bare_fields=temperature is None)
    return [ok, temperature] if temperature else [ok]


def _ok_fields(tail: str, *, with_bare_fields: bool) -> Ok:
    """The fields of an ok. In front of temperatures, ``B:75.0`` is the bed and no free place."""
    number = _OK_NUMBER.match(tail)
    fields = {key.upper(): int(value) for key, value in _OK_FIELD.findall(tail)}
    if not with_bare_fields:
        fields = {}
    return Ok(
        number=int(number[1]) if number else fields.get("N"),
        planner_free=fields.get("P"),
        command_free=fields.get("B"),
        tail=tail,
    )


def _swallowed_ok(text: str) -> list[Event]:
    """The ok at the end of a line that is not its own.

    Only one that carries fields, or is glued to a figure, counts: a remark may end in "ok" too.
    """
    found = _OK_TAIL.search(text)
    if not found or found.start() == 0:
        return []
    before = text[found.start() - 1]
    if not found[1] and (before.isalpha() or before.isspace()):
        return []
    return [_ok_fields(found[1].strip(), with_bare_fields=True)]


def _temperature(text: str, dialect: Dialect) -> Temperature | None:
    found = dialect.search("temperature", text)
    if found is None:
        return None
    groups = found.groupdict()
    target = groups.get("target")
    return Temperature(float(groups["actual"]), float(target) if target is not None else None)


def _refusal(text: str, dialect: Dialect) -> Refused | None:
    if dialect.search("too_long", text):
        return Refused(Refusal.TOO_LONG, text)
    if dialect.search("cold", text):
        return Refused(Refusal.COLD, text)
    return None


def _error(text: str) -> Event:
    if _TRANSFER.search(text) and not text.startswith("!!"):
        last = _LAST_LINE.search(text)
        expected = _EXPECTED.search(text)
        number = int(last[1]) if last else int(expected[1]) - 1 if expected else None
        return TransferError(text, number)
    return Failure(text)


def _resend(text: str) -> Resend | None:
    """``Resend: 9``, ``rs 9``, ``rs N9``, and the word with one letter damaged on the way."""
    found = _ASKS_AGAIN.match(text)
    if not found:
        return None
    word = found[1].lower()
    if word == "rs" or _one_off(word, "resend"):
        return Resend(int(found[2]))
    return None


def _one_off(word: str, wanted: str) -> bool:
    """Whether ``word`` is ``wanted`` with at most one letter changed, lost or added."""
    if word == wanted:
        return True
    if abs(len(word) - len(wanted)) > 1:
        return False
    if len(word) == len(wanted):
        return sum(a != b for a, b in zip(word, wanted, strict=True)) <= 1
    longer, shorter = (word, wanted) if len(word) > len(wanted) else (wanted, word)
    return any(longer[:i] + longer[i + 1 :] == shorter for i in range(len(longer)))
