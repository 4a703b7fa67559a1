"""What a printer can say, as typed events.

One received line may carry several events: an acknowledgement and a temperature report glued
together, for instance. `rig.link.lines.classify` makes them; `rig.link.conversation` acts on them.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Refusal(StrEnum):
    """Why a firmware that understood a command would not do it."""

    COLD = "cold"  #: the hot end is below the firmware's least extrusion temperature
    TOO_LONG = "too-long"  #: one move longer than the firmware allows
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class Ok:
    """An acknowledgement in any form.

    Attributes:
        number: The line number it carries, where it carries one.
        planner_free: Free places in the planner, where told.
        command_free: Free places for commands, where told.
        duplicate: Whether it says that the line was known already.
        tail: Whatever else stood on the line.
    """

    number: int | None = None
    planner_free: int | None = None
    command_free: int | None = None
    duplicate: bool = False
    tail: str = ""


@dataclass(frozen=True, slots=True)
class Busy:
    """The firmware is alive and working on a command that takes long."""

    text: str


@dataclass(frozen=True, slots=True)
class Idle:
    """The firmware says that it has nothing to do and waits for a line."""


@dataclass(frozen=True, slots=True)
class Resend:
    """The firmware asks for the line of this number again."""

    number: int


@dataclass(frozen=True, slots=True)
class AlreadyHad:
    """The firmware skipped the line of this number, because it had it before."""

    number: int


@dataclass(frozen=True, slots=True)
class TransferError:
    """A line arrived damaged or out of order.

    Attributes:
        text: The line as it came.
        last_number: Number of the last good line, where told.
    """

    text: str
    last_number: int | None = None


@dataclass(frozen=True, slots=True)
class Failure:
    """An error that belongs to the command under way."""

    text: str


@dataclass(frozen=True, slots=True)
class Refused:
    """A command was understood and not done."""

    reason: Refusal
    text: str


@dataclass(frozen=True, slots=True)
class Unknown:
    """The firmware does not know the command."""

    text: str


@dataclass(frozen=True, slots=True)
class Halted:
    """The firmware has stopped itself and obeys nothing until it is reset."""

    text: str


@dataclass(frozen=True, slots=True)
class Restarted:
    """A boot banner: the firmware has just started."""

    text: str


@dataclass(frozen=True, slots=True)
class SteppedDown:
    """The motor driver lowered its current by itself, or says that it is too hot."""

    text: str


@dataclass(frozen=True, slots=True)
class Temperature:
    """A report of the hot end. The bed is not looked at.

    Attributes:
        actual_c: Measured temperature, in degrees Celsius.
        target_c: Target temperature, in degrees Celsius (0 is off); None where not told.
    """

    actual_c: float
    target_c: float | None = None


@dataclass(frozen=True, slots=True)
class Note:
    """A remark of the firmware that asks for nothing."""

    text: str


@dataclass(frozen=True, slots=True)
class Text:
    """Any other line: the body of an answer."""

    text: str


@dataclass(frozen=True, slots=True)
class Garbage:
    """Bytes that no firmware writes as text, with their number."""

    count: int


Event = (
    Ok
    | Busy
    | Idle
    | Resend
    | AlreadyHad
    | TransferError
    | Failure
    | Refused
    | Unknown
    | Halted
    | Restarted
    | SteppedDown
    | Temperature
    | Note
    | Text
    | Garbage
)
