"""One exchange: a command, what has come of its answer so far, and the finished reply."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from enum import Enum, auto

from rig.link.events import Refused, Temperature


class Phase(Enum):
    """Where an exchange stands."""

    WAITING = auto()  #: sent; its ok or its body is due
    SETTLING = auto()  #: asked to send again; letting the rest of the complaint pass first
    REWINDING = auto()  #: sending earlier lines again, one ok each


@dataclass(frozen=True, slots=True)
class Notice:
    """Something the firmware or the link did that a ledger should keep.

    Attributes:
        kind: ``refused``, ``failure``, ``stepped-down``, ``resent``, ``repeated``, ``surplus-ok``,
            ``stale-ok``, ``no-ok``, ``half-line``, ``garbage`` or ``remark``.
        text: What was said or done.
        time_s: Clock time, in s.
    """

    kind: str
    text: str
    time_s: float


@dataclass(frozen=True, slots=True)
class Reply:
    """A finished answer.

    Attributes:
        command: The command as given.
        lines: The lines of the body, without the ok.
        acknowledged: Whether the firmware took the command.
        found: The match of the expected body, or None where none was expected or none came.
        temperature: The newest temperature report during the exchange, or None.
        unknown: Whether the firmware does not know the command.
        refusals: What it refused.
        failures: Errors that came before the ok: an ok by itself does not mean success.
        sent_s: Clock time of sending, in s.
        body_s: Clock time at which the expected body came, in s; None where it did not.
        ended_s: Clock time of the end of the exchange, in s.
        repeats: How often the line went out again.
    """

    command: str
    lines: tuple[str, ...]
    acknowledged: bool
    found: re.Match[str] | None
    temperature: Temperature | None
    unknown: bool
    refusals: tuple[Refused, ...]
    failures: tuple[str, ...]
    sent_s: float
    body_s: float | None
    ended_s: float
    repeats: int

    @property
    def good(self) -> bool:
        """Acknowledged, known, without refusal or error."""
        return self.acknowledged and not (self.unknown or self.refusals or self.failures)

    @property
    def complaint(self) -> str:
        """The first thing the firmware said against the command, or ""."""
        if self.refusals:
            return self.refusals[0].text
        if self.failures:
            return self.failures[0]
        return "unknown command" if self.unknown else ""


@dataclass(slots=True)
class Pending:
    """An exchange under way. Made by ``Link.begin``; poll `done`, then take `reply`.

    Attributes:
        command: The command as given.
        number: Its line number; None for a bare line.
        raw: The line as sent, without its end.
        end_s: Clock time at which waiting ends; "busy" moves it on, up to ``hard_end_s``.
        want: Pattern of the body that the answer must have, or None.
        want_temperature: Whether a temperature report is the body.
        body_grace_s: How long to wait for a body after the ok; None for as long as there is time.
        repeat_after_s: Silence after which a numbered line goes out again; None for never.
    """

    command: str
    number: int | None
    raw: bytes
    timeout_s: float
    sent_s: float
    end_s: float
    hard_end_s: float
    want: re.Pattern[str] | None = None
    want_temperature: bool = False
    body_grace_s: float | None = 1.0
    repeat_after_s: float | None = None
    phase: Phase = Phase.WAITING
    cursor: int = 0
    transmitted_s: float = 0.0
    alive_s: float = 0.0
    settle_end_s: float = 0.0
    asked: int | None = None
    attempts: int = 0
    silent_repeats: int = 0
    busy_text: str = ""
    acknowledged: bool = False
    acknowledged_s: float = 0.0
    closing: bool = False
    found: re.Match[str] | None = None
    body_s: float | None = None
    lines: list[str] = field(default_factory=list)
    temperature: Temperature | None = None
    unknown: bool = False
    refusals: list[Refused] = field(default_factory=list)
    failures: list[str] = field(default_factory=list)
    done: bool = False
    reply: Reply | None = None

    @property
    def wants_body(self) -> bool:
        """Whether the answer has to have a body."""
        return self.want is not None or self.want_temperature

    def look_at(self, text: str, now_s: float) -> None:
        """Take a line of the body, and see whether it is the one that was wanted."""
        self.lines.append(text)
        if self.want is not None and self.found is None and (found := self.want.search(text)):
            self.found = found
            self.body_s = now_s

    def finish(self, now_s: float) -> Reply:
        """Close the exchange."""
        self.done = True
        self.reply = Reply(
            command=self.command,
            lines=tuple(self.lines),
            acknowledged=self.acknowledged,
            found=self.found,
            temperature=self.temperature,
            unknown=self.unknown,
            refusals=tuple(self.refusals),
            failures=tuple(self.failures),
            sent_s=self.sent_s,
            body_s=self.body_s,
            ended_s=now_s,
            repeats=self.attempts + self.silent_repeats,
        )
        return self.reply
