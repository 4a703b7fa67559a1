"""The interlocks, each tripped and each left alone."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.errors import InterlockError, LimitReachedError
from rig.guard import Envelope, Interlock
from rig.printer_types import TemperatureReading


def heated(target_c: float = 210.0, **more: float) -> Interlock:
    lock = Interlock(Envelope(max_temperature_c=260.0, **more), 0.0)
    lock.target(target_c, 0.0)
    return lock


def feed(
    lock: Interlock, temperatures: list[float], *, start_s: float = 1.0, target_c=210.0
) -> None:
    for k, actual_c in enumerate(temperatures):
        lock.observe(TemperatureReading(actual_c, target_c, start_s + k))
        lock.check(start_s + k)


def test_a_good_warm_up_and_a_dip_under_load_pass() -> None:
    lock = heated()
    feed(lock, [25.0 + 2.0 * k for k in range(93)])
    feed(lock, [210.0, 209.0, 203.0, 195.0, 200.0, 208.0, 210.0], start_s=100.0)


def test_over_temperature_takes_two_reports_because_one_may_be_damaged() -> None:
    lock = heated()
    feed(lock, [205.0, 910.0, 205.0, 910.0])
    with pytest.raises(InterlockError, match="at 261 C, above the limit of 260 C"):
        feed(lock, [261.0, 261.0], start_s=10.0)


def test_the_same_report_does_not_count_twice() -> None:
    lock = heated()
    reading = TemperatureReading(300.0, 210.0, 1.0)
    lock.observe(reading)
    lock.observe(reading)


def test_over_temperature_counts_with_the_heater_off_too() -> None:
    lock = Interlock(Envelope(max_temperature_c=260.0), 0.0)
    with pytest.raises(InterlockError, match="above the limit"):
        feed(lock, [261.0, 262.0], target_c=0.0)


def test_a_target_that_changed_by_itself() -> None:
    lock = heated()
    feed(lock, [30.0], start_s=1.0, target_c=0.0)  # still on its way
    with pytest.raises(InterlockError, match="target is 0 C and nobody here set it"):
        feed(lock, [205.0, 206.0], start_s=5.0, target_c=0.0)


def test_a_heater_that_somebody_else_switched_on() -> None:
    lock = Interlock(Envelope(max_temperature_c=260.0), 0.0)
    with pytest.raises(InterlockError, match="target is 240 C"):
        feed(lock, [30.0, 31.0], start_s=5.0, target_c=240.0)


def test_a_firmware_that_tells_no_target_is_not_blamed() -> None:
    feed(heated(), [205.0 + k for k in range(5)], target_c=None)


def test_silence_while_hot() -> None:
    lock = heated()
    feed(lock, [205.0])
    lock.check(15.9)
    with pytest.raises(InterlockError, match="no temperature report for 16 s"):
        lock.check(17.0)


def test_silence_while_off_is_allowed() -> None:
    Interlock(Envelope(max_temperature_c=260.0), 0.0).check(1e5)


def test_a_heater_that_does_not_warm_up() -> None:
    with pytest.raises(InterlockError, match="does not warm up: 25 C"):
        feed(heated(), [25.0] * 60)


def test_a_sensor_that_fell_out_while_heating() -> None:
    with pytest.raises(InterlockError, match="does not warm up"):
        feed(heated(), [25.0 + 3.0 * k for k in range(40)] + [145.0] * 60)


def test_falling_while_on() -> None:
    lock = heated()
    feed(lock, [209.0, 210.0])
    with pytest.raises(InterlockError, match="fell to 189 C while its target is 210 C"):
        feed(lock, [200.0, 189.0, 189.0], start_s=10.0)


def test_one_damaged_report_is_no_arrival() -> None:
    lock = heated()
    feed(lock, [30.0, 210.0] + [32.0 + 2.0 * k for k in range(80)])


def test_cooling_to_a_lower_target_is_no_fault() -> None:
    lock = heated()
    feed(lock, [209.0, 210.0])
    lock.target(180.0, 5.0)
    feed(lock, [210.0 - 0.5 * k for k in range(60)] + [180.0] * 5, start_s=9.0, target_c=180.0)


def test_hours() -> None:
    lock = heated(max_hours=2.0)
    feed(lock, [210.0], start_s=7199.0)
    with pytest.raises(LimitReachedError, match=r"2 hours of limits\.max_hours"):
        lock.check(7201.0)


@given(st.lists(st.floats(100.0, 259.0), max_size=50), st.floats(0.0, 20.0))
def test_a_reading_above_the_limit_twice_always_trips(before: list[float], above: float) -> None:
    lock = Interlock(Envelope(max_temperature_c=260.0, fall_c=1e3, rise_window_s=1e6), 0.0)
    lock.target(210.0, 0.0)
    feed(lock, before)
    with pytest.raises(InterlockError, match="above the limit"):
        feed(lock, [260.1 + above] * 2, start_s=1000.0)
