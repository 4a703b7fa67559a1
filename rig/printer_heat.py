"""Waiting for a temperature without ever blocking the firmware."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Protocol

from rig.clock import Clock
from rig.errors import InterlockError
from rig.printer_types import TemperatureReading

#: A heater that has not moved the temperature by `_LEAST_CHANGE_C` in this time does not work.
_PATIENCE_S = 60.0
_LEAST_CHANGE_C = 2.0
#: Cooling by itself is slow near the end; it is given this long for the same change.
_COOLING_PATIENCE_S = 300.0
#: The time left, from the rate seen, is multiplied by this and has this added.
_SPARE = 2.5
_SPARE_S = 90.0
#: The rate is taken over this long, in s.
_RATE_WINDOW_S = 20.0


class _Thermometer(Protocol):
    def temperature(self) -> TemperatureReading: ...


def wait_until_steady(
    printer: _Thermometer,
    *,
    clock: Clock,
    temperature_c: float,
    band_c: float = 1.0,
    dwell_s: float = 20.0,
    every_s: float = 1.0,
    tick: Callable[[TemperatureReading], None] | None = None,
    deadline_s: float | None = None,
) -> TemperatureReading:
    """Poll until the hot end has stayed within ``band_c`` of its target for ``dwell_s`` seconds.

    The deadline is not guessed beforehand: it follows from the rate at which the temperature is
    seen to approach, and the heater is given up where it does not approach at all.

    Args:
        printer: Whatever answers ``temperature()``.
        clock: Time and waiting.
        temperature_c: The target, already set, in degrees Celsius.
        band_c: Half-width of the band, in K.
        dwell_s: Time to stay inside, in s.
        every_s: Time between queries, in s.
        tick: Called with each reading; interlocks and the view hang here.
        deadline_s: Longest wait altogether, in s; None for as the rate allows.

    Returns:
        The last reading.

    Raises:
        InterlockError: The temperature does not approach, or does not settle.
    """
    start_s = clock.now()
    history: deque[TemperatureReading] = deque()
    inside_since_s: float | None = None
    best_c = float("inf")
    last_off_c = 0.0
    best_s = start_s
    arrival_s: float | None = None
    while True:
        reading = printer.temperature()
        now = clock.now()
        if tick is not None:
            tick(reading)
        off_c = abs(reading.actual_c - temperature_c)
        history.append(reading)
        while history and now - history[0].time_s > _RATE_WINDOW_S:
            history.popleft()
        if off_c <= band_c:
            inside_since_s = now if inside_since_s is None else inside_since_s
            if now - inside_since_s >= dwell_s:
                return reading
        else:
            inside_since_s = None
        sure_c = max(off_c, last_off_c)  # one damaged report is no approach
        last_off_c = off_c
        if sure_c <= best_c - _LEAST_CHANGE_C or best_c == float("inf"):
            best_c, best_s = sure_c, now
        cooling = reading.actual_c > temperature_c
        far = off_c > band_c + _LEAST_CHANGE_C
        if far and now - best_s > (_COOLING_PATIENCE_S if cooling else _PATIENCE_S):
            what = "does not cool" if cooling else "does not warm up"
            raise InterlockError(
                f"the hot end {what}: {reading.actual_c:.1f} C, target {temperature_c:.0f} C, less "
                f"than {_LEAST_CHANGE_C:g} K nearer in {now - best_s:.0f} s: check heater and "
                "sensor"
            )
        rate = _approach_c_s(history, temperature_c)
        if far and rate > 0 and not cooling:
            arrival_s = now + off_c / rate * _SPARE + _SPARE_S + dwell_s
        elif not far and arrival_s is None:
            arrival_s = now + 3.0 * dwell_s + _SPARE_S + (_COOLING_PATIENCE_S if cooling else 0.0)
        late = (arrival_s is not None and now > arrival_s) or (
            deadline_s is not None and now - start_s > deadline_s
        )
        if late:
            raise InterlockError(
                f"the hot end does not settle: {reading.actual_c:.1f} C after "
                f"{now - start_s:.0f} s, wanted {temperature_c:.0f} +- {band_c:g} C for "
                f"{dwell_s:g} s: check heater, sensor and fan, or tune the firmware's control"
            )
        clock.sleep(every_s)


def _approach_c_s(history: deque[TemperatureReading], temperature_c: float) -> float:
    """How fast the temperature approaches its target, in K/s; negative where it leaves."""
    if len(history) < 2 or history[-1].time_s <= history[0].time_s:
        return 0.0
    first, last = history[0], history[-1]
    nearer = abs(first.actual_c - temperature_c) - abs(last.actual_c - temperature_c)
    return nearer / (last.time_s - first.time_s)
