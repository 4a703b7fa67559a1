"""A run folder made through the ledger comes back as report data and as a page."""

from __future__ import annotations

import pytest

from detectors.evidence import Reason, Verdict
from rig.bench import parse_bench
from rig.bench_template import TEMPLATE
from rig.curves.curveset import CurveSet
from rig.errors import RunFolderError
from rig.ledger import Ledger
from rig.records import TrialOrder, TrialRecord
from rig.report.page import report_html, write_report
from rig.report.run_folder import read_run, when


def record(number: int, speed_mm_s: float, verdict: Verdict, **more) -> TrialRecord:
    given = {
        "reason": Reason.CLICK_TRAIN if verdict == Verdict.SKIP else Reason.HEARD_THROUGHOUT,
        "p_skip": 0.999 if verdict == Verdict.SKIP else 0.003,
        "explanation": "as heard",
        "started": "2031-05-04T22:10:00.000Z",
        "least_c": 204.4,
        "most_c": 205.3,
        "measured_s": 4.5,
        "filament_mm": 30.0,
        "motion_s": (0.6, 5.1),
        "click_times_s": (2.0, 2.2) if verdict == Verdict.SKIP else (),
        "first_skip_s": 2.0 if verdict == Verdict.SKIP else None,
        "audio": f"audio/{number:04d}.flac",
    }
    order = TrialOrder(
        temperature_c=205.0, current_a=0.5, speed_mm_s=speed_mm_s, length_mm=30.0, number=number
    )
    return TrialRecord(order=order, verdict=verdict, **{**given, **more})


@pytest.fixture
def run(tmp_path):
    folder = tmp_path / "harbour-7"
    folder.mkdir()
    bench = parse_bench(TEMPLATE)
    with Ledger.create(
        folder, bench_text=TEMPLATE, bench_digest=bench.digest(), simulated=True
    ) as ledger:
        ledger.begin_session()
        ledger.add_event("warning", "the fan was <loud>")
        search = ledger.open_search(
            temperature_c=205.0, current_a=0.5, repeat=0, settings={}, applied_a=0.5
        )
        ledger.add_trial(record(1, 1.6, Verdict.CLEAN), search=search)
        ledger.add_trial(record(2, 1.7, Verdict.SKIP), search=search)
        ledger.add_trial(
            record(3, 1.7, Verdict.SKIP, audio="../../elsewhere.flac", anomalies=("late reply",)),
            search=search,
        )
        ledger.close_search(search, status="found", clean_mm_s=1.6, skip_mm_s=1.7, force_n=52.5)
        ledger.end_session(outcome="done", message="fan left on", elapsed_s=5400.0)
    return folder


def test_a_run_folder_comes_back(run, curves):
    data = read_run(run, curves=curves)
    assert data.simulated
    assert data.finished
    assert data.name == "harbour-7"
    assert data.curves is curves
    assert "the fan was <loud>" in data.warnings
    assert "fan left on" in data.warnings
    assert ("Bench time", "1.5 h") in data.facts
    assert [(t.number, t.verdict, t.speed_mm_s) for t in data.trials] == [
        (1, "clean", 1.6),
        (2, "skip", 1.7),
        (3, "skip", 1.7),
    ]
    second, third = data.trials[1:]
    assert second.audio == (run / "audio" / "0002.flac").resolve()
    assert second.motion_s == (0.6, 5.1)
    assert second.click_times_s == (2.0, 2.2)
    assert third.audio is None
    assert third.explanation == "as heard; late reply"
    (threshold,) = data.thresholds
    assert (threshold.clean_mm_s, threshold.skip_mm_s, threshold.run) == (1.6, 1.7, "harbour-7")


def test_curve_json_is_taken_only_where_it_belongs_to_the_thresholds(run, curves):
    import json
    from dataclasses import replace

    held = replace(curves, provenance={"thresholds": 1})
    (run / "curve.json").write_text(json.dumps(held.to_document()))
    found = read_run(run).curves
    assert isinstance(found, CurveSet)
    assert found.bench_digest == curves.bench_digest
    stale = replace(curves, provenance={"thresholds": 9})
    (run / "curve.json").write_text(json.dumps(stale.to_document()))
    # One threshold alone gives no curve, and the page says so.
    data = read_run(run)
    assert data.curves is None
    page = report_html(data)
    assert "No curve yet: too few thresholds." in page
    assert "the fan was &lt;loud&gt;" in page.replace("The fan", "the fan")


def test_write_report_takes_the_folder(run, curves, tmp_path):
    path = write_report(run, run / "report.html")
    assert "Simulated." in path.read_text(encoding="utf-8")
    with pytest.raises(RunFolderError):
        write_report(tmp_path / "nowhere", tmp_path / "x.html")


def test_times_for_a_reader():
    assert when("2031-05-04T22:10:31.250Z") == "4 May 2031, 22:10 UTC"
    assert when("") == ""
    assert when("yesterday") == "yesterday"
