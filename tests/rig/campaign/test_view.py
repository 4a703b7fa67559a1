"""What the person sees: plain lines where there is no terminal, a live picture where there is."""

from __future__ import annotations

import io

from small_bench import small_bench

from detectors.evidence import Reason, Verdict
from rig.budget import plan_budget
from rig.ledger import SearchRow
from rig.records import TrialOrder, TrialRecord
from rig.view import LiveView, PlainView, Progress, Views, duration, open_view, pass_map


def order(speed_mm_s: float = 3.0, number: int = 1) -> TrialOrder:
    return TrialOrder(
        temperature_c=205, current_a=0.5, speed_mm_s=speed_mm_s, length_mm=30, number=number
    )


def record(verdict: Verdict, speed_mm_s: float = 3.0, **changes: object) -> TrialRecord:
    return TrialRecord(
        order=order(speed_mm_s), verdict=verdict, reason=Reason.UNSURE, p_skip=0.5, number=1,
        **changes,  # type: ignore[arg-type]
    )  # fmt: skip


def progress() -> Progress:
    fields = {name: 3.0 if name.endswith(("_m", "_mm", "_s")) else 3 for name in Progress.__slots__}
    return Progress(**fields)  # type: ignore[arg-type]


def test_plain_lines_say_each_trial_its_verdict_and_what_is_left() -> None:
    lines: list[str] = []
    view = PlainView(lines.append)
    bench = small_bench()
    view.begin(bench, plan_budget(bench), [])
    view.phase("heating to 205 C")
    view.trial_begins(order(), progress())
    view.trial_ended(record(Verdict.VOID))
    view.trial_ended(record(Verdict.SKIP, broken_off=True))
    view.note("a remark")
    view.end("done: 1 threshold from 2 trials")
    text = "\n".join(lines)
    assert "short brass" in text
    assert "205 C, 0.5 A, 3.000 mm/s: void (unsure)" in text
    assert "skip, broken off" in text
    assert "trials left" in text
    assert lines[-1] == "done: 1 threshold from 2 trials"


def test_a_stream_that_is_no_terminal_gets_plain_lines() -> None:
    assert isinstance(open_view(io.StringIO()), PlainView)
    assert isinstance(open_view(plain=True), PlainView)


def test_the_live_picture_shows_the_trial_and_the_pass_map() -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    stream, time_s = Terminal(), [0.0]
    view = LiveView(stream, now=lambda: time_s[0])
    bench = small_bench()
    view.begin(bench, plan_budget(bench), [])
    for number, verdict in enumerate((Verdict.CLEAN, Verdict.SKIP), 1):
        time_s[0] += 10.0
        view.trial_begins(order(2.0 + number, number), progress())
        view.temperature(204.6, 205.0)
        view.trial_ended(record(verdict, 2.0 + number))
    view.end("done")
    assert "204.6" in stream.getvalue()
    assert "done" in stream.getvalue()


def test_the_pass_map_puts_faster_higher() -> None:
    trials = [record(Verdict.CLEAN, 2.0), record(Verdict.SKIP, 6.0)]
    lines = pass_map(trials, temperature_c=205.0, now=order(3.5)).plain.splitlines()
    under_way = [n for n, line in enumerate(lines) if "@" in line]
    assert len(under_way) == 1
    assert any("x" in line for line in lines[: under_way[0]]), lines
    assert pass_map(trials, temperature_c=230.0).plain == ""


def test_several_views_hear_the_same() -> None:
    one: list[str] = []
    two: list[str] = []
    views = Views(PlainView(one.append), PlainView(two.append))
    views.note("hello")
    views.threshold(
        SearchRow(
            id=1, temperature_c=205.0, current_a=0.5, repeat=0, settings={}, applied_a=0.5,
            status="found", clean_mm_s=3.0, skip_mm_s=3.1, estimate_mm_s=3.05, lower_mm_s=3.0,
            upper_mm_s=3.1, confidence=0.9, trials=5, outvoted=0, force_n=47.0, excluded=None,
            note=None,
        )
    )  # fmt: skip
    assert one == two
    assert any("47.0 N" in line for line in one)


def test_durations_in_words() -> None:
    assert duration(20.0) == "20 s"
    assert "min" in duration(600.0)
    assert "h" in duration(7300.0)
