"""Asking a firmware things, in its dialect and within what it announced."""

from __future__ import annotations

import re
from dataclasses import replace

from rig.errors import CommandRefusedError
from rig.link.conversation import Link
from rig.link.exchange import Reply
from rig.printer_settings import DriverReport, parse_current, parse_driver_report, parse_settings
from rig.printer_types import PrinterSettings

#: Verbs whose answer has a body that is known, and what it is called among the replies.
_BODIES = {"position": "position", "identity": "identity", "get_current": "current"}


class Queries:
    """Commands and questions over one link.

    Attributes:
        link: The conversation.
        capabilities: What the firmware announced, in upper case.
    """

    def __init__(self, link: Link) -> None:
        self.link = link
        self.capabilities: frozenset[str] = frozenset()
        self._bodies = {
            verb: re.compile(
                "|".join(_nameless(p.pattern) for p in link.dialect.replies[meaning]),
                re.IGNORECASE,
            )
            for verb, meaning in _BODIES.items()
            if link.dialect.replies.get(meaning)
        }

    def usable(self, verb: str) -> bool:
        """Whether the dialect has the verb and the firmware announced what it needs."""
        needs = self.link.dialect.capabilities.get(verb)
        return self.link.dialect.has(verb) and (needs is None or needs in self.capabilities)

    def exchange(self, text: str, *, must: bool = True) -> Reply:
        """Send one command. With ``must``, anything but plain success raises.

        Raises:
            CommandRefusedError: The firmware does not know the command or would not do it.
        """
        reply = self.link.command(text)
        if must and not reply.good:
            raise CommandRefusedError(
                f"{self.link.port.name}: the firmware would not do {text!r}: {reply.complaint!r}; "
                "correct the dialect file, or the printer"
            )
        return reply

    def ask(self, verb: str) -> Reply | None:
        """The answer to a query; None where the dialect or the firmware has it not."""
        if not self.usable(verb):
            return None
        reply = self.link.command(self.link.dialect.line(verb), want=self._bodies.get(verb))
        return None if reply.unknown else reply

    def settings(self) -> PrinterSettings:
        """Everything that could falsify a measurement. What is untold stays None."""
        dialect = self.link.dialect
        lines: list[str] = []
        for text in dialect.lines("settings"):
            lines.extend(self.exchange(text, must=False).lines)
        found = parse_settings(lines, dialect)
        for verb, value in (
            ("get_steps", found.steps_per_mm),
            ("get_max_feed", found.max_feed_mm_s),
            ("get_acceleration_axis", found.acceleration_mm_s2),
            ("get_acceleration_extrude", found.acceleration_mm_s2),
            ("get_flow", found.flow_percent),
            ("get_feed", found.feed_percent),
            ("get_pressure", found.pressure_factor),
        ):
            if value is None:
                lines.extend(self._labelled(verb))
        settings = parse_settings(lines, dialect, current_a=self.sure_current())
        if (report := self.driver_report()) is not None:
            settings = replace(
                settings, applied_current_a=report.applied_a, microsteps=report.microsteps
            )
        return settings

    def current(self) -> float | None:
        """The run current in the driver's own unit, in A; None where it is not told."""
        reply = self.ask("get_current")
        return self.current_in(reply) if reply is not None else None

    def sure_current(self) -> float | None:
        """The run current as two answers agree on it; None where it is not told.

        Replies carry no checksum, and this is the figure that is put back in the end.
        """
        seen: list[float] = []
        for _ in range(4):
            value = self.current()
            if value is None or value in seen:
                return value
            seen.append(value)
        return None

    def current_in(self, reply: Reply) -> float | None:
        """The run current in an answer. The extruder's line comes last where there are several."""
        for line in reversed(reply.lines):
            if (value := parse_current(self.link.dialect, line)) is not None:
                return value
        return None

    def driver_report(self) -> DriverReport | None:
        """The driver's own report; None where there is none."""
        reply = self.ask("driver_report")
        return parse_driver_report(reply.lines) if reply is not None else None

    def _labelled(self, verb: str) -> list[str]:
        """The answer to a query of one setting, each line led by the command it answers.

        Some firmwares answer with bare values, so that the command has to be part of the line for
        the patterns to know which setting it is.
        """
        reply = self.ask(verb)
        if reply is None:
            return []
        command = self.link.dialect.line(verb)
        return [line if command in line else f"{command} {line}" for line in reply.lines]


def _nameless(pattern: str) -> str:
    """A pattern whose named groups are made nameless, so that several can be joined."""
    return "(?:" + re.sub(r"\(\?P<\w+>", "(?:", pattern) + ")"
