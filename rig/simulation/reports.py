"""Lines in which the firmware tells its settings."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rig.simulation.firmware import Firmware

#: Set by the world: what the driver makes of a setting in mA, as RMS A.
Applied = Callable[[int], float]


def currents(fw: Firmware) -> list[str]:
    """The answer to the bare current command: the request, never what the driver makes of it."""
    if fw.family.name == "a3":
        return [
            f"Motor current (mA) - X:800, Y:800, Z:800, E:{fw.registers.current_ma}, "
            "idle factor 30%"
        ]
    lines = [f"{axis} driver current: 800" for axis in "XYZ"]
    return [*lines, f"E driver current: {fw.registers.current_ma}"]


def _feed(fw: Firmware) -> float:
    return fw.registers.max_feed_mm_s * (60.0 if fw.family.feed_per_minute else 1.0)


def setting(fw: Firmware, word: str) -> list[str]:
    """The answer to a setting command without values."""
    r = fw.registers
    echo = "" if fw.family.ok_on_receipt else "echo:"
    return {
        "M92": [f"{echo}  M92 X80.00 Y80.00 Z400.00 E{r.steps_per_mm:.2f}"],
        "M200": [f"{echo}  M200 S{int(r.volumetric)} D{r.filament_mm:.2f}"],
        "M201": [f"{echo}  M201 X3000.00 Y3000.00 Z100.00 E{r.axis_acceleration_mm_s2:.2f}"],
        "M203": [f"{echo}  M203 X300.00 Y300.00 Z10.00 E{_feed(fw):.2f}"],
        "M204": [f"{echo}  M204 P1000.00 R{r.extrude_acceleration_mm_s2:.2f} T1000.00"],
        "M205": [f"{echo}  M205 S0.00 T0.00 X8.00 Y8.00 Z0.40 E{r.jerk_mm_s:.2f}"],
        "M220": [f"FR:{r.feed_percent:.0f}%"],
        "M221": [f"{echo}E0 Flow: {r.flow_percent:.0f}%"],
        "M900": [f"{echo}Advance K={r.pressure_k:.2f}"],
        "M85": [f"{echo}inactivity time S{r.kill_s:.0f}"],
        "M113": [f"{echo}M113 S{r.busy_s:.0f}"],
    }[word]


def all_settings(fw: Firmware) -> list[str]:
    """The settings report. The multipliers are not in it."""
    heads = {
        "M200": "echo:; Filament settings (on/off, diameter):",
        "M92": "echo:; Steps per unit:",
        "M203": "echo:; Max feedrates (units/min):"
        if fw.family.feed_per_minute
        else "echo:; Max feedrates (units/s):",
        "M201": "echo:; Max acceleration (units/s2):",
        "M204": "echo:; Acceleration (units/s2) (P<print> R<retract> T<travel>):",
        "M205": "echo:; Advanced (Z jerk, E jerk):",
    }
    lines = ["echo:; Linear units:", "echo:  G21"]
    for word, head in heads.items():
        lines += [head, *setting(fw, word)]
    lines += ["echo:; Driver current:", f"echo:  M906 T0 E{fw.registers.current_ma}"]
    lines += ["echo:; Pressure compensation:", f"echo:  M900 K{fw.registers.pressure_k:.2f}"]
    return lines


def driver(fw: Firmware) -> list[str]:
    """The driver report: the current that is really there, lower at rest."""
    applied_ma = round(fw.applied_rms_a(fw.registers.current_ma) * 1000.0)
    moving = not fw.planner.idle
    level = max(1, round(fw.applied_rms_a(fw.registers.current_ma) / 1.77 * 32)) - 1
    return [
        "\t\tE",
        f"Enabled\t\t{'true' if fw.registers.motors_on else 'false'}",
        f"Set current\t{fw.registers.current_ma}",
        f"RMS current\t{applied_ma}",
        f"CS actual\t{level if moving else level // 2}/31",
        "Driver over-temperature\tfalse",
    ]
