"""Files for other tools: one module a format, all written from one checked sheet."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from rig.errors import UsageError
from rig.export.c_header import write_c_header
from rig.export.document import write_json
from rig.export.modelica import write_modelica
from rig.export.parquet import write_parquet
from rig.export.python_module import write_python
from rig.export.sheet import HasDocument, Sheet, make_sheet
from rig.export.spice import write_spice
from rig.export.tables import write_csv

__all__ = ["FORMATS", "Sheet", "export", "make_sheet"]

#: Name of a format -> writer of a sheet to a file or folder; it returns the files it wrote.
FORMATS: Mapping[str, Callable[[Sheet, str | Path], list[Path]]] = {
    "csv": write_csv,
    "json": write_json,
    "parquet": write_parquet,
    "spice": write_spice,
    "modelica": write_modelica,
    "python": write_python,
    "c": write_c_header,
}


def export(
    curves: HasDocument | Mapping[str, Any], to: str, path: str | Path, *, made_on: str = ""
) -> list[Path]:
    """Write curves in one format.

    Args:
        curves: A curve set, or a curve document.
        to: A name of `FORMATS`.
        path: The main file, or a folder for the usual names.
        made_on: Date to state in the files, for example ``2031-05-04``.

    Returns:
        The files written, the main one first.

    Raises:
        UsageError: An unknown format, a missing library, or a place that cannot be written.
        TableError: Curves that cannot be looked up.
    """
    writer = FORMATS.get(to)
    if writer is None:
        raise UsageError(f"no format {to!r}; there are {', '.join(FORMATS)}")
    return writer(make_sheet(curves, made_on=made_on), path)
