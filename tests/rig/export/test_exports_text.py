"""CSV, JSON, Python, Modelica: each is read back by other means and compared with the document."""

from __future__ import annotations

import bisect
import csv
import importlib.util
import itertools
import json
import re
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.curves.points import read_threshold_table
from rig.errors import TableError, UsageError
from rig.export import FORMATS, export, make_sheet
from rig.export.modelica import rising
from rig.export.python_module import module_text
from rig.export.sheet import COLUMNS
from rig.export.spice import odd_pairs, slope_pairs


def load(path: Any) -> Any:
    spec = importlib.util.spec_from_file_location("exported_curve", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_every_text_format_states_range_units_and_provenance(document, tmp_path):
    for name in FORMATS:
        if name in ("parquet", "json"):
            continue
        text = export(document, name, tmp_path / name, made_on="2031-05-04")[0].read_text()
        assert "0123456789abcdef" in text, name
        assert "2031-05-04" in text, name
        assert "model power" in text, name
        assert "1 to 12 mm3/s" in text, name
        assert "SIMULATED" in text, name
        assert "units" in text.lower(), name


def test_csv_holds_the_table_to_the_last_digit(document, tmp_path):
    curve, points = export(document, "csv", tmp_path / "harbour.csv")
    assert points.name == "harbour-points.csv"
    lines = [line for line in curve.read_text().splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    wanted = [(c["temperature_c"], row) for c in document["curves"] for row in c["table"]]
    assert len(rows) == len(wanted) == 82
    for row, (temperature_c, numbers) in zip(rows, wanted, strict=True):
        assert float(row["temperature_c"]) == temperature_c
        assert {name: float(row[name]) for name in COLUMNS} == numbers


def test_csv_of_parameters_holds_the_covariance_of_each_model(document, tmp_path):
    names = ["yield_n", "factor"]
    for curve in document["curves"]:
        curve["covariance"] = {"names": names, "matrix": [[0.04, -0.01], [-0.01, 0.25]]}
    names.append("exponent")
    document["curves"][1]["covariance"]["matrix"] = [[1.0, 2, 3], [2, 4.0, 5], [3, 5, 6.0]]
    document["curves"][0]["covariance"] = {"names": ["factor"], "matrix": [[0.25]]}
    path = export(document, "csv", tmp_path)[2]
    assert path.name == "curve-parameters.csv"
    lines = [line for line in path.read_text().splitlines() if not line.startswith("#")]
    first, *rest = csv.DictReader(lines)
    assert (first["parameter"], first["covariance_factor"]) == ("factor", "0.25")
    assert first["covariance_yield_n"] == ""
    assert float(first["value"]) == 20.0
    assert float(first["standard_error"]) == 0.5
    matrix = [[float(row[f"covariance_{name}"]) for name in names] for row in rest]
    assert matrix == document["curves"][1]["covariance"]["matrix"]


def test_the_points_file_is_a_threshold_table(document, tmp_path):
    points = export(document, "csv", tmp_path)[1]
    back = read_threshold_table(points)
    wanted = [point for curve in document["curves"] for point in curve["points"]]
    assert len(back) == len(wanted)
    for threshold, point in zip(back, wanted, strict=True):
        for name in ("temperature_c", "force_n", "clean_mm_s", "skip_mm_s", "excluded", "run"):
            assert getattr(threshold, name) == point[name]


def test_the_python_module_agrees_and_refuses_to_extrapolate(document, tmp_path):
    module = load(export(document, "python", tmp_path / "harbour.py")[0])
    for curve in document["curves"]:
        t = curve["temperature_c"]
        for row in curve["table"]:
            assert module.force_n(row["flow_mm3_s"], t) == row["force_n"]
            assert module.flow_mm3_s(row["force_n"], t) == pytest.approx(row["flow_mm3_s"])
            assert module.slope_n_s_mm3(row["flow_mm3_s"], t) == row["slope_n_s_mm3"]
            assert module.band_n(row["flow_mm3_s"], t) == (row["lower_n"], row["upper_n"])
            total = module.band_n(row["flow_mm3_s"], t, total=True)
            assert total == (row["total_lower_n"], row["total_upper_n"])
        # Between the rows the straight line stays close to the law behind them.
        assert module.force_n(5.03, t) == pytest.approx(
            3.0 + (20.0 if t == 205 else 16.0) * 5.03**0.6, rel=2e-4
        )
    assert module.flow_range_mm3_s(205.0) == (1.0, 12.0)
    with pytest.raises(module.OutOfRange, match=r"12\.1 mm3/s is outside 1 to 12"):
        module.force_n(12.1, 205)
    with pytest.raises(module.OutOfRange, match="measured at"):
        module.force_n(5.0, 210)
    with pytest.raises(module.OutOfRange, match="say which"):
        module.force_n(5.0)
    with pytest.raises(module.OutOfRange, match="not a number"):
        module.force_clamped_n(float("nan"), 205)
    top = document["curves"][0]["table"][-1]["force_n"]
    assert module.force_clamped_n(99.0, 205) == (top, False)
    assert module.force_clamped_n(12.0, 205) == (top, True)
    assert module.force_clamped_n(0.5, 205) == (23.0, False)
    assert module.UNITS["slope_n_s_mm3"] == "N s/mm3"
    assert module.PROVENANCE["bench_digest"] == "0123456789abcdef"


def test_the_python_module_imports_the_standard_library_only(document):
    text = module_text(make_sheet(document))
    names = re.findall(r"^(?:from|import) (\w+)", text, re.M)
    assert names == ["bisect"]
    assert set(names) <= sys.stdlib_module_names


@given(
    st.lists(st.floats(0.01, 50.0), min_size=2, max_size=30, unique=True).map(sorted),
    st.floats(0.0, 60.0),
)
def test_the_modules_lookup_is_monotone(flows, at):
    space: dict[str, Any] = {}
    rest = dict.fromkeys(COLUMNS[2:], 1.0)
    rows = [{"flow_mm3_s": q, "force_n": 2 + q**0.5, **rest} for q in flows]
    sheet = make_sheet({"curves": [{"temperature_c": 200.0, "model": "m", "table": rows}]})
    exec(compile(module_text(sheet), "curve.py", "exec"), space)
    value, inside = space["force_clamped_n"](at)
    assert inside == (flows[0] <= at <= flows[-1])
    above = space["force_clamped_n"](at + 0.5)[0]
    assert value <= above
    index = bisect.bisect_left(flows, at)
    assert 2 + flows[max(0, index - 1)] ** 0.5 <= value + 1e-12


def test_hostile_text_cannot_leave_a_comment(document, tmp_path):
    document["provenance"]["source"] = 'evil */ int x; /* """\nimport os\\'
    module = load(export(document, "python", tmp_path)[0])
    assert not hasattr(module, "os")
    header = export(document, "c", tmp_path)[0].read_text()
    assert header.split("#ifndef")[0].count("*/") == 1
    for line in export(document, "spice", tmp_path)[0].read_text().splitlines():
        assert not line.startswith("import")


def parse_tables(text: str) -> dict[str, list[tuple[float, float]]]:
    """The tables of a Modelica table file."""
    assert text.startswith("#1\n")
    tables: dict[str, list[tuple[float, float]]] = {}
    rows: list[tuple[float, float]] = []
    for line in text.splitlines():
        if found := re.fullmatch(r"double (\w+)\((\d+),2\)", line):
            rows = tables.setdefault(found[1], [])
            tables[f"{found[1]} rows"] = [(float(found[2]), 0.0)]
        elif line and not line.startswith("#"):
            first, second = line.split()
            rows.append((float(first), float(second)))
    return tables


def test_the_modelica_table_is_odd_and_holds_the_curve(document, tmp_path):
    package, table = export(document, "modelica", tmp_path / "Harbour.mo")
    tables = parse_tables(table.read_text())
    for curve in document["curves"]:
        name = f"force_{curve['temperature_c']:g}c"
        rows = tables[name]
        assert tables[f"{name} rows"][0][0] == len(rows) == 2 * 41 + 1
        wanted = [(r["flow_mm3_s"], r["force_n"]) for r in curve["table"]]
        for (q, f), (q0, f0) in zip(rows[42:], wanted, strict=True):
            assert (q, f) == pytest.approx((q0, f0), rel=1e-11)
        assert rows[41] == (0.0, 0.0)
        assert [(-q, -f) for q, f in reversed(rows[42:])] == rows[:41]
        slopes = tables[f"slope_{curve['temperature_c']:g}c"]
        own = [(r["flow_mm3_s"], r["slope_n_s_mm3"]) for r in curve["table"]]
        assert slopes[2:] == [pytest.approx(row, rel=1e-11) for row in own]
        # Below the range the force goes straight to the origin, and so does its slope.
        straight = curve["table"][0]["force_n"] / curve["table"][0]["flow_mm3_s"]
        assert [s for _, s in slopes[:2]] == pytest.approx([straight] * 2)
        assert slopes[0][0] == 0.0
        assert 0.99999 < slopes[1][0] / slopes[2][0] < 1.0
    text = package.read_text()
    assert text.count("NoExtrapolation") == 4
    for kind in ("package Harbour", "block ForceOfFlow205C", "model CompliantNozzle220C"):
        assert kind in text
        assert f"end {kind.split()[1]};" in text
    inner = re.search(r"block ForceOfFlow205C.*?table=\[(.*?)\]", text, re.S)
    assert inner is not None
    pairs = [tuple(map(float, row.split(","))) for row in inner[1].split(";")]
    assert [f for _, f in pairs] == pytest.approx([f for _, f in tables["force_205c"]])
    assert [q for q, _ in pairs] == pytest.approx([q for q, _ in tables["force_205c"]])


@given(
    st.lists(st.tuples(*[st.floats(0.01, 5.0)] * 3), min_size=2, max_size=30),
    st.sampled_from([0.0, 0.3]),
)
def test_the_slope_outside_is_that_of_the_force_table_there(steps, start):
    flows = tuple(start + sum(q for q, _, _ in steps[:k]) for k in range(len(steps)))
    forces = tuple(1.0 + sum(f for _, f, _ in steps[:k]) for k in range(len(steps)))
    pairs = odd_pairs(flows, forces)
    slopes = slope_pairs(flows, forces, tuple(s for _, _, s in steps), above=True)
    at = [q for q, _ in slopes]
    assert all(b > a for a, b in itertools.pairwise(at))
    (_, (first, force)) = pairs[len(pairs) // 2 :][:2]
    assert slopes[0] == (0.0, pytest.approx(force / first))
    assert slopes[1][1] == slopes[0][1]
    (q0, f0), (q1, f1) = pairs[-2:]
    assert slopes[-1][1] == slopes[-2][1] == pytest.approx((f1 - f0) / (q1 - q0))


def test_a_force_table_turned_round_rises_strictly():
    pairs = odd_pairs((1.0, 2.0, 3.0, 4.0), (5.0, 7.0, 7.0, 8.0))
    assert rising(pairs) == [(-8, -4), (-7, -2), (-5, -1), (0, 0), (5, 1), (7, 2), (8, 4)]


def test_json_is_the_document(document, tmp_path):
    curve, schema = export(document, "json", tmp_path)
    assert json.loads(curve.read_text()) == document
    assert "$schema" in json.loads(schema.read_text())


def test_what_cannot_be_looked_up_is_refused(document, tmp_path):
    with pytest.raises(UsageError, match="there are csv, json"):
        export(document, "xls", tmp_path)
    with pytest.raises(TableError, match="no curve to export"):
        make_sheet({"curves": []})
    document["curves"][0]["table"][7]["force_n"] = 1.0
    with pytest.raises(TableError, match=r"205\.0 C: the force of its table falls"):
        make_sheet(document)
    document["curves"][0]["table"][7]["force_n"] = float("nan")
    with pytest.raises(TableError, match="column force_n of its table is not finite"):
        make_sheet(document)
    document["curves"][0]["table"][7]["force_n"] = document["curves"][0]["table"][6]["force_n"]
    make_sheet(document)
    del document["curves"][0]["table"][7]["slope_n_s_mm3"]
    with pytest.raises(TableError, match="column slope_n_s_mm3"):
        make_sheet(document)


def test_a_place_that_cannot_be_written_is_a_usage_error(document, tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(UsageError, match="cannot be made"):
        export(document, "csv", tmp_path / "file" / "deeper" / "curve.csv")


def test_every_format_is_described():
    text = (Path(__file__).parents[3] / "docs" / "exchange.md").read_text(encoding="utf-8")
    described = set(re.findall(r"^## `(\w+)`$", text, re.M))
    assert described == set(FORMATS)
    for name in (*COLUMNS, "temperature_c", "clean_mm_s", "skip_mm_s"):
        assert f"`{name}`" in text, name


def test_what_is_simulated_and_which_band_is_known_is_said_as_it_is(document):
    def head(**changes):
        origin = {**document["provenance"], **changes.pop("provenance", {})}
        curves = [{**curve, **changes} for curve in document["curves"]]
        sheet = make_sheet({**document, "curves": curves, "provenance": origin})
        return "\n".join(sheet.provenance())

    assert "SIMULATED: measured on a virtual bench" in head()
    given = head(provenance={"simulated": False}, scale_uncertainty=0.0)
    assert "SIMULATED" not in given
    assert "total_upper: the same, for no error common to all forces is known" in given
    driven = head(provenance={"simulated": False, "virtual_drive": True}, scale_uncertainty=0.07)
    assert "SIMULATED" not in driven
    assert "VIRTUAL DRIVE: currents turned into forces with the drive of a virtual" in driven
    assert "(torque, efficiency, filament per turn, current)" in driven


def test_a_name_that_ends_like_another_format_is_refused(document, tmp_path):
    with pytest.raises(UsageError, match=r"foo\.h: a name in \.h is for --to c; give one in \.csv"):
        export(document, "csv", tmp_path / "foo.h")
    assert not list(tmp_path.iterdir())
    assert export(document, "csv", tmp_path / "foo.txt")[0].name == "foo.txt"
    assert export(document, "c", tmp_path / "foo.h")[0].name == "foo.h"
