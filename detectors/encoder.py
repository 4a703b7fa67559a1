"""The filament encoder: bytes of the counter board to readings, and readings to length.

The line protocol is described in ``docs/encoder.md``.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from detectors.errors import SourceLostError, SourceMissingError
from detectors.evidence import FilamentCount

WRAP = 2**32
#: A line is never longer; what is longer is garbage.
LONGEST_LINE = 40
#: A step of the board's clock beyond this is a restart, in s.
LONGEST_SILENCE_S = 30.0
#: No reading for so long, and the board is lost, in s.
SILENT_BOARD_S = 2.0


def checksum(body: bytes) -> int:
    """XOR of all bytes."""
    value = 0
    for byte in body:
        value ^= byte
    return value


def parse_line(line: bytes) -> tuple[int, int] | None:
    """Microseconds and count of one line, or None where it is no whole reading."""
    body, space, check = line.rpartition(b" ")
    parts = body.split(b" ")
    if not space or len(parts) != 3 or parts[0] != b"C" or len(check) != 2:
        return None
    digits = parts[2][1:] if parts[2][:1] in (b"-", b"+") else parts[2]
    if not (parts[1].isdigit() and digits.isdigit()):
        return None
    try:
        if int(check, 16) != checksum(body):
            return None
    except ValueError:
        return None
    micros = int(parts[1])
    return (micros, int(parts[2])) if micros < WRAP else None


class LineReader:
    """Bytes in any pieces to readings on the rig's clock.

    The board's clock is tied to the rig's by the least delay between the two, since a line can come
    late but not early.
    """

    def __init__(self) -> None:
        self._rest = b""
        self._gap = False
        self._started = False
        self._micros: int | None = None
        self._board_s = 0.0
        self._tie_s: float | None = None
        self._count = 0
        self.dropped = 0

    def feed(self, data: bytes, now_s: float) -> list[FilamentCount]:
        """Readings in ``data`` that arrived by ``now_s``."""
        readings: list[FilamentCount] = []
        *lines, self._rest = (self._rest + data).split(b"\n")
        if len(self._rest) > LONGEST_LINE:
            self._rest = self._rest[-LONGEST_LINE:]
            self._gap = True
        for raw in lines:
            line = raw.rstrip(b"\r")
            if line.startswith(b"#"):
                # The banner says that the board has just started.
                if self._started and line.startswith(b"# counter"):
                    self._gap = True
                    self._micros = None
                continue
            reading = parse_line(line)
            if reading is None:
                if line:
                    self.dropped += 1
                    # The first piece of a stream that was joined in the middle is no loss.
                    self._gap = self._gap or self._started
                continue
            readings.append(self._reading(*reading, now_s))
        return readings

    def _reading(self, micros: int, count: int, now_s: float) -> FilamentCount:
        lost = self._gap
        self._gap = False
        self._started = True
        if self._micros is None:
            self._board_s, self._tie_s = 0.0, None
        else:
            step_s = ((micros - self._micros) % WRAP) / 1e6
            if step_s > LONGEST_SILENCE_S:
                lost, step_s, self._tie_s = True, 0.0, None
            self._board_s += step_s
        self._micros, self._count = micros, count
        tie_s = now_s - self._board_s
        if self._tie_s is None or tie_s < self._tie_s:
            self._tie_s = tie_s
        return FilamentCount(self._tie_s + self._board_s, count, lost)


class SerialCountSource:
    """A `CountSource` on a serial port (any pyserial URL).

    Raises:
        SourceMissingError: The port cannot be opened.
    """

    def __init__(
        self, url: str, *, baud: int = 115200, now: Callable[[], float] = time.monotonic
    ) -> None:
        import serial

        self.url = url
        self._now = now
        self._reader = LineReader()
        self._last_s = now()
        self._lost_error: type[Exception] = serial.SerialException
        try:
            self._port: Any = serial.serial_for_url(url, baudrate=baud, timeout=0)
        except (serial.SerialException, OSError, ValueError) as problem:
            raise SourceMissingError(f"encoder port {url} cannot be opened: {problem}") from problem

    def read(self) -> list[FilamentCount]:
        """Readings since the last call, see `CountSource`.

        Raises:
            SourceLostError: The port broke, or the board has been silent for two seconds.
        """
        if self._port is None:
            raise SourceLostError("the encoder was read after it had been stopped")
        try:
            data = self._port.read(4096)
            while len(data) % 4096 == 0 and (more := self._port.read(4096)):
                data += more
        except (self._lost_error, OSError) as problem:
            raise SourceLostError(f"encoder port {self.url} broke: {problem}") from problem
        now_s = self._now()
        readings = self._reader.feed(data, now_s)
        if readings:
            self._last_s = now_s
        elif now_s - self._last_s > SILENT_BOARD_S:
            raise SourceLostError(
                f"the counter board on {self.url} has sent no reading for "
                f"{now_s - self._last_s:.1f} s: see docs/encoder.md for what it should send"
            )
        return readings

    def discard(self) -> None:
        """Drop what came in up to now.

        Nobody reads between the moves, so the system's buffers may hold minutes of old readings,
        cut where they ran over. They go unread, and the board's time is tied to ours anew.

        Raises:
            SourceLostError: The port broke.
        """
        self._last_s = self._now()
        self._reader = LineReader()
        if self._port is None:
            raise SourceLostError("the encoder was read after it had been stopped")
        try:
            self._port.reset_input_buffer()
        except (self._lost_error, OSError) as problem:
            raise SourceLostError(f"encoder port {self.url} broke: {problem}") from problem

    def stop(self) -> None:
        """Close the port; never raises."""
        port, self._port = self._port, None
        if port is not None:
            try:
                port.close()
            except Exception:
                return
