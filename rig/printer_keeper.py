"""What was found on the printer, what was changed, and how it is put back."""

from __future__ import annotations

from collections.abc import Callable

from rig.errors import CommandRefusedError, LinkError
from rig.printer_queries import Queries
from rig.printer_types import PrinterSettings

#: What each remembered change is called to a person.
_PLAIN = {
    "flow": "flow multiplier",
    "feed": "speed multiplier",
    "pressure": "pressure compensation",
    "volumetric": "volumetric mode",
    "idle": "idle time-out of the motors",
    "current": "run current of the extruder motor",
    "extrusion": "absolute extrusion",
    "report": "temperature reports",
    "dead_man": "dead-man's switch",
}
_NEVER_TOLD = "the firmware never told what it was; restart the printer"


class Keeper:
    """Remembers before anything is changed, and puts it back in the reverse order.

    Args:
        queries: The commands.
        set_current: Sets and verifies a run current, in the driver's own unit.
    """

    def __init__(self, queries: Queries, set_current: Callable[[float], None]) -> None:
        self._queries = queries
        self._set_current = set_current
        self._found: dict[str, float] = {}
        self._changed: list[str] = []

    def found(self, settings: PrinterSettings) -> None:
        """Keep what was found; what was kept earlier stays, as it is the older state."""
        for key, value in (
            ("flow", settings.flow_percent),
            ("feed", settings.feed_percent),
            ("pressure", settings.pressure_factor),
            ("idle", settings.idle_timeout_s),
            ("current", settings.run_current_a),
            ("volumetric", settings.volumetric_diameter_mm if settings.volumetric else None),
        ):
            if value is not None:
                self._found.setdefault(key, value)

    def knows(self, key: str) -> bool:
        """Whether it is kept how ``key`` was found."""
        return key in self._found

    def keep(self, key: str, value: float) -> None:
        """Keep how one thing was found."""
        self._found.setdefault(key, value)

    def remember(self, key: str) -> None:
        """Note that something is about to differ, before it does."""
        if key not in self._changed:
            self._changed.append(key)

    def change(self, key: str, verb: str, **values: float) -> bool:
        """Change one thing, where the firmware has it; whether it has."""
        if not self._queries.usable(verb):
            return False
        self.remember(key)
        for text in self._queries.link.dialect.lines(verb, **values):
            if self._queries.exchange(text, must=False).unknown:
                self._changed.remove(key)  # a firmware without the feature needs no switching off
                return False
        return True

    def put_back(self) -> list[str]:
        """Put everything back; returns in plain words what could not be.

        Each step is tried even if another was refused. Once the firmware is silent or gone the
        rest is only named: more waiting would be vain.
        """
        undone: list[str] = []
        dead = False
        while self._changed:
            key = self._changed[-1]
            problem = "not tried any more"
            if not dead:
                try:
                    problem = self._put_back(key)
                except CommandRefusedError as error:
                    problem = str(error)
                except LinkError as error:
                    dead, problem = True, str(error)
            self._changed.remove(key)
            if problem:
                undone.append(f"{_PLAIN[key]}: {problem}")
        return undone

    def _put_back(self, key: str) -> str:
        """Put one thing back; what went wrong, or ""."""
        dialect = self._queries.link.dialect
        value = self._found.get(key)
        lines: tuple[str, ...] = ()
        match key:
            case "current":
                if value is None:
                    return _NEVER_TOLD
                self._set_current(value)
            case "flow" | "feed":
                lines = dialect.lines(f"set_{key}", percent=100.0 if value is None else value)
            case "pressure":
                if value is None:
                    return _NEVER_TOLD
                lines = dialect.lines("set_pressure", factor=value)
            case "volumetric":
                lines = dialect.lines("volumetric_on", diameter_mm=value) if value else ()
            case "idle":
                seconds = dialect.idle_default_s if value is None else value
                lines = dialect.lines("set_idle", seconds=seconds)
            case "extrusion":
                lines = dialect.lines("absolute_extrusion")
            case "report":
                lines = dialect.lines("report_temperature", seconds=0.0)
            case "dead_man":
                lines = dialect.lines("dead_man", seconds=0.0)
        for text in lines:
            reply = self._queries.exchange(text, must=False)
            if not reply.good:
                return f"{text!r}: {reply.complaint!r}"
        return ""
