"""From one bench file to a run, its page, exports and an answer: each command as used."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from virtual_benches import firmware_state, write_bench

from rig.cli import run
from rig.simulation import forget_worlds


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A folder with bench.toml and the finished run ``night``."""
    folder = tmp_path_factory.mktemp("chain")
    forget_worlds()
    bench = write_bench(
        folder / "bench.toml",
        temperatures_c="[205.0]",
        currents_a="[0.34, 0.44, 0.55]",
        resolution="0.08",
    )
    before = firmware_state(bench)
    assert run(["run", str(bench), "--out", str(folder / "night")]) == 0
    assert firmware_state(bench) == before
    yield folder
    forget_worlds()


@pytest.fixture(autouse=True)
def here(night: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(night)


def test_the_run_folder_holds_what_is_promised(night: Path) -> None:
    names = {path.name for path in (night / "night").iterdir()}
    assert names >= {"bench.toml", "ledger.sqlite", "audio", "curve.json", "report.html"}
    assert list((night / "night" / "audio").glob("*.flac"))
    assert (night / "night" / "bench.toml").read_text() == (night / "bench.toml").read_text()


@pytest.mark.parametrize(("currents_a", "code"), [("[0.44, 0.55]", 4), ("[0.55]", 0)])
def test_a_run_without_a_curve_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], currents_a: str, code: int
) -> None:
    """Clean up to the greatest speed that is allowed: a bound, and no curve. One current asks for
    none."""
    bench = write_bench(
        tmp_path / "bench.toml",
        temperatures_c="[205.0]",
        currents_a=currents_a,
        max_speed_mm_s="1.2",
    )
    assert run(["run", str(bench), "--out", str(tmp_path / "run"), "--plain"]) == code
    told = capsys.readouterr()
    assert "no curve" in told.err
    assert "done: 0 thresholds and 1 known from one side only, from " in told.out
    assert ("The run is done and there is no curve" in told.err) == bool(code)
    assert not (tmp_path / "run" / "curve.json").exists()
    assert (tmp_path / "run" / "report.html").exists()


def test_a_second_run_does_not_touch_the_first(capsys: pytest.CaptureFixture[str]) -> None:
    ledger = Path("night/ledger.sqlite")
    before = ledger.read_bytes()
    assert run(["run", "bench.toml", "--out", "night"]) == 2
    assert "--resume" in capsys.readouterr().err
    assert ledger.read_bytes() == before


def test_fit_and_advice_are_one_document(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["fit", "night", "--json"]) == 0
    fitted = json.loads(capsys.readouterr().out)
    assert fitted["provenance"]["simulated"] is True
    [curve] = fitted["curves"]
    assert curve["temperature_c"] == 205.0
    assert curve["table"][0].keys() >= {"flow_mm3_s", "force_n", "lower_n", "upper_n"}
    assert run(["advise", "night", "bench.toml", "--flow", "6", "--json"]) == 0
    json.loads(capsys.readouterr().out)


def test_replay_judges_every_trial_again(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["replay", "night", "--json"]) == 0
    takes = json.loads(capsys.readouterr().out)["takes"]
    trials = list(Path("night/audio").glob("*.flac"))
    assert len(takes) == len(trials)
    for take in takes:
        assert {take["was"], take["verdict"]} != {"skip", "clean"}, take


def test_page_and_exports(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["report", "night", "--out", "page"]) == 0
    assert "</html>" in Path("page/report.html").read_text(encoding="utf-8")
    for form in ("csv", "json", "spice", "modelica", "python", "c"):
        assert run(["export", "night", "--to", form, "--out", f"out-{form}"]) == 0
        written = capsys.readouterr().out.splitlines()
        assert all(Path(line.removeprefix("wrote ")).stat().st_size for line in written[-1:])


def test_a_bench_that_cannot_be_opened_leaves_no_folder(
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = Path("bench.toml").read_text()
    Path("other.toml").write_text(text.replace('"numbered"', '"mine.toml"'))
    assert run(["run", "other.toml", "--out", "never"]) == 2
    assert "mine.toml" in capsys.readouterr().err
    assert not Path("never").exists()
    assert run(["run", "other.toml", "--out", "."]) == 2
    assert "another bench file" in capsys.readouterr().err
    assert Path("bench.toml").read_text() == text
