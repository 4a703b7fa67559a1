"""What is on disk when a trial was added is there, whole, whatever happens next."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from detectors.evidence import Reason, Verdict
from rig.bench_template import TEMPLATE
from rig.errors import RunFolderError, StoppedSafelyError
from rig.ledger import APPLICATION_ID, FILE_NAME, SCHEMA_VERSION, Ledger
from rig.records import TrialOrder, TrialRecord

number = st.floats(allow_nan=False, allow_infinity=False, width=32)
positive = st.floats(0.001, 1e4)
maybe = st.none() | number
text = st.text(st.characters(blacklist_categories=("Cs",)), max_size=40)

orders = st.builds(
    TrialOrder,
    temperature_c=positive,
    current_a=positive,
    speed_mm_s=positive,
    length_mm=positive,
    settle_s=positive,
    prime_mm=positive,
    prime_speed_mm_s=positive,
    purpose=st.sampled_from(["bracket", "bisect", "confirm", "limit"]),
    repeat=st.integers(0, 9),
    attempt=st.integers(1, 9),
)
records = st.builds(
    TrialRecord,
    order=orders,
    verdict=st.sampled_from(Verdict),
    reason=st.sampled_from(Reason),
    p_skip=st.floats(0, 1),
    explanation=text,
    started=text.filter(bool),
    applied_a=maybe,
    read_back_a=maybe,
    least_c=maybe,
    most_c=maybe,
    measured_s=maybe,
    expected_s=number,
    filament_mm=positive,
    broken_off=st.booleans(),
    anomalies=st.lists(text, max_size=3).map(tuple),
    motion_s=st.tuples(number, number),
    first_skip_s=maybe,
    decided_s=maybe,
    click_times_s=st.lists(number, max_size=5).map(tuple),
    heard=st.floats(0, 1),
    lost_mm=maybe,
    prime_current_a=maybe,
    rested_s=number,
    details=st.dictionaries(text, number, max_size=3),
    audio=text,
    step_rate_hz=positive,
    wall_s=positive,
)


def new(folder: Path) -> Ledger:
    folder.mkdir(parents=True, exist_ok=True)
    ledger = Ledger.create(folder, bench_text=TEMPLATE, bench_digest="d", simulated=True)
    ledger.begin_session()
    return ledger


def record(**changes: object) -> TrialRecord:
    base = TrialRecord(
        order=TrialOrder(temperature_c=205, current_a=0.5, speed_mm_s=3, length_mm=30),
        verdict=Verdict.CLEAN,
        reason=Reason.HEARD_THROUGHOUT,
        p_skip=0.1,
        filament_mm=36.0,
        wall_s=12.0,
    )
    return replace(base, **changes)  # type: ignore[arg-type]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=20)
@given(given_records=st.lists(records, min_size=1, max_size=4))
def test_a_trial_comes_back_as_it_was(
    tmp_path_factory: pytest.TempPathFactory, given_records: list[TrialRecord]
) -> None:
    folder = tmp_path_factory.mktemp("run")
    with new(folder) as ledger:
        numbers = [ledger.add_trial(one) for one in given_records]
    with Ledger.open(folder, read_only=True) as ledger:
        back = ledger.trials()
    assert numbers == list(range(1, len(given_records) + 1))
    for was, now, count in zip(given_records, back, numbers, strict=True):
        assert now == replace(was, number=count, order=replace(was.order, number=count))


def test_what_was_added_is_seen_by_another_reader_at_once(tmp_path: Path) -> None:
    with new(tmp_path / "run") as ledger:
        for count in range(1, 4):
            ledger.add_trial(record())
            with Ledger.open(tmp_path / "run", read_only=True) as reader:
                assert len(reader.trials()) == count
                assert reader.filament_mm() == 36.0 * count
        assert ledger._rows("PRAGMA synchronous")[0][0] == 2, "FULL"
        assert ledger._rows("PRAGMA journal_mode")[0][0] == "wal"


def test_a_torn_log_costs_no_finished_trial_before_it(tmp_path: Path) -> None:
    """The write-ahead log cut anywhere, as a dying machine may leave it."""
    folder = tmp_path / "run"
    with new(folder) as ledger:
        ledger._db.execute("PRAGMA wal_autocheckpoint = 0")
        lengths = []
        for _ in range(4):
            ledger.add_trial(record())
            lengths.append((folder / f"{FILE_NAME}-wal").stat().st_size)
        whole = (folder / FILE_NAME).read_bytes()
        log = (folder / f"{FILE_NAME}-wal").read_bytes()
    for finished, length in enumerate(lengths, 1):
        for cut in (0, 7, 1000):
            torn = tmp_path / f"torn-{finished}-{cut}"
            torn.mkdir()
            (torn / FILE_NAME).write_bytes(whole)
            (torn / f"{FILE_NAME}-wal").write_bytes(log[: length + cut])
            with Ledger.open(torn) as ledger:
                assert len(ledger.trials()) >= finished
                ledger.begin_session()
                assert ledger.add_trial(record()) == len(ledger.trials())


def test_time_and_thresholds(tmp_path: Path) -> None:
    with new(tmp_path / "run") as ledger:
        search = ledger.open_search(
            temperature_c=205.0, current_a=0.5, repeat=0, settings={"a": 1}, applied_a=0.49
        )
        ledger.open_search(temperature_c=205.0, current_a=0.6, repeat=0, settings={}, applied_a=0.6)
        ledger.add_trial(record(), search=search)
        ledger.add_trial(record())
        assert ledger.thresholds() == []
        ledger.close_search(
            search, status="found", clean_mm_s=3.0, skip_mm_s=3.1, force_n=47.0, trials=1
        )
        assert len(ledger.trials(search=search)) == 1
        assert ledger.elapsed_s() == 24.0, "a session that was killed: its trials stand for it"
        ledger.end_session(outcome="done", elapsed_s=100.0)
        assert ledger.elapsed_s() == 100.0
        (threshold,) = ledger.thresholds()
        ledger.exclude_search(search, "melt-limit")
        assert ledger.thresholds()[0].excluded == "melt-limit"
    assert (threshold.clean_mm_s, threshold.skip_mm_s, threshold.force_n) == (3.0, 3.1, 47.0)
    assert (threshold.applied_a, threshold.run) == (0.49, "run")


def test_files_that_are_no_ledger_are_refused(tmp_path: Path) -> None:
    with pytest.raises(RunFolderError, match="no such ledger"):
        Ledger.open(tmp_path)
    (tmp_path / FILE_NAME).write_text("hello")
    with pytest.raises(RunFolderError, match="not an SQLite file"):
        Ledger.open(tmp_path)
    for pragma, match in (
        ("application_id = 7", "another program's"),
        (f"application_id = {APPLICATION_ID}", "damaged|newer"),
    ):
        path = tmp_path / pragma[:14].strip() / FILE_NAME
        path.parent.mkdir(exist_ok=True)
        path.unlink(missing_ok=True)
        db = sqlite3.connect(path)
        db.execute(f"PRAGMA {pragma}")
        db.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
        db.execute("CREATE TABLE t (a)")
        db.commit()
        db.close()
        with pytest.raises(RunFolderError, match=match):
            Ledger.open(path.parent)


def test_a_second_run_does_not_overwrite_the_first(tmp_path: Path) -> None:
    new(tmp_path / "run").close()
    with pytest.raises(RunFolderError, match="is there already"):
        new(tmp_path / "run")


def test_a_ledger_that_cannot_be_written_stops_the_run_safely(tmp_path: Path) -> None:
    with new(tmp_path / "run") as ledger:
        ledger._db.execute("PRAGMA query_only = ON")  # as a full disk would
        with pytest.raises(StoppedSafelyError, match="make room on the disk"):
            ledger.add_trial(record())
