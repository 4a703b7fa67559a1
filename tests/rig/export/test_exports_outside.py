"""The exports in the hands of other programs: pyarrow, ngspice and a C compiler."""

from __future__ import annotations

import itertools
import os
import re
import shutil
import subprocess
import sys
from typing import Any

import pytest

from rig.errors import UsageError
from rig.export import export

needs_ngspice = pytest.mark.skipif(
    shutil.which("ngspice") is None and not os.environ.get("CI"),
    reason="ngspice is not installed, so the sub-circuit cannot be run (apt: ngspice)",
)
needs_compiler = pytest.mark.skipif(
    shutil.which("gcc") is None and not os.environ.get("CI"),
    reason="no C compiler, so the header cannot be compiled (apt: gcc)",
)


def at(curve: dict[str, Any], flow: float, column: str = "force_n") -> float:
    """Straight line between the rows of a document's table, worked out here on its own."""
    rows = curve["table"]
    for one, other in itertools.pairwise(rows):
        if one["flow_mm3_s"] <= flow <= other["flow_mm3_s"]:
            share = (flow - one["flow_mm3_s"]) / (other["flow_mm3_s"] - one["flow_mm3_s"])
            return one[column] + share * (other[column] - one[column])
    raise AssertionError(flow)


def test_parquet_keeps_values_units_and_provenance(document, tmp_path):
    parquet = pytest.importorskip("pyarrow.parquet", reason="pyarrow is not installed")
    curve, points = export(document, "parquet", tmp_path, made_on="2031-05-04")
    table = parquet.read_table(curve)
    assert table.schema.field("slope_n_s_mm3").metadata == {b"unit": b"N s/mm3"}
    assert b"SIMULATED" in table.schema.metadata[b"stallcurve"]
    assert b"1 to 12 mm3/s" in table.schema.metadata[b"stallcurve"]
    assert table.schema.metadata[b"exported_on"] == b"2031-05-04"
    wanted = [
        {"temperature_c": c["temperature_c"], **row}
        for c in document["curves"]
        for row in c["table"]
    ]
    assert table.to_pylist() == wanted
    rows = parquet.read_table(points).to_pylist()
    assert [row["excluded"] for row in rows] == [None, None, None, "melt-limit"] * 2
    assert rows[3]["skip_mm_s"] is None


def test_parquet_without_pyarrow_says_what_to_install(document, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(UsageError, match=r"pip install 'stallcurve\[parquet\]'") as caught:
        export(document, "parquet", tmp_path)
    assert caught.value.exit_code == 2
    assert "\n" not in str(caught.value)


def run_spice(folder: Any, circuit: str) -> list[list[float]]:
    """Rows of ``out.txt``; ngspice ends with 0 even after an aborted run, so its log is read."""
    (folder / "test.cir").write_text(circuit)
    done = subprocess.run(
        ["ngspice", "-b", "test.cir"], cwd=folder, capture_output=True, text=True, timeout=60
    )
    log = done.stdout + done.stderr
    assert not re.search(r"aborted|timestep too small|singular|^error", log, re.M | re.I), log
    return [
        [float(word) for word in line.split()]
        for line in (folder / "out.txt").read_text().splitlines()
    ]


@needs_ngspice
def test_ngspice_gives_the_table_back_both_ways(document, tmp_path):
    export(document, "spice", tmp_path)
    for curve in document["curves"]:
        name = f"{curve['temperature_c']:g}c"
        rows = run_spice(
            tmp_path,
            "sweep\n.options reltol=1e-7\n.include curve.lib\nI1 0 a 0\n"
            f"X1 a 0 force_of_flow_{name}\n"
            ".dc I1 -15.2 15.2 0.4\n.control\nset wr_singlescale\noption numdgt=10\nrun\n"
            "wrdata out.txt v(a) v(x1.beyond) v(x1.slope)\nquit\n.endc\n.end\n",
        )
        highest = curve["table"][-1]["flow_mm3_s"]
        assert len(rows) == 77
        compared = 0
        for flow, force, beyond, slope in rows:
            if 1.0 <= abs(flow) <= highest:
                assert force == pytest.approx(at(curve, abs(flow)) * (1 if flow > 0 else -1), 1e-6)
                assert slope == pytest.approx(at(curve, abs(flow), "slope_n_s_mm3"), 1e-6)
                compared += 1
            outside = max(0.0, abs(flow) - highest) + min(0.0, abs(flow) - 1.0)
            assert beyond == pytest.approx(outside, abs=1e-5)
        assert compared > 50
        # Outside the slope is that of the force which the element itself gives, by differences.
        told = 0
        for (before, low, _, one), (after, high, _, two) in itertools.pairwise(rows):
            if before * after >= 0 and all(not 1.0 <= abs(q) <= highest for q in (before, after)):
                assert one == pytest.approx((high - low) / (after - before), rel=1e-5)
                assert two == pytest.approx(one, rel=1e-9)
                told += 1
        assert told >= 5
        (rest,) = [row for row in rows if abs(row[0]) < 1e-9]
        assert rest[3] == pytest.approx(curve["table"][0]["force_n"] / 1.0, rel=1e-6)
        forces = [force for _, force, _, _ in rows]
        assert all(b > a for a, b in itertools.pairwise(forces))


@needs_ngspice
def test_ngspice_pressure_is_force_over_the_filaments_section(document, tmp_path):
    export(document, "spice", tmp_path)
    rows = run_spice(
        tmp_path,
        "sweep\n.options reltol=1e-7\n.include curve.lib\nI1 0 b 0\nX2 b 0 pressure_of_flow_205c\n"
        ".dc I1 1 12 1\n.control\nset wr_singlescale\noption numdgt=10\nrun\n"
        "wrdata out.txt v(b)\nquit\n.endc\n.end\n",
    )
    for flow, pressure_mpa in rows:
        assert pressure_mpa == pytest.approx(at(document["curves"][0], flow) / 2.405282, rel=1e-5)


@needs_ngspice
def test_the_element_behind_a_compliance_settles_on_the_curve_and_returns_to_rest(
    document, tmp_path
):
    """Volume balance as an outside check: what was fed and has not flowed out is C times F."""
    export(document, "spice", tmp_path)
    rows = run_spice(
        tmp_path,
        "transient\n.options reltol=1e-5\n.include curve.lib\nIin 0 feed PULSE(0 8 1 1m 1m 4 40)\n"
        "Ccomp feed 0 0.05 IC=0\nVq feed a 0\nX1 a 0 force_of_flow_205c\n.tran 5m 12 uic\n"
        ".control\nset wr_singlescale\noption numdgt=9\nrun\nwrdata out.txt v(feed) i(vq)\nquit\n"
        ".endc\n.end\n",
    )
    plateau = [row for row in rows if 4.5 < row[0] < 4.9]
    assert plateau
    for _, force, flow in plateau:
        assert flow == pytest.approx(8.0, abs=0.02)
        assert force == pytest.approx(at(document["curves"][0], 8.0), abs=0.05)
    end = rows[-1]
    assert end[0] == pytest.approx(12.0)
    assert abs(end[1]) < 0.2
    out = sum(0.5 * (b[2] + a[2]) * (b[0] - a[0]) for a, b in itertools.pairwise(rows))
    assert out + 0.05 * end[1] == pytest.approx(8.0 * 4.001, rel=2e-3)


@needs_ngspice
def test_the_transient_agrees_with_an_ode_solver(document, tmp_path):
    """C dF/dt = Q_fed - Q(F), solved by ngspice and by a Runge-Kutta method of scipy."""
    import numpy as np
    from scipy.integrate import solve_ivp

    export(document, "spice", tmp_path)
    rows = run_spice(
        tmp_path,
        "ramp\n.options reltol=1e-6\n.include curve.lib\n"
        "Iin 0 feed PWL(0 0 0.5 0 2 10 3 10 4 2 6 2)\n"
        "Ccomp feed 0 0.05 IC=0\nX1 feed 0 force_of_flow_205c\n.tran 2m 6 0 2m uic\n"
        ".control\nset wr_singlescale\noption numdgt=9\nrun\nwrdata out.txt v(feed)\nquit\n"
        ".endc\n.end\n",
    )
    table = document["curves"][0]["table"]
    forces = np.array([0.0] + [row["force_n"] for row in table])
    flows = np.array([0.0] + [row["flow_mm3_s"] for row in table])

    def rate(time_s, force):
        fed = np.interp(time_s, [0, 0.5, 2, 3, 4, 6], [0, 0, 10, 10, 2, 2])
        return (fed - np.interp(force, forces, flows)) / 0.05

    times = np.array([row[0] for row in rows])
    solved = solve_ivp(rate, (0, 6), [0.0], t_eval=times[times <= 6], max_step=0.01, rtol=1e-7)
    measured = np.array([row[1] for row in rows])[times <= 6]
    assert len(measured) > 1000
    assert np.max(np.abs(measured - solved.y[0])) < 0.02


PROGRAM = """
#include <stdio.h>
#include <math.h>
#include "harbour.h"
#include "orchard.h"
int main(void) {
  double q, v, lo, hi, s;
  int k;
  for (k = 0; k <= 150; k++) {
    q = 0.1 * k;
    int status = harbour_force_n(&harbour_205c, q, &v);
    harbour_slope_n_s_mm3(&harbour_205c, q, &s);
    harbour_band_n(&harbour_205c, q, &lo, &hi);
    printf("%d %.17g %.17g %.17g %.17g %.17g\\n", status, q, v, lo, hi, s);
  }
  v = -1.0;
  k = orchard_force_n(&orchard_220c, NAN, &v);
  printf("%d %.17g\\n", k, v);
  k = orchard_flow_mm3_s(&orchard_220c, 1e6, &v);
  printf("%d %.17g\\n", k, v);
  return 0;
}
"""


@needs_compiler
@pytest.mark.parametrize("language", ["c", "c++"])
def test_the_c_header_compiles_without_a_warning_and_agrees(document, tmp_path, language):
    export(document, "c", tmp_path / "harbour.h")
    export(document, "c", tmp_path / "orchard.h")
    (tmp_path / "main.c").write_text(PROGRAM)
    standard = "-std=c99" if language == "c" else "-std=c++11"
    strict = ["-Wall", "-Wextra", "-Wpedantic", "-Werror"]
    unused = ["-Wno-unused-function", "-Wno-unused-const-variable", "-Wno-unused-variable"]
    subprocess.run(
        ["gcc", "-x", language, standard, *strict, *unused, "main.c", "-o", "main", "-lm"],
        cwd=tmp_path,
        check=True,
        timeout=60,
    )
    done = subprocess.run([tmp_path / "main"], capture_output=True, text=True, timeout=10)
    lines = [line.split() for line in done.stdout.splitlines()]
    curve, other = document["curves"]
    assert len(lines) == 153
    before = 0.0
    for status, *numbers in lines[:151]:
        flow, force, lower, upper, slope = map(float, numbers)
        if flow < 1.0 - 1e-12:
            assert (status, force) == ("1", curve["table"][0]["force_n"])
        elif flow > 12.0 + 1e-12:
            assert (status, force) == ("2", curve["table"][-1]["force_n"])
        elif 1.01 < flow < 11.99:
            assert status == "0"
            for value, column in (
                (force, "force_n"),
                (lower, "lower_n"),
                (upper, "upper_n"),
                (slope, "slope_n_s_mm3"),
            ):
                assert value == pytest.approx(at(curve, flow, column), rel=1e-12)
        assert force >= before
        before = force
    assert lines[151] == ["3", "-1"]
    assert (lines[152][0], float(lines[152][1])) == ("2", other["table"][-1]["flow_mm3_s"])
