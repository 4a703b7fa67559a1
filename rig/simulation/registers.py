"""The firmware's run-time settings and the habits of its family."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(slots=True)
class Registers:
    """Settings that a restart sets back. Millimetres, seconds, degrees C, milliamperes."""

    steps_per_mm: float
    max_feed_mm_s: float = 45.0
    axis_acceleration_mm_s2: float = 2000.0
    extrude_acceleration_mm_s2: float = 800.0
    jerk_mm_s: float = 5.0
    current_ma: int = 600
    flow_percent: float = 100.0
    feed_percent: float = 100.0
    volumetric: bool = False
    filament_mm: float = 1.75
    pressure_k: float = 0.0
    relative_e: bool = False
    idle_s: float = 120.0
    kill_s: float = 0.0
    busy_s: float = 2.0
    report_s: float = 0.0
    feed_mm_s: float = 25.0
    e_mm: float = 0.0
    fan: float = 0.0
    motors_on: bool = False


@dataclass(frozen=True, slots=True)
class Family:
    """How one family of firmware behaves on the wire.

    Attributes:
        name: ``a1``, ``a2``, ``a3`` or ``b``.
        numbered: Whether line numbers and checksums mean anything.
        ok_on_receipt: Whether ok comes when a line is received rather than accepted.
        ok_with_number: Whether ok carries the line number.
        waits: Whether it says ``wait`` every second when idle.
        feed_per_minute: Whether M203 speaks of mm per minute.
        emergency_parser: Whether M108, M112 and M410 act on reception.
        one_move_mm: Longest single extrusion it makes.
        peak_unit: Whether M906 means peak milliamperes.
        identity: Lines of M115.
    """

    name: str
    numbered: bool = True
    ok_on_receipt: bool = False
    ok_with_number: bool = False
    waits: bool = False
    feed_per_minute: bool = False
    emergency_parser: bool = True
    one_move_mm: float = 200.0
    peak_unit: bool = False
    identity: tuple[str, ...] = ()


FAMILIES = {
    "a1": Family(
        "a1",
        identity=(
            "FIRMWARE_NAME:House A1 2.1 (virtual) PROTOCOL_VERSION:1.0 "
            "MACHINE_TYPE:Virtual bench EXTRUDER_COUNT:1",
            "Cap:SERIAL_XON_XOFF:0",
            "Cap:EEPROM:1",
            "Cap:AUTOREPORT_TEMP:1",
            "Cap:EMERGENCY_PARSER:1",
            "Cap:HOST_ACTION_COMMANDS:1",
        ),
    ),
    "a2": Family(
        "a2",
        ok_on_receipt=True,
        ok_with_number=True,
        waits=True,
        feed_per_minute=True,
        emergency_parser=False,
        identity=(
            "FIRMWARE_NAME:House A2 1.0 (virtual) PROTOCOL_VERSION:1.0 "
            "MACHINE_TYPE:Virtual bench EXTRUDER_COUNT:1",
        ),
    ),
    "a3": Family(
        "a3",
        feed_per_minute=True,
        emergency_parser=False,
        peak_unit=True,
        identity=("FIRMWARE_NAME: House A3 FIRMWARE_VERSION: 3.5 (virtual) ELECTRONICS: 32-bit",),
    ),
    "b": Family(
        "b",
        numbered=False,
        emergency_parser=True,
        one_move_mm=50.0,
        identity=("FIRMWARE_NAME:House B FIRMWARE_VERSION:0.12 (virtual)",),
    ),
}
