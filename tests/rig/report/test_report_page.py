"""The page: what it says, that nothing in it comes from outside, and how a browser shows it."""

from __future__ import annotations

import os
import re
import shutil
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest

from rig.errors import UsageError
from rig.report import words
from rig.report.data import ReportData
from rig.report.page import report_html, write_report

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
ARGUMENTS = [
    "--no-sandbox",
    "--headless",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
VOID = {"area", "base", "br", "col", "hr", "img", "input", "link", "meta", "path", "use"}


class Reader(HTMLParser):
    """Text of a page, and a check that every element is closed in order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.text: list[str] = []
        self.links: list[str] = []
        self.tags: set[str] = set()

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        self.links += [value for name, value in attrs if name in ("href", "src") and value]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.add(tag)

    def handle_endtag(self, tag):
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag

    def handle_data(self, content):
        if not self.open or self.open[-1] not in ("style", "script"):
            self.text.append(content)


def read(page: str) -> tuple[Reader, str]:
    reader = Reader()
    reader.feed(page)
    reader.close()
    assert reader.open == []
    return reader, " ".join(" ".join(reader.text).split())


def test_the_answer_comes_first_and_the_facts_are_there(data):
    reader, text = read(report_html(data))
    answer = text.index("At 205 °C, pushing 4.0 mm³/s takes 51 N (45 to 59 N); measured from 0.80")
    assert answer < text.index("The curve") < text.index("How sure") < text.index("Thresholds")
    assert "Past about 8.1 mm³/s more force buys no more flow." in text
    for fact in (
        "short brass, nozzle 0.4 mm",
        "house PLA, grey, 1.75 mm",
        "0.13 N m at 1 A RMS, ±10 %",
        "4 May 2031, 22:10 to 5 May 2031, 03:41",
        "26: 12 clean, 12 skip, 1 slip, 1 void; 0.72 m of filament",
        "0123456789abcdef",
        "1 of 26 trials were void and count for nothing: 1 too-noisy.",
        "205 °C: measure next at about 109 N.",
        "torque of the motor 5.8 % 90 %",
        "skipped at the slowest speed tried",
        "8.10 (7.60 to 8.90) mm³/s",
        "none seen",
    ):
        assert fact in text, fact
    assert {"details", "summary", "svg"} <= reader.tags
    assert "script" not in reader.tags


def test_simulation_and_an_unfinished_run_are_said_in_a_banner(data):
    _, text = read(report_html(data))
    assert "Simulated. A virtual bench made these measurements." in text
    assert "Not finished." not in text
    _, text = read(report_html(replace(data, simulated=False, finished=False)))
    assert "Simulated." not in text
    assert "simulated" not in text
    assert "Not finished." in text


def test_clean_trials_that_were_doubtful_are_named(data):
    _, text = read(report_html(data))
    assert "probability of skipping above" not in text
    trials = [replace(t, p_skip=0.8) if t.number in (2, 6) else t for t in data.trials]
    _, text = read(report_html(replace(data, trials=tuple(trials))))
    assert "2 of 12 clean trials had a probability of skipping above 0.2 (2, 6)" in text


def test_text_of_users_is_escaped(data):
    page = report_html(replace(data, name="<script>alert(1)</script>"))
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    assert "a lamp &lt;flickered&gt; &amp; hummed" in page.replace("A lamp", "a lamp")
    assert "<slip" not in page


def test_nothing_comes_from_outside(data):
    page = report_html(data)
    reader, _ = read(page)
    for link in reader.links:
        assert link.startswith(("data:", "#")), link
    without_names = re.sub(r'xmlns(:\w+)?="[^"]*"', "", page)
    assert "http" not in without_names
    assert "@import" not in page
    for reference in re.findall(r"url\(([^)]*)\)", page):
        assert reference.startswith("#")


def test_a_run_without_curves_or_trials_still_makes_a_page(data):
    _, text = read(report_html(replace(data, curves=None)))
    assert "No curve yet: no trial has closed a bracket yet." in text
    _, text = read(report_html(ReportData()))
    assert "No curve yet" in text
    _, text = read(report_html(ReportData(curves=data.curves)))
    assert "At 205 °C" in text


def test_sound_of_a_skip_and_of_a_clean_trial_is_shown(data, tmp_path):
    soundfile = pytest.importorskip("soundfile")
    import numpy as np

    soundfile.write(tmp_path / "t.flac", 0.01 * np.random.default_rng(1).normal(size=8000), 8000)
    (tmp_path / "broken.flac").write_bytes(b"cut off")
    trials = list(data.trials)
    trials[2] = replace(trials[2], audio=tmp_path / "t.flac")
    trials[3] = replace(trials[3], audio=tmp_path / "broken.flac")
    page = report_html(replace(data, trials=tuple(trials)))
    assert page.count("data:image/png;base64,") == 2
    assert "Spectrogram of trial 3, verdict skip" in page


def test_the_page_is_written_whole_or_not_at_all(data, tmp_path):
    path = write_report(data, tmp_path / "run")
    assert path == tmp_path / "run" / "report.html"
    assert path.read_text(encoding="utf-8").rstrip().endswith("</html>")
    assert [p.name for p in path.parent.iterdir()] == ["report.html"]
    (tmp_path / "file").write_text("x")
    with pytest.raises(UsageError):
        write_report(data, tmp_path / "file" / "report.html")


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (0.0, 3, "0"),
        (1234.5, 2, "1200"),
        (12.345, 3, "12.3"),
        (0.09996, 3, "0.1000"),
        (-4.0, 2, "-4.0"),
        (None, 3, "–"),
        (float("inf"), 3, "–"),
    ],
)
def test_numbers_have_so_many_digits(value, digits, text):
    assert words.sig(value, digits) == text


def test_a_span_of_one_day_says_the_day_once():
    one_day = words.span("4 May 2031, 22:10 UTC", "4 May 2031, 23:41 UTC")
    assert one_day == "4 May 2031, 22:10 to 23:41 UTC"
    night = words.span("4 May 2031, 22:10 UTC", "5 May 2031, 03:41 UTC")
    assert night == "4 May 2031, 22:10 UTC to 5 May 2031, 03:41 UTC"
    assert words.span("", "") == ""


def test_round_flows_lie_inside_what_was_measured(curves):
    flows = words.round_flows(curves.curves)
    assert flows == [2.0, 4.0, 6.0]
    assert words.round_flows([curves.curves[0]], wanted=9) == [1, 2, 3, 4, 5, 6, 7]


@pytest.mark.skipif(
    CHROMIUM is None and not os.environ.get("CI"),
    reason="no Chromium on this machine, so the page cannot be shown (apt: chromium)",
)
@pytest.mark.parametrize("width", [380, 1200])
def test_a_browser_shows_it_without_errors_requests_or_sideways_scrolling(data, tmp_path, width):
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    path: Path = write_report(data, tmp_path / "report.html")
    complaints: list[str] = []
    asked: list[str] = []
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        page = browser.new_page(viewport={"width": width, "height": 800})
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("request", lambda request: asked.append(request.url))
        page.goto(path.as_uri())
        page.wait_for_load_state("networkidle")
        assert page.evaluate("document.documentElement.scrollWidth") == width
        shown = page.locator("figure svg:visible")
        assert shown.count() == 2
        for index in range(2):
            box = shown.nth(index).bounding_box()
            assert box is not None
            assert width * 0.7 < box["width"] <= width
            assert box["height"] > 150
        sizes = page.evaluate(
            "[...document.querySelectorAll('figure svg')].filter(s => s.checkVisibility())"
            ".flatMap(s => [...s.querySelectorAll('text')].map(t => t.getBoundingClientRect()))"
            ".map(b => Math.min(b.width, b.height))"
        )
        assert min(sizes) > 7.0  # the least text is still legible, in CSS pixels
        assert not page.locator("#trials table").is_visible()
        page.locator("#trials summary").click()
        assert page.locator("#trials tbody tr").count() == 26
        assert page.locator("#trials table").is_visible()
        page.emulate_media(color_scheme="dark")
        ink = page.evaluate("getComputedStyle(document.body).color")
        assert ink == "rgb(223, 229, 230)"
        browser.close()
    assert complaints == []
    assert asked == [path.as_uri()]
