"""What goes wrong on purpose: named faults, when they strike, and which bytes they are.

A fault strikes at the n-th line that the firmware takes since the world began, at the n-th line
with a given word, or at a world time. In a URL: ``?fault=lost-ok@17,reset@G1:40,cable-cut@120s``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

#: Every fault, with what it does.
FAULTS: dict[str, str] = {
    "resend-without-ok": "asks for a line again and sends no ok after it",
    "resend-triple": "complains three times about one line",
    "surplus-ok": "sends two oks for one line",
    "lost-ok": "does the line, but its ok never comes; then waits idly",
    "split-ok": "sends o, 50 ms later k",
    "swallowed-ok": "a temperature report swallows the ok",
    "flipped-bit": "complains in garbled words",
    "impossible-resend": "asks for line 1 again, long after it",
    "reset": "restarts with a banner",
    "silent-reset": "restarts without a word: counters at zero, settings at their defaults",
    "connect-garbage": "noise before the banner when the port is opened",
    "glued-nul": "answers a temperature query with glued fields and a NUL byte",
    "busy-long": "is busy for ten minutes",
    "cold-refusal": "refuses an extrusion as cold, then ok",
    "garbled-refusal": "refuses an extrusion in garbled words, then ok",
    "too-long-refusal": "refuses an extrusion as too long, then ok",
    "template-refusal": "refuses in the manner of the template dialect",
    "template-shutdown": "is shut down and says so at every command",
    "heater-kill": "stops itself over a heater, then silence",
    "old-stop": "stops as the oldest builds do",
    "silent-halt": "hangs: no bytes, the port stays open, heaters as they were",
    "step-down": "lowers the run current for heat, and says so",
    "counter-wrap": "reports a run current that counted down below zero",
    "clamp": "makes every move 40 % longer and says nothing",
    "early-ok": "says ok to a barrier while still moving",
    "cable-cut": "the port breaks in the middle of a line; the heater stays as it was",
}
LASTING = ("clamp", "early-ok", "template-shutdown")
BUSY_S = 600.0
_SPEC = re.compile(
    r"^(?P<name>[a-z-]+)(?:@(?:(?P<word>[GM]\d+):)?(?P<number>\d+(?:\.\d+)?)(?P<s>s)?)?$"
)


@dataclass(slots=True)
class Fault:
    """One fault waiting to strike.

    Attributes:
        name: One of `FAULTS`.
        at_command: Strikes at this line, counted from 1 (of lines with ``word``, if given).
        word: Command word that is counted, such as ``"G1"``; None counts every line.
        at_s: Or at this world time.
    """

    name: str
    at_command: int | None = None
    word: str | None = None
    at_s: float | None = None
    _seen: int = field(default=0, repr=False)

    def __post_init__(self) -> None:
        if self.name not in FAULTS:
            raise ValueError(f"no fault {self.name!r}; there are {', '.join(sorted(FAULTS))}")
        if self.at_command is None and self.at_s is None:
            self.at_command = 1

    def counts(self, word: str) -> bool:
        """Tell it of one more line; whether it strikes at that one."""
        if self.at_command is None or (self.word is not None and word != self.word):
            return False
        self._seen += 1
        return self._seen == self.at_command


def parse_faults(text: str) -> list[Fault]:
    """Faults of a URL value such as ``lost-ok@17,reset@G1:40,cable-cut@120s``.

    Raises:
        ValueError: Not of that form, or no such fault.
    """
    faults = []
    for part in filter(None, (p.strip() for p in text.split(","))):
        match = _SPEC.match(part)
        if match is None:
            raise ValueError(f"fault {part!r} is not of the form NAME, NAME@17, NAME@G1:5, NAME@9s")
        number = match["number"]
        if match["s"]:
            faults.append(Fault(match["name"], at_s=float(number)))
        else:
            count = int(float(number)) if number else 1
            faults.append(Fault(match["name"], at_command=count, word=match["word"]))
    return faults


@dataclass(slots=True)
class FaultPlan:
    """Faults that wait and faults that last."""

    waiting: list[Fault] = field(default_factory=list)
    lasting: set[str] = field(default_factory=set)
    struck: list[str] = field(default_factory=list)

    def at_line(self, word: str) -> list[str]:
        """Names of the faults that strike at this line."""
        due = [fault for fault in self.waiting if fault.counts(word)]
        return self._strike(due)

    def at_time(self, now_s: float) -> list[str]:
        """Names of the faults whose time has come."""
        due = [f for f in self.waiting if f.at_s is not None and f.at_s <= now_s]
        return self._strike(due)

    def at_open(self) -> list[str]:
        """Names of the faults that belong to opening the port."""
        return self._strike([f for f in self.waiting if f.name == "connect-garbage"])

    @property
    def next_s(self) -> float:
        """Time of the next timed fault."""
        return min((f.at_s for f in self.waiting if f.at_s is not None), default=float("inf"))

    def _strike(self, due: list[Fault]) -> list[str]:
        names = []
        for fault in due:
            self.waiting.remove(fault)
            self.struck.append(fault.name)
            if fault.name in LASTING:
                self.lasting.add(fault.name)
            names.append(fault.name)
        return names
