"""What each command does. A handler is a generator that yields what it waits for.

A yielded float is a world time; a yielded callable is a condition that the world tries again
whenever something has happened.
"""

# ruff: noqa: ARG001 - every handler has the same three arguments

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from rig.simulation.firmware import MAX_TEMP_C, MIN_EXTRUDE_C, Slot, Work

if TYPE_CHECKING:
    from rig.simulation.firmware import Firmware

Handler = Callable[["Firmware", Slot, dict[str, float]], Work]
_FIELD = re.compile(r"([A-Z])\s*(-?\d*\.?\d+|(?![A-Z\d.-]))")
HANDLERS: dict[str, Handler] = {}


def fields(text: str) -> dict[str, float]:
    """Letters and numbers after the command word; a bare letter gives nan."""
    _, _, rest = text.upper().partition(" ")
    out: dict[str, float] = {}
    for letter, number in _FIELD.findall(rest):
        out.setdefault(letter, float(number) if number else math.nan)
    return out


def on(*words: str) -> Callable[[Handler], Handler]:
    """Register a handler for command words."""

    def keep(handler: Handler) -> Handler:
        for word in words:
            HANDLERS[word] = handler
        return handler

    return keep


def work_for(firmware: Firmware, slot: Slot) -> Work:
    """The generator that works a command off, ok included."""
    from rig.simulation import commands_settings  # noqa: F401 - registers its handlers

    return _work(firmware, slot)


def _work(firmware: Firmware, slot: Slot) -> Work:
    yield firmware.now_s + 0.0006
    word = slot.text.upper().split()[0] if slot.text.split() else ""
    family = firmware.family
    if firmware.stopped and word not in ("M999", "M105"):
        firmware.say(
            "Error:Printer stopped due to errors. Fix the error and use M999 to restart. "
            "(Temperature is reset. Set it after restarting)"
        )
        firmware.ok(slot)
        return
    if "template-shutdown" in firmware.faults.lasting:
        firmware.heater.target_c = 0.0
        firmware.say("// Printer is shutdown", "!! Printer is shutdown: Timer too close")
        firmware.ok(slot)
        return
    if "busy-long" in slot.strikes:
        yield from firmware.busy_wait()
    handler = HANDLERS.get(word)
    if word == "M105":
        firmware.ok(slot, firmware.temperatures())
        return
    if handler is None:
        from rig.simulation.template_dialect import template_work

        named = template_work(firmware, slot) if family.name == "b" else None
        if named is not None:
            yield from named
        else:
            firmware.say(
                f'// Unknown command:"{slot.text}"'
                if family.name == "b"
                else f'echo:Unknown command: "{slot.text}"'
            )
    else:
        yield from handler(firmware, slot, fields(slot.text))
    if not family.ok_on_receipt:
        firmware.ok(slot)


def no_wait() -> Iterator[float]:
    """Nothing to wait for."""
    return iter(())


# -- motion -----------------------------------------------------------------------------------


@on("G0", "G1")
def _move(fw: Firmware, slot: Slot, f: dict[str, float]) -> Work:
    registers = fw.registers
    if f.get("F", 0.0) > 0.0:
        registers.feed_mm_s = f["F"] / 60.0
    if "E" not in f or math.isnan(f["E"]):
        return
    distance = f["E"] if registers.relative_e else f["E"] - registers.e_mm
    registers.e_mm += distance
    if distance == 0.0:
        return
    for strike in slot.strikes:
        text = {
            "cold-refusal": "echo: cold extrusion prevented",
            "garbled-refusal": "echo: col cold extru cold extrusion preventednted",
            "too-long-refusal": "echo: too long extrusion prevented",
        }.get(strike)
        if strike == "template-refusal":
            fw.say("// Extrude below minimum temp", "!! Extrude below minimum temp")
            return
        if text:
            fw.say(text)
            return
    template = fw.family.name == "b"
    if fw.heater.reading_c < MIN_EXTRUDE_C and distance > 0.0:
        if template:
            fw.say("// Extrude below minimum temp", "!! Extrude below minimum temp")
        else:
            fw.say("echo: cold extrusion prevented")
        return
    if abs(distance) >= fw.family.one_move_mm:
        fw.say(
            f"!! Move exceeds maximum extrusion ({abs(distance):.3f}mm)"
            if template
            else "echo: too long extrusion prevented"
        )
        return
    # Multipliers: mm3 to mm in volumetric mode, then the flow percentage. They change the length
    # and not the time, so that only a length shows them.
    factor = registers.flow_percent / 100.0
    if registers.volumetric:
        factor /= math.pi * registers.filament_mm**2 / 4.0
    distance *= factor
    speed = registers.feed_mm_s * registers.feed_percent / 100.0 * factor
    speed = min(speed, registers.max_feed_mm_s)
    if "clamp" in fw.faults.lasting:
        speed /= 1.4
    # Whole steps only, as the pulses are.
    step = 1.0 / registers.steps_per_mm
    if not fw.planner.has_room:
        yield lambda: fw.planner.has_room
    registers.motors_on = True
    fw.planner.add(
        distance_mm=round(distance / step) * step,
        speed_mm_s=max(speed, 0.02),
        acceleration_mm_s2=min(
            registers.extrude_acceleration_mm_s2, registers.axis_acceleration_mm_s2
        ),
        now_s=fw.now_s,
    )
    fw.moved_s = fw.now_s


@on("M400")
def _barrier(fw: Firmware, slot: Slot, f: dict[str, float]) -> Work:
    if "early-ok" in fw.faults.lasting:
        return
    yield lambda: fw.planner.idle


@on("G4")
def _dwell(fw: Firmware, slot: Slot, f: dict[str, float]) -> Work:
    yield lambda: fw.planner.idle
    yield fw.now_s + (f["S"] if "S" in f else f.get("P", 0.0) / 1000.0)


@on("G92")
def _set_position(fw: Firmware, slot: Slot, f: dict[str, float]) -> Work:
    yield lambda: fw.planner.idle
    fw.registers.e_mm = 0.0 if math.isnan(f.get("E", 0.0)) else f.get("E", 0.0)


@on("M82")
def _absolute(fw: Firmware, slot: Slot, f: dict[str, float]) -> Work:
    fw.registers.relative_e = False
    yield from no_wait()


@on("M83")
def _relative(fw: Firmware, slot: Slot, f: dict[str, float]) -> Work:
    fw.registers.relative_e = True
    yield from no_wait()


@on("G90")
def _all_absolute(fw: Firmware, slot: Slot, f: dict[str, float]) -> Work:
    fw.registers.relative_e = False  # it cancels M83, as on some builds
    yield from no_wait()


@on("G91")
def _all_relative(fw: Firmware, slot: Slot, f: dict[str, float]) -> Work:
    fw.registers.relative_e = True
    yield from no_wait()


@on("M410")
def _quick_stop(fw: Firmware, slot: Slot, f: dict[str, float]) -> Work:
    fw.quick_stop()
    yield from no_wait()


@on("M112")
def _emergency(fw: Firmware, slot: Slot, f: dict[str, float]) -> Work:
    fw.kill("")
    yield from no_wait()


@on("M84", "M18")
def _idle(fw: Firmware, slot: Slot, f: dict[str, float]) -> Work:
    if "S" in f:
        fw.registers.idle_s = f["S"]
        return
    yield lambda: fw.planner.idle
    fw.registers.motors_on = False


@on("M17")
def _motors_on(fw: Firmware, slot: Slot, f: dict[str, float]) -> Work:
    fw.registers.motors_on = True
    yield from no_wait()


# -- heat -------------------------------------------------------------------------------------


@on("M104")
def _heat(fw: Firmware, slot: Slot, f: dict[str, float]) -> Work:
    if not math.isnan(f.get("S", math.nan)):
        fw.heater.target_c = min(f["S"], MAX_TEMP_C - 15.0)
    yield from no_wait()


@on("M109")
def _heat_and_wait(fw: Firmware, slot: Slot, f: dict[str, float]) -> Work:
    goal = f.get("R", f.get("S", math.nan))
    if math.isnan(goal):
        return
    fw.heater.target_c = goal = min(goal, MAX_TEMP_C - 15.0)
    cools = "R" not in f and fw.heater.reading_c > goal
    settled_s = 0.0
    while settled_s < 3.0 and not cools and not fw.break_wait and goal > 0.0:
        inside = abs(fw.heater.reading_c - goal) < 1.5
        settled_s = settled_s + 1.0 if inside else 0.0
        left = f"W:{int(3 - settled_s)}" if inside else "W:?"
        fw.say(f" {fw.temperatures()} {left}")
        fw._busy_from_s = fw.now_s  # the reports take the place of busy lines
        yield fw.now_s + 1.0


@on("M140", "M190", "M141")
def _bed(fw: Firmware, slot: Slot, f: dict[str, float]) -> Work:
    yield from no_wait()


@on("M106", "M107")
def _fan(fw: Firmware, slot: Slot, f: dict[str, float]) -> Work:
    off = slot.text.upper().startswith("M107")
    fw.registers.fan = 0.0 if off else min(f.get("S", 255.0), 255.0) / 255.0
    yield from no_wait()


@on("M155")
def _report_by_itself(fw: Firmware, slot: Slot, f: dict[str, float]) -> Work:
    fw.registers.report_s = max(0.0, f.get("S", 0.0))
    yield from no_wait()


@on("M302")
def _cold(fw: Firmware, slot: Slot, f: dict[str, float]) -> Work:
    fw.say(f"echo:Cold extrudes are disabled (min temp {MIN_EXTRUDE_C:.0f}C)")
    yield from no_wait()
