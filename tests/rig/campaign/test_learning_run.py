"""A campaign whose plan learns: thresholds, filament, interruption and the bench file."""

from __future__ import annotations

import os
import signal
from dataclasses import replace
from pathlib import Path

import pytest
from small_bench import At, check_thresholds, small_text

from detectors.evidence import Reason, Verdict
from rig import campaign_loop
from rig.bench import Bench, parse_bench
from rig.campaign import CampaignResult, run_campaign
from rig.errors import BenchFileError, StoppedSafelyError
from rig.ledger import Ledger
from rig.simulation.registry import forget_worlds

CURRENTS = "[0.3, 0.4, 0.5, 0.6]"


def text_of(method: str, more: str = "") -> str:
    text = small_text(currents=CURRENTS, resolution=0.06)
    return text.replace("[plan]", f'[plan]\nmethod = "{method}"\n{more}')


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Bench, CampaignResult]]:
    found = {}
    for method in ("bisection", "learning"):
        forget_worlds()
        bench = parse_bench(text_of(method))
        found[method] = (bench, run_campaign(bench, tmp_path_factory.mktemp("runs") / method))
    return found


def test_every_current_gets_a_bracket_round_the_hidden_threshold(
    runs: dict[str, tuple[Bench, CampaignResult]],
) -> None:
    check_thresholds(*runs["learning"], off=0.04, wide=1.4)


def test_it_takes_less_filament_than_bisection(
    runs: dict[str, tuple[Bench, CampaignResult]],
) -> None:
    assert runs["learning"][1].filament_mm < 0.9 * runs["bisection"][1].filament_mm


def test_its_questions_are_on_disk(runs: dict[str, tuple[Bench, CampaignResult]]) -> None:
    with Ledger.open(runs["learning"][1].folder, read_only=True) as ledger:
        assert {t.order.purpose for t in ledger.trials()} == {"learn"}
        assert all(row.status == "found" for row in ledger.searches())


def test_it_goes_on_where_it_was_interrupted(
    tmp_path: Path, runs: dict[str, tuple[Bench, CampaignResult]]
) -> None:
    forget_worlds()
    bench, folder = parse_bench(text_of("learning")), tmp_path / "run"
    press = At(lambda: os.kill(os.getpid(), signal.SIGINT), begins=6)
    with pytest.raises(StoppedSafelyError, match="Ctrl-C"):
        run_campaign(bench, folder, view=press)
    result = run_campaign(bench, folder, resume=True)
    assert [t.current_a for t in result.thresholds] == list(bench.plan.currents_a)
    assert result.trials <= runs["learning"][1].trials + 6
    again = run_campaign(bench, folder, resume=True)
    assert again.trials == result.trials


def test_a_current_that_was_given_up_stays_so_when_the_run_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    forget_worlds()
    bench, folder = parse_bench(text_of("learning")), tmp_path / "run"
    judged = campaign_loop.run_trial

    def deaf_at_the_top(station, order, **how):  # type: ignore[no-untyped-def]
        record = judged(station, order, **how)
        if order.current_a < 0.6:
            return record
        return replace(record, verdict=Verdict.VOID, reason=Reason.SILENT, p_skip=0.5)

    monkeypatch.setattr(campaign_loop, "run_trial", deaf_at_the_top)
    first = run_campaign(bench, folder)
    with Ledger.open(folder, read_only=True) as ledger:
        rows = {row.current_a: row.status for row in ledger.searches()}
    assert rows[0.6] == "given-up"
    again = run_campaign(bench, folder, resume=True)
    assert again.trials == first.trials


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (text_of("guessing"), "plan.method"),
        (text_of("bisection", "band = 0.05"), "band is for method = learning only"),
        (
            text_of("learning").replace(CURRENTS, "[0.3, 0.5]"),
            "method = learning needs three currents or more",
        ),
        (text_of("learning", 'prefer = "money"'), "plan.prefer"),
    ],
)
def test_a_wrong_plan_is_refused(text: str, words: str) -> None:
    with pytest.raises(BenchFileError, match=words):
        parse_bench(text)
