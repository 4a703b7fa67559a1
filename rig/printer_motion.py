"""One constant-speed extrusion, fed in short segments by our own clock."""

from __future__ import annotations

from rig.printer_types import MoveResult


class Move:
    """One constant-speed extrusion.

    Call `poll` at least every 50 ms until `done`; it never blocks longer than its ``wait_s`` and a
    few milliseconds, so that sound can be read meanwhile.

    Attributes:
        length_mm: Filament length asked for, rounded to steps, in mm.
        speed_mm_s: Filament speed, in mm/s.
        expected_s: Duration of the motion, ramps included, in s.
        ramp_s: Duration of the acceleration (and of the deceleration), in s.
        started_s: Clock time at which motion is taken to have begun; None before.
        ended_s: Clock time at which motion is taken to have ended; None before.
        done: Whether motion has ended and everything was read back.
        refused: What the firmware refused, or None.
        sent_mm: Filament length sent so far, in mm.
    """

    length_mm: float
    speed_mm_s: float
    expected_s: float
    ramp_s: float
    started_s: float | None
    ended_s: float | None
    done: bool
    refused: str | None
    sent_mm: float

    def poll(self, wait_s: float = 0.0) -> None:
        """Feed what is due and read what came, waiting at most ``wait_s`` s for a byte."""
        raise NotImplementedError

    def abort(self) -> None:
        """Feed nothing more; motion ends within a second. Does not wait: go on polling."""
        raise NotImplementedError

    def result(self) -> MoveResult:
        """How it went; polls to the end first where the move is not yet done."""
        raise NotImplementedError
