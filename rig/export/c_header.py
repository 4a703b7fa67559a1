"""A C header with the tables and a monotone lookup: C99 and C++, no allocation, no library."""

from __future__ import annotations

import re
from pathlib import Path

from rig.export.files import NAMES, target, write_whole
from rig.export.sheet import COLUMNS, CurveTable, Sheet

_A_LINE = 4

_LOOKUP = """\
/* What a lookup says of its answer. Outside the range the value is that of the end. */
enum {
  @_OK = 0,    /* inside the range that was measured */
  @_BELOW = 1, /* below it: the value at the lowest row was given */
  @_ABOVE = 2, /* above it: the value at the highest row was given */
  @_NAN = 3    /* the argument is not a number: nothing was written */
};

typedef struct {
  double temperature_c;
  int rows;
  const double *flow_mm3_s;     /* mm3/s, rising */
  const double *force_n;        /* N, never falling */
  const double *lower_n;        /* N, lower end of the band of the curve's shape */
  const double *upper_n;        /* N, upper end of that band */
  const double *total_lower_n;  /* N, the same with the error common to all forces, if known */
  const double *total_upper_n;  /* N */
  const double *slope_n_s_mm3;  /* N s/mm3, local slope dF/dQ */
} @_table;

/* Straight lines between rows of rising x: monotone where y is. */
static inline int @_look(const double *x, const double *y, int rows, double at, double *value) {
  int low = 0, high = rows - 1;
  if (at != at) return @_NAN;
  if (at <= x[0]) {
    *value = y[0];
    return at < x[0] ? @_BELOW : @_OK;
  }
  if (at >= x[rows - 1]) {
    *value = y[rows - 1];
    return at > x[rows - 1] ? @_ABOVE : @_OK;
  }
  while (high - low > 1) {
    const int middle = low + (high - low) / 2;
    if (x[middle] < at) low = middle;
    else high = middle;
  }
  *value = y[low] + (y[high] - y[low]) * ((at - x[low]) / (x[high] - x[low]));
  return @_OK;
}

/* Force in N that pushes a flow in mm3/s. */
static inline int @_force_n(const @_table *t, double flow_mm3_s, double *force_n) {
  return @_look(t->flow_mm3_s, t->force_n, t->rows, flow_mm3_s, force_n);
}

/* Flow in mm3/s that a force in N pushes. */
static inline int @_flow_mm3_s(const @_table *t, double force_n, double *flow_mm3_s) {
  return @_look(t->force_n, t->flow_mm3_s, t->rows, force_n, flow_mm3_s);
}

/* Local slope dF/dQ in N s/mm3 at a flow in mm3/s. */
static inline int @_slope_n_s_mm3(const @_table *t, double flow_mm3_s, double *slope_n_s_mm3) {
  return @_look(t->flow_mm3_s, t->slope_n_s_mm3, t->rows, flow_mm3_s, slope_n_s_mm3);
}

/* Band of the curve's shape in N at a flow in mm3/s. */
static inline int @_band_n(const @_table *t, double flow_mm3_s, double *lower_n, double *upper_n) {
  const int status = @_look(t->flow_mm3_s, t->lower_n, t->rows, flow_mm3_s, lower_n);
  @_look(t->flow_mm3_s, t->upper_n, t->rows, flow_mm3_s, upper_n);
  return status;
}
"""


def _prefix(stem: str) -> str:
    """The file's stem as a C identifier; it keeps two headers in one program apart."""
    name = re.sub(r"\W", "_", stem, flags=re.ASCII).lower()
    return name if name[:1].isalpha() else f"curve_{name}"


def _array(name: str, values: tuple[float, ...]) -> str:
    words = [f"{value!r}" for value in values]
    lines = [
        "  " + ", ".join(words[start : start + _A_LINE]) for start in range(0, len(words), _A_LINE)
    ]
    body = ",\n".join(lines)
    return f"static const double {name}[{len(values)}] = {{\n{body}\n}};"


def _table(table: CurveTable, prefix: str) -> str:
    own = f"{prefix}_{table.label}"
    arrays = [_array(f"{own}_{name}", getattr(table, name)) for name in COLUMNS]
    members = ", ".join(f"{own}_{name}" for name in COLUMNS)
    about = f"/* {table.temperature_c:g} C, valid for {table.range_text} */"
    rows = len(table.flow_mm3_s)
    struct = (
        f"static const {prefix}_table {own} = {{\n"
        f"  {table.temperature_c!r}, {rows},\n  {members.replace(', ', f',{chr(10)}  ')}\n}};"
    )
    return "\n".join([about, *arrays, struct])


def header_text(sheet: Sheet, prefix: str = "curve") -> str:
    """The header: one ``<prefix>_<temperature>`` table for each curve, and the lookups."""
    guard = f"{prefix.upper()}_STALLCURVE_H"
    provenance = "\n".join(f" * {line}" for line in sheet.provenance())
    use = (
        f" * use: double force; if ({prefix}_force_n(&{prefix}_{sheet.tables[0].label}, flow,"
        f" &force) == {prefix.upper()}_OK) ..."
    )
    lookup = _LOOKUP.replace("@_OK", f"{prefix.upper()}_OK")
    for word in ("BELOW", "ABOVE", "NAN"):
        lookup = lookup.replace(f"@_{word}", f"{prefix.upper()}_{word}")
    lookup = lookup.replace("@", prefix)
    tables = "\n\n".join(_table(table, prefix) for table in sheet.tables)
    return (
        f"/*\n{provenance}\n * units in the names; nothing is extrapolated\n{use}\n */\n"
        f"#ifndef {guard}\n#define {guard}\n\n{lookup}\n{tables}\n\n#endif\n"
    )


def write_c_header(sheet: Sheet, path: str | Path) -> list[Path]:
    """One header, ``curve.h``."""
    file = target(path, NAMES["c"])
    return [write_whole(file, header_text(sheet, _prefix(file.stem)))]
