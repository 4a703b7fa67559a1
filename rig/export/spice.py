"""SPICE: the curve as a nonlinear resistance, flow as current and force or pressure as voltage.

Analogy: 1 V = 1 N (or 1 MPa), 1 A = 1 mm3/s, so 1 F = 1 mm3/N (or 1 mm3/MPa) is the compliance of
the filament between drive gear and nozzle: a capacitor across the sub-circuit. The element is odd:
reverse flow meets the mirrored force. Between rest and the lowest measured flow it is a straight
line through the origin, so that a transient can start from rest; beyond the highest it goes on with
the slope of the last piece. The inner node ``beyond`` says by how many mm3/s the flow is outside:
above 0 beyond the highest, below 0 under the lowest, 0 in between. The inner node ``slope`` holds
the local slope dF/dQ: of the curve within its range, of the straight lines outside.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rig.export.files import NAMES, target, write_whole
from rig.export.sheet import CurveTable, Sheet

_PAIRS_A_LINE = 3
_STEP = 1e-6
"""Relative width of a step of the slope at an end of the range: a lookup table has no jumps."""


def odd_pairs(
    flows: tuple[float, ...], values: tuple[float, ...]
) -> tuple[tuple[float, float], ...]:
    """Rising pairs of (flow, value), through the origin, mirrored for reverse flow.

    A value at rest (yield force) is replaced by a straight line from the origin to the next row:
    a step there would leave the value at zero flow without a meaning.
    """
    half = [(q, v) for q, v in zip(flows, values, strict=True) if q > 0.0]
    return (*((-q, -v) for q, v in reversed(half)), (0.0, 0.0), *half)


def slope_pairs(
    flows: tuple[float, ...],
    forces: tuple[float, ...],
    slopes: tuple[float, ...],
    *,
    above: bool,
) -> tuple[tuple[float, float], ...]:
    """Rising pairs of (flow, local slope) of what `odd_pairs` makes, from rest on.

    Args:
        flows: Of the table.
        forces: At these.
        slopes: Local slopes of the curve at these.
        above: Whether a flow above the table goes on with the slope of the last piece.
    """
    rows = [row for row in zip(flows, forces, slopes, strict=True) if row[0] > 0.0]
    lowest, force, _ = rows[0]
    pairs = [(0.0, force / lowest), (lowest * (1.0 - _STEP), force / lowest)]
    pairs += [(flow, slope) for flow, _, slope in rows]
    if above:
        (before, low, _), (last, high, _) = (
            rows[-2:] if len(rows) > 1 else ((0.0, 0.0, 0.0), rows[0])
        )
        end = (high - low) / (last - before)
        pairs += [(last * (1.0 + _STEP), end), (2.0 * last, end)]
    return tuple(pairs)


def _pwl(argument: str, pairs: Sequence[tuple[float, float]]) -> list[str]:
    """``pwl(...)`` on short continuation lines."""
    words = [f"{q:.12g}, {v:.9g}" for q, v in pairs]
    lines = [
        ", ".join(words[start : start + _PAIRS_A_LINE])
        for start in range(0, len(words), _PAIRS_A_LINE)
    ]
    return [f"pwl({argument},", *(f"+ {line}," for line in lines[:-1]), f"+ {lines[-1]})"]


def _subcircuit(table: CurveTable, *, quantity: str, unit: str, divisor: float) -> str:
    name = f"{quantity}_of_flow_{table.label}"
    values = tuple(force / divisor for force in table.force_n)
    lowest, highest = table.flow_mm3_s[0], table.flow_mm3_s[-1]
    drop = _pwl("i(Vflow)", odd_pairs(table.flow_mm3_s, values))
    slopes = tuple(slope / divisor for slope in table.slope_n_s_mm3)
    slope = _pwl("abs(i(Vflow))", slope_pairs(table.flow_mm3_s, values, slopes, above=True))
    outside = f"max(0, abs(i(Vflow)) - {highest:.9g}) + min(0, abs(i(Vflow)) - {lowest:.9g})"
    return "\n".join(
        [
            f"* {name}: V(p,n) in {unit} against the current p to n in mm3/s,"
            f" {table.temperature_c:g} C",
            f"* range: {table.range_text} either way; below it a straight line to the origin,",
            "* above it the last slope goes on: v(x.beyond) says by how many mm3/s it is outside,",
            "* above 0 V beyond the highest flow, below 0 V under the lowest, rest included",
            f".subckt {name} p n",
            "Vflow p x 0",
            f"Bdrop x n V = {drop[0]}",
            *drop[1:],
            f"* v(x.slope): local slope in {unit} s/mm3, 1 V = 1 {unit} s/mm3",
            f"Bslope slope 0 V = {slope[0]}",
            *slope[1:],
            "Rslope slope 0 1meg",
            f"Bbeyond beyond 0 V = {outside}",
            "Rbeyond beyond 0 1meg",
            f".ends {name}",
        ]
    )


def spice_text(sheet: Sheet) -> str:
    """All sub-circuits, two a temperature: ``force_of_flow_205c``, ``pressure_of_flow_205c``."""
    head = [f"* {line}" for line in sheet.provenance()]
    head += [
        "* units: 1 V = 1 N (pressure_...: 1 MPa), 1 A = 1 mm3/s, 1 F = 1 mm3/N (1 mm3/MPa)",
        "* use:   Iin 0 feed PULSE(0 5 1 1m 1m 4 10)   ; mm3/s fed by the drive gear",
        "*        Ccomp feed 0 0.05                    ; compliance of the filament, mm3/N",
        f"*        Xhot feed 0 force_of_flow_{sheet.tables[0].label}",
        "",
    ]
    parts = []
    for table in sheet.tables:
        parts.append(_subcircuit(table, quantity="force", unit="N", divisor=1.0))
        parts.append(_subcircuit(table, quantity="pressure", unit="MPa", divisor=table.area_mm2))
    return "\n".join(head) + "\n\n".join(parts) + "\n"


def write_spice(sheet: Sheet, path: str | Path) -> list[Path]:
    """One library file, ``curve.lib``, with the sub-circuits of all temperatures."""
    file = target(path, NAMES["spice"])
    return [write_whole(file, spice_text(sheet))]
