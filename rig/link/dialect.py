"""What a firmware is told and how its answers are read: data, validated once.

A dialect is a TOML file. Two ship with the project, ``numbered`` and ``template``; a file of the
user's own names one of them as its ``base`` and overrides single keys. `load_dialect` reads and
checks; every complaint is one line that names file, table, key, what is wrong and what is allowed.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any

from rig.errors import DialectError
from rig.link.dialect_checks import (
    ADDING,
    BUILT_IN,
    DECIMALS,
    FEED_UNITS,
    GROUPS,
    NUMBERS,
    PLACEHOLDERS,
    REQUIRED,
    SETTINGS,
    TABLES,
    as_list,
    check_shape,
    checked_command,
    checked_number,
    checked_patterns,
    checked_text,
)

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
        words = {key: format_number(value, decimals=DECIMALS[key]) for key, value in values.items()}
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
    check_shape(raw, label)
    base = raw.get("base")
    if base is None:
        return raw, label
    if base not in BUILT_IN:
        place = Path(str(name_or_path)).parent / base
        if not place.is_file():
            raise DialectError(
                f"{label}: base = {base!r} is neither built in ({', '.join(BUILT_IN)}) nor a file"
            )
        base = str(place)
    below, _ = _merged(base, (*seen, label))
    merged: dict[str, Any] = {**below, **{k: v for k, v in raw.items() if k not in TABLES}}
    for table in TABLES:
        upper = dict(raw.get(table, {}))
        lower = dict(below.get(table, {}))
        if table == "replies":
            for key in ADDING & upper.keys():
                upper[key] = [*as_list(lower.get(key, [])), *as_list(upper[key])]
        merged[table] = {**lower, **upper}
    return merged, label


def _read(name_or_path: str | Path) -> tuple[str, str]:
    if isinstance(name_or_path, str) and name_or_path in BUILT_IN:
        place = resources.files("rig.link") / "dialects" / f"{name_or_path}.toml"
        return place.read_text(encoding="utf-8"), name_or_path
    path = Path(name_or_path)
    if not path.is_file():
        raise DialectError(
            f"link.dialect = {str(name_or_path)!r}: neither a built-in dialect "
            f"({', '.join(BUILT_IN)}) nor a file that exists"
        )
    try:
        return path.read_text(encoding="utf-8"), str(path)
    except (OSError, UnicodeDecodeError) as error:
        raise DialectError(f"{path}: cannot be read: {error}") from error


def _build(tables: Mapping[str, Any], label: str) -> Dialect:
    for table in ("lines", "commands", "replies", "settings", *NUMBERS):
        if table not in tables:
            raise DialectError(
                f'{label}: table [{table}] is missing; begin the file with base = "template" '
                'or base = "numbered"'
            )
    numbered = tables["lines"].get("numbered")
    if not isinstance(numbered, bool):
        raise DialectError(f"{label}: [lines] numbered = {numbered!r}: has to be true or false")
    unit = tables["settings"].get("max_feed_unit", "auto")
    if unit not in FEED_UNITS:
        raise DialectError(
            f"{label}: [settings] max_feed_unit = {unit!r}: allowed are {', '.join(FEED_UNITS)}"
        )
    commands = {
        key: checked_command(key, tables["commands"].get(key, ""), label) for key in PLACEHOLDERS
    }
    for key in REQUIRED:
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
            key: checked_text("capabilities", key, value, label).upper()
            for key, value in tables.get("capabilities", {}).items()
        },
        replies={
            key: checked_patterns("replies", key, tables["replies"].get(key, []), groups, label)
            for key, groups in GROUPS.items()
        },
        settings={
            key: checked_patterns(
                "settings", key, tables["settings"].get(key, []), ("value",), label
            )
            for key in SETTINGS
        },
        max_feed_unit=unit,
        **{
            key: checked_number(table, key, tables[table].get(key), least, most, label)
            for table, keys in NUMBERS.items()
            for key, (least, most) in keys.items()
        },
    )
