"""The verbs on one printer: connect, read back, prepare, heat, extrude, stop, restore.

Nothing here switches the firmware's cold-extrusion protection off and nothing is ever saved to its
memory.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rig.printer_motion import Move
from rig.printer_types import Identity, MoveResult, PrinterSettings, TemperatureReading

if TYPE_CHECKING:
    from rig.clock import Clock
    from rig.link.conversation import Link

__all__ = ["Identity", "Move", "MoveResult", "Printer", "PrinterSettings", "TemperatureReading"]


class Printer:
    """One printer behind one link.

    Attributes:
        last_temperature: The newest report of the hot end, whoever asked for it, or None.
        target_c: The target that this program set last, in degrees Celsius (0 is off).
        settings: What `read_settings` found last, or None.
        notices: Unasked-for remarks of the firmware that a ledger should keep.
    """

    last_temperature: TemperatureReading | None
    target_c: float
    settings: PrinterSettings | None

    def __init__(self, link: Link, *, clock: Clock, filament_diameter_mm: float) -> None:
        raise NotImplementedError

    def connect(self) -> Identity:
        """Wait until the board is ready, restart the line numbers, ask who it is."""
        raise NotImplementedError

    def read_settings(self) -> PrinterSettings:
        """Ask for everything that could falsify a measurement."""
        raise NotImplementedError

    def prepare(self) -> None:
        """Bring the extruder into the state that a measurement needs, remembering what was found."""
        raise NotImplementedError

    def temperature(self) -> TemperatureReading:
        """One query of the hot end."""
        raise NotImplementedError

    def set_target(self, temperature_c: float) -> None:
        """Set the hot end's target, in degrees Celsius, without waiting; 0 is off."""
        raise NotImplementedError

    def set_current(self, current_a: float) -> None:
        """Set the run current, in the driver's own unit, and read it back where possible."""
        raise NotImplementedError

    def read_current(self) -> float | None:
        """The run current that the firmware has, in the driver's own unit; None if untold."""
        raise NotImplementedError

    def start_move(self, *, length_mm: float, speed_mm_s: float) -> Move:
        """Begin one constant-speed extrusion; poll the `Move` until it is done."""
        raise NotImplementedError

    def stop_motion(self) -> None:
        """Feed nothing more, and stop what is queued where the firmware can."""
        raise NotImplementedError

    def heaters_off(self) -> None:
        """All heaters off, verified in a report. Raises `LinkError` if not acknowledged."""
        raise NotImplementedError

    def restore(self) -> list[str]:
        """Put back what `prepare` and `set_current` changed; returns what could not be."""
        raise NotImplementedError

    def emergency(self) -> None:
        """The firmware's emergency stop, sent bare, without waiting for an answer."""
        raise NotImplementedError

    def verify(self) -> tuple[str, ...]:
        """Read current and target back; anomalies in the words of `MoveResult.anomalies`."""
        raise NotImplementedError

    def close(self) -> None:
        """Close the port. Safe to call again."""
        raise NotImplementedError
