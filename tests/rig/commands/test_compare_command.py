"""``compare`` and ``advise`` from tables: whose force scale is whose, and what is said beside."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from rig.bench import parse_bench
from rig.bench_template import TEMPLATE
from rig.cli import run

BENCH = parse_bench(TEMPLATE)
CURRENTS = (0.2, 0.3, 0.45, 0.6, 0.8)


Capture = pytest.CaptureFixture[str]


def done(capsys: Capture, *words: object, code: int = 0) -> tuple[str, str]:
    """What a call says on standard output and standard error; its exit code is checked."""
    assert run([str(word) for word in words]) == code
    spoken = capsys.readouterr()
    return spoken.out, spoken.err


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """One law, 20 N Q^0.45, as forces, as currents, and as both at odds with one another."""
    rows: dict[str, list[str]] = {"force_n": [], "current_a": [], "force_n,current_a": []}
    for current in CURRENTS:
        force = BENCH.chain().force_n(current)
        clean = (force / 20.0) ** (1 / 0.45) / (math.pi * 1.75**2 / 4.0) * 0.99
        speeds = f"{clean:.5f},{clean * 1.02:.5f}"
        rows["force_n"].append(f"210,{force:.4f},{speeds}")
        rows["current_a"].append(f"210,{current},{speeds}")
        rows["force_n,current_a"].append(f"210,{1.1 * force:.4f},{current},{speeds}")
    for columns, lines in rows.items():
        head = f"temperature_c,{columns},clean_mm_s,skip_mm_s"
        name = columns.replace(",", "-").replace("_n", "").replace("_a", "")
        (tmp_path / f"{name}.csv").write_text("\n".join([head, *lines]) + "\n")
    (tmp_path / "bench.toml").write_text(TEMPLATE)
    (tmp_path / "grip.toml").write_text(
        TEMPLATE.replace("# grip_limit_n = 140", "grip_limit_n = 40")
    )
    return tmp_path


def test_given_forces_share_no_drive_with_currents(folder: Path, capsys: Capture) -> None:
    both = (folder / "force.csv", folder / "current.csv", "--bench", folder / "bench.toml")
    out, _ = done(capsys, "compare", *both, "--json")
    (found,) = json.loads(out)["comparisons"]
    assert found["common_scale"] is False
    assert found["scale_uncertainty"]["a"] == 0.0
    scale = found["scale_uncertainty"]["b"]
    # half widths 10, 5, 5 and 2 % of torque, efficiency, current and filament per turn, rectangular
    assert scale == pytest.approx(math.sqrt(0.10**2 + 2 * 0.05**2 + 0.02**2) / math.sqrt(3.0))
    wide = math.log(found["mean_ratio"]["upper"] / found["mean_ratio"]["value"])
    assert wide == pytest.approx(1.96 * scale, rel=0.05)
    assert "none is known of force at 210 C" in found["sentence"]


def test_two_tables_of_one_drive_share_its_scale(folder: Path, capsys: Capture) -> None:
    (folder / "again").mkdir()
    (folder / "again" / "current.csv").write_bytes((folder / "current.csv").read_bytes())
    pair = (folder / "current.csv", folder / "again" / "current.csv")
    out, _ = done(capsys, "compare", *pair, "--bench", folder / "bench.toml")
    assert "both share the drive" in out
    assert f"again/current at 210 C and {folder.name}/current at 210 C" in out


def test_force_and_current_at_odds_say_beside_the_result_which_is_used(
    folder: Path, capsys: Capture
) -> None:
    table = folder / "force-current.csv"
    for arguments in (
        ("compare", folder / "force.csv", table, "--bench", folder / "bench.toml"),
        ("advise", table, folder / "bench.toml"),
    ):
        out, beside = done(capsys, *arguments)
        assert "force_n is used, current_a is left out" in beside
        assert "left out" not in out
    one = table.read_text().splitlines()[:2]
    table.write_text("\n".join(one) + "\n")
    _, beside = done(capsys, "fit", table, "--bench", folder / "bench.toml", code=2)
    assert "force_n is used, current_a is left out" in beside


def test_whose_drive_made_the_curve_of_a_table_with_currents_is_said(
    folder: Path, capsys: Capture
) -> None:
    benches = (folder / "grip.toml", folder / "bench.toml")
    out, beside = done(capsys, "advise", folder / "current.csv", *benches, "--json")
    assert "taken as measured on grip, the first bench" in beside
    assert json.loads(out)["curve_bench"] == "grip"
    out, beside = done(capsys, "advise", folder / "force.csv", *benches, "--json")
    assert "taken as measured" not in beside
    assert json.loads(out)["curve_bench"] is None


def test_an_advice_for_a_flow_that_the_grip_does_not_hold(folder: Path, capsys: Capture) -> None:
    """10 mm3/s need 20 * 10^0.45 = 56.4 N, the gear grinds at 40 N: -29 %."""
    out, _ = done(capsys, "advise", folder / "force.csv", folder / "grip.toml", "--flow", 10)
    assert "56.4 N are needed and 40 N available (filament grip): the margin is -29 %" in out
    assert "no current holds 10 mm3/s" in out
    assert "the gear starts to grind at 40 N" in out
    assert "the lowest current" not in out


def test_a_table_is_simulated_only_where_it_says_so(folder: Path, capsys: Capture) -> None:
    """The bench file has a virtual port; a table that a person wrote was not measured there."""
    bench = ("--bench", folder / "bench.toml")

    def told(table: Path) -> tuple[bool, bool]:
        found = json.loads(done(capsys, "fit", table, *bench, "--json")[0])["provenance"]
        return found["simulated"], found["virtual_drive"]

    assert told(folder / "force.csv") == (False, False)
    assert told(folder / "current.csv") == (False, True)
    done(capsys, "export", folder / "current.csv", *bench, "--to", "csv", "--out", folder / "out")
    again = folder / "out" / "curve-points.csv"
    assert "VIRTUAL DRIVE" in again.read_text()
    assert told(again) == (False, True)
    again.write_text(again.read_text().replace("VIRTUAL DRIVE:", "SIMULATED:"))
    assert told(again) == (True, False)


def test_the_source_of_an_export_is_not_written_over(folder: Path, capsys: Capture) -> None:
    table = folder / "force.csv"
    before = table.read_bytes()
    _, why = done(capsys, "export", table, "--to", "csv", "--out", table, code=2)
    assert "that is what is exported" in why
    _, why = done(capsys, "export", table, "--to", "csv", "--out", folder / "x.h", code=2)
    assert "x.h: a name in .h is for --to c" in why
    assert table.read_bytes() == before


def test_what_holds_for_all_pairs_is_said_once(folder: Path, capsys: Capture) -> None:
    lines = (folder / "force.csv").read_text().splitlines()
    hot = [line.replace("210,", f"{t},") for t in (220, 230) for line in lines[1:]]
    (folder / "three.csv").write_text("\n".join([*lines, *hot]) + "\n")
    out, _ = done(capsys, "compare", folder / "three.csv")
    assert out.count("no error of either force scale is known") == 1
    assert out.splitlines()[-1] == "in all of these, no error of either force scale is known"
    out, _ = done(
        capsys, "compare", folder / "three.csv", "--temperature", 210, "--temperature", 220
    )
    assert out.strip().endswith("; no error of either force scale is known")


def test_fit_prints_what_is_remarked_of_single_thresholds(folder: Path, capsys: Capture) -> None:
    lines = (folder / "force.csv").read_text().splitlines()
    lines = [f"{lines[0]},excluded", *(f"{line}," for line in lines[1:])]
    lines.append("210,99,5.0,5.1,slip")
    (folder / "slip.csv").write_text("\n".join(lines) + "\n")
    out, _ = done(capsys, "fit", folder / "slip.csv")
    assert "  - at 99 N: left out (slip)" in out.splitlines()
