"""Numbered, checksummed lines and what to send again. Pure: no port, no clock.

A line goes out as ``N7 M83*31``: the checksum is the exclusive or of every byte before the star, in
decimal (open RepRap G-code documentation). A damaged line draws a request for its number. Replies
carry no checksum, so a requested number is believed only within what was really sent and not long
ago; anything else is noise, or a board whose counter went back to zero.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from enum import Enum, auto
from functools import reduce

#: How many lines before the newest are kept. With one line in flight a request can name the newest
#: or, after a lost or surplus ok, one shortly before it.
HISTORY = 4


def checksum(data: bytes) -> int:
    """Exclusive or of all bytes, 0 to 255."""
    return reduce(lambda a, b: a ^ b, data, 0)


def numbered_line(number: int, text: str) -> bytes:
    """``text`` as a numbered and checksummed line, without its end."""
    body = f"N{number} {text}".encode("ascii")
    return body + b"*%d" % checksum(body)


class Answer(Enum):
    """What a request for a line means."""

    SEND = auto()  #: send again from the line named
    ACCEPTED = auto()  #: the newest line was taken already
    IMPOSSIBLE = auto()  #: names a line that was never sent or is long settled
    RESTARTED = auto()  #: the board counts from the beginning: it has been reset


@dataclass(frozen=True, slots=True)
class Request:
    """The meaning of one request, with the first line to send again."""

    answer: Answer
    first: int = 0


class Numbering:
    """Counts lines out, keeps the last few, and judges what is asked for again."""

    __slots__ = ("_impossible", "_lines", "_next")

    def __init__(self) -> None:
        self._next = 1
        self._lines: OrderedDict[int, bytes] = OrderedDict()
        self._impossible: int | None = None

    @property
    def newest(self) -> int:
        """Number of the newest line; 0 before the first."""
        return self._next - 1

    def restart(self) -> bytes:
        """The line that sets the firmware's counter to zero: ``N0 M110 N0*125``."""
        self._next = 1
        self._lines.clear()
        self._impossible = None
        return numbered_line(0, "M110 N0")

    def add(self, text: str) -> bytes:
        """The next line, with its number and checksum, without its end."""
        line = numbered_line(self._next, text)
        self._lines[self._next] = line
        while len(self._lines) > HISTORY + 1:
            self._lines.popitem(last=False)
        self._next += 1
        return line

    def line(self, number: int) -> bytes:
        """A line that is still kept. Raises `KeyError` otherwise."""
        return self._lines[number]

    def settled(self, number: int) -> None:
        """The firmware has confirmed this number: nothing before it can be asked for again."""
        for old in [kept for kept in self._lines if kept < number]:
            del self._lines[old]
        self._impossible = None

    def request(self, number: int, *, last_number: int | None = None) -> Request:
        """Judge a request for ``number``, with the last good line where the error told it."""
        if number == self._next:
            self._impossible = None
            return Request(Answer.ACCEPTED)
        repeated = self._impossible == number
        # A counter back at the start long after the start, said twice or by both its numbers.
        if number == 1 and 1 not in self._lines and (repeated or last_number == 0):
            return Request(Answer.RESTARTED)
        if number in self._lines:
            self._impossible = None
            if last_number is not None and last_number + 1 != number:
                # One of the two numbers is damaged: the newest line is the likelier one.
                if last_number + 1 in self._lines:
                    return Request(Answer.SEND, last_number + 1)
                if last_number == self.newest:
                    return Request(Answer.ACCEPTED)
            return Request(Answer.SEND, number)
        self._impossible = number
        return Request(Answer.IMPOSSIBLE)
