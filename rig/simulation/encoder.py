"""The counter board of a virtual bench: ASCII lines with its own time stamps.

The protocol is described in ``docs/encoder.md``: ``C <micros> <count> <checksum>``, one reading a
line, where micros wraps at 2^32 and the checksum is the XOR of all bytes before the last space, as
two hexadecimal digits.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rig.simulation.serial_line import SerialLine

if TYPE_CHECKING:
    from rig.simulation.world import World

BANNER = "# counter 1 virtual"
RATE_HZ = 100


def reading_line(micros: int, count: int) -> str:
    """One line of the protocol, without its end."""
    body = f"C {micros} {count}"
    check = 0
    for byte in body.encode("ascii"):
        check ^= byte
    return f"{body} {check:02X}"


class EncoderBoard:
    """Counts filament that really went through the gear.

    Attributes:
        world: Where it stands.
        counts_per_mm: Counts a mm of filament.
        line: Its serial line.
    """

    def __init__(self, world: World, *, counts_per_mm: float) -> None:
        self.world = world
        self.counts_per_mm = counts_per_mm
        self.line = SerialLine(now=lambda: world.now_s, on_line=self._asked)
        self._origin_s = world.now_s
        self._micros_at_origin = 4_200_000_000  # the wrap comes soon, as it will once
        self._next_s = math.inf
        self._zero = 0
        self._open = False

    def open_port(self, baud: int) -> None:
        """The host opens the port: the board says who it is and begins to count aloud."""
        self.line.baud = baud
        self.line.reset()
        self.line.send(BANNER.encode("ascii") + b"\n", 0.01)
        self._next_s = self.world.now_s + 0.02
        self._open = True

    def close_port(self) -> None:
        """Nobody listens: nothing is computed."""
        self._open = False

    def _asked(self, line: str, at_s: float) -> None:
        del at_s
        if line.strip() == "Z":
            self._zero = self._raw_count()

    def _raw_count(self) -> int:
        return math.floor(self.world.extruder.fed_mm * self.counts_per_mm)

    def run(self) -> None:
        """Send the readings that are due by the world's present."""
        if not self._open:
            return
        world = self.world
        while self._next_s <= world.now_s:
            world.follow_to(self._next_s)
            micros = round((self._next_s - self._origin_s) * 1e6) + self._micros_at_origin
            count = self._raw_count() - self._zero
            text = reading_line(micros % 2**32, count)
            self.line.send_at(text.encode("ascii") + b"\n", self._next_s)
            self._next_s += 1.0 / RATE_HZ
        self.line.run(world.now_s)
