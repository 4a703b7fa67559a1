"""The virtual bench in real time, on a pseudo-terminal that any program can open as a port.

The world is the same; its time is tied to the machine's clock. Its sound may be played through
PortAudio, or written as raw signed 16-bit samples to a file or pipe. A symbolic link gives the
pseudo-terminal a lasting name; the counter board, if there is one, gets a second terminal.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from rig.errors import UnfitBenchError, UsageError
from rig.simulation.registry import prepare_world
from rig.simulation.world import World

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from rig.bench import Bench

TICK_S = 0.005
CATCH_UP_S = 2.0  # a machine that slept longer than this does not make the world hurry


class Stop(Protocol):
    """Something that says when to stop, such as a `threading.Event`."""

    def is_set(self) -> bool:
        """Whether to stop."""
        ...


@dataclass(slots=True)
class Terminal:
    """One pseudo-terminal in raw mode, with a symbolic link to it.

    Attributes:
        link_path: The lasting name, or None.
        controller: Our end, not blocking.
        device: Name of the other end.
    """

    link_path: Path | None
    controller: int
    device: str
    _follower: int

    @classmethod
    def open(cls, link_path: Path | None) -> Terminal:
        """Make one.

        Raises:
            UsageError: The link's name is taken by something that is no link.
            UnfitBenchError: This system has no pseudo-terminals.
        """
        try:
            import pty
            import tty
        except ImportError as error:
            raise UnfitBenchError("this system has no pseudo-terminals") from error
        if link_path is not None and link_path.exists() and not link_path.is_symlink():
            raise UsageError(f"{link_path} exists and is no link: choose another name")
        controller, follower = pty.openpty()
        tty.setraw(controller)
        tty.setraw(follower)
        os.set_blocking(controller, False)
        device = os.ttyname(follower)
        if link_path is not None:
            link_path.unlink(missing_ok=True)
            link_path.symlink_to(device)
        # The follower's end stays open here, so that a program may close and open the port again.
        return cls(link_path, controller, device, follower)

    def read(self) -> bytes:
        """What the program wrote."""
        with contextlib.suppress(BlockingIOError):
            try:
                return os.read(self.controller, 4096)
            except OSError as error:
                if error.errno != errno.EIO:
                    raise
        return b""

    def write(self, data: bytes) -> int:
        """Offer bytes to the program; returns how many fitted."""
        try:
            return os.write(self.controller, data)
        except (BlockingIOError, OSError):
            return 0

    def close(self) -> None:
        """Take the terminal and its link away."""
        if self.link_path is not None:
            with contextlib.suppress(OSError):
                if self.link_path.is_symlink() and os.readlink(self.link_path) == self.device:
                    self.link_path.unlink()
        for descriptor in (self.controller, self._follower):
            with contextlib.suppress(OSError):
                os.close(descriptor)


class _RawOut:
    """Raw mono s16 samples to a file or pipe."""

    def __init__(self, path: Path) -> None:
        self._file = path.open("wb", buffering=0)

    def write(self, samples: NDArray[np.float32]) -> None:
        scaled = np.clip(samples * 32768.0, -32768, 32767).astype("<i2")
        with contextlib.suppress(BrokenPipeError):
            self._file.write(scaled.tobytes())

    def close(self) -> None:
        self._file.close()


class _Loudspeaker:
    """A PortAudio output, fed from a short buffer; late samples become silence."""

    def __init__(self, device: str | int | None, sample_rate_hz: int) -> None:
        try:
            import sounddevice
        except OSError as error:
            raise UnfitBenchError(
                "playing sound needs the PortAudio library: apt install libportaudio2, "
                "brew install portaudio; on Windows it comes with the sounddevice wheel"
            ) from error
        self._lock = threading.Lock()
        self._waiting = np.zeros(0, np.float32)
        self._most = sample_rate_hz // 2
        self._running = False
        self._stream: Any = sounddevice.OutputStream(
            samplerate=sample_rate_hz, channels=1, dtype="float32", device=device,
            latency=0.1, callback=self._fill,
        )  # fmt: skip
        self._prime = int(0.15 * sample_rate_hz)
        self._stream.start()

    def _fill(self, out: NDArray[np.float32], frames: int, _time: Any, _status: Any) -> None:
        with self._lock:
            if not self._running and self._waiting.size < self._prime:
                out[:] = 0.0
                return
            self._running = True
            have = min(frames, self._waiting.size)
            out[:have, 0] = self._waiting[:have]
            out[have:, 0] = 0.0
            self._waiting = self._waiting[have:]
            if have < frames:
                self._running = False  # wait for a little store again

    def write(self, samples: NDArray[np.float32]) -> None:
        with self._lock:
            self._waiting = np.concatenate([self._waiting, samples])[-self._most :]

    def close(self) -> None:
        self._stream.abort()
        self._stream.close()


def serve(
    bench: Bench,
    *,
    link_path: Path | str | None = None,
    stop: Stop,
    encoder_link_path: Path | str | None = None,
    play: str | int | bool = False,
    raw_path: Path | str | None = None,
    sample_rate_hz: int | None = None,
    tell: Callable[[str], None] | None = None,
    speed: float = 1.0,
) -> World:
    """Serve the virtual bench of a bench file until ``stop`` is set.

    Args:
        bench: Its port must be a ``sim://`` URL.
        link_path: Name of a symbolic link to the pseudo-terminal.
        stop: Asked a few hundred times a second.
        encoder_link_path: The same for the counter board, where the bench has one.
        play: Play the sound: True for the default output, or a device's name or index.
        raw_path: Write the sound as raw s16 mono to this file or pipe.
        sample_rate_hz: Of the sound; the bench's by default.
        tell: Called with a line for the person, once all is ready.
        speed: World seconds per second.

    Returns:
        The world, as it was when it was stopped.

    Raises:
        UsageError: The port is no ``sim://`` URL, or a link's name is taken.
        UnfitBenchError: No pseudo-terminals here, or no PortAudio.
    """
    try:
        world = prepare_world(bench)
    except ValueError as error:
        raise UsageError(
            f"{error}; simulate serves benches whose link.port begins with sim://"
        ) from error
    rate = sample_rate_hz or bench.microphone.sample_rate_hz
    outputs: list[_RawOut | _Loudspeaker] = []
    terminals: list[Terminal] = []
    microphone = None
    try:
        terminal = Terminal.open(Path(link_path) if link_path else None)
        terminals.append(terminal)
        board = world.encoder
        counter: Terminal | None = None
        if board is not None:
            counter = Terminal.open(Path(encoder_link_path) if encoder_link_path else None)
            terminals.append(counter)
        if play is not False:
            outputs.append(_Loudspeaker(None if play is True else play, rate))
        if raw_path is not None:
            outputs.append(_RawOut(Path(raw_path)))
        if outputs:
            microphone = world.microphone(rate)
            microphone.start()
        world.open_port(bench.link.baud)
        if board is not None and counter is not None:
            board.open_port(bench.encoder.baud if bench.encoder else 115200)
        world.warm_up()
        if tell is not None:
            tell(f"printer: {terminal.link_path or terminal.device}")
            if counter is not None:
                tell(f"encoder: {counter.link_path or counter.device}")
        _loop(world, terminal, counter, outputs, microphone, stop=stop, speed=speed)
    finally:
        if microphone is not None:
            microphone.stop()
        for output in outputs:
            output.close()
        for one in terminals:
            one.close()
    return world


def _loop(
    world: World,
    terminal: Terminal,
    counter: Terminal | None,
    outputs: list[_RawOut | _Loudspeaker],
    microphone: Any,
    *,
    stop: Stop,
    speed: float,
) -> None:
    board = world.encoder
    line = world.line
    origin, world_origin = time.monotonic(), world.now_s
    while not stop.is_set():
        select.select([terminal.controller], [], [], TICK_S)
        if data := terminal.read():
            line.write(data)
        due = world_origin + (time.monotonic() - origin) * speed
        if due - world.now_s > CATCH_UP_S * speed:
            world_origin += due - world.now_s  # the machine slept; so did the world
            due = world.now_s
        world.advance_to(max(due, world.now_s))
        if line.received:
            sent = terminal.write(bytes(line.received))
            del line.received[:sent]
        if line.broken:
            return  # a cut cable: the terminal goes away
        if board is not None and counter is not None:
            board.run()
            counter.read()
            if board.line.received:
                counter.write(bytes(board.line.received))
                board.line.received.clear()
        if microphone is not None:
            while (block := microphone.read(0.0)) is not None:
                for output in outputs:
                    output.write(block.samples)
