"""The clock that everything that waits is given: now and sleep together.

Hardware runs on `RealClock`. The virtual bench has a clock of its own with the same two verbs,
on which sleeping moves the virtual world on.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Protocol


class Clock(Protocol):
    """Monotonic time and waiting, in seconds."""

    def now(self) -> float:
        """Seconds on a monotonic clock with an arbitrary origin."""
        ...

    def sleep(self, duration_s: float) -> None:
        """Wait for ``duration_s`` seconds (no wait if not positive)."""
        ...


class RealClock:
    """The machine's monotonic clock."""

    def now(self) -> float:
        return time.monotonic()

    def sleep(self, duration_s: float) -> None:
        if duration_s > 0:
            time.sleep(duration_s)


@dataclass(frozen=True, slots=True)
class Deadline:
    """A time-out that is spent once across all the reads of an exchange."""

    clock: Clock
    end_s: float

    @classmethod
    def after(cls, clock: Clock, duration_s: float) -> Deadline:
        """The deadline ``duration_s`` seconds from now on ``clock``."""
        return cls(clock, clock.now() + duration_s)

    @property
    def left_s(self) -> float:
        """Seconds left, never negative."""
        return max(0.0, self.end_s - self.clock.now())

    @property
    def passed(self) -> bool:
        """Whether the deadline is over."""
        return self.clock.now() >= self.end_s
