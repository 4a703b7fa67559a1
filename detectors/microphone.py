"""The microphone as a source of sound, over PortAudio.

Nothing is analysed in PortAudio's thread: it copies, counts and leaves. Frames are counted against
the monotonic clock, because a stalled callback can lose samples without any flag; a dead sound
server raises nothing, so silence of the stream itself is watched too. ``abort`` ends the stream,
never ``stop``, which can hang.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from detectors.errors import SourceLostError, SourceMissingError
from detectors.evidence import SoundBlock

#: How long the first block may take, in s: opening a stream takes one to two.
FIRST_BLOCK_S = 6.0
#: No block for so long, and the microphone is lost, in s.
SILENT_STREAM_S = 1.0
#: Samples may be this far behind the clock before some are taken for lost, in s.
LAG_S = 0.25
INSTALL_HINT = (
    "the PortAudio library is missing: install libportaudio2 (Debian, Ubuntu: apt install "
    "libportaudio2), portaudio (macOS: brew install portaudio); on Windows reinstall the Python "
    "package sounddevice, which brings it"
)


@dataclass(frozen=True, slots=True)
class Microphone:
    """An input as PortAudio lists it.

    Attributes:
        index: PortAudio's number of the device.
        name: Its name.
        host: Name of the host interface (ALSA, Core Audio, ...).
        channels: Most input channels.
        sample_rate_hz: Its own rate.
    """

    index: int
    name: str
    host: str
    channels: int
    sample_rate_hz: int


def _sounddevice() -> Any:
    try:
        import sounddevice
    except OSError as problem:
        raise SourceMissingError(INSTALL_HINT) from problem
    except ImportError as problem:
        raise SourceMissingError(
            f"the Python package sounddevice is missing (pip install sounddevice), and maybe "
            f"{INSTALL_HINT}"
        ) from problem
    return sounddevice


def list_microphones() -> list[Microphone]:
    """All inputs there are.

    Raises:
        SourceMissingError: The PortAudio library is missing or finds no sound system.
    """
    sounddevice = _sounddevice()
    try:
        hosts = sounddevice.query_hostapis()
        devices = sounddevice.query_devices()
    except sounddevice.PortAudioError as problem:
        raise SourceMissingError(f"the sound system cannot be asked: {problem}") from problem
    return [
        Microphone(
            index=number,
            name=str(device["name"]),
            host=str(hosts[device["hostapi"]]["name"]),
            channels=int(device["max_input_channels"]),
            sample_rate_hz=int(device["default_samplerate"]),
        )
        for number, device in enumerate(devices)
        if device["max_input_channels"] > 0
    ]


def choose_microphone(
    known: list[Microphone], device: str | int, *, host: str | None = None
) -> Microphone:
    """The one input that is meant: an index, an exact name, or a part of a name.

    Raises:
        SourceMissingError: None or several fit; the message lists what there is.
    """
    text = str(device).strip()
    if text.isdecimal():
        fits = [mic for mic in known if mic.index == int(text)]
    else:
        wanted = [mic for mic in known if host is None or host.lower() in mic.host.lower()]
        fits = [mic for mic in wanted if mic.name == text]
        fits = fits or [mic for mic in wanted if text.lower() in mic.name.lower()]
    if len(fits) == 1:
        return fits[0]
    listed = "; ".join(f"{mic.index}: {mic.name} ({mic.host})" for mic in fits or known)
    if fits:
        raise SourceMissingError(
            f"microphone {text!r} is ambiguous: {listed}; give the full name, microphone.host, or "
            "the index"
        )
    raise SourceMissingError(f"no microphone {text!r}; there are: {listed or 'none'}")


class MicrophoneSource:
    """A `SoundSource` on a real input.

    Args:
        device: Index, name or part of the name of an input.
        sample_rate_hz: Samples per second to ask for.
        host: Part of the name of the host interface, where names repeat.
        now: The rig's clock; block times are on it.
        block_s: Length of a block.

    Raises:
        SourceMissingError: There is no such input, or PortAudio is missing (at `start`).
    """

    def __init__(
        self,
        device: str | int,
        *,
        sample_rate_hz: int,
        host: str | None = None,
        now: Callable[[], float] = time.monotonic,
        block_s: float = 0.02,
    ) -> None:
        self.device = device
        self.host = host
        self.sample_rate_hz = sample_rate_hz
        self._now = now
        self._block = max(64, round(block_s * sample_rate_hz))
        self._queue: queue.SimpleQueue[tuple[Any, float, bool]] = queue.SimpleQueue()
        self._stream: Any = None
        self._ended = threading.Event()
        self._last_s = 0.0
        self._frames = 0
        self._origin_s: float | None = None  # time of frame 0, by the least delay seen
        self._waiting: SoundBlock | None = None
        self._lost = False

    def _callback(self, data: Any, _frames: int, _time: Any, status: Any) -> None:
        self._queue.put((data[:, 0].copy(), self._now(), bool(status)))

    def start(self) -> None:
        """Open the input and wait for its first block.

        Raises:
            SourceMissingError: See the class.
            SourceLostError: No block came within a few seconds.
        """
        sounddevice = _sounddevice()
        chosen = choose_microphone(list_microphones(), self.device, host=self.host)
        self._ended.clear()
        try:
            self._stream = sounddevice.InputStream(
                device=chosen.index,
                samplerate=self.sample_rate_hz,
                channels=1,
                dtype="float32",
                blocksize=self._block,
                latency="high",
                callback=self._callback,
                finished_callback=self._ended.set,
            )
            self._stream.start()
        except sounddevice.PortAudioError as problem:
            raise SourceMissingError(
                f"microphone {chosen.name!r} cannot be opened at {self.sample_rate_hz} Hz: "
                f"{problem}; its own rate is {chosen.sample_rate_hz} Hz"
            ) from problem
        self._last_s = time.monotonic()
        self._waiting = self._next(FIRST_BLOCK_S)
        if self._waiting is None:
            self.stop()
            raise SourceLostError(
                f"microphone {chosen.name!r} delivered nothing within {FIRST_BLOCK_S:g} s"
            )

    def read(self, timeout_s: float) -> SoundBlock | None:
        """The next block, see `SoundSource`.

        Raises:
            SourceLostError: The stream ended by itself or delivers no more.
        """
        if self._waiting is not None:
            block, self._waiting = self._waiting, None
            return block
        fresh = self._next(timeout_s)
        if fresh is None:
            if self._stream is None:
                raise SourceLostError("the microphone was read after it had been stopped")
            if self._ended.is_set():
                raise SourceLostError(
                    "the microphone's stream ended by itself: device unplugged or sound server gone"
                )
            silent_s = time.monotonic() - self._last_s
            if silent_s > SILENT_STREAM_S:
                raise SourceLostError(f"the microphone delivered nothing for {silent_s:.1f} s")
        return fresh

    def _next(self, timeout_s: float) -> SoundBlock | None:
        try:
            samples, came_s, flagged = self._queue.get(timeout=max(0.0, timeout_s))
        except queue.Empty:
            return None
        self._last_s = time.monotonic()
        count = len(samples)
        # The block that came with the least delay ties the count of frames to the clock.
        seen_s = came_s - (self._frames + count) / self.sample_rate_hz
        lost = flagged or self._lost
        self._lost = False
        if self._origin_s is None or seen_s < self._origin_s:
            self._origin_s = seen_s
        elif seen_s - self._origin_s > LAG_S and self._queue.empty():
            # Nothing is waiting, and yet the count is behind: samples were lost on the way.
            self._origin_s = seen_s
            lost = True
        start_s = self._origin_s + self._frames / self.sample_rate_hz
        self._frames += count
        return SoundBlock(np.asarray(samples, np.float32), start_s, lost)

    def discard(self) -> None:
        """Drop what was captured up to now."""
        self._waiting = None
        while not self._queue.empty():
            self._next(0.0)

    def stop(self) -> None:
        """End the stream; never raises."""
        stream, self._stream = self._stream, None
        if stream is None:
            return
        for action in (stream.abort, stream.close):
            try:
                action()
            except Exception:
                continue
