"""One clear line for each fault of a bench file: file, line, key, value, what is allowed."""

from __future__ import annotations

import difflib
import re
from typing import Any, get_args

from annotated_types import Ge, Gt, Le, Lt
from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo


def place(text: str, name: str, table: str, key: str | None) -> str:
    """``bench.toml:12: limits.max_current_a `` for the front of a message."""
    line = find_line(text, table, key)
    where = f"{name}:{line}" if line else name
    return f"{where}: {table}.{key} " if key else f"{where}: [{table}] "


def find_line(text: str, table: str, key: str | None) -> int | None:
    """Line number of a key in a table, or of the table's header; None if neither is there."""
    current, header = "", None
    for number, line in enumerate(text.splitlines(), 1):
        if match := re.match(r"\s*\[\s*([\w.-]+)\s*\]", line):
            current = match[1]
            if current == table:
                header = number
        elif match := re.match(r"\s*([\w.-]+)\s*=", line):
            found = f"{current}.{match[1]}" if current else match[1]
            if key is not None and found == f"{table}.{key}":
                return number
    return header


def describe(error: ValidationError, *, model: type[BaseModel], text: str, name: str) -> list[str]:
    """The faults of a validation, one line each, in the order of the file's tables."""
    lines: list[str] = []
    for fault in error.errors():
        location = [part for part in fault["loc"] if isinstance(part, str) or len(fault["loc"]) < 4]
        table = str(location[0]) if location else ""
        key = str(location[1]) if len(location) > 1 and isinstance(location[1], str) else None
        line = _one_line(fault, table, key, model=model, text=text, name=name)
        if line not in lines:
            lines.append(line)
    return lines


def _one_line(
    fault: Any, table: str, key: str | None, *, model: type[BaseModel], text: str, name: str
) -> str:
    kind = fault["type"]
    table_model = _table_model(model, table)
    if kind == "extra_forbidden":
        if key is None:
            tables = list(model.model_fields)
            where = find_line(text, table, None) or find_line(text, "", table)
            at = f"{name}:{where}" if where else name
            known = ", ".join(tables)
            return f"{at}: unknown table [{table}]{_nearest(table, tables)}; tables: {known}"
        keys = list(table_model.model_fields) if table_model else []
        return f"{place(text, name, table, key)}is not a known key{_nearest(key, keys, table)}"
    if kind == "missing":
        if key is None:
            return f"{name}: the table [{table}] is missing"
        field = table_model.model_fields.get(key) if table_model else None
        allowed = _allowed(field)
        return f"{place(text, name, table, None)}lacks the key {key}{allowed and f' ({allowed})'}"
    if key is None:
        message = str(fault.get("msg", "")).removeprefix("Value error, ")
        return f"{place(text, name, table, None)}{message}"
    field = table_model.model_fields.get(key) if table_model else None
    value = fault.get("input")
    shown = f"= {value!r}"
    if len(fault["loc"]) > 2 and isinstance(fault["loc"][2], int):
        shown = f"holds {value!r}"
    message = str(fault.get("msg", "")).removeprefix("Value error, ")
    if kind in ("greater_than", "greater_than_equal", "less_than", "less_than_equal"):
        return f"{place(text, name, table, key)}{shown} is out of range; allowed: {_allowed(field)}"
    if kind == "literal_error":
        return f"{place(text, name, table, key)}{shown}; allowed: {_allowed(field)}"
    if kind == "value_error":
        return f"{place(text, name, table, key)}{shown}: {message}"
    wanted = {
        "float_type": "a number",
        "int_type": "a whole number",
        "int_from_float": "a whole number",
        "string_type": "text in quotes",
        "string_too_short": "text that is not empty",
        "tuple_type": "a list",
        "too_short": "a list that is not empty",
        "finite_number": "a finite number",
    }.get(kind, message[:1].lower() + message[1:])
    extra = _allowed(field)
    return f"{place(text, name, table, key)}{shown}: must be {wanted}{extra and f' ({extra})'}"


def _table_model(model: type[BaseModel], table: str) -> type[BaseModel] | None:
    field = model.model_fields.get(table)
    if field is None:
        return None
    for candidate in (field.annotation, *get_args(field.annotation)):
        if isinstance(candidate, type) and issubclass(candidate, BaseModel):
            return candidate
    return None


def _allowed(field: FieldInfo | None) -> str:
    """What a field takes, in words: bounds, choices, and its description."""
    if field is None:
        return ""
    bounds: list[str] = []
    for item in field.metadata:
        if isinstance(item, Gt):
            bounds.append(f"above {item.gt:g}")
        elif isinstance(item, Ge):
            bounds.append(f"at least {item.ge:g}")
        elif isinstance(item, Lt):
            bounds.append(f"below {item.lt:g}")
        elif isinstance(item, Le):
            bounds.append(f"at most {item.le:g}")
    choices = [str(c) for c in get_args(field.annotation) if isinstance(c, str)]
    words = " and ".join(bounds) or " or ".join(f'"{c}"' for c in choices)
    if field.description:
        words = f"{words}; {field.description}" if words else field.description
    return words


def _nearest(word: str, known: list[str], table: str = "") -> str:
    close = difflib.get_close_matches(word, known, n=1, cutoff=0.5)
    if close:
        return f"; did you mean {close[0]}?"
    return f"; [{table}] knows {', '.join(known)}" if table and known else ""
