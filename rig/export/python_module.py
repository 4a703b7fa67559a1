"""A small Python module that holds the curve and needs nothing but the interpreter."""

from __future__ import annotations

import pprint
from pathlib import Path

from rig.export.files import NAMES, target, write_whole
from rig.export.sheet import COLUMNS, UNITS, Sheet

_BODY = '''

class OutOfRange(ValueError):
    """A flow, force or temperature for which nothing was measured."""


def _curve(temperature_c):
    if temperature_c is None and len(CURVES) == 1:
        return next(iter(CURVES.values()))
    if temperature_c is None:
        raise OutOfRange(f"say which temperature_c: {sorted(CURVES)}")
    try:
        return CURVES[float(temperature_c)]
    except KeyError:
        raise OutOfRange(
            f"no curve at {temperature_c} C; measured at {sorted(CURVES)} C"
        ) from None


def _look(xs, ys, x):
    """Straight lines between the rows: the value at x, and whether x lies inside them."""
    if x != x:
        raise OutOfRange("not a number")
    if x <= xs[0] or x >= xs[-1]:
        return (ys[0], x == xs[0]) if x <= xs[0] else (ys[-1], x == xs[-1])
    k = bisect.bisect_left(xs, x)
    share = (x - xs[k - 1]) / (xs[k] - xs[k - 1])
    return ys[k - 1] + share * (ys[k] - ys[k - 1]), True


def _strict(xs, ys, x, what, unit):
    value, inside = _look(xs, ys, x)
    if not inside:
        raise OutOfRange(f"{what} {x:g} {unit} is outside {xs[0]:g} to {xs[-1]:g} {unit}")
    return value


def flow_range_mm3_s(temperature_c=None):
    """Lowest and highest flow that was measured, in mm3/s."""
    flows = _curve(temperature_c)["flow_mm3_s"]
    return flows[0], flows[-1]


def force_n(flow_mm3_s, temperature_c=None):
    """Force in N that pushes a flow in mm3/s. Raises OutOfRange outside the range."""
    curve = _curve(temperature_c)
    return _strict(curve["flow_mm3_s"], curve["force_n"], flow_mm3_s, "flow", "mm3/s")


def band_n(flow_mm3_s, temperature_c=None, total=False):
    """Lower and upper end of the band at a flow, in N. Raises OutOfRange outside the range.

    The band is that of the curve's shape; total adds the error common to all forces,
    where one is known.
    """
    names = ("total_lower_n", "total_upper_n") if total else ("lower_n", "upper_n")
    curve = _curve(temperature_c)
    return tuple(
        _strict(curve["flow_mm3_s"], curve[name], flow_mm3_s, "flow", "mm3/s")
        for name in names
    )


def slope_n_s_mm3(flow_mm3_s, temperature_c=None):
    """Local slope dF/dQ at a flow, in N s/mm3. Raises OutOfRange outside the range."""
    curve = _curve(temperature_c)
    return _strict(curve["flow_mm3_s"], curve["slope_n_s_mm3"], flow_mm3_s, "flow", "mm3/s")


def flow_mm3_s(force_n, temperature_c=None):
    """Flow in mm3/s that a force in N pushes. Raises OutOfRange outside the range."""
    curve = _curve(temperature_c)
    return _strict(curve["force_n"], curve["flow_mm3_s"], force_n, "force", "N")


def force_clamped_n(flow_mm3_s, temperature_c=None):
    """(force, inside): the force at a flow; outside the range the end's force and False."""
    curve = _curve(temperature_c)
    return _look(curve["flow_mm3_s"], curve["force_n"], flow_mm3_s)


def flow_clamped_mm3_s(force_n, temperature_c=None):
    """(flow, inside): the flow at a force; outside the range the end's flow and False."""
    curve = _curve(temperature_c)
    return _look(curve["force_n"], curve["flow_mm3_s"], force_n)
'''


def module_text(sheet: Sheet) -> str:
    """Source of the module: tables as literals, lookups that refuse to extrapolate."""
    provenance = "\n".join(sheet.provenance()).replace("\\", "/")
    curves = {
        table.temperature_c: {name: getattr(table, name) for name in COLUMNS}
        for table in sheet.tables
    }
    models = {
        table.temperature_c: {"model": table.model, "parameters": dict(table.parameters)}
        for table in sheet.tables
    }
    facts = {
        "bench_digest": sheet.bench_digest,
        "exported_on": sheet.made_on,
        "simulated": sheet.simulated,
        "virtual_drive": sheet.virtual_drive,
        "level": sheet.level,
        "filament_diameter_mm": sheet.tables[0].filament_diameter_mm,
        "models": models,
    }
    units = {name: UNITS[name] for name in COLUMNS}

    def literal(value: object) -> str:
        return pprint.pformat(value, width=96, compact=True, sort_dicts=False)

    return (
        f'"""{provenance}\n\nNeeds nothing but Python 3. Nothing is extrapolated.\n"""\n\n'
        "import bisect\n\n"
        f"UNITS = {literal(units)}\n\nPROVENANCE = {literal(facts)}\n\n"
        f"CURVES = {literal(curves)}\n{_BODY}"
    )


def write_python(sheet: Sheet, path: str | Path) -> list[Path]:
    """One module, ``curve.py``."""
    file = target(path, NAMES["python"])
    return [write_whole(file, module_text(sheet))]
