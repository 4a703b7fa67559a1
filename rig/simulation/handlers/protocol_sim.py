"""pyserial URL handler for ``sim://``: a port of a virtual world, in lock-step with it.

Waiting in `read` moves the world's time on, by the port's time-out at most. Looking without waiting
costs a ten-thousandth of a second, so that a program that polls gets on as well.
"""

from __future__ import annotations

from typing import Any

from serial.serialutil import PortNotOpenError, SerialBase, SerialException

LOOK_S = 1e-4
_GONE = (
    "device reports readiness to read but returned no data "
    "(device disconnected or multiple access on port?)"
)


class Serial(SerialBase):  # type: ignore[misc]
    """A port of a virtual bench (see `rig.simulation.registry` for the URL)."""

    is_open: bool

    BAUDRATES = (*SerialBase.BAUDRATES, 250000)

    def open(self) -> None:
        """Connect to the world of the URL.

        Raises:
            SerialException: No such world, already open, or its cable is cut.
        """
        from rig.simulation.registry import parse_url, world_for

        if self._port is None:
            raise SerialException("no port is set")
        if self.is_open:
            raise SerialException("the port is open already")
        try:
            url = parse_url(self.port)
            self._world = world_for(url)
        except ValueError as error:
            raise SerialException(str(error)) from error
        self._board: Any = None
        if url.part == "encoder":
            if self._world.encoder is None:
                from rig.simulation.encoder import EncoderBoard
                from rig.simulation.scenarios_house import SCENARIOS

                scenario = SCENARIOS.get(url.name)
                counts = scenario.counts_per_mm if scenario else 0.0
                self._world.encoder = EncoderBoard(self._world, counts_per_mm=counts or 24.0)
            self._board = self._world.encoder
            self._line = self._board.line
            self._board.open_port(self.baudrate)
        else:
            self._line = self._world.line
            if self._line.cut_pending or not self._line.alive:
                raise SerialException(2, f"could not open port {self.port}: no such device")
            self._world.open_port(self.baudrate)
        self.is_open = True

    def close(self) -> None:
        """Let go of the world; its time stands still."""
        if self.is_open and self._board is not None:
            self._board.close_port()
        self.is_open = False

    def from_url(self, url: str) -> str:
        """The URL is the port."""
        return url

    def _check(self) -> None:
        if not self.is_open:
            raise PortNotOpenError()
        if self._line.broken:
            raise SerialException(_GONE)

    def _settle(self) -> None:
        if self._board is not None:
            self._board.run()

    @property
    def in_waiting(self) -> int:
        """Bytes that have come."""
        self._check()
        if not self._line.received:
            if self._board is None:
                self._world.advance(LOOK_S, stop_at_bytes=True)
            self._settle()
        return len(self._line.received)

    def read(self, size: int = 1) -> bytes:
        """Up to ``size`` bytes, waiting for them at most the time-out of world time."""
        self._check()
        world, line = self._world, self._line
        end = world.now_s + (3600.0 if self._timeout is None else self._timeout)
        self._settle()
        while len(line.received) < size and world.now_s < end and not line.broken:
            if self._board is None:
                have = len(line.received)
                if have:
                    step = min(end, max(line.next_event_s, world.now_s + 1e-5))
                    world.advance_to(step)
                else:
                    world.advance_to(end, stop_at_bytes=True)
            else:
                world.advance_to(min(end, world.now_s + 0.01))
                self._board.run()
        if not line.received and line.broken:
            raise SerialException(_GONE)
        out = bytes(line.received[:size])
        del line.received[:size]
        return out

    def write(self, data: Any) -> int:
        """Send bytes; they reach the board when the wire has carried them."""
        self._check()
        self._line.write(bytes(data))
        return len(data)

    def flush(self) -> None:
        """Nothing is held back."""

    def reset_input_buffer(self) -> None:
        """Drop what has come."""
        self._line.received.clear()

    def reset_output_buffer(self) -> None:
        """Nothing is held back."""

    def cancel_read(self) -> None:
        """A read never blocks in real time."""

    def cancel_write(self) -> None:
        """A write never blocks."""

    def _reconfigure_port(self) -> None:
        if self.is_open:
            self._line.baud = self.baudrate

    def _update_dtr_state(self) -> None:
        pass

    def _update_rts_state(self) -> None:
        pass

    def _update_break_state(self) -> None:
        pass

    @property
    def out_waiting(self) -> int:
        """Nothing is held back."""
        return 0

    @property
    def cts(self) -> bool:
        """Always clear to send."""
        return True

    @property
    def dsr(self) -> bool:
        """Always ready."""
        return True

    @property
    def ri(self) -> bool:
        """Never rings."""
        return False

    @property
    def cd(self) -> bool:
        """Always there."""
        return True
