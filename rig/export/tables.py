"""CSV: the curve and the points, each with a commented head.

The points file is itself a threshold table: `rig.curves.points.read_threshold_table` reads it back,
so that a curve can be fitted anew from an export.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from rig.export.files import NAMES, target, write_whole
from rig.export.sheet import COLUMNS, POINT_COLUMNS, UNITS, Sheet


def cell(value: Any) -> str:
    """A value as CSV text: numbers to the last digit, None as nothing."""
    if value is None:
        return ""
    if isinstance(value, float):
        return repr(value)
    return str(value)


def _text(head: Iterable[str], columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    out = io.StringIO()
    for line in head:
        out.write(f"# {line}\n")
    units = ", ".join(f"{name} in {UNITS[name]}" for name in columns if name in UNITS)
    out.write(f"# units: {units}\n")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([cell(value) for value in row] for row in rows)
    return out.getvalue()


def curve_csv(sheet: Sheet) -> str:
    """The curves as CSV text, all temperatures below one another."""
    return _text(
        sheet.provenance(),
        ("temperature_c", *COLUMNS),
        ((table.temperature_c, *row) for table in sheet.tables for row in table.rows()),
    )


def points_csv(sheet: Sheet) -> str:
    """The thresholds as CSV text, excluded ones with their reason."""
    return _text(
        sheet.provenance(),
        POINT_COLUMNS,
        ([point.get(name) for name in POINT_COLUMNS] for point in sheet.points),
    )


def parameters_csv(sheet: Sheet) -> str:
    """The parameters of all models with their intervals and covariance, as CSV text."""
    curves = [
        (float(curve["temperature_c"]), curve)
        for curve in sheet.document.get("curves", ())
        if isinstance(curve.get("covariance"), Mapping)
    ]
    names = list(dict.fromkeys(n for _, curve in curves for n in curve["covariance"]["names"]))
    rows = []
    for temperature_c, curve in curves:
        own = curve["covariance"]["names"]
        for row, name in zip(curve["covariance"]["matrix"], own, strict=True):
            held = curve["parameters"][name]
            covariance = dict(zip(own, row, strict=True))
            rows.append(
                [
                    temperature_c,
                    curve["model"],
                    name,
                    *(held.get(key) for key in ("value", "standard_error", "lower", "upper")),
                    held.get("unit"),
                    *(covariance.get(other) for other in names),
                ]
            )
    columns = ["temperature_c", "model", "parameter", "value", "standard_error", "lower", "upper"]
    head = [*sheet.provenance(), "covariance_...: with that parameter, in the product of the units"]
    return _text(head, [*columns, "unit", *(f"covariance_{name}" for name in names)], rows)


def write_csv(sheet: Sheet, path: str | Path) -> list[Path]:
    """``curve.csv``, and beside it ``curve-points.csv`` and ``curve-parameters.csv``."""
    file = target(path, NAMES["csv"])
    written = [write_whole(file, curve_csv(sheet))]
    if sheet.points:
        written.append(write_whole(file.with_name(f"{file.stem}-points.csv"), points_csv(sheet)))
    if any("covariance" in curve for curve in sheet.document.get("curves", ())):
        beside = file.with_name(f"{file.stem}-parameters.csv")
        written.append(write_whole(beside, parameters_csv(sheet)))
    return written
