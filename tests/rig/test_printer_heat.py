"""Waiting until the temperature is steady, on a clock of its own."""

from __future__ import annotations

import math

import pytest
from fake_printer import FakeClock

from rig.errors import InterlockError
from rig.printer_heat import wait_until_steady
from rig.printer_types import TemperatureReading


class Oven:
    """Follows ``course(seconds)``."""

    def __init__(self, course) -> None:
        self.clock = FakeClock()
        self.start_s = self.clock.now()
        self.course = course

    def temperature(self) -> TemperatureReading:
        now_s = self.clock.now()
        return TemperatureReading(self.course(now_s - self.start_s), 210.0, now_s)

    def wait(self, **more: object) -> float:
        wait_until_steady(self, clock=self.clock, temperature_c=210.0, **more)  # type: ignore[arg-type]
        return self.clock.now() - self.start_s


def test_waits_for_the_dwell_after_the_arrival() -> None:
    taken_s = Oven(lambda t: min(210.0, 25.0 + 2.0 * t)).wait(dwell_s=20.0)
    assert taken_s == pytest.approx(92.5 + 20.0, abs=2.0)


def test_an_overshoot_begins_the_dwell_anew() -> None:
    oven = Oven(lambda t: 210.0 + 6.0 * math.exp(-t / 30.0) * math.cos(t / 8.0))
    taken_s = oven.wait(band_c=1.0, dwell_s=20.0)
    last_outside_s = max(t / 10 for t in range(3000) if abs(oven.course(t / 10) - 210.0) > 1.0)
    assert taken_s >= last_outside_s + 19.0


def test_each_reading_is_handed_on() -> None:
    readings: list[TemperatureReading] = []
    Oven(lambda t: 210.0).wait(dwell_s=5.0, tick=readings.append)
    assert len(readings) == 6


def test_a_heater_that_does_nothing() -> None:
    oven = Oven(lambda t: 25.0 + 0.5 * math.sin(t))
    with pytest.raises(InterlockError, match="does not warm up"):
        oven.wait()
    assert oven.clock.now() - oven.start_s < 70.0


def test_a_heater_too_weak_for_its_target() -> None:
    with pytest.raises(InterlockError, match="does not warm up"):
        Oven(lambda t: 190.0 - 165.0 * math.exp(-t / 60.0)).wait()


def test_a_control_that_never_settles() -> None:
    with pytest.raises(InterlockError, match="does not settle"):
        Oven(lambda t: 210.0 + 2.5 * math.sin(t / 5.0)).wait(band_c=1.0, dwell_s=20.0)


def test_cooling_down_takes_its_time() -> None:
    taken_s = Oven(lambda t: 210.0 + 50.0 * math.exp(-t / 200.0)).wait(dwell_s=10.0)
    assert 700.0 < taken_s < 900.0


def test_cooling_that_sticks() -> None:
    with pytest.raises(InterlockError, match="does not cool"):
        Oven(lambda t: 230.0).wait()


def test_a_longest_wait_of_the_callers_own() -> None:
    with pytest.raises(InterlockError, match="does not settle"):
        Oven(lambda t: 25.0 + 0.5 * t).wait(deadline_s=60.0)


def test_one_damaged_report_is_no_approach() -> None:
    """A single reading at the target, on the way there, neither ends nor spoils the wait."""
    oven = Oven(lambda t: 210.0 if 9.5 < t < 10.5 else min(210.0, 25.0 + 1.0 * t))
    assert oven.wait(dwell_s=20.0) == pytest.approx(205.0, abs=3.0)
