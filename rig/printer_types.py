"""What the printer's verbs hand back: plain frozen records."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Identity:
    """Who answered.

    Attributes:
        text: What the firmware says of itself, one line ("" where it says nothing).
        capabilities: Announced capabilities that are switched on, in upper case.
        booted: Whether a boot banner came while connecting: every run-time setting is at its
            power-on value.
    """

    text: str
    capabilities: frozenset[str] = frozenset()
    booted: bool = False


@dataclass(frozen=True, slots=True)
class PrinterSettings:
    """What the firmware says about the extruder. None where it does not tell.

    Attributes:
        steps_per_mm: Microsteps per mm of filament.
        max_feed_mm_s: Greatest filament speed that the firmware allows, in mm/s.
        acceleration_mm_s2: Acceleration of moves of the extruder alone, in mm/s^2: the smaller of
            the setting and the axis limit.
        jerk_mm_s: Speed change that the firmware makes at once, in mm/s.
        volumetric: Whether lengths are taken as volumes.
        volumetric_diameter_mm: Filament diameter set for that, in mm.
        flow_percent: Flow multiplier in percent.
        feed_percent: Speed multiplier in percent.
        pressure_factor: Factor of the pressure compensation.
        run_current_a: Run current of the extruder motor, in the driver's own unit, in A.
        applied_current_a: Current that the driver says it really applies, RMS A.
        microsteps: Microsteps that the driver reports.
        idle_timeout_s: Time after which idle motors go off, in s.
        lines: The report as it came, for the ledger.
        guesses: What had to be guessed, in words.
    """

    steps_per_mm: float | None = None
    max_feed_mm_s: float | None = None
    acceleration_mm_s2: float | None = None
    jerk_mm_s: float | None = None
    volumetric: bool | None = None
    volumetric_diameter_mm: float | None = None
    flow_percent: float | None = None
    feed_percent: float | None = None
    pressure_factor: float | None = None
    run_current_a: float | None = None
    applied_current_a: float | None = None
    microsteps: int | None = None
    idle_timeout_s: float | None = None
    lines: tuple[str, ...] = ()
    guesses: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class TemperatureReading:
    """One report of the hot end.

    Attributes:
        actual_c: Measured, in degrees Celsius.
        target_c: Target as the firmware has it, in degrees Celsius; None where it does not tell.
        time_s: Clock time at which the report came, in s.
    """

    actual_c: float
    target_c: float | None
    time_s: float


@dataclass(frozen=True, slots=True)
class MoveResult:
    """How one constant-speed extrusion went.

    Attributes:
        measured_s: Duration of the motion by the barrier, start latency taken off, in s.
        expected_s: Duration that the commanded length, speed and acceleration ask for, in s.
        commanded_mm: Filament length that was really sent, after rounding to steps, in mm.
        aborted: Whether it was broken off.
        refused: What the firmware refused, or None.
        anomalies: Everything that makes the move doubtful, a sentence each; empty is good. Each
            begins with a code and a colon: ``move-time``, ``refused``, ``starved``,
            ``settings-changed``, ``stepped-down``, ``position``, ``temperature``.
    """

    measured_s: float
    expected_s: float
    commanded_mm: float
    aborted: bool
    refused: str | None = None
    anomalies: tuple[str, ...] = ()
