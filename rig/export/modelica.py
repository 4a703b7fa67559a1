"""Modelica: a table file for the standard library's table blocks, and a package that holds both.

The package needs the Modelica Standard Library only. Its blocks refuse to extrapolate: a flow or
force outside the stated range stops the simulation with the library's own message.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from pathlib import Path

from rig.export.files import NAMES, target, write_whole
from rig.export.sheet import CurveTable, Sheet
from rig.export.spice import odd_pairs, slope_pairs


def _slopes(table: CurveTable) -> tuple[tuple[float, float], ...]:
    return slope_pairs(table.flow_mm3_s, table.force_n, table.slope_n_s_mm3, above=False)


def table_text(sheet: Sheet) -> str:
    """The table file: ``force_205c`` (odd, flow, force) and ``slope_205c`` (flow, dF/dQ)."""
    lines = ["#1"]
    lines += [f"# {line}" for line in sheet.provenance()]
    lines.append("# units: flow in mm3/s, force in N, slope in N s/mm3")
    lines.append(
        "# slope: of the straight line to the origin below the range, with a step at its end"
    )
    for table in sheet.tables:
        pairs = odd_pairs(table.flow_mm3_s, table.force_n)
        lines.append(
            f"# {table.temperature_c:g} C, valid for {table.range_text};"
            " mirrored for reverse flow, a straight line to the origin below"
        )
        lines.append(f"double force_{table.label}({len(pairs)},2)")
        lines += [f"{q:.12g} {f:.12g}" for q, f in pairs]
        rows = _slopes(table)
        lines.append(f"double slope_{table.label}({len(rows)},2)")
        lines += [f"{q:.12g} {s:.12g}" for q, s in rows]
    return "\n".join(lines) + "\n"


def _rows(pairs: Iterable[tuple[float, float]]) -> str:
    return ";\n      ".join(f"{u:.12g}, {y:.12g}" for u, y in pairs)


def rising(pairs: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """The pairs turned round, (value, flow), without those whose value does not rise."""
    half = [(v, q) for q, v in pairs if q >= 0.0]
    kept = [half[0]]
    kept += [pair for before, pair in itertools.pairwise(half) if pair[0] > before[0]]
    return [*((-v, -q) for v, q in reversed(kept[1:])), *kept]


def _block(table: CurveTable) -> str:
    pairs = odd_pairs(table.flow_mm3_s, table.force_n)
    rows = _rows(pairs)
    slopes = _rows(_slopes(table))
    turned = _rows(rising(pairs))
    label = table.label.upper()
    return f"""\
  block ForceOfFlow{label} "Force in N against flow in mm3/s at {table.temperature_c:g} C"
    extends Modelica.Blocks.Interfaces.SISO(u(unit="mm3/s"), y(unit="N"));
    constant Real temperature(unit="degC") = {table.temperature_c:.12g};
    constant Real lowestFlow(unit="mm3/s") = {table.flow_mm3_s[0]:.12g}
      "Below it the table is a straight line to the origin, not a measurement";
    constant Real highestFlow(unit="mm3/s") = {table.flow_mm3_s[-1]:.12g};
    Modelica.Blocks.Interfaces.RealOutput slope(unit="N.s/mm3")
      "Local slope dF/dQ; below lowestFlow that of the straight line";
    constant Real filamentDiameter(unit="mm") = {table.filament_diameter_mm:.12g};
  protected
    Modelica.Blocks.Tables.CombiTable1Ds lookup(
      table=[
      {rows}],
      smoothness=Modelica.Blocks.Types.Smoothness.LinearSegments,
      extrapolation=Modelica.Blocks.Types.Extrapolation.NoExtrapolation);
    Modelica.Blocks.Tables.CombiTable1Ds slopes(
      table=[
      {slopes}],
      smoothness=Modelica.Blocks.Types.Smoothness.LinearSegments,
      extrapolation=Modelica.Blocks.Types.Extrapolation.HoldLastPoint);
  equation
    connect(u, lookup.u);
    connect(lookup.y[1], y);
    slopes.u = abs(u);
    connect(slopes.y[1], slope);
  end ForceOfFlow{label};

  block FlowOfForce{label} "Flow in mm3/s against force in N at {table.temperature_c:g} C"
    extends Modelica.Blocks.Interfaces.SISO(u(unit="N"), y(unit="mm3/s"));
  protected
    Modelica.Blocks.Tables.CombiTable1Ds lookup(
      table=[
      {turned}],
      smoothness=Modelica.Blocks.Types.Smoothness.LinearSegments,
      extrapolation=Modelica.Blocks.Types.Extrapolation.NoExtrapolation);
  equation
    connect(u, lookup.u);
    connect(lookup.y[1], y);
  end FlowOfForce{label};

  model CompliantNozzle{label} "A nozzle behind a compliant filament, {table.temperature_c:g} C"
    parameter Real compliance(unit="mm3/N") = 0.05 "Of the filament between gear and nozzle";
    Modelica.Blocks.Interfaces.RealInput fed(unit="mm3/s") "Flow fed by the drive gear";
    Modelica.Blocks.Interfaces.RealOutput flow(unit="mm3/s") "Flow out of the nozzle";
    Modelica.Blocks.Interfaces.RealOutput force(unit="N") "Force on the filament";
    FlowOfForce{label} nozzle;
  protected
    Real squeeze(unit="N", start=0, fixed=true) "Force held by the compressed filament";
  equation
    force = squeeze;
    nozzle.u = squeeze;
    flow = nozzle.y;
    compliance * der(squeeze) = fed - flow;
  end CompliantNozzle{label};
"""


def package_text(sheet: Sheet, package: str = "StallCurve") -> str:
    """The Modelica package with a block and a model for each temperature."""
    notes = "\n".join(f"// {line}" for line in sheet.provenance())
    blocks = "\n".join(_block(table) for table in sheet.tables)
    return (
        f"{notes}\n// units: flow in mm3/s, force in N; no extrapolation beyond the range\n"
        f'package {package} "Force against flow of a filament extruder"\n'
        f'{blocks}\n  annotation(uses(Modelica(version="4.0.0")));\nend {package};\n'
    )


def write_modelica(sheet: Sheet, path: str | Path) -> list[Path]:
    """``StallCurve.mo`` and the table file of the same stem beside it."""
    file = target(path, NAMES["modelica"])
    package = "".join(c for c in file.stem if c.isascii() and (c.isalnum() or c == "_"))
    if not package[:1].isalpha():
        package = f"Curve{package}"
    # A Modelica tool finds a package by its file's name, so the two must agree.
    file = file.with_name(f"{package}.mo")
    return [
        write_whole(file, package_text(sheet, package)),
        write_whole(file.with_suffix(".txt"), table_text(sheet)),
    ]
