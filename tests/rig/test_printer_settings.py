"""Reading a firmware's own account, in the wordings of several families."""

from __future__ import annotations

import pytest

from rig.link.dialect import load_dialect
from rig.printer_settings import capabilities, parse_driver_report, parse_settings

NUMBERED = load_dialect("numbered")

PER_SECOND = """
echo:; Maximum feedrates (units/s):
echo:  M203 X500.00 Y500.00 Z5.00 E25.00
echo:; Steps per unit:
echo:  M92 X80.00 Y80.00 Z400.00 E424.83
echo:  M201 X1000.00 Y1000.00 Z100.00 E5000.00
echo:  M204 P1250.00 R1250.00 T1250.00
echo:  M205 B20000.00 S0.00 T0.00 X8.00 Y8.00 Z0.40 E1.50
echo:  M200 S0 D1.75
echo:  M906 X800 Y800 Z800
echo:  M906 T0 E550
echo:  M900 K0.05
echo:  M18 S120
M221 echo:E0 Flow: 95%
M220 FR:100%
"""

PER_MINUTE = """
M92 Steps/mm: X: 80.000, Y: 80.000, Z: 400.000, E: 420.000:420.000
M203 Max speeds (mm/min): X: 6000.0, Y: 6000.0, Z: 180.0, E: 1200.0, min. speed 30.0
M201 Accelerations (mm/sec^2): X: 500.0, Y: 500.0, Z: 20.0, E: 250.0
Motor current (mA) - X:800, Y:800, Z:800, E:500, idle factor 30%
"""


def test_limits_in_mm_per_second() -> None:
    found = parse_settings(PER_SECOND.splitlines(), NUMBERED)
    assert found.steps_per_mm == 424.83
    assert found.max_feed_mm_s == 25.0
    assert found.acceleration_mm_s2 == 1250.0, "the smaller of setting and axis limit"
    assert found.jerk_mm_s == 1.5
    assert found.volumetric is False
    assert found.volumetric_diameter_mm == 1.75
    assert found.run_current_a == 0.55
    assert found.pressure_factor == 0.05
    assert found.flow_percent == 95.0
    assert found.feed_percent == 100.0
    assert found.idle_timeout_s == 120.0
    assert found.guesses == ()


def test_limits_in_mm_per_minute() -> None:
    found = parse_settings(PER_MINUTE.splitlines(), NUMBERED)
    assert found.steps_per_mm == 420.0
    assert found.max_feed_mm_s == 20.0
    assert found.acceleration_mm_s2 == 250.0
    assert found.run_current_a == 0.5
    assert found.volumetric is None
    assert found.flow_percent is None


@pytest.mark.parametrize(
    ("line", "speed_mm_s"), [("M203 X500 E25.00", 25.0), ("M203 X30000 E1500.00", 25.0)]
)
def test_a_unit_that_is_nowhere_told_is_guessed_and_said(line: str, speed_mm_s: float) -> None:
    found = parse_settings([line], NUMBERED)
    assert found.max_feed_mm_s == speed_mm_s
    assert "settings.max_feed_unit" in found.guesses[0]


@pytest.mark.parametrize(
    ("line", "volumetric"),
    [
        ("echo:  M200 D1.75", True),
        ("echo:  M200 D0", False),
        ("echo:  M200 S1 D1.75", True),
        ("echo:  M200 S0 D1.75", False),
    ],
)
def test_volumetric_mode(line: str, volumetric: bool) -> None:
    assert parse_settings([line], NUMBERED).volumetric is volumetric


def test_nothing_told_stays_unknown() -> None:
    found = parse_settings([], NUMBERED)
    assert {getattr(found, name) for name in found.__slots__} == {None, ()}


def test_capabilities_that_are_off_are_none() -> None:
    lines = ["FIRMWARE_NAME:house", "Cap:EMERGENCY_PARSER:1", "Cap:AUTOREPORT_TEMP:0"]
    assert capabilities(lines) == {"EMERGENCY_PARSER"}


def test_driver_report_by_column() -> None:
    report = parse_driver_report(
        [
            "\t\tX\tY\tZ\tE",
            "Enabled\t\tfalse\tfalse\tfalse\ttrue",
            "Set current\t800\t800\t800\t500",
            "RMS current\t795\t795\t795\t489",
            "CS actual\t\t12/31\t12/31\t12/31\t12/31",
            "msteps\t\t16\t16\t256\t32",
            "otpw\t\tfalse\tfalse\tfalse\ttrue",
        ]
    )
    assert report.applied_a == 0.489
    assert report.microsteps == 32
    assert report.trouble == ("otpw",)


def test_driver_report_of_the_extruder_alone_and_none_at_all() -> None:
    report = parse_driver_report(["E", "RMS current\t550", "otpw\tfalse"])
    assert (report.applied_a, report.trouble) == (0.55, ())
    assert parse_driver_report(["ok", "nothing here"]).applied_a is None
