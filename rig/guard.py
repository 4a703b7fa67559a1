"""The one exit: whatever ends a run, heaters go off and the current goes back.

::

    guard = Guard(printer, clock=clock, envelope=Envelope(max_temperature_c=260.0))
    with guard:
        ...            # anything; call guard.check() often
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rig.clock import Clock
    from rig.printer import Printer


@dataclass(frozen=True, slots=True, kw_only=True)
class Envelope:
    """The limits within which heat and time must stay.

    Attributes:
        max_temperature_c: Hot end above this trips, in degrees Celsius.
        report_timeout_s: Longest time without a temperature report while a heater is on, in s.
        target_tolerance_c: A reported target further than this from the one set trips.
        rise_c: The hot end has to rise by this much ...
        rise_window_s: ... within this time while it is far below its target.
        fall_c: Falling this far below the target after having reached it trips.
        max_hours: Longest run, in hours; None for no limit.
    """

    max_temperature_c: float
    report_timeout_s: float = 15.0
    target_tolerance_c: float = 1.0
    rise_c: float = 3.0
    rise_window_s: float = 40.0
    fall_c: float = 20.0
    max_hours: float | None = None


class Guard:
    """Context manager round everything that heats or moves."""

    def __init__(
        self,
        printer: Printer,
        *,
        clock: Clock,
        envelope: Envelope,
        say: Callable[[str], None] | None = None,
    ) -> None:
        raise NotImplementedError

    def __enter__(self) -> Guard:
        raise NotImplementedError

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> bool:
        raise NotImplementedError

    def add_cleanup(self, name: str, action: Callable[[], object]) -> None:
        """Register something to be done after the heaters are off (a microphone to stop)."""
        raise NotImplementedError

    def check(self) -> None:
        """Raise `InterlockError`, `LimitReachedError` or `InterruptedRunError` if anything is amiss."""
        raise NotImplementedError

    def safe_state(self) -> list[str]:
        """Bring everything to rest; returns in plain words what could not be done. Idempotent."""
        raise NotImplementedError


def caution_text(*, unattended: bool = False) -> str:
    """What a person has to know before heating (and before leaving the room)."""
    raise NotImplementedError
