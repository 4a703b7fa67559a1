"""One move at a time on the virtual bench: judged, broken off, doubted, heard late."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from small_bench import small_bench

from detectors.errors import SourceLostError
from detectors.evidence import Judgement, Reason, SoundBlock, Verdict
from rig.records import TrialOrder
from rig.release import RELEASE_REST_S, leaves_too_much
from rig.simulation.registry import forget_worlds
from rig.station import Station, open_station
from rig.trial import merge, run_trial, settle_s, trial_length_mm


@pytest.fixture
def station() -> Iterator[Station]:
    forget_worlds()
    bench = small_bench()
    station = open_station(bench)
    try:
        station.printer.connect()
        station.printer.read_settings()
        station.printer.prepare()
        station.printer.set_target(205.0)
        station.printer.wait_until_steady(dwell_s=3.0)
        yield station
    finally:
        station.close()
        forget_worlds()


def order(station: Station, speed_mm_s: float, **changes: float) -> TrialOrder:
    made = TrialOrder(
        temperature_c=205.0,
        current_a=0.5,
        speed_mm_s=speed_mm_s,
        length_mm=trial_length_mm(station.bench, speed_mm_s=speed_mm_s, acceleration_mm_s2=1000.0),
        settle_s=settle_s(
            speed_mm_s=speed_mm_s,
            filament_per_cycle_mm=station.bench.geometry().filament_per_cycle_mm,
        ),
        number=1,
    )
    return replace(made, **changes)  # type: ignore[arg-type]


class Late:
    """The station's microphone behind a long chain: what comes in now was made a while ago."""

    def __init__(self, source, delay_s: float) -> None:
        self.source, self.delay_s = source, delay_s
        self.sample_rate_hz = source.sample_rate_hz
        self.stop = source.stop
        self.chain: deque[SoundBlock] = deque()

    def start(self) -> None:
        self.source.start()
        while self.read(0.1) is None:  # the chain fills
            pass

    def read(self, timeout_s: float = 0.0) -> SoundBlock | None:
        block = self.source.read(timeout_s)
        if block is not None:
            self.chain.append(block)
        if self.chain and self.chain[0].start_s + self.delay_s <= self.chain[-1].start_s:
            oldest = self.chain.popleft()
            return replace(oldest, start_s=oldest.start_s + self.delay_s)
        return None

    def discard(self) -> None:
        while (block := self.source.read(0.0)) is not None:
            self.chain.append(block)
        while self.chain and self.chain[0].start_s + self.delay_s <= self.chain[-1].start_s:
            self.chain.popleft()


class Dying:
    """A microphone that is lost after some blocks."""

    def __init__(self, source, blocks: int) -> None:
        self.source, self.left = source, blocks
        self.sample_rate_hz = source.sample_rate_hz
        self.start, self.stop, self.discard = source.start, source.stop, source.discard

    def read(self, timeout_s: float = 0.0) -> SoundBlock | None:
        self.left -= 1
        if self.left < 0:
            raise SourceLostError("the cable is out")
        return self.source.read(timeout_s)


def test_below_the_threshold_it_is_clean_and_above_it_is_broken_off(station: Station) -> None:
    true_mm_s = station.world.truth.threshold_mm_s(0.5, 205.0)
    below = run_trial(station, order(station, 0.85 * true_mm_s))
    above = run_trial(station, order(station, 1.35 * true_mm_s))
    assert (below.verdict, below.broken_off) == (Verdict.CLEAN, False)
    assert below.measured_s == pytest.approx(below.expected_s, rel=0.03)
    assert below.heard > 0.9
    assert (above.verdict, above.broken_off) == (Verdict.SKIP, True)
    assert above.filament_mm < above.order.length_mm
    skips = station.world.truth.skip_times_s(0.0, station.clock.now())
    assert len(skips) > 0


def test_fresh_filament_is_counted(station: Station) -> None:
    record = run_trial(station, order(station, 2.0, prime_mm=6.0, prime_speed_mm_s=1.0))
    assert record.filament_mm == pytest.approx(record.order.length_mm + 6.0, abs=0.05)


def test_less_current_comes_only_after_the_pressure_has_gone(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The motor is never told to hold what it cannot, at rest or feeding."""
    truth, told = station.world.truth, []
    set_current = station.printer.set_current
    monkeypatch.setattr(
        station.printer, "set_current", lambda a: (told.append(a), set_current(a))[1]
    )
    fast = 0.95 * truth.threshold_mm_s(0.8, 205.0)
    slow = 0.9 * truth.threshold_mm_s(0.3, 205.0)
    first = run_trial(station, order(station, fast, current_a=0.8))
    assert first.verdict is Verdict.CLEAN
    assert first.prime_current_a is None
    begun_s = station.clock.now()
    record = run_trial(
        station, order(station, slow, current_a=0.3, prime_mm=6.0, prime_speed_mm_s=1.0)
    )
    assert told == [0.8, 0.8, 0.3]
    assert record.verdict is Verdict.CLEAN
    assert (record.prime_current_a, record.rested_s) == (0.8, RELEASE_REST_S)
    assert record.read_back_a == pytest.approx(0.3)
    assert len(truth.skip_times_s(begun_s, station.clock.now())) == 0


def test_a_slower_move_at_less_current_skips_where_nothing_was_released(station: Station) -> None:
    """The melt that a fast move left is cold: this is what the fresh filament is for."""
    truth = station.world.truth
    run_trial(station, order(station, 0.95 * truth.threshold_mm_s(0.8, 205.0), current_a=0.8))
    slow = order(station, 0.9 * truth.threshold_mm_s(0.3, 205.0), current_a=0.3)
    assert leaves_too_much(station.last_move, current_a=0.3, speed_mm_s=slow.speed_mm_s)
    assert run_trial(station, slow).verdict is Verdict.SKIP


def test_a_sound_that_comes_late_is_put_where_it_belongs(station: Station, tmp_path: Path) -> None:
    source = station.sound
    station.sound = Late(source, 0.6)  # type: ignore[assignment]
    station.sound_lag_s = None
    first = run_trial(station, order(station, 2.0), audio_folder=tmp_path)
    assert first.verdict is Verdict.CLEAN, first.explanation
    assert station.sound_lag_s == pytest.approx(0.6, abs=0.08)
    second = run_trial(station, order(station, 4.4), audio_folder=tmp_path)
    assert second.verdict is Verdict.SKIP, second.explanation
    assert station.sound_lag_s == pytest.approx(0.6, abs=0.08)


def test_a_microphone_lost_in_the_middle_voids_the_trial_and_ends_the_move(
    station: Station,
) -> None:
    station.sound = Dying(station.sound, 60)  # type: ignore[assignment]
    record = run_trial(station, order(station, 2.0))
    assert (record.verdict, record.reason) == (Verdict.VOID, Reason.STREAM_LOST)
    assert "cable is out" in record.explanation
    assert record.broken_off


def test_a_refused_move_is_void(station: Station) -> None:
    station.world.inject("cold-refusal", at_command=20, word="G1")
    record = run_trial(station, order(station, 2.0))
    assert (record.verdict, record.reason) == (Verdict.VOID, Reason.REFUSED)


def test_a_driver_that_steps_down_in_the_trial_voids_it(station: Station) -> None:
    station.world.inject("step-down", at_command=2, word="G1")
    record = run_trial(station, order(station, 2.0))
    assert record.verdict is Verdict.VOID
    assert record.anomalies


@pytest.mark.parametrize("verdict", list(Verdict))
def test_a_doubt_leaves_no_verdict_standing(verdict: Verdict) -> None:
    judgement = Judgement(verdict=verdict, reason=Reason.CLICK_TRAIN, p_skip=0.9, decided_s=1.0)
    assert merge(judgement, [])[0] is verdict
    word, reason, text = merge(judgement, ["move-time: 9.00 s instead of 8.00 s"])
    assert (word, reason) == (Verdict.VOID, Reason.MOVE_TIME)
    assert "9.00 s" in text


@pytest.mark.parametrize("speed_mm_s", [0.5, 2.0, 8.0])
def test_a_trial_is_long_enough_for_a_train_of_clicks(speed_mm_s: float) -> None:
    bench = small_bench()
    length = trial_length_mm(bench, speed_mm_s=speed_mm_s, acceleration_mm_s2=None)
    settle = settle_s(
        speed_mm_s=speed_mm_s, filament_per_cycle_mm=bench.geometry().filament_per_cycle_mm
    )
    steady_s = length / speed_mm_s - settle
    assert steady_s >= 3.0
    assert steady_s * speed_mm_s / bench.geometry().filament_per_cycle_mm >= 30.0
