"""What a dialect file may say, and the complaint where it says something else. Pure.

Every complaint is one line that names file, table, key, what is wrong and what is allowed.
"""

from __future__ import annotations

import difflib
import re
import string
from collections.abc import Mapping
from typing import Any

from rig.errors import DialectError

#: Which placeholders a command may use, and of which it needs one. Two sets: allowed, needed.
PLACEHOLDERS: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "identity": ((), ()),
    "settings": ((), ()),
    "temperature": ((), ()),
    "position": ((), ()),
    "heat": (("temperature_c",), ("temperature_c",)),
    "heaters_off": ((), ()),
    "relative_extrusion": ((), ()),
    "absolute_extrusion": ((), ()),
    "set_position": (("position_mm",), ("position_mm",)),
    "extrude": (("length_mm", "feed_mm_min", "speed_mm_s"), ("length_mm",)),
    "barrier": ((), ()),
    "set_current": (("current_a", "current_ma"), ("current_a", "current_ma")),
    "get_current": ((), ()),
    "driver_report": ((), ()),
    "set_flow": (("percent", "factor"), ("percent", "factor")),
    "get_flow": ((), ()),
    "set_feed": (("percent", "factor"), ("percent", "factor")),
    "get_feed": ((), ()),
    "set_pressure": (("factor",), ("factor",)),
    "get_pressure": ((), ()),
    "volumetric_off": ((), ()),
    "volumetric_on": (("diameter_mm",), ("diameter_mm",)),
    "set_idle": (("seconds",), ("seconds",)),
    "quick_stop": ((), ()),
    "emergency": ((), ()),
    "dead_man": (("seconds",), ("seconds",)),
    "report_temperature": (("seconds",), ("seconds",)),
    "get_steps": ((), ()),
    "get_max_feed": ((), ()),
    "get_acceleration_axis": ((), ()),
    "get_acceleration_extrude": ((), ()),
}

#: Commands without which no measurement can be made or stopped.
REQUIRED = (
    "temperature",
    "position",
    "heat",
    "heaters_off",
    "relative_extrusion",
    "extrude",
    "barrier",
    "set_current",
    "emergency",
)

#: How each placeholder is written: decimals at most.
DECIMALS: Mapping[str, int] = {
    "temperature_c": 1,
    "length_mm": 5,
    "feed_mm_min": 3,
    "speed_mm_s": 5,
    "current_a": 3,
    "current_ma": 0,
    "percent": 1,
    "factor": 4,
    "diameter_mm": 3,
    "position_mm": 5,
    "seconds": 0,
}

#: Words that no dialect may send, whatever a file says.
_FORBIDDEN: Mapping[str, str] = {
    "M302": "it switches the cold-extrusion protection off",
    "M500": "it saves settings for good",
    "M109": "it blocks every other command while heating",
}

#: Replies whose list in a user's file is added to the base's, because losing one would be unsafe.
ADDING = frozenset({"halted", "too_long", "cold", "stepped_down", "restarted", "unknown"})
#: Groups that the patterns of a reply must name (any one of them).
GROUPS: Mapping[str, tuple[str, ...]] = {
    "temperature": ("actual",),
    "position": ("value",),
    "current": ("current_a", "current_ma"),
    "identity": (),
    "halted": (),
    "too_long": (),
    "cold": (),
    "stepped_down": (),
    "restarted": (),
    "unknown": (),
}
SETTINGS = (
    "steps",
    "max_feed",
    "acceleration_axis",
    "acceleration_extrude",
    "jerk",
    "volumetric",
    "idle",
    "flow",
    "feed",
    "pressure",
)
FEED_UNITS = ("auto", "mm_s", "mm_min")
#: Numbers: table, key, least, most.
NUMBERS: Mapping[str, Mapping[str, tuple[float, float]]] = {
    "limits": {
        "one_move_mm": (0.5, 10_000.0),
        "assumed_acceleration_mm_s2": (1.0, 100_000.0),
        "idle_default_s": (0.0, 86_400.0),
    },
    "timing": {"reply_s": (0.2, 120.0), "busy_s": (1.0, 3_600.0)},
}
TABLES = ("lines", "limits", "timing", "commands", "capabilities", "replies", "settings")
BUILT_IN = ("numbered", "template")


def as_list(value: Any) -> list[Any]:
    return list(value) if isinstance(value, list) else [value]


def _nearest(word: str, known: tuple[str, ...]) -> str:
    close = difflib.get_close_matches(word, known, n=1, cutoff=0.5)
    return f"; did you mean {close[0]!r}?" if close else f"; known are {', '.join(known)}"


def check_shape(raw: Mapping[str, Any], label: str) -> None:
    """Unknown tables and keys, and tables that are none."""
    known: dict[str, tuple[str, ...]] = {
        "lines": ("numbered",),
        "limits": tuple(NUMBERS["limits"]),
        "timing": tuple(NUMBERS["timing"]),
        "commands": tuple(PLACEHOLDERS),
        "capabilities": tuple(PLACEHOLDERS),
        "replies": tuple(GROUPS),
        "settings": (*SETTINGS, "max_feed_unit"),
    }
    for key, value in raw.items():
        if key in ("name", "base"):
            if not isinstance(value, str):
                raise DialectError(f"{label}: {key} = {value!r}: has to be a text")
        elif key not in known:
            raise DialectError(f"{label}: unknown {key!r}{_nearest(key, (*known, 'name', 'base'))}")
        elif not isinstance(value, dict):
            raise DialectError(f"{label}: {key} has to be a table, [{key}]")
        else:
            for inner in value:
                if inner not in known[key]:
                    raise DialectError(
                        f"{label}: [{key}] unknown key {inner!r}{_nearest(inner, known[key])}"
                    )


def checked_text(table: str, key: str, value: Any, label: str) -> str:
    if not isinstance(value, str):
        raise DialectError(f"{label}: [{table}] {key} = {value!r}: has to be a text")
    return value


def checked_number(
    table: str, key: str, value: Any, least: float, most: float, label: str
) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not least <= value <= most:
        raise DialectError(
            f"{label}: [{table}] {key} = {value!r}: has to be a number from {least:g} to {most:g}"
        )
    return float(value)


def checked_command(key: str, value: Any, label: str) -> tuple[str, ...]:
    """The lines of one command, checked."""
    allowed, needed = PLACEHOLDERS[key]
    lines = tuple(checked_text("commands", key, one, label).strip() for one in as_list(value))
    lines = tuple(line for line in lines if line)
    used: set[str] = set()
    for line in lines:
        place = f"{label}: [commands] {key} = {line!r}"
        if any(ch in line for ch in "\r\n*;") or not line.isascii() or not line.isprintable():
            raise DialectError(
                f"{place}: one line of plain text, without '*' and ';' "
                "(numbers and checksums are added where lines.numbered is true)"
            )
        for word, why in _FORBIDDEN.items():
            if word in re.split(r"[^A-Za-z0-9]+", line.upper()):
                raise DialectError(f"{place}: {word} is never sent: {why}")
        try:
            parts = list(string.Formatter().parse(line))
        except ValueError as error:
            raise DialectError(f"{place}: braces do not match: {error}") from error
        for _, name, spec, conversion in parts:
            if name is None:
                continue
            if name not in allowed:
                what = ", ".join("{" + one + "}" for one in allowed) or "none"
                raise DialectError(f"{place}: placeholder {{{name}}} is not known here; {what}")
            if spec or conversion:
                raise DialectError(f"{place}: write {{{name}}} alone; the rig formats the number")
            used.add(name)
    if lines and needed and not used & set(needed):
        what = " or ".join("{" + one + "}" for one in needed)
        raise DialectError(f"{label}: [commands] {key} = {list(lines)!r}: has to contain {what}")
    if key == "extrude" and lines and not used & {"feed_mm_min", "speed_mm_s"}:
        raise DialectError(
            f"{label}: [commands] extrude = {lines[0]!r}: has to contain {{feed_mm_min}} or "
            "{speed_mm_s}"
        )
    many_allowed = key in ("settings", "heaters_off", "relative_extrusion", "absolute_extrusion")
    if len(lines) > 1 and not many_allowed:
        raise DialectError(f"{label}: [commands] {key}: one line, not {len(lines)}")
    return lines


def checked_patterns(
    table: str, key: str, value: Any, groups: tuple[str, ...], label: str
) -> tuple[re.Pattern[str], ...]:
    out = []
    for one in as_list(value):
        text = checked_text(table, key, one, label)
        try:
            pattern = re.compile(text, re.IGNORECASE)
        except re.error as error:
            raise DialectError(f"{label}: [{table}] {key} = {text!r}: {error}") from error
        if groups and not set(groups) & set(pattern.groupindex):
            what = " or ".join(f"(?P<{one}>...)" for one in groups)
            raise DialectError(f"{label}: [{table}] {key} = {text!r}: has to name {what}")
        out.append(pattern)
    return tuple(out)
