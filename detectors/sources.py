"""Where samples and filament counts come from: the seams that live use, replay and tests share.

A source is started, read in blocks, and stopped. Block times are on the time base of the ``now``
that the source was given; a file counts from its own first sample.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, runtime_checkable

import numpy as np

from detectors.encoder import SerialCountSource
from detectors.errors import TakeError
from detectors.evidence import FilamentCount, SoundBlock
from detectors.microphone import Microphone, MicrophoneSource, list_microphones

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = [
    "CountSource",
    "FileSource",
    "Microphone",
    "MicrophoneSource",
    "SerialCountSource",
    "SoundSource",
    "list_microphones",
]


@runtime_checkable
class SoundSource(Protocol):
    """Something that delivers mono sound in blocks, in order."""

    sample_rate_hz: int

    def start(self) -> None:
        """Begin to capture; returns once the first block is in.

        Raises:
            SourceMissingError: There is no such device, or its library is missing.
            SourceLostError: Nothing came in time.
        """
        ...

    def read(self, timeout_s: float) -> SoundBlock | None:
        """The next block, or None if none came within ``timeout_s`` seconds.

        Raises:
            SourceLostError: The source stopped delivering.
        """
        ...

    def discard(self) -> None:
        """Drop what was captured up to now, quickly; the next block starts after now."""
        ...

    def stop(self) -> None:
        """End the capture and free the device; safe to call twice, never raises."""
        ...


@runtime_checkable
class CountSource(Protocol):
    """Something that delivers filament counts as they come."""

    def read(self) -> list[FilamentCount]:
        """The readings since the last call, in order; does not wait.

        Raises:
            SourceLostError: The counter stopped delivering.
        """
        ...

    def discard(self) -> None:
        """Drop what came in up to now."""
        ...

    def stop(self) -> None:
        """Free the device; safe to call twice, never raises."""
        ...


class FileSource:
    """A sound file of any length as a `SoundSource`, read in blocks with flat memory.

    Several channels are reduced to their mean. Times count from the first sample of the file, or
    from ``start_s`` where given. Samples that are not finite (some float files) are passed as zero
    with ``lost`` set, so that the judge knows.

    Raises:
        TakeError: The file is missing or is no sound file (at construction).
    """

    def __init__(self, path: Path | str, *, block_s: float = 0.25, start_s: float = 0.0) -> None:
        import soundfile

        self.path = Path(path)
        self._start_s = start_s
        self._frames_read = 0
        try:
            self._file: Any = soundfile.SoundFile(str(self.path))
        except (OSError, RuntimeError) as problem:
            why = "no such file" if not self.path.exists() else str(problem).splitlines()[0]
            raise TakeError(f"{self.path}: cannot be read as sound: {why}") from problem
        self.sample_rate_hz: int = int(self._file.samplerate)
        self.channels: int = int(self._file.channels)
        self._block = max(1, round(block_s * self.sample_rate_hz))

    @property
    def duration_s(self) -> float:
        """Length that the file's header claims, in s."""
        return float(self._file.frames) / self.sample_rate_hz

    def start(self) -> None:
        """Nothing to wait for."""

    def skip_to(self, time_s: float) -> None:
        """Go on from a time in the file, in s; times before the first sample mean the start."""
        frame = max(0, int((time_s - self._start_s) * self.sample_rate_hz))
        if frame == 0 or not self._file.seekable():
            return
        try:
            self._frames_read = int(self._file.seek(min(frame, self._file.frames)))
        except (OSError, RuntimeError):
            self._frames_read = int(self._file.seek(0))

    def read(self, timeout_s: float = 0.0) -> SoundBlock | None:
        """The next block, or None at the end of the file.

        Raises:
            TakeError: The file breaks off in the middle in a way that cannot be read.
        """
        del timeout_s
        if self._file.closed:
            return None
        try:
            data = self._file.read(self._block, dtype="float32", always_2d=self.channels > 1)
        except (OSError, RuntimeError) as problem:
            raise TakeError(
                f"{self.path}: the sound breaks off at "
                f"{self._frames_read / self.sample_rate_hz:.2f} s: {str(problem).splitlines()[0]}"
            ) from problem
        if len(data) == 0:
            return None
        samples: NDArray[np.float32] = data.mean(axis=1) if self.channels > 1 else data
        finite = np.isfinite(samples)
        lost = not bool(finite.all())
        if lost:
            samples = np.where(finite, samples, np.float32(0.0)).astype(np.float32)
        start_s = self._start_s + self._frames_read / self.sample_rate_hz
        self._frames_read += len(samples)
        return SoundBlock(samples, start_s, lost)

    def __iter__(self) -> Iterator[SoundBlock]:
        while (block := self.read()) is not None:
            yield block

    def discard(self) -> None:
        """Nothing piles up in a file."""

    def stop(self) -> None:
        self._file.close()

    def __enter__(self) -> FileSource:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()
