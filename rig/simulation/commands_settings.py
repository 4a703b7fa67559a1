"""Settings and questions: the commands that read and write the firmware's registers."""

# ruff: noqa: ARG001 - every handler has the same three arguments

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rig.simulation import reports
from rig.simulation.commands import no_wait, on
from rig.simulation.firmware import Slot, Work

if TYPE_CHECKING:
    from rig.simulation.firmware import Firmware


# -- settings ---------------------------------------------------------------------------------


@on("M906")
def _current(fw: Firmware, slot: Slot, f: dict[str, float]) -> Work:
    if "counter-wrap" in slot.strikes:
        fw.say("E driver current: 63286")
        return
    if "E" in f and not math.isnan(f["E"]):
        fw.registers.current_ma = round(f["E"])
    elif not any(axis in f for axis in "XYZI"):
        fw.say(*reports.currents(fw))
    yield from no_wait()


@on("M92", "M200", "M201", "M203", "M204", "M205", "M220", "M221", "M900", "M85", "M113")
def _setting(fw: Firmware, slot: Slot, f: dict[str, float]) -> Work:
    word = slot.text.upper().split()[0]
    values = {k: v for k, v in f.items() if not math.isnan(v)}
    values.pop("T", None)
    registers = fw.registers
    if not values:
        fw.say(*reports.setting(fw, word))
        return
    scale = 1.0 / 60.0 if fw.family.feed_per_minute else 1.0
    # Letter, attribute, factor.
    table: dict[str, tuple[tuple[str, str, float], ...]] = {
        "M92": (("E", "steps_per_mm", 1.0),),
        "M201": (("E", "axis_acceleration_mm_s2", 1.0),),
        "M203": (("E", "max_feed_mm_s", scale),),
        "M204": (("R", "extrude_acceleration_mm_s2", 1.0),),
        "M205": (("E", "jerk_mm_s", 1.0),),
        "M220": (("S", "feed_percent", 1.0),),
        "M221": (("S", "flow_percent", 1.0),),
        "M900": (("K", "pressure_k", 1.0),),
        "M85": (("S", "kill_s", 1.0),),
        "M113": (("S", "busy_s", 1.0),),
    }
    for letter, name, factor in table.get(word, ()):
        if letter in values:
            setattr(registers, name, values[letter] * factor)
    if word == "M200":
        if "D" in values:
            registers.volumetric = values["D"] > 0.0
            registers.filament_mm = values["D"] or registers.filament_mm
        if "S" in values:
            registers.volumetric = values["S"] > 0.0
    if word == "M92":
        fw.planner.steps_per_mm = registers.steps_per_mm
    yield from no_wait()


@on("M110", "M108", "M911", "M912", "M75", "M77", "M117", "M118", "T0", "G21")
def _nothing(fw: Firmware, slot: Slot, f: dict[str, float]) -> Work:
    yield from no_wait()


@on("M999")
def _go_on(fw: Firmware, slot: Slot, f: dict[str, float]) -> Work:
    fw.stopped = False
    fw.last_number = 0
    yield from no_wait()


# -- questions --------------------------------------------------------------------------------


@on("M114")
def _where(fw: Firmware, slot: Slot, f: dict[str, float]) -> Work:
    steps = round(fw.registers.e_mm * fw.registers.steps_per_mm)
    fw.say(f"X:0.00 Y:0.00 Z:0.00 E:{fw.registers.e_mm:.2f} Count X:0 Y:0 Z:0 E:{steps}")
    yield from no_wait()


@on("M115")
def _who(fw: Firmware, slot: Slot, f: dict[str, float]) -> Work:
    fw.say(*fw.family.identity)
    yield from no_wait()


@on("M503")
def _all_settings(fw: Firmware, slot: Slot, f: dict[str, float]) -> Work:
    fw.say(*reports.all_settings(fw))
    yield 0.02 + fw.now_s


@on("M122")
def _driver(fw: Firmware, slot: Slot, f: dict[str, float]) -> Work:
    fw.say(*reports.driver(fw))
    yield from no_wait()
