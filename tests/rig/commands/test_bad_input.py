"""Wrong use and wrong files: one clear line on standard error, exit code 2, nothing touched."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from rig.bench_template import TEMPLATE
from rig.cli import COMMANDS, run

TABLE = "temperature_c,force_n,clean_mm_s,skip_mm_s\n"
ROWS = "210,20,1.9,2.0\n210,30,3.0,3.1\n210,40,3.9,4.0\n210,50,4.6,4.8\n"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bench.toml").write_text(TEMPLATE, encoding="utf-8")
    (tmp_path / "table.csv").write_text(TABLE + ROWS, encoding="utf-8")
    return tmp_path


def said(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    """What a wrong call says; it has to fail with 2 and leave standard output empty."""
    assert run(words) == 2
    spoken = capsys.readouterr()
    assert spoken.out == ""
    assert spoken.err.strip()
    return spoken.err


MISSING = {
    "init": None,
    "demo": None,
    "tune": ("tune", "missing", "--out", "d.toml"),
    "advise": ("advise", "table.csv", "missing"),
    "compare": ("compare", "missing", "table.csv"),
    "export": ("export", "missing", "--to", "csv"),
}


@pytest.mark.parametrize("name", [n for n in COMMANDS if MISSING.get(n, ()) is not None])
def test_a_missing_file_is_named_in_one_line(
    name: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = sorted(folder.iterdir())
    text = said(capsys, *MISSING.get(name, (name, "missing")))
    assert "missing" in text
    assert len(text.strip().splitlines()) == 1
    assert sorted(folder.iterdir()) == before


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ("holding_torque_nm = 0.13", "holding_torque_nm = -1", ("motor.holding_torque_nm", "-1")),
        ("microsteps = 16", "microsteps = 17", ("driver", "microsteps", "17")),
        ("baud = 115200", 'baud = "fast"', ("link", "baud", "fast")),
        ("nozzle_mm = 0.4", "nozle_mm = 0.4", ("hot_end", "nozle_mm", "nozzle_mm")),
        ("max_temperature_c = 260.0", "max_temperature_c = 2600", ("max_temperature_c", "2600")),
        ("0.7, 0.8]", "0.7, 5.0]", ("currents_a", "5", "limits.max_current_a")),
    ],
)
@pytest.mark.parametrize("name", ["run", "check", "listen", "simulate"])
def test_a_wrong_bench_names_file_key_value_and_what_is_allowed(
    name: str,
    old: str,
    new: str,
    parts: tuple[str, ...],
    folder: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = (folder / "bench.toml").read_text(encoding="utf-8")
    assert old in text
    (folder / "bench.toml").write_text(text.replace(old, new, 1), encoding="utf-8")
    before = sorted(folder.iterdir())
    heard = said(capsys, name, "bench.toml")
    assert heard.startswith("bench.toml:")
    for part in parts:
        assert part in heard
    assert sorted(folder.iterdir()) == before


@pytest.mark.parametrize(
    ("row", "parts"),
    [
        ("210,sixty,4.6,4.8", ("force_n", "sixty")),
        ("210,60,5.0,4.8", ("skip_mm_s", "clean_mm_s")),
        ("210,60,-1,4.8", ("clean_mm_s", "-1")),
    ],
)
def test_a_wrong_row_of_a_threshold_table(
    row: str, parts: tuple[str, ...], folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "table.csv").write_text(TABLE + ROWS + row + "\n", encoding="utf-8")
    heard = said(capsys, "fit", "table.csv")
    assert "table.csv" in heard
    assert "6" in heard  # the line
    for part in parts:
        assert part in heard


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (("replay", "table.csv", "--jobs", "0"), "--jobs 0"),
        (("tune", "table.csv", "--out", "no/such/folder/d.toml"), "no/such/folder"),
        (("tune", "table.csv", "--out", "d.toml", "--folds", "1"), "--folds 1"),
        (("simulate", "bench.toml", "--seconds", "-1"), "--seconds -1"),
        (("simulate", "bench.toml", "--rate", "3"), "--rate 3"),
        (("replay", "table.csv", "--speed", "0"), "--speed 0"),
        (("replay", "bench.toml"), "neither a folder, a takes.csv nor a sound file"),
        (("replay", "table.csv", "--jobs", "many"), "see stallcurve replay --help"),
        (("fit", "table.csv", "--model", "cubic"), "cubic"),
        (("export", "table.csv", "--to", "stone"), "stone"),
        (("advise", "table.csv", "bench.toml", "--margin", "-5"), "-5"),
        (("advise", "table.csv", "bench.toml", "--flow", "0"), "0"),
        (("advise", "table.csv", "bench.toml", "--current", "nan"), "--current nan"),
        (("advise", "table.csv", "bench.toml", "--current", "inf"), "--current inf"),
        (("advise", "table.csv", "bench.toml", "--current", "50"), "1.2 times motor.rated"),
        (("advise", "table.csv", "bench.toml", "--flow", "nan"), "--flow nan"),
        (("advise", "table.csv", "bench.toml", "--margin", "inf"), "--margin inf"),
        (("advise", "table.csv", "bench.toml", "--temperature", "inf"), "--temperature inf"),
        (("fit", "table.csv", "--filament-diameter", "nan"), "--filament-diameter nan"),
        (("compare", "table.csv", "table.csv", "--temperature", "nan"), "--temperature nan"),
        (("run", "bench.toml", "--resume", "--out", "empty"), "no run to resume"),
        (("frobnicate",), "frobnicate"),
        (("runn", "bench.toml"), "did you mean run?"),
    ],
)
def test_wrong_options(
    words: tuple[str, ...], part: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = sorted(folder.iterdir())
    assert part in said(capsys, *words)
    assert sorted(folder.iterdir()) == before


def test_init_does_not_overwrite(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "bench.toml").write_text("mine", encoding="utf-8")
    assert "bench.toml" in said(capsys, "init", "bench.toml")
    assert (folder / "bench.toml").read_text(encoding="utf-8") == "mine"


def test_heat_needs_somebody_who_agrees(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = (folder / "bench.toml").read_text(encoding="utf-8")
    (folder / "bench.toml").write_text(
        text.replace('"sim://"', '"/dev/null"').replace('device = "sim"', 'device = "0"')
    )
    for name, *options in (("run",), ("listen",), ("check", "--heat")):
        heard = said(capsys, name, "bench.toml", *options)
        assert "Fire." in heard
        assert "scripts give --yes" in heard


@pytest.mark.parametrize(
    "words",
    [
        ("fit", "table.csv", "--json"),
        ("check", "bench.toml", "--json"),
        ("compare", "table.csv", "table.csv", "--json"),
        ("advise", "table.csv", "bench.toml", "--flow", "8", "--json"),
    ],
)
def test_json_is_one_document_and_nothing_else(
    words: tuple[str, ...], folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(words) == 0
    assert isinstance(json.loads(capsys.readouterr().out), dict)
