"""The live page in a real browser, from before the run until after it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import made_run

from detectors.evidence import Verdict
from rig.page.now import NowView
from rig.view import Progress


def test_a_run_is_followed_from_before_its_start(
    served: Callable[..., Any], browser: Any, tmp_path: Path
) -> None:
    from playwright.sync_api import expect

    bench = tmp_path / "bench.toml"
    bench.write_text(made_run.BENCH.read_text())
    server = served("page", str(bench), "--no-browser")
    page = browser.new_page(reduced_motion="reduce", viewport={"width": 390, "height": 844})
    asked: list[str] = []
    wrong: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda line: wrong.append(line.text) if line.type == "error" else None)
    page.goto(server.address)
    expect(page.locator("#state")).to_have_text("Waiting")
    expect(page.locator("#simulated")).to_be_hidden()

    folder = tmp_path / "stallcurve-run"
    with made_run.make_run(folder) as ledger:
        expect(page.locator("#state")).to_have_text("Running")
        expect(page.locator("#simulated")).to_be_visible()
        expect(page.locator("#maps .m-skip")).to_have_count(1)
        expect(page.locator("#filament")).to_contain_text("0.75 m")
        view = NowView(folder)
        view.temperature(204.9, 205.0)
        progress = Progress(
            trials=3, most_left=9, likely_left=5, seconds_left=180.0, filament_mm=750.0,
            filament_left_mm=39000.0,
        )  # fmt: skip
        view.trial_begins(made_run.order(4, speed_mm_s=2.31), progress)
        expect(page.locator("#now")).to_have_text("Trial 4: 0.5 A at 2.31 mm/s")
        expect(page.locator("#heat")).to_contain_text("204.9 °C of 205")
        expect(page.locator("#maps .m-now")).to_have_count(1)
        expect(page.locator("#timemore")).to_contain_text("3 min")
        made_run.add_trial(ledger, 4, Verdict.SKIP, speed_mm_s=2.31)
        expect(page.locator("#maps .m-skip")).to_have_count(2)
        expect(page.locator("#trials tbody tr").first).to_contain_text("2.310")
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= 390

        view.end("stopped")
        ledger.end_session(outcome="InterlockError", message="the heater fell", elapsed_s=60.0)
    expect(page.locator("#state")).to_have_text("Stopped")
    expect(page.locator("#problem")).to_contain_text("the heater fell")
    expect(page.locator("#maps .m-now")).to_have_count(0)
    assert {url.split("/")[2] for url in asked} == {server.address.split("/")[2]}
    assert wrong == []
    code, said = server.stop()
    assert code == 0
    assert said.splitlines()[-1] == "ended the page"
    assert "Traceback" not in said
    expect(page.locator("#lost")).to_be_visible(timeout=15_000)
    page.close()
