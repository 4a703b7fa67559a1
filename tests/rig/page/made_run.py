"""Run folders made by hand, as a campaign would leave them."""

from __future__ import annotations

from pathlib import Path

from detectors.evidence import Reason, Verdict
from rig.bench import load_bench
from rig.ledger import Ledger
from rig.records import TrialOrder, TrialRecord

BENCH = Path(__file__).parents[3] / "docs" / "benches" / "harbour.toml"


def order(number: int, *, speed_mm_s: float, current_a: float = 0.5) -> TrialOrder:
    return TrialOrder(
        temperature_c=205.0, current_a=current_a, speed_mm_s=speed_mm_s, length_mm=30.0,
        number=number,
    )  # fmt: skip


def add_trial(
    ledger: Ledger, number: int, verdict: Verdict, *, speed_mm_s: float, search: int | None = None
) -> None:
    reason = {
        Verdict.CLEAN: Reason.HEARD_THROUGHOUT,
        Verdict.SKIP: Reason.CLICK_TRAIN,
        Verdict.VOID: Reason.TOO_NOISY,
    }[verdict]
    record = TrialRecord(
        order=order(number, speed_mm_s=speed_mm_s), verdict=verdict, reason=reason, p_skip=0.5,
        explanation="as made", least_c=204.6, most_c=205.3, filament_mm=250.0, wall_s=36.0,
        started="2026-03-01T22:00:00.000Z",
    )  # fmt: skip
    ledger.add_trial(record, search=search)


def make_run(folder: Path, *, simulated: bool = True) -> Ledger:
    """A run with a finished search and one under way; the session is open."""
    bench = load_bench(BENCH)
    folder.mkdir(parents=True)
    ledger = Ledger.create(
        folder,
        bench_text=BENCH.read_text(),
        bench_digest=bench.digest(),
        simulated=simulated,
    )
    ledger.begin_session()
    ledger.add_event("connected", "a made firmware")
    search = ledger.open_search(
        temperature_c=205.0, current_a=0.5, repeat=0, settings={}, applied_a=0.5
    )
    add_trial(ledger, 1, Verdict.CLEAN, speed_mm_s=2.0, search=search)
    add_trial(ledger, 2, Verdict.SKIP, speed_mm_s=2.5, search=search)
    add_trial(ledger, 3, Verdict.VOID, speed_mm_s=2.2, search=search)
    ledger.close_search(
        search, status="found", clean_mm_s=2.0, skip_mm_s=2.5, force_n=46.0, trials=3
    )
    ledger.open_search(temperature_c=205.0, current_a=0.6, repeat=0, settings={}, applied_a=0.6)
    return ledger
