"""Reading the firmware's own account of itself. Pure: lines in, values out."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from rig.link.dialect import Dialect
from rig.printer_types import PrinterSettings

#: Above this a feed-rate limit without a unit is taken for mm per minute: no extruder does
#: 300 mm of filament a second, and none is limited to less than 300 mm a minute.
_SIZE_OF_MINUTES = 300.0

_PER_MINUTE = re.compile(r"(?:mm|units?)\s*/\s*min", re.IGNORECASE)
_PER_SECOND = re.compile(r"(?:mm|units?)\s*/\s*s(?:ec)?\b", re.IGNORECASE)
_FEED_WORDS = re.compile(r"feed ?rate|max(?:imum)? speed|\bM203\b", re.IGNORECASE)
_AXIS = re.compile(r"[XYZEIJKUVW]\d?")
_TROUBLE = re.compile(r"^otpw|^ot\b|over.?temp|\breset\b", re.IGNORECASE)
_CAPABILITY = re.compile(r"^Cap:(\w+):1\b", re.IGNORECASE)


def capabilities(lines: Iterable[str]) -> frozenset[str]:
    """The capabilities that are announced as switched on."""
    return frozenset(
        found[1].upper() for line in lines if (found := _CAPABILITY.match(line.strip()))
    )


def parse_settings(
    lines: Iterable[str], dialect: Dialect, *, current_a: float | None = None
) -> PrinterSettings:
    """The extruder's settings from every line that the settings queries drew.

    A value that is given twice counts as given last: the reports list the extruder's own line
    after the common one. ``current_a`` is the current as its own query answered.
    """
    kept = tuple(lines)
    value = {key: _last(dialect, key, kept) for key in dialect.settings}
    guesses: list[str] = []
    volumetric, diameter_mm = _volumetric(dialect, kept)
    if current_a is None:
        current_a = next(
            (c for line in reversed(kept) if (c := parse_current(dialect, line)) is not None), None
        )
    limits = [a for a in (value["acceleration_extrude"], value["acceleration_axis"]) if a]
    return PrinterSettings(
        steps_per_mm=value["steps"],
        max_feed_mm_s=_max_feed(dialect, kept, value["max_feed"], guesses),
        acceleration_mm_s2=min(limits) if limits else None,
        jerk_mm_s=value["jerk"],
        volumetric=volumetric,
        volumetric_diameter_mm=diameter_mm,
        flow_percent=value["flow"],
        feed_percent=value["feed"],
        pressure_factor=value["pressure"],
        run_current_a=current_a,
        idle_timeout_s=value["idle"],
        lines=kept,
        guesses=tuple(guesses),
    )


def parse_current(dialect: Dialect, line: str) -> float | None:
    """The extruder's run current in a line, in A and in the driver's own unit; None if not there.

    Only the extruder's counts: a firmware that set the current of another axis says so without an
    error.
    """
    found = dialect.search("current", line)
    if found is None:
        return None
    groups = found.groupdict()
    if groups.get("current_a") is not None:
        return float(groups["current_a"])
    return float(groups["current_ma"]) / 1000.0


def _last(dialect: Dialect, key: str, lines: Iterable[str]) -> float | None:
    out: float | None = None
    for line in lines:
        found = dialect.search(key, line)
        if found is not None and found["value"] is not None:
            out = float(found["value"])
    return out


def _volumetric(dialect: Dialect, lines: Iterable[str]) -> tuple[bool | None, float | None]:
    """Whether lengths are volumes, and the diameter: off with ``D0`` or ``S0``."""
    state: tuple[bool | None, float | None] = (None, None)
    for line in lines:
        found = dialect.search("volumetric", line)
        if found is not None:
            diameter_mm = float(found["value"])
            switched_off = found.groupdict().get("on") == "0"
            state = (diameter_mm > 0 and not switched_off, diameter_mm or None)
    return state


def _max_feed(
    dialect: Dialect, lines: tuple[str, ...], value: float | None, guesses: list[str]
) -> float | None:
    """The feed-rate limit in mm/s, whichever unit the firmware counts in."""
    if value is None or dialect.max_feed_unit == "mm_s":
        return value
    if dialect.max_feed_unit == "mm_min":
        return value / 60.0
    for line in lines:
        if _FEED_WORDS.search(line):
            if _PER_MINUTE.search(line):
                return value / 60.0
            if _PER_SECOND.search(line):
                return value
    per_minute = value >= _SIZE_OF_MINUTES
    guesses.append(
        f"the feed-rate limit of {value:g} is taken for mm per "
        f"{'minute' if per_minute else 'second'} (settings.max_feed_unit in a dialect file says it)"
    )
    return value / 60.0 if per_minute else value


@dataclass(frozen=True, slots=True)
class DriverReport:
    """What the motor driver itself reports of the extruder's axis.

    Attributes:
        applied_a: RMS current that it really applies, in A; None where not told.
        microsteps: Its microsteps; None where not told.
        trouble: Flags that say that it is or was too hot, or was without power.
        lines: The report as it came.
    """

    applied_a: float | None
    microsteps: int | None
    trouble: tuple[str, ...]
    lines: tuple[str, ...]


def parse_driver_report(lines: Iterable[str]) -> DriverReport:
    """Read the driver's table: a heading line with the axes, then a row a quantity."""
    kept = tuple(lines)
    column: int | None = None
    rows: dict[str, str] = {}
    for line in kept:
        cells = [cell.strip() for cell in re.split(r"\t+", line.strip())]
        if all(_AXIS.fullmatch(cell) for cell in cells):
            # Counted from the right: rows have a name in front, the heading has none.
            name = next((axis for axis in ("E", "E0") if axis in cells), None)
            column = cells.index(name) - len(cells) if name else None
        elif column is not None and len(cells) > -column:
            rows.setdefault(cells[0].lower(), cells[column])
    trouble = tuple(
        name
        for name, cell in rows.items()
        if _TROUBLE.search(name) and cell.lower() in ("1", "true", "yes", "x", "*")
    )
    return DriverReport(
        applied_a=_rms(rows),
        microsteps=_whole(rows.get("msteps") or rows.get("microsteps")),
        trouble=trouble,
        lines=kept,
    )


def _rms(rows: Mapping[str, str]) -> float | None:
    """The row of the RMS current, in A: figures above 20 are milliamperes."""
    for name, cell in rows.items():
        if "rms" in name and (found := re.match(r"\d+(?:\.\d+)?", cell)):
            value = float(found[0])
            return value / 1000.0 if value > 20.0 else value
    return None


def _whole(cell: str | None) -> int | None:
    return int(cell) if cell and cell.isdigit() else None
