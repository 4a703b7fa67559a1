"""``stallcurve tune``: a detector file from labelled takes, with its scores and pictures."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from virtual_benches import TAKES

from detectors.settings import DetectorSettings, load_detector
from rig.cli import run

TUNING, HELD_OUT = TAKES / "tuning", TAKES / "held-out"
FEW = [str(TUNING / f"bench-{number}") for number in range(8001, 8010)]
RATES = ("missed", "false_skip", "void_clean", "void_skip")


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_it_tunes_scores_and_draws(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["--held-out", str(HELD_OUT / "bench-8102"), "--worst", "1", "--jobs", "1"]
    assert run(["tune", *FEW, "--out", "d.toml", *words, "--json"]) == 0
    spoken = capsys.readouterr()
    document = json.loads(spoken.out)
    assert (document["benches"], document["takes"]) == (9, 54)
    for part in ("cross_validated", "before", "held_out"):
        scores = document[part]
        for name in RATES:
            assert 0.0 <= scores[name]["lower"] <= scores[name]["upper"] <= 1.0
            assert scores[name]["count"] <= scores[name]["total"]
        assert sum(row["takes"] for row in scores["confusion"]) == (
            6 if part == "held_out" else document["takes"]
        )
        assert scores["reliability"]
        surprises = [wrong["surprise"] for wrong in scores["worst"]]
        assert surprises == sorted(surprises, reverse=True)
    assert load_detector("d.toml") != DetectorSettings()
    pictures = {Path(name).name for name in document["pictures"]}
    assert {"reliability.png", "reliability.svg"} <= pictures
    wrong = document["held_out"]["worst"]
    assert len(pictures) == 2 + 2 * min(1, len(wrong))
    for name in document["pictures"]:
        assert Path(name).stat().st_size > 1000
    # What it wrote is taken by the next command.
    take = str(HELD_OUT / "bench-8101" / "take-000.flac")
    assert run(["replay", take, "--detector", "d.toml"]) == 0


def test_text_names_rates_with_bounds_and_calibration(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["tune", *FEW, "--out", "d.toml", "--worst", "0", "--jobs", "1"]) == 0
    spoken = capsys.readouterr()
    for part in ("54 labelled takes of 9 benches", "skips called clean: ", "% (", "said to skip"):
        assert part in spoken.out
    assert "only an encoder tells it" in spoken.err


def test_what_is_held_out_was_not_fitted_to(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["tune", *FEW, "--out", "d.toml", "--held-out", FEW[0]]) == 2
    assert "among the takes that are fitted to" in capsys.readouterr().err
    assert not list(Path().iterdir())


def test_too_few_labels(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["tune", FEW[0], "--out", "d.toml"]) == 2
    spoken = capsys.readouterr()
    assert "at least 5 of each" in spoken.err
    assert len(spoken.err.strip().splitlines()) == 1
    assert not list(here.iterdir())


def test_nothing_is_written_where_the_pictures_cannot_be(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("d-pictures").write_text("mine")
    assert run(["tune", *FEW, "--out", "d.toml"]) == 2
    assert "d-pictures" in capsys.readouterr().err
    assert [path.name for path in here.iterdir()] == ["d-pictures"]


def test_it_overwrites_detector_files_only(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shutil.copy(TUNING / "bench-8001" / "bench.toml", "bench.toml")
    before = Path("bench.toml").read_text()
    assert run(["tune", *FEW, "--out", "bench.toml"]) == 2
    assert "no detector file" in capsys.readouterr().err
    assert Path("bench.toml").read_text() == before
