"""The labelling page in a real browser, by keyboard alone."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from detectors.evidence import Verdict
from detectors.takes import read_take_list


def test_three_takes_labelled_by_keyboard(
    served: Callable[..., Any], browser: Any, take_list: Path
) -> None:
    from playwright.sync_api import expect

    page_server = served("label", str(take_list.parent), "--no-browser")
    page = browser.new_page(reduced_motion="reduce")
    asked: list[str] = []
    wrong: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda line: wrong.append(line.text) if line.type == "error" else None)
    page.goto(page_server.address)
    status, file = page.locator("#status"), page.locator("#file")
    expect(file).to_have_text("take-0.wav")
    expect(page.locator("#play")).to_be_enabled()

    page.keyboard.press("1")
    expect(status).to_contain_text("take-0.wav: clean")
    page.keyboard.press("j")
    expect(file).to_have_text("take-1.wav")
    expect(page.locator("#play")).to_be_enabled()
    page.keyboard.press("2")
    expect(page.locator("[data-label=skip]")).to_have_attribute("aria-pressed", "true")
    for _ in range(3):
        page.keyboard.press(".")
    page.keyboard.press("m")  # the cursor starts with the motion, at 0.6 s
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Shift+ArrowLeft")
    expect(page.locator("#first")).to_have_value("0.669")
    page.keyboard.press("e")
    page.keyboard.type("j1 heard, twice")
    page.keyboard.press("Enter")
    expect(status).to_contain_text("note saved")

    page.keyboard.press("n")
    expect(file).to_have_text("take-2.wav")
    expect(page.locator("#accept")).to_be_enabled(timeout=60_000)
    proposed = page.locator("#proposal .word").inner_text()
    page.keyboard.press("Enter")
    expect(file).to_have_text("take-3.wav")
    expect(page.locator("#progress")).to_have_text("3 of 4 labelled")
    expect(status).to_contain_text("take-2.wav")
    page.keyboard.press("4")
    expect(page.locator("#progress")).to_have_text("4 of 4 labelled")
    page.keyboard.press("u")
    expect(page.locator("#progress")).to_have_text("3 of 4 labelled")
    expect(status).to_contain_text("taken back")

    takes = read_take_list(take_list)
    assert [take.label for take in takes] == [
        Verdict.CLEAN, Verdict.SKIP, Verdict(proposed), None,
    ]  # fmt: skip
    assert takes[1].first_skip_s == 0.669
    assert takes[1].note == "j1 heard, twice"
    assert {url.split("/")[2] for url in asked if not url.startswith(("blob:", "data:"))} == {
        page_server.address.split("/")[2]
    }
    assert wrong == []

    # Another program writes the list: the page asks, and the person's change can be made again.
    take_list.write_text(take_list.read_text().replace("made 0", "theirs"))
    page.keyboard.press("3")
    expect(page.locator("#conflict")).to_be_visible()
    page.keyboard.press("Enter")
    expect(page.locator("#progress")).to_have_text("4 of 4 labelled")
    expect(status).to_contain_text("saved")
    takes = read_take_list(take_list)
    assert (takes[0].note, takes[3].label) == ("theirs", Verdict.SLIP)

    code, said = page_server.stop()
    assert code == 0
    assert said.splitlines()[-1] == "ended; 4 of 4 takes have a label"
    assert "Traceback" not in said
    page.close()
