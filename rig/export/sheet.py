"""What every exporter writes from: the tables of a curve document, checked once, as plain tuples.

The document is the one of ``curve.json``. A `Sheet` holds one `CurveTable` a temperature with the
flow rising and the force never falling, so that each exporter can build a monotone lookup without
looking again.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol, runtime_checkable

from rig.errors import TableError

COLUMNS = (
    "flow_mm3_s",
    "force_n",
    "lower_n",
    "upper_n",
    "total_lower_n",
    "total_upper_n",
    "slope_n_s_mm3",
)
UNITS = {
    "temperature_c": "C",
    "flow_mm3_s": "mm3/s",
    "force_n": "N",
    "lower_n": "N",
    "upper_n": "N",
    "total_lower_n": "N",
    "total_upper_n": "N",
    "slope_n_s_mm3": "N s/mm3",
    "clean_mm_s": "mm/s",
    "skip_mm_s": "mm/s",
    "clean_mm3_s": "mm3/s",
    "skip_mm3_s": "mm3/s",
    "current_a": "A",
    "applied_a": "A",
    "filament_diameter_mm": "mm",
}
POINT_COLUMNS = (
    "temperature_c",
    "force_n",
    "clean_mm_s",
    "skip_mm_s",
    "clean_mm3_s",
    "skip_mm3_s",
    "current_a",
    "applied_a",
    "filament_diameter_mm",
    "fitted",
    "residual",
    "remark",
    "excluded",
    "run",
    "repeat",
)
DEFAULT_DIAMETER_MM = 1.75
SIMULATED = "SIMULATED:"
VIRTUAL_DRIVE = "VIRTUAL DRIVE:"
"""How the lines begin that say what is simulated; a table that is read back is known by them."""


@runtime_checkable
class HasDocument(Protocol):
    """Anything that can say itself as a curve document."""

    def to_document(self) -> dict[str, Any]:
        """The document of ``curve.json``."""
        ...


@dataclass(frozen=True, slots=True)
class CurveTable:
    """One curve as a table; all tuples have the same length of two or more.

    Attributes:
        temperature_c: Nozzle temperature, in C.
        model: Name of the model behind the table.
        flow_mm3_s: Rising flows inside the range of validity, in mm3/s.
        force_n: Force at each flow, never falling, in N.
        lower_n: Lower end of the band of the curve's shape, in N.
        upper_n: Upper end of that band, in N.
        total_lower_n: Lower end of the band with the error common to all forces, in N.
        total_upper_n: Upper end of that band, in N.
        slope_n_s_mm3: Local slope dF/dQ, in N s/mm3.
        parameters: Parameters of the model by name.
        filament_diameter_mm: Diameter that ties speed to flow and force to pressure, in mm.
    """

    temperature_c: float
    model: str
    flow_mm3_s: tuple[float, ...]
    force_n: tuple[float, ...]
    lower_n: tuple[float, ...]
    upper_n: tuple[float, ...]
    total_lower_n: tuple[float, ...]
    total_upper_n: tuple[float, ...]
    slope_n_s_mm3: tuple[float, ...]
    parameters: Mapping[str, float] = field(default_factory=dict)
    filament_diameter_mm: float = DEFAULT_DIAMETER_MM

    @property
    def label(self) -> str:
        """Temperature as part of a name: ``205c``, ``207p5c``."""
        return f"{self.temperature_c:g}c".replace(".", "p").replace("-", "m")

    @property
    def range_text(self) -> str:
        """Range of validity for a comment, with its unit."""
        return f"{self.flow_mm3_s[0]:.6g} to {self.flow_mm3_s[-1]:.6g} mm3/s"

    @property
    def area_mm2(self) -> float:
        """Cross-section of the filament, in mm2."""
        return math.pi * self.filament_diameter_mm**2 / 4.0

    def rows(self) -> list[tuple[float, ...]]:
        """The table row by row, in the order of `COLUMNS`."""
        return list(zip(*(getattr(self, name) for name in COLUMNS), strict=True))


@dataclass(frozen=True, slots=True)
class Sheet:
    """All that an exporter may write.

    Attributes:
        tables: One a temperature, by rising temperature.
        points: The thresholds behind the curves, as mappings with the keys of `POINT_COLUMNS`.
        document: The whole curve document.
        bench_digest: Fingerprint of the bench that measured; empty where not known.
        made_on: Date of the export as it was passed in; empty where none was.
        origin: Where the numbers come from, as names and values.
        level: Coverage that the bands are meant to have, 0 to 1.
        simulated: Whether a virtual bench made the measurement.
        virtual_drive: Whether only the drive is a virtual bench's, which made forces of currents
            that came from elsewhere.
        scale_known: Whether the bands named total hold an error common to all forces.
    """

    tables: tuple[CurveTable, ...]
    points: tuple[Mapping[str, Any], ...]
    document: Mapping[str, Any]
    bench_digest: str = ""
    made_on: str = ""
    origin: Mapping[str, Any] = field(default_factory=dict)
    level: float = 0.95
    simulated: bool = False
    virtual_drive: bool = False
    scale_known: bool = True

    def provenance(self, table: CurveTable | None = None) -> list[str]:
        """Lines that say where the numbers come from, for a comment at the top of a file."""
        tables = self.tables if table is None else (table,)
        lines = ["stallcurve: force against flow of a filament extruder"]
        if self.simulated:
            lines.append(f"{SIMULATED} measured on a virtual bench, not on a real printer")
        elif self.virtual_drive:
            lines.append(
                f"{VIRTUAL_DRIVE} currents turned into forces with the drive of a virtual bench"
            )
        lines.append(f"bench digest: {self.bench_digest or 'not known'}")
        lines += [
            f"{name.replace('_', ' ')}: {value}"
            for name, value in self.origin.items()
            if isinstance(value, (str, int, float)) and not isinstance(value, bool) and value != ""
        ]
        lines.append(f"exported on: {self.made_on or 'not stated'}")
        for one in tables:
            values = ", ".join(f"{name} = {value:.6g}" for name, value in one.parameters.items())
            lines.append(
                f"{one.temperature_c:g} C: model {one.model}"
                + (f" ({values})" if values else "")
                + f"; valid for {one.range_text}"
            )
        percent = f"{100 * self.level:g} %"
        total = (
            "with the error common to all forces (torque, efficiency, filament per turn, current)"
            if self.scale_known
            else "the same, for no error common to all forces is known of forces that were given"
        )
        lines.append(
            f"lower and upper: {percent} band of the curve's shape; total_lower and total_upper: "
            + total
        )
        lines.append(f"filament diameter: {tables[0].filament_diameter_mm:g} mm")
        return [single_line(line) for line in lines]


def single_line(text: str) -> str:
    """Text safe inside a comment of any of the formats: one line, no comment ends, printable."""
    clean = "".join(c if c.isprintable() else " " for c in text)
    return clean.replace("*/", "* /").replace("/*", "/ *").replace('"""', "'''").rstrip("\\")


def make_sheet(source: HasDocument | Mapping[str, Any], *, made_on: str = "") -> Sheet:
    """The sheet of a curve set or of a curve document.

    Args:
        source: A curve set (has ``to_document``) or the document itself.
        made_on: Date to state in the files; never read from a clock here.

    Raises:
        TableError: No curve in it, a table that is not finite, whose flow does not rise or whose
            force falls.
    """
    document = source if isinstance(source, Mapping) else source.to_document()
    points = tuple(
        {"temperature_c": curve["temperature_c"], **point}
        for curve in document.get("curves", ())
        for point in curve.get("points", ())
    )
    diameters = [p["filament_diameter_mm"] for p in points if p.get("filament_diameter_mm")]
    diameter_mm = float(diameters[0] if diameters else DEFAULT_DIAMETER_MM)
    origin = dict(document.get("provenance") or {})
    tables = sorted(
        (_table(curve, diameter_mm) for curve in document.get("curves", ())),
        key=lambda table: table.temperature_c,
    )
    if not tables:
        raise TableError("no curve to export; `stallcurve fit` makes one from thresholds")
    for one, other in itertools.pairwise(tables):
        if one.temperature_c == other.temperature_c:
            raise TableError(f"two curves at {one.temperature_c:g} C; export them one by one")
    return Sheet(
        tables=tuple(tables),
        points=points,
        document=document,
        bench_digest=str(document.get("bench_digest") or ""),
        made_on=single_line(made_on),
        origin=origin,
        level=float(document.get("level") or 0.95),
        simulated=bool(origin.get("simulated", False)),
        virtual_drive=bool(origin.get("virtual_drive", False)),
        scale_known=any(curve.get("scale_uncertainty", 1.0) for curve in document["curves"]),
    )


def _parameters(raw: Any) -> dict[str, float]:
    """Parameter values by name, from a mapping of numbers or of ``{"value": ...}`` objects."""
    values: dict[str, float] = {}
    if isinstance(raw, Mapping):
        for name, value in raw.items():
            number = value.get("value") if isinstance(value, Mapping) else value
            if isinstance(number, (int, float)) and math.isfinite(number):
                values[str(name)] = float(number)
    return values


def _table(curve: Mapping[str, Any], diameter_mm: float) -> CurveTable:
    name = f"the curve at {curve.get('temperature_c', '?')} C"
    rows: Sequence[Mapping[str, float]] = curve.get("table", ())
    if len(rows) < 2:
        raise TableError(f"{name} has {len(rows)} rows in its table; two or more wanted")
    columns = {}
    for column in COLUMNS:
        try:
            columns[column] = tuple(float(row[column]) for row in rows)
        except (KeyError, TypeError, ValueError) as error:
            raise TableError(f"{name}: column {column} of its table is not complete") from error
        if not all(map(math.isfinite, columns[column])):
            raise TableError(f"{name}: column {column} of its table is not finite throughout")
    if any(b <= a for a, b in itertools.pairwise(columns["flow_mm3_s"])):
        raise TableError(f"{name}: the flow of its table does not rise from row to row")
    if columns["flow_mm3_s"][0] < 0:
        raise TableError(f"{name}: its table starts at a negative flow")
    if any(b < a for a, b in itertools.pairwise(columns["force_n"])):
        raise TableError(f"{name}: the force of its table falls, so it cannot be looked up")
    return CurveTable(
        temperature_c=float(curve["temperature_c"]),
        model=str(curve.get("model", "")),
        parameters=_parameters(curve.get("parameters")),
        filament_diameter_mm=diameter_mm,
        **columns,
    )
