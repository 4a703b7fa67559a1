"""Bytes between host and board, with the time that they take on the wire."""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable
from dataclasses import dataclass, field


@dataclass(slots=True)
class SerialLine:
    """One full-duplex line.

    Attributes:
        now: World time.
        on_line: Called with each line that is complete at the board and when, in s.
        baud: Bits a second.
        alive: False once the cable is cut.
        cut_pending: The cable breaks as soon as everything sent has been read.
        on_break: Called when it does.
    """

    now: Callable[[], float]
    on_line: Callable[[str, float], None]
    baud: int = 115200
    alive: bool = True
    cut_pending: bool = False
    received: bytearray = field(default_factory=bytearray)
    _partial: bytearray = field(default_factory=bytearray)
    _arrived_s: float = 0.0
    _sent_s: float = 0.0
    _order: int = 0
    _coming: list[tuple[float, int, bytes]] = field(default_factory=list)

    def write(self, data: bytes) -> None:
        """Bytes from the host."""
        at = max(self._arrived_s, self.now())
        for byte in data:
            at += 10.0 / self.baud
            if byte in b"\r\n":
                self.on_line(self._partial.decode("latin-1"), at)
                self._partial.clear()
            else:
                self._partial.append(byte)
        self._arrived_s = at

    def send(self, data: bytes, delay_s: float = 0.0) -> None:
        """Bytes from the board; they arrive one after another."""
        if not self.alive or self.cut_pending:
            return
        start = max(self._sent_s, self.now() + delay_s)
        self._sent_s = start + len(data) * 10.0 / self.baud
        self._order += 1
        heapq.heappush(self._coming, (self._sent_s, self._order, data))

    def send_at(self, data: bytes, start_s: float) -> None:
        """Bytes that the board began to send at a time (perhaps a little ago)."""
        self.send(data, start_s - self.now())

    @property
    def next_event_s(self) -> float:
        """When the next bytes arrive at the host."""
        return self._coming[0][0] if self._coming else math.inf

    def run(self, now_s: float) -> None:
        """Deliver what has arrived by ``now_s``."""
        while self._coming and self._coming[0][0] <= now_s + 1e-12:
            self.received += heapq.heappop(self._coming)[2]

    @property
    def broken(self) -> bool:
        """Whether the host now finds the cable cut."""
        return not self.alive or (self.cut_pending and not self.received and not self._coming)

    def reset(self) -> None:
        """Forget what is under way (the port was opened again)."""
        self.received.clear()
        self._partial.clear()
        self._coming.clear()
        self._sent_s = self._arrived_s = self.now()
