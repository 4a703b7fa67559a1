"""The named-parameter dialect of the virtual bench (family ``b``): a few commands with names.

``SET_RUN_CURRENT MOTOR=extruder AMPERES=0.5``, ``GET_RUN_CURRENT MOTOR=extruder``,
``SET_PRESSURE_COMPENSATION FACTOR=0``, ``GET_PRESSURE_COMPENSATION``, ``GET_LIMITS``.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from rig.simulation.firmware import Slot, Work

if TYPE_CHECKING:
    from rig.simulation.firmware import Firmware

_NAMED = re.compile(r"([A-Z_]+)=([^\s]+)")


def template_work(fw: Firmware, slot: Slot) -> Work | None:
    """The work of a named command, or None where there is none of that name."""
    word = slot.text.upper().split()[0]
    values = dict(_NAMED.findall(slot.text.upper()))
    r = fw.registers
    if word == "SET_RUN_CURRENT":
        if values.get("MOTOR", "EXTRUDER") == "EXTRUDER" and "AMPERES" in values:
            r.current_ma = round(float(values["AMPERES"]) * 1000.0)
        return _tell(fw, f"// Run Current: {r.current_ma / 1000:.3f}A")
    if word == "GET_RUN_CURRENT":
        return _tell(fw, f"// Run Current: {r.current_ma / 1000:.3f}A Hold Current: 0.300A")
    if word == "SET_PRESSURE_COMPENSATION":
        r.pressure_k = float(values.get("FACTOR", r.pressure_k))
        return _tell(fw, f"// pressure compensation K: {r.pressure_k:.4f}")
    if word == "GET_PRESSURE_COMPENSATION":
        return _tell(fw, f"// pressure compensation K: {r.pressure_k:.4f}")
    if word == "GET_LIMITS":
        return _tell(
            fw,
            f"// extruder: steps/mm: E:{r.steps_per_mm:.3f} max feedrates E:{r.max_feed_mm_s:.2f} "
            f"accelerations E:{r.extrude_acceleration_mm_s2:.1f}",
        )
    return None


def _tell(fw: Firmware, *lines: str) -> Work:
    fw.say(*lines)
    yield fw.now_s
