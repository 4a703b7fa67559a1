"""What a firmware is told and how its answers are read: data, validated once.

A dialect is a TOML file. Two ship with the project, ``numbered`` and ``template``; a file of the
user's own names one of them as its ``base`` and overrides single keys. `load_dialect` reads and
checks; every complaint is one line that names file, table, key, what is wrong and what is allowed.
"""

from __future__ import annotations

import difflib
import re
import string
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any

from rig.errors import DialectError

#: Which placeholders a command may use, and of which it needs one. Two sets: allowed, needed.
_PLACEHOLDERS: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
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
_REQUIRED = (
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
_DECIMALS: Mapping[str, int] = {
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
_ADDING = frozenset({"halted", "too_long", "cold", "stepped_down", "restarted", "unknown"})
#: Groups that the patterns of a reply must name (any one of them).
_GROUPS: Mapping[str, tuple[str, ...]] = {
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
_SETTINGS = (
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
_FEED_UNITS = ("auto", "mm_s", "mm_min")
#: Numbers: table, key, least, most.
_NUMBERS: Mapping[str, Mapping[str, tuple[float, float]]] = {
    "limits": {
        "one_move_mm": (0.5, 10_000.0),
        "assumed_acceleration_mm_s2": (1.0, 100_000.0),
        "idle_default_s": (0.0, 86_400.0),
    },
    "timing": {"reply_s": (0.2, 120.0), "busy_s": (1.0, 3_600.0)},
}
_TABLES = ("lines", "limits", "timing", "commands", "capabilities", "replies", "settings")
_BUILT_IN = ("numbered", "template")

Patterns = tuple[re.Pattern[str], ...]


def format_number(value: float, *, decimals: int) -> str:
    """``value`` with at most ``decimals`` decimals and no trailing zeros, never as ``-0``."""
    text = f"{value:.{decimals}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialect:
    """One firmware's language.

    Attributes:
        name: Its name, or the name of its file.
        numbered: Whether lines are numbered and checksummed.
        one_move_mm: Longest extrusion that is asked for in one command, in mm.
        assumed_acceleration_mm_s2: Acceleration taken where the firmware does not tell.
        idle_default_s: Idle time-out put back where none was told, in s.
        reply_s: Longest wait for an ordinary answer, in s.
        busy_s: Longest that "busy" may extend an ordinary answer, in s.
        commands: Command templates by verb; an empty tuple where there is none.
        capabilities: Capability that has to be announced before a verb is used.
        replies: Patterns by meaning.
        settings: Patterns by setting.
        max_feed_unit: Unit of the feed-rate limit: ``auto``, ``mm_s`` or ``mm_min``.
    """

    name: str
    numbered: bool
    one_move_mm: float
    assumed_acceleration_mm_s2: float
    idle_default_s: float
    reply_s: float
    busy_s: float
    commands: Mapping[str, tuple[str, ...]]
    capabilities: Mapping[str, str] = field(default_factory=dict)
    replies: Mapping[str, Patterns] = field(default_factory=dict)
    settings: Mapping[str, Patterns] = field(default_factory=dict)
    max_feed_unit: str = "auto"

    def has(self, verb: str) -> bool:
        """Whether this dialect has a command for ``verb``."""
        return bool(self.commands.get(verb))

    def lines(self, verb: str, **values: float) -> tuple[str, ...]:
        """The command lines for ``verb`` with the placeholders filled in.

        ``current_ma`` is made from ``current_a``, ``speed_mm_s`` from ``feed_mm_min`` and
        ``factor`` from ``percent`` where only the other is given. Empty for a verb without command.
        """
        if "current_a" in values:
            values.setdefault("current_ma", values["current_a"] * 1000.0)
        if "feed_mm_min" in values:
            values.setdefault("speed_mm_s", values["feed_mm_min"] / 60.0)
        if "percent" in values:
            values.setdefault("factor", values["percent"] / 100.0)
        words = {
            key: format_number(value, decimals=_DECIMALS[key]) for key, value in values.items()
        }
        return tuple(line.format(**words) for line in self.commands.get(verb, ()))

    def line(self, verb: str, **values: float) -> str:
        """The single command line for ``verb``; `KeyError` where the dialect has none."""
        lines = self.lines(verb, **values)
        if not lines:
            raise KeyError(verb)
        return lines[0]

    def search(self, meaning: str, text: str) -> re.Match[str] | None:
        """The first match of a reply's or setting's patterns in ``text``."""
        for pattern in self.replies.get(meaning) or self.settings.get(meaning) or ():
            if found := pattern.search(text):
                return found
        return None


def load_dialect(name_or_path: str | Path) -> Dialect:
    """The built-in dialect of this name, or the one in this file.

    Raises:
        DialectError: The file is missing, unreadable, incomplete or says something impossible.
    """
    tables, label = _merged(name_or_path, seen=())
    return _build(tables, label)


def _merged(name_or_path: str | Path, seen: tuple[str, ...]) -> tuple[dict[str, Any], str]:
    """The raw tables with those of the base underneath, and a label for messages."""
    text, label = _read(name_or_path)
    if label in seen:
        raise DialectError(f"{label}: base goes round in a circle: {' -> '.join((*seen, label))}")
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DialectError(f"{label}: not readable as TOML: {error}") from error
    _check_shape(raw, label)
    base = raw.get("base")
    if base is None:
        return raw, label
    if base not in _BUILT_IN:
        place = Path(str(name_or_path)).parent / base
        if not place.is_file():
            raise DialectError(
                f"{label}: base = {base!r} is neither built in ({', '.join(_BUILT_IN)}) nor a file"
            )
        base = str(place)
    below, _ = _merged(base, (*seen, label))
    merged: dict[str, Any] = {**below, **{k: v for k, v in raw.items() if k not in _TABLES}}
    for table in _TABLES:
        upper = dict(raw.get(table, {}))
        lower = dict(below.get(table, {}))
        if table == "replies":
            for key in _ADDING & upper.keys():
                upper[key] = [*_as_list(lower.get(key, [])), *_as_list(upper[key])]
        merged[table] = {**lower, **upper}
    return merged, label


def _read(name_or_path: str | Path) -> tuple[str, str]:
    if isinstance(name_or_path, str) and name_or_path in _BUILT_IN:
        place = resources.files("rig.link") / "dialects" / f"{name_or_path}.toml"
        return place.read_text(encoding="utf-8"), name_or_path
    path = Path(name_or_path)
    if not path.is_file():
        raise DialectError(
            f"link.dialect = {str(name_or_path)!r}: neither a built-in dialect "
            f"({', '.join(_BUILT_IN)}) nor a file that exists"
        )
    try:
        return path.read_text(encoding="utf-8"), str(path)
    except (OSError, UnicodeDecodeError) as error:
        raise DialectError(f"{path}: cannot be read: {error}") from error


def _as_list(value: Any) -> list[Any]:
    return list(value) if isinstance(value, list) else [value]


def _nearest(word: str, known: tuple[str, ...]) -> str:
    close = difflib.get_close_matches(word, known, n=1, cutoff=0.5)
    return f"; did you mean {close[0]!r}?" if close else f"; known are {', '.join(known)}"


def _check_shape(raw: Mapping[str, Any], label: str) -> None:
    """Unknown tables and keys, and tables that are none."""
    known: dict[str, tuple[str, ...]] = {
        "lines": ("numbered",),
        "limits": tuple(_NUMBERS["limits"]),
        "timing": tuple(_NUMBERS["timing"]),
        "commands": tuple(_PLACEHOLDERS),
        "capabilities": tuple(_PLACEHOLDERS),
        "replies": tuple(_GROUPS),
        "settings": (*_SETTINGS, "max_feed_unit"),
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


def _build(tables: Mapping[str, Any], label: str) -> Dialect:
    for table in ("lines", "commands", "replies", "settings", *_NUMBERS):
        if table not in tables:
            raise DialectError(
                f'{label}: table [{table}] is missing; begin the file with base = "template" '
                'or base = "numbered"'
            )
    numbered = tables["lines"].get("numbered")
    if not isinstance(numbered, bool):
        raise DialectError(f"{label}: [lines] numbered = {numbered!r}: has to be true or false")
    unit = tables["settings"].get("max_feed_unit", "auto")
    if unit not in _FEED_UNITS:
        raise DialectError(
            f"{label}: [settings] max_feed_unit = {unit!r}: allowed are {', '.join(_FEED_UNITS)}"
        )
    commands = {key: _command(key, tables["commands"].get(key, ""), label) for key in _PLACEHOLDERS}
    for key in _REQUIRED:
        if not commands[key]:
            raise DialectError(
                f"{label}: [commands] {key} is not filled in: write the firmware's command for it "
                "in a dialect file of your own (docs/dialects.md) and name that in link.dialect"
            )
    return Dialect(
        name=str(tables.get("name", label)),
        numbered=numbered,
        commands=commands,
        capabilities={
            key: _text("capabilities", key, value, label).upper()
            for key, value in tables.get("capabilities", {}).items()
        },
        replies={
            key: _patterns("replies", key, tables["replies"].get(key, []), groups, label)
            for key, groups in _GROUPS.items()
        },
        settings={
            key: _patterns("settings", key, tables["settings"].get(key, []), ("value",), label)
            for key in _SETTINGS
        },
        max_feed_unit=unit,
        **{
            key: _number(table, key, tables[table].get(key), least, most, label)
            for table, keys in _NUMBERS.items()
            for key, (least, most) in keys.items()
        },
    )


def _text(table: str, key: str, value: Any, label: str) -> str:
    if not isinstance(value, str):
        raise DialectError(f"{label}: [{table}] {key} = {value!r}: has to be a text")
    return value


def _number(table: str, key: str, value: Any, least: float, most: float, label: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not least <= value <= most:
        raise DialectError(
            f"{label}: [{table}] {key} = {value!r}: has to be a number from {least:g} to {most:g}"
        )
    return float(value)


def _command(key: str, value: Any, label: str) -> tuple[str, ...]:
    """The lines of one command, checked."""
    allowed, needed = _PLACEHOLDERS[key]
    lines = tuple(_text("commands", key, one, label).strip() for one in _as_list(value))
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


def _patterns(table: str, key: str, value: Any, groups: tuple[str, ...], label: str) -> Patterns:
    out = []
    for one in _as_list(value):
        text = _text(table, key, one, label)
        try:
            pattern = re.compile(text, re.IGNORECASE)
        except re.error as error:
            raise DialectError(f"{label}: [{table}] {key} = {text!r}: {error}") from error
        if groups and not set(groups) & set(pattern.groupindex):
            what = " or ".join(f"(?P<{one}>...)" for one in groups)
            raise DialectError(f"{label}: [{table}] {key} = {text!r}: has to name {what}")
        out.append(pattern)
    return tuple(out)
