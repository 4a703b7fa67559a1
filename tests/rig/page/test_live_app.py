"""The live page's server: which run, what is in it, what the moment is, and that it only reads."""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import made_run
import pytest

from detectors.evidence import Verdict
from rig.errors import RunFolderError
from rig.mechanics import flow_mm3_s
from rig.page.live_app import LiveRun, make_live_app, news
from rig.page.now import NowView, read_now
from rig.page.run_folder import RunFinder
from rig.page.server import static_file
from rig.page.snapshot import read_moment, read_run
from rig.view import Progress

PROGRESS = Progress(
    trials=3, most_left=9, likely_left=5, seconds_left=180.0, filament_mm=750.0,
    filament_left_mm=39000.0,
)  # fmt: skip


def test_a_run_is_read_as_the_ledger_has_it(tmp_path: Path) -> None:
    with made_run.make_run(tmp_path / "run"):
        run = read_run(tmp_path / "run")
    assert (run["state"], run["simulated"], run["sessions"]) == ("running", True, 1)
    assert [trial["verdict"] for trial in run["trials"]] == ["clean", "skip", "void"]
    assert (run["trials"][0]["least_c"], run["filament_m"]) == (204.6, 0.75)
    assert run["hours"] == pytest.approx(3 * 36.0 / 3600.0)
    done, going = run["searches"]
    assert done["clean_mm3_s"] == pytest.approx(flow_mm3_s(2.0, 1.75))
    assert (done["force_n"], going["status"]) == (46.0, None)
    texts = [event["text"] for event in run["events"]]
    assert "trial 3 is void: as made" in texts
    assert "run begun" in texts
    json.dumps(run, allow_nan=False)


def test_how_it_ended_is_said(tmp_path: Path) -> None:
    with made_run.make_run(tmp_path / "run") as ledger:
        ledger.end_session(outcome="InterlockError", message="the heater fell", elapsed_s=60.0)
        run = read_run(tmp_path / "run")
        assert (run["state"], run["message"]) == ("stopped", "the heater fell")
        assert run["events"][0]["text"] == "run stopped: the heater fell"
        ledger.begin_session()
        assert read_run(tmp_path / "run")["state"] == "running"
        ledger.end_session(outcome="done", elapsed_s=10.0)
    run = read_run(tmp_path / "run")
    assert (run["state"], run["sessions"]) == ("done", 2)
    assert "run resumed" in [event["text"] for event in run["events"]]


def test_nothing_is_written_by_looking(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    with made_run.make_run(folder):
        before = {p.name: p.read_bytes() for p in folder.iterdir() if p.suffix != ".sqlite-shm"}
        for _ in range(3):
            read_run(folder)
        after = {p.name: p.read_bytes() for p in folder.iterdir() if p.suffix != ".sqlite-shm"}
    assert {k: v for k, v in after.items() if not k.endswith("-shm")} == {
        k: v for k, v in before.items() if not k.endswith("-shm")
    }


def test_the_moment_and_silence(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    with made_run.make_run(folder):
        run = read_run(folder)
        begun = datetime.fromisoformat(run["last_word"])
        soon, late = begun + timedelta(minutes=5), begun + timedelta(minutes=16)
        assert read_moment(folder, run, now=soon)["silent"] is False
        assert read_moment(folder, run, now=late)["silent"] is True
        view = NowView(folder)
        view.temperature(204.9, 205.0)
        view.trial_begins(made_run.order(4, speed_mm_s=2.2), PROGRESS)
        moment = read_moment(folder, run, now=datetime.now(UTC))
        assert (moment["silent"], moment["actual_c"], moment["trial"]["number"]) == (
            False,
            204.9,
            4,
        )
        assert moment["progress"]["likely_left"] == 5
        later = read_moment(folder, run, now=datetime.now(UTC) + timedelta(minutes=4))
        assert (later["silent"], later["trial"]) == (True, None)
        done = {**run, "state": "done"}
        assert read_moment(folder, done, now=late)["silent"] is False


def test_the_file_of_the_moment_never_disturbs_a_run(tmp_path: Path) -> None:
    ticks = iter([0.0, 0.0, 0.1, 0.2, 0.8, 0.8, 5.0])
    view = NowView(tmp_path, clock_s=lambda: next(ticks))
    view.temperature(20.0, None)
    view.temperature(21.0, None)  # too soon
    assert (read_now(tmp_path) or {})["actual_c"] == 20.0
    view.temperature(22.0, None)
    view.temperature(23.0, None)
    assert (read_now(tmp_path) or {})["actual_c"] == 23.0
    view.end("done")
    assert read_now(tmp_path) is None
    view.end("done")
    lost = NowView(tmp_path / "absent")
    lost.phase("heating")
    lost.temperature(20.0, 205.0)
    lost.end("done")
    (tmp_path / "now.json").write_text("[1")
    assert read_now(tmp_path) is None


def test_the_newest_run_of_the_bench_is_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    elsewhere = tmp_path / "cwd"
    elsewhere.mkdir()
    monkeypatch.chdir(elsewhere)
    house = tmp_path / "house"
    house.mkdir()
    bench = house / "bench.toml"
    bench.write_text(made_run.BENCH.read_text())
    finder = RunFinder(bench)
    assert finder.find() is None
    for name, age_s in (("first", 100), ("second", 50)):
        made_run.make_run(house / name).close()
        for file in (house / name).iterdir():
            then = file.stat().st_mtime - age_s
            os.utime(file, (then, then))
    assert finder.find() == house / "second"
    made_run.make_run(elsewhere / "stallcurve-run").close()
    assert finder.find() == elsewhere / "stallcurve-run"
    bench.write_text(bench.read_text().replace('name = "short brass"', 'name = "another"'))
    assert RunFinder(bench).find() is None
    assert RunFinder(bench, house / "first").find() == house / "first"
    assert RunFinder(house / "first").find() == house / "first"
    assert RunFinder(house / "first" / "ledger.sqlite").find() == house / "first"
    assert RunFinder(house).find() == house / "second"


def test_what_is_no_run_is_said(tmp_path: Path) -> None:
    for given in (tmp_path, tmp_path / "absent"):
        with pytest.raises(RunFolderError, match=r"ledger\.sqlite"):
            RunFinder(given)
    with made_run.make_run(tmp_path / "run"), pytest.raises(RunFolderError, match="--run"):
        RunFinder(tmp_path / "run", tmp_path / "run")


def test_pages_hear_only_what_is_new(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    with made_run.make_run(folder) as ledger:
        live = LiveRun(RunFinder(folder))
        look, other = news(live), news(live)
        assert [name for name, _ in look()] == ["run", "moment"]
        assert look() == []
        made_run.add_trial(ledger, 4, Verdict.CLEAN, speed_mm_s=2.3)
        told = dict(look())
        assert [trial["number"] for trial in told["run"]["trials"]] == [1, 2, 3, 4]
        assert look() == []
        NowView(folder).phase("heating to 205 C")
        assert [name for name, _ in look()] == ["moment"]
        assert [name for name, _ in other()] == ["run", "moment"]


def test_a_damaged_or_missing_ledger_is_said(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    made_run.make_run(folder).close()
    live = LiveRun(RunFinder(folder))
    look = news(live)
    look()
    (folder / "ledger.sqlite").write_bytes(b"not a ledger")
    assert "ledger" in dict(look())["run"]["problem"]
    (folder / "ledger.sqlite").unlink()
    assert dict(look())["run"]["waiting"] is True


def test_a_writer_is_never_held_up(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    with made_run.make_run(folder) as ledger:
        writer = sqlite3.connect(folder / "ledger.sqlite", isolation_level=None, timeout=0.0)
        writer.execute("BEGIN IMMEDIATE")
        assert len(read_run(folder)["trials"]) == 3
        writer.execute("COMMIT")
        writer.close()
        made_run.add_trial(ledger, 4, Verdict.CLEAN, speed_mm_s=2.3)


def test_a_fitted_curve_is_shown_and_a_broken_one_left_out(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    with made_run.make_run(folder):
        row = {"flow_mm3_s": 4.0, "force_n": 40.0, "lower_n": 38.0, "upper_n": 43.0}
        curve = {"temperature_c": 205.0, "table": [row]}
        (folder / "curve.json").write_text(json.dumps({"curves": [curve]}))
        assert read_run(folder)["curves"] == [
            {"temperature_c": 205.0, "table": [[4.0, 40.0, 38.0, 43.0]]}
        ]
        (folder / "curve.json").write_text('{"curves": [{}')
        assert read_run(folder)["curves"] == []


def test_the_page_is_behind_the_same_door(tmp_path: Path, visit: Callable[..., Any]) -> None:
    with made_run.make_run(tmp_path / "run"):
        live = LiveRun(RunFinder(tmp_path / "run"))
        app = make_live_app(live, token="k3y", port=8123, ended=lambda: False, every_s=0.01)
        ask = visit(app, token="k3y", port=8123)
        assert ask("/events", absolute=True).status == 403
        assert ask("state", headers={"host": "rebound.example"}).status == 403
        assert b"live.js" in ask("").body
        assert ask("state").json()["run"]["filament_m"] == 0.75
        answer = ask("events", stop=lambda body: b"event: moment" in body)
        assert b'"verdict": "skip"' in answer.body
    for name in ("live.html", "live.css", "live.js", "charts.js"):
        assert "://" not in static_file(name)[0].decode()


def test_the_stream_ends_with_the_server(tmp_path: Path, visit: Callable[..., Any]) -> None:
    with made_run.make_run(tmp_path / "run"):
        live = LiveRun(RunFinder(tmp_path / "run"))
        app = make_live_app(live, token="k3y", port=8123, ended=lambda: True)
        assert visit(app, token="k3y", port=8123)("events").body.startswith(b"retry")
