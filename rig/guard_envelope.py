"""The limits within which heat must stay, and the watch that compares. Pure: no printer, no clock.

These interlocks notice what a person in the room would notice. They are no protection against a
failed heater switch: only a thermal cut-out that needs no software is.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from rig.errors import InterlockError, LimitReachedError
from rig.printer_types import TemperatureReading

#: A target just sent may be missing from reports that were already on their way, in s.
_TARGET_DELAY_S = 3.0
#: Nearer than this the hot end counts as having reached its target, in K.
_REACHED_C = 3.0
#: Further below than this it has to rise, in K.
_FAR_C = 10.0
#: Replies carry no checksum, so it takes two reports in a row to trip.
_CONFIRMATIONS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Envelope:
    """The limits within which heat and time must stay.

    Attributes:
        max_temperature_c: Hot end above this trips, in degrees Celsius.
        report_timeout_s: Longest time without a temperature report while a heater is on, in s.
        target_tolerance_c: A reported target further than this from the one set trips, in K.
        rise_c: The hot end has to rise by this much, in K ...
        rise_window_s: ... within this time while it is far below its target, in s.
        fall_c: Falling this far below the target after having reached it trips, in K.
        max_hours: Longest run, in hours; None for no limit.
    """

    max_temperature_c: float
    report_timeout_s: float = 15.0
    target_tolerance_c: float = 1.0
    rise_c: float = 3.0
    rise_window_s: float = 40.0
    fall_c: float = 20.0
    max_hours: float | None = None


@dataclass(slots=True)
class Interlock:
    """Compares what comes in with an `Envelope`; raises when it is left.

    Attributes:
        envelope: The limits.
        started_s: Clock time at which the run began, in s.
    """

    envelope: Envelope
    started_s: float
    _target_c: float = 0.0
    _target_set_s: float = 0.0
    _reached: bool = False
    _window: tuple[float, float] | None = None
    _last: TemperatureReading | None = None
    _strikes: dict[str, int] = field(default_factory=dict)

    def target(self, target_c: float, set_s: float) -> None:
        """Tell which target was set, in degrees Celsius, and when, in s. Repeating it is free."""
        if (target_c, set_s) != (self._target_c, self._target_set_s):
            self._target_c, self._target_set_s = target_c, set_s
            self._reached = False
            self._window = None
            self._strikes.pop("target", None)

    def observe(self, reading: TemperatureReading) -> None:
        """Compare one report. Raises `InterlockError`."""
        if self._last is not None and reading.time_s <= self._last.time_s:
            return
        self._last = reading
        limit_c = self.envelope.max_temperature_c
        if self._struck("over", reading.actual_c > limit_c):
            raise InterlockError(
                f"the hot end is at {reading.actual_c:.0f} C, above the limit of {limit_c:.0f} C "
                "(hot_end.max_temperature_c): see that it cools before going on"
            )
        if reading.target_c is not None and reading.time_s > self._target_set_s + _TARGET_DELAY_S:
            off_c = abs(reading.target_c - self._target_c)
            if self._struck("target", off_c > self.envelope.target_tolerance_c):
                raise InterlockError(
                    f"the heater's target is {reading.target_c:g} C and nobody here set it "
                    f"(set was {self._target_c:g} C): the firmware timed out, restarted, or "
                    "somebody turned the knob"
                )
        if self._target_c > 0:
            self._watch_heating(reading)

    def check(self, now_s: float) -> None:
        """Compare the time. Raises `InterlockError` or `LimitReachedError`."""
        hours = self.envelope.max_hours
        if hours is not None and now_s - self.started_s > hours * 3600.0:
            raise LimitReachedError(
                f"the {hours:g} hours of limits.max_hours are over: resume the run to go on"
            )
        if self._target_c <= 0:
            return
        heard_s = max(self._target_set_s, self._last.time_s if self._last else self.started_s)
        if now_s - heard_s > self.envelope.report_timeout_s:
            raise InterlockError(
                f"no temperature report for {now_s - heard_s:.0f} s while the heater is on "
                f"(allowed {self.envelope.report_timeout_s:g} s): check the cable and the printer"
            )

    def _watch_heating(self, reading: TemperatureReading) -> None:
        below_c = self._target_c - reading.actual_c
        if self._struck("reached", below_c <= _REACHED_C):
            self._reached = True
            self._window = None
        elif self._reached:
            if self._struck("fall", below_c > self.envelope.fall_c):
                raise InterlockError(
                    f"the hot end fell to {reading.actual_c:.0f} C while its target is "
                    f"{self._target_c:.0f} C: check heater, sensor and fan"
                )
        elif below_c > _FAR_C:
            self._watch_rise(reading)

    def _watch_rise(self, reading: TemperatureReading) -> None:
        if self._window is None:
            self._window = (reading.time_s, reading.actual_c)
        since_s, from_c = self._window
        if reading.actual_c >= from_c + self.envelope.rise_c:
            self._window = (reading.time_s, reading.actual_c)
        elif reading.time_s - since_s > self.envelope.rise_window_s:
            raise InterlockError(
                f"the heater is on and the hot end does not warm up: {reading.actual_c:.0f} C, "
                f"{reading.actual_c - from_c:+.1f} K in {reading.time_s - since_s:.0f} s: "
                "check heater and sensor"
            )

    def _struck(self, what: str, amiss: bool) -> bool:
        """Whether something was amiss often enough in a row to be believed."""
        self._strikes[what] = self._strikes.get(what, 0) + 1 if amiss else 0
        return self._strikes[what] >= _CONFIRMATIONS
