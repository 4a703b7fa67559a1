"""Whole campaigns on the virtual bench, interrupted, killed, resumed, limited."""

from __future__ import annotations

import itertools
import os
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
import soundfile
from small_bench import At, check_thresholds, firmware_state, small_bench, small_text

from detectors.evidence import Verdict
from rig import campaign_loop
from rig.bench import Bench, parse_bench
from rig.campaign import CampaignResult, run_campaign
from rig.checkup import steps_per_mm
from rig.errors import BenchFileError, FirmwareResetError, RunFolderError, StoppedSafelyError
from rig.ledger import Ledger
from rig.release import RELEASE_REST_S
from rig.simulation.registry import forget_worlds
from rig.view import RunView


@pytest.fixture(autouse=True)
def new_worlds():
    forget_worlds()
    yield
    forget_worlds()


def go(
    bench: Bench, folder: Path, view: RunView | None = None, *, resume: bool = False
) -> CampaignResult:
    return run_campaign(bench, folder, view=view, resume=resume)


def test_a_campaign_finds_the_thresholds_and_leaves_everything_as_it_was(tmp_path: Path) -> None:
    bench = small_bench()
    before = firmware_state(bench)
    result = go(bench, tmp_path / "run")
    check_thresholds(bench, result)
    assert firmware_state(bench) == before
    assert before[0] == 0.0
    with Ledger.open(tmp_path / "run", read_only=True) as ledger:
        trials = ledger.trials()
        assert [s.outcome for s in ledger.sessions()] == ["done"]
        assert ledger.run.simulated
        assert ledger.filament_mm() == pytest.approx(result.filament_mm)
    assert [t.number for t in trials] == list(range(1, result.trials + 1))
    for trial in trials:
        assert trial.least_c is not None
        assert abs(trial.least_c - 205.0) < 6.0
        assert trial.read_back_a == trial.order.current_a
        assert trial.applied_a == pytest.approx(trial.order.current_a)
        start_s, end_s = trial.motion_s
        sound = soundfile.info(tmp_path / "run" / trial.audio)
        assert 0.4 < start_s < end_s < sound.duration
        if trial.verdict is Verdict.SKIP:
            assert trial.first_skip_s is not None
            assert start_s < trial.first_skip_s < end_s
        assert trial.filament_mm > 0.0


def test_the_same_seed_gives_the_same_campaign(tmp_path: Path) -> None:
    bench = small_bench(currents="[0.5]")
    runs = []
    for name in ("one", "two"):
        forget_worlds()
        go(bench, tmp_path / name)
        with Ledger.open(tmp_path / name, read_only=True) as ledger:
            runs.append([(t.order.speed_mm_s, t.verdict, t.p_skip) for t in ledger.trials()])
    assert runs[0] == runs[1]


def test_three_repeats_run_to_their_end_and_are_resumed(tmp_path: Path) -> None:
    bench = parse_bench(small_text().replace("[plan]", "[plan]\nrepeats = 3"))
    press = At(lambda: os.kill(os.getpid(), signal.SIGINT), begins=20)
    with pytest.raises(StoppedSafelyError, match="Ctrl-C"):
        go(bench, tmp_path / "run", view=press)
    result = go(bench, tmp_path / "run", resume=True)
    assert sorted((t.current_a, t.repeat) for t in result.thresholds) == [
        (current_a, repeat) for current_a in (0.35, 0.5) for repeat in range(3)
    ]
    assert all(t.closed for t in result.thresholds)
    check_thresholds(bench, replace(result, thresholds=result.thresholds[-2:]))
    with Ledger.open(tmp_path / "run", read_only=True) as ledger:
        trials = ledger.trials()
    # Each round begins at less current than the last one ended: what is left there has to go.
    lowered = [
        now
        for before, now in itertools.pairwise(trials)
        if now.order.current_a < before.order.current_a
    ]
    assert len(lowered) == 2
    for now in lowered:
        assert now.order.prime_mm == 6.0
        assert (now.prime_current_a, now.rested_s) == (0.5, RELEASE_REST_S)


@pytest.mark.parametrize("number", [1, 4])
def test_ctrl_c_in_a_trial_makes_all_safe_and_the_run_goes_on_later(
    tmp_path: Path, number: int
) -> None:
    bench, folder = small_bench(), tmp_path / "run"
    before = firmware_state(bench)
    press = At(lambda: os.kill(os.getpid(), signal.SIGINT), begins=number)
    with pytest.raises(StoppedSafelyError, match="Ctrl-C"):
        go(bench, folder, press)
    assert firmware_state(bench) == before
    with Ledger.open(folder, read_only=True) as ledger:
        assert len(ledger.trials()) == number - 1
    result = go(bench, folder, resume=True)
    check_thresholds(bench, result)
    with Ledger.open(folder, read_only=True) as ledger:
        assert len(ledger.sessions()) == 2
        assert ledger.sessions()[-1].outcome == "done"


def test_sigterm_ends_it_safely(tmp_path: Path) -> None:
    bench = small_bench()
    stop = At(lambda: os.kill(os.getpid(), signal.SIGTERM), ended=2)
    with pytest.raises(StoppedSafelyError, match="SIGTERM") as stopped:
        go(bench, tmp_path / "run", stop)
    assert stopped.value.exit_code == 3
    assert firmware_state(bench)[0] == 0.0
    with Ledger.open(tmp_path / "run", read_only=True) as ledger:
        assert len(ledger.trials()) == 2


def test_an_error_of_our_own_ends_it_safely_too(tmp_path: Path) -> None:
    bench = small_bench()

    def stumble() -> None:
        raise ZeroDivisionError("a mistake in a view")

    with pytest.raises(ZeroDivisionError):
        go(bench, tmp_path / "run", At(stumble, begins=3))
    assert firmware_state(bench)[0] == 0.0


KILLED = """
import os, signal, sys
sys.path.insert(0, sys.argv[1])
from small_bench import At, small_bench
from rig.campaign import run_campaign
from pathlib import Path
kill = At(lambda: os.kill(os.getpid(), signal.SIGKILL), **{sys.argv[3]: int(sys.argv[4])})
run_campaign(small_bench(), Path(sys.argv[2]), view=kill)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no SIGKILL")
@pytest.mark.parametrize(("when", "number", "kept"), [("begins", 5, 4), ("ended", 5, 5)])
def test_a_killed_run_has_every_finished_trial_and_goes_on(
    tmp_path: Path, when: str, number: int, kept: int
) -> None:
    folder = tmp_path / "run"
    here = str(Path(__file__).parent)
    done = subprocess.run(
        [sys.executable, "-c", KILLED, here, str(folder), when, str(number)],
        capture_output=True,
        check=False,
    )
    assert done.returncode == -signal.SIGKILL, done.stderr
    with Ledger.open(folder, read_only=True) as ledger:
        before = ledger.trials()
        assert [t.number for t in before] == list(range(1, kept + 1))
    bench = small_bench()
    result = go(bench, folder, resume=True)
    check_thresholds(bench, result)
    with Ledger.open(folder, read_only=True) as ledger:
        assert ledger.trials()[:kept] == before
        assert ledger.sessions()[0].outcome is None


def test_a_run_is_resumed_with_its_own_bench_only(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    stop = At(lambda: os.kill(os.getpid(), signal.SIGINT), ended=1)
    with pytest.raises(StoppedSafelyError):
        go(small_bench(), folder, stop)
    other = small_bench(resolution=0.05)
    with pytest.raises(RunFolderError, match=r"plan\.resolution was 0\.1, is 0\.05") as refused:
        go(other, folder, resume=True)
    assert refused.value.exit_code == 2
    with pytest.raises(RunFolderError, match="holds a run already"):
        go(small_bench(), folder)
    with pytest.raises(RunFolderError, match="no run to resume"):
        go(small_bench(), tmp_path / "other", resume=True)


def test_a_finished_run_has_nothing_left_to_do(tmp_path: Path) -> None:
    bench = small_bench(currents="[0.5]")
    first = go(bench, tmp_path / "run")
    again = go(bench, tmp_path / "run", resume=True)
    assert again.trials == first.trials


def test_a_plan_that_cannot_fit_is_refused_before_anything_is_touched(tmp_path: Path) -> None:
    bench = small_bench(filament_m=0.2)
    with pytest.raises(BenchFileError, match="max_filament_m"):
        go(bench, tmp_path / "run")
    assert not (tmp_path / "run").exists()


def test_filament_ends_the_run_safely(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The likely use fits, and this run turns out dearer."""
    monkeypatch.setattr("rig.campaign_loop.filament_limit_mm", lambda _bench: 100.0)
    bench = small_bench()
    with pytest.raises(StoppedSafelyError, match="m of filament used") as stopped:
        go(bench, tmp_path / "run")
    assert stopped.value.exit_code == 3
    assert firmware_state(bench)[0] == 0.0
    with Ledger.open(tmp_path / "run", read_only=True) as ledger:
        assert 0.0 < ledger.filament_mm() <= 100.0


def test_hours_end_the_run_safely(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The likely time fits, and this run turns out longer."""
    monkeypatch.setattr("rig.campaign.check_budget", lambda _bench, _budget: None)
    bench = small_bench(hours=0.03)
    with pytest.raises(StoppedSafelyError, match="hours") as stopped:
        go(bench, tmp_path / "run")
    assert stopped.value.exit_code == 3
    assert firmware_state(bench)[0] == 0.0


def test_past_the_melt_limit_the_currents_stop_rising(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The virtual hot end starves softly, so what counts as flat is widened here."""
    monkeypatch.setattr("rig.hints.MELT_EXPONENT", 0.36)
    bench = small_bench(
        currents="[0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9]", torque_nm=0.5, resolution=0.05
    )
    result = go(bench, tmp_path / "run")
    tried = [t.current_a for t in result.thresholds]
    marked = [t.current_a for t in result.thresholds if t.excluded == "melt-limit"]
    assert marked, result.thresholds
    assert max(tried) == max(marked) < 0.9
    assert any("melt limit" in remark for remark in result.remarks)


def test_steps_that_do_not_fit_the_bench_file_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = small_bench(currents="[0.5]")
    monkeypatch.setattr("rig.campaign_loop.steps_per_mm", lambda b: steps_per_mm(b) / 1.04)
    stop = At(lambda: os.kill(os.getpid(), signal.SIGINT), ended=1)
    with pytest.raises(StoppedSafelyError):
        go(bench, tmp_path / "run", stop)
    with Ledger.open(tmp_path / "run", read_only=True) as ledger:
        told = [event.text for event in ledger.events("remark")]
    assert any("steps/mm" in text and "+4.0 %" in text for text in told), told


def test_a_trial_that_a_restart_cut_short_counts_as_filament_used(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench, made = small_bench(), campaign_loop.run_trial
    orders = []

    def restarts_once(station, order, **how):  # type: ignore[no-untyped-def]
        orders.append(order)
        if len(orders) == 3:
            station.printer.set_target(0.0)  # as a restart does
            raise FirmwareResetError("the printer restarted by itself")
        return made(station, order, **how)

    monkeypatch.setattr(campaign_loop, "run_trial", restarts_once)
    result = go(bench, tmp_path / "run")
    check_thresholds(bench, result)
    cut = orders[2]
    with Ledger.open(tmp_path / "run", read_only=True) as ledger:
        finished = sum(t.filament_mm for t in ledger.trials())
        assert ledger.filament_mm() == pytest.approx(finished + cut.length_mm + cut.prime_mm)
