"""JSON: the whole curve document, and the JSON Schema that describes it."""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path

from rig.errors import UsageError
from rig.export.files import NAMES, target, write_whole
from rig.export.sheet import Sheet


def schema_text() -> str:
    """The JSON Schema of ``curve.json``, as it ships with the package.

    Raises:
        UsageError: The package lacks the file: the installation is damaged.
    """
    try:
        return resources.files("rig.curves").joinpath("curve.schema.json").read_text("utf-8")
    except FileNotFoundError as error:
        raise UsageError(
            "curve.schema.json is missing from the package; install stallcurve again"
        ) from error


def write_json(sheet: Sheet, path: str | Path) -> list[Path]:
    """``curve.json`` and ``curve.schema.json`` beside it."""
    file = target(path, NAMES["json"])
    text = json.dumps(dict(sheet.document), indent=1, allow_nan=False) + "\n"
    schema = file.with_name(f"{file.stem}.schema.json")
    return [write_whole(file, text), write_whole(schema, schema_text())]
