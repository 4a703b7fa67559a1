"""A campaign whose plan learns: thresholds, filament, interruption and the bench file."""

from __future__ import annotations

import itertools
import os
import signal
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from small_bench import At, check_thresholds, small_bench, small_text

from detectors.evidence import Reason, Verdict
from rig import campaign_loop, learning_run
from rig.bench import Bench, parse_bench
from rig.campaign import CampaignResult, run_campaign, thresholds_text
from rig.curves.fit import fit_curves
from rig.curves.points import Threshold
from rig.errors import BenchFileError, StoppedSafelyError
from rig.learning_run import through_mm_s
from rig.ledger import Ledger
from rig.records import TrialOrder, TrialRecord
from rig.release import RELEASE_MM
from rig.simulation.registry import forget_worlds, prepare_world
from rig.trial import LEAST_STEADY_S, trial_length_mm

CURRENTS = "[0.3, 0.4, 0.5, 0.6]"


def text_of(method: str, more: str = "") -> str:
    text = small_text(method=method, currents=CURRENTS, resolution=0.06)
    return text.replace("[plan]", f"[plan]\n{more}")


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


def test_it_takes_less_filament_than_bisection(tmp_path: Path) -> None:
    """Over three campaigns together: in a single one chance can turn it round."""
    used_mm = dict.fromkeys(("bisection", "learning"), 0.0)
    for method in used_mm:
        for seed in (1, 2, 3):
            forget_worlds()
            bench = small_bench(
                seed=seed,
                method=method,
                currents="[0.3, 0.35, 0.4, 0.45, 0.5, 0.55, 0.6]",
                resolution=0.03,
            )
            used_mm[method] += run_campaign(bench, tmp_path / f"{method}-{seed}").filament_mm
    assert used_mm["learning"] < 0.95 * used_mm["bisection"]


def test_no_slower_trial_at_less_current_starts_into_what_a_faster_one_left(
    runs: dict[str, tuple[Bench, CampaignResult]],
) -> None:
    """Such a trial skips at speeds that the motor would hold, and the threshold comes out low."""
    bench, result = runs["learning"]
    with Ledger.open(result.folder, read_only=True) as ledger:
        trials = ledger.trials()
    truth = prepare_world(bench).truth
    lowered = 0
    for before, now in itertools.pairwise(trials):
        one, other = before.order, now.order
        if one.current_a > other.current_a and one.speed_mm_s > other.speed_mm_s:
            lowered += before.verdict is Verdict.CLEAN
            assert other.prime_mm >= RELEASE_MM
            assert now.prime_current_a == one.current_a
        true_mm_s = truth.threshold_mm_s(other.current_a, other.temperature_c)
        assert now.verdict is not Verdict.SKIP or other.speed_mm_s > 0.97 * true_mm_s
    assert lowered > 0


def test_its_questions_are_on_disk(runs: dict[str, tuple[Bench, CampaignResult]]) -> None:
    with Ledger.open(runs["learning"][1].folder, read_only=True) as ledger:
        trials = ledger.trials()
        assert {t.order.purpose for t in trials} == {"learn", "scout"}
        assert all(row.status == "found" for row in ledger.searches())


def test_a_scout_is_no_longer_than_a_judgement_needs() -> None:
    text = text_of("learning")
    assert "\nsteady_s = 3.0" in text
    bench = parse_bench(text.replace("\nsteady_s = 3.0", "\ntrial_length_mm = 80"))
    full, short = (
        trial_length_mm(bench, speed_mm_s=3.0, acceleration_mm_s2=200.0, shortest=shortest)
        for shortest in (False, True)
    )
    assert full == 80.0
    assert 3.0 * LEAST_STEADY_S < short < 20.0


def test_no_end_of_a_bracket_comes_from_a_scout(
    runs: dict[str, tuple[Bench, CampaignResult]],
) -> None:
    with Ledger.open(runs["learning"][1].folder, read_only=True) as ledger:
        told = {
            (t.order.current_a, t.order.speed_mm_s)
            for t in ledger.trials()
            if t.order.purpose == "learn"
        }
    for found in runs["learning"][1].thresholds:
        assert {(found.current_a, found.clean_mm_s), (found.current_a, found.skip_mm_s)} <= told


@pytest.mark.parametrize(
    ("changes", "through"),
    [
        ({}, 4.0),
        ({"lost_mm": None}, None),
        ({"verdict": Verdict.CLEAN}, None),
        ({"first_skip_s": None}, None),
        ({"motion_s": (0.6, 2.2)}, None),  # too short a time of skipping
        ({"lost_mm": 30.0}, None),  # nothing got through
    ],
)
def test_what_got_through_is_what_the_encoder_saw_after_the_first_click(
    changes: dict[str, object], through: float | None
) -> None:
    record = TrialRecord(
        order=TrialOrder(temperature_c=210.0, current_a=0.5, speed_mm_s=6.0, length_mm=20.0),
        verdict=Verdict.SKIP,
        reason=Reason.CLICK_TRAIN,
        p_skip=0.99,
        motion_s=(0.6, 3.0),
        first_skip_s=2.0,
        lost_mm=2.0,
    )
    assert through_mm_s(replace(record, **changes)) == through  # type: ignore[arg-type]


def test_a_band_that_is_not_reached_is_told_as_the_curve_file_has_it(tmp_path: Path) -> None:
    """It is more than four brackets give: all of them are closed first."""
    forget_worlds()
    bench = parse_bench(text_of("learning", "band = 0.02"))
    result = run_campaign(bench, tmp_path / "run")
    assert len(result.thresholds) == len(bench.plan.currents_a)
    assert all(found.closed for found in result.thresholds)
    curve = fit_curves(result.thresholds, bench=bench).curves[0]
    widest = max(0.5 * (row.upper_n - row.lower_n) / row.force_n for row in curve.table)
    [sentence] = [remark for remark in result.remarks if "plan.band" in remark]
    assert f"the curve's band is +-{100 * widest:.1f} % where it is widest" in sentence
    assert "wider than plan.band = 0.02 asks" in sentence


def test_a_band_that_the_fit_reaches_ends_the_plan(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    forget_worlds()
    seen: list[Sequence[Threshold]] = []

    def widest_band(thresholds: Sequence[Threshold], bench: Bench) -> float:
        seen.append(thresholds)
        return 0.1 if sum(found.closed for found in thresholds) >= 3 else 0.9

    monkeypatch.setattr(learning_run, "widest_band", widest_band)
    bench = parse_bench(text_of("learning", "band = 0.5"))
    result = run_campaign(bench, tmp_path / "run")
    closed = [found.current_a for found in result.thresholds if found.closed]
    assert 3 <= len(closed) < len(bench.plan.currents_a)
    assert {0.3, 0.6} <= set(closed)
    assert any("plan.band = 0.5 is reached" in remark for remark in result.remarks)
    # What was fitted before the end is what is on disk after it.
    assert sorted(seen[-1], key=lambda t: t.force_n) == sorted(
        result.thresholds, key=lambda t: t.force_n
    )
    again = run_campaign(bench, tmp_path / "run", resume=True)
    assert again.trials == result.trials


def test_thresholds_from_one_side_are_not_counted_with_the_others() -> None:
    closed = Threshold(205.0, 20.0, 1.0, 1.1)
    bound = replace(closed, skip_mm_s=None)
    assert thresholds_text([closed]) == "1 threshold"
    assert thresholds_text([closed, closed, bound]) == (
        "2 thresholds and 1 known from one side only,"
    )


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
