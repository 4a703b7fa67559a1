"""Parquet: curve and points as typed columns, with units and provenance in the metadata.

Needs pyarrow, which the extra ``parquet`` installs.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from rig.errors import UsageError
from rig.export.files import NAMES, target, write_whole
from rig.export.sheet import COLUMNS, POINT_COLUMNS, UNITS, Sheet

_KINDS = {
    "excluded": "string",
    "run": "string",
    "remark": "string",
    "repeat": "int64",
    "fitted": "bool_",
}


def write_parquet(sheet: Sheet, path: str | Path) -> list[Path]:
    """``curve.parquet`` and, where there are points, ``curve-points.parquet`` beside it.

    Raises:
        UsageError: pyarrow is not installed.
    """
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError as error:
        raise UsageError(
            "Parquet needs pyarrow, which is not installed: pip install 'stallcurve[parquet]'"
        ) from error

    def pack(columns: Sequence[str], rows: Sequence[Sequence[Any]]) -> bytes:
        fields, arrays = [], []
        for index, name in enumerate(columns):
            kind = getattr(pyarrow, _KINDS.get(name, "float64"))()
            units = {"unit": UNITS[name]} if name in UNITS else None
            fields.append(pyarrow.field(name, kind, metadata=units))
            arrays.append(pyarrow.array([row[index] for row in rows], type=kind))
        metadata = {
            "stallcurve": "\n".join(sheet.provenance()),
            "bench_digest": sheet.bench_digest,
            "exported_on": sheet.made_on,
        }
        table = pyarrow.Table.from_arrays(arrays, schema=pyarrow.schema(fields, metadata))
        out = io.BytesIO()
        pyarrow.parquet.write_table(table, out)
        return out.getvalue()

    file = target(path, NAMES["parquet"])
    curve_rows = [(t.temperature_c, *row) for t in sheet.tables for row in t.rows()]
    written = [write_whole(file, pack(("temperature_c", *COLUMNS), curve_rows))]
    if sheet.points:
        rows = [[point.get(name) for name in POINT_COLUMNS] for point in sheet.points]
        beside = file.with_name(f"{file.stem}-points.parquet")
        written.append(write_whole(beside, pack(POINT_COLUMNS, rows)))
    return written
