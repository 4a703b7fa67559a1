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

#: Channels whose mean has less than this part of the power of the loudest cancel one another.
CANCELLED = 0.01
#: A broken file is read up to its break in pieces of this length, in s.
LEAST_BLOCK_S = 0.05

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

    Several channels are reduced to their mean, or to the loudest where they cancel one another.
    Times count from the first sample of the file, or from ``start_s`` where given. Samples that are
    not finite (some float files) are passed as zero with ``lost`` set, so that the judge knows.

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
            why = _why_unreadable(self.path) or str(problem).splitlines()[0]
            raise TakeError(f"{self.path}: cannot be read as sound: {why}") from problem
        self.sample_rate_hz: int = int(self._file.samplerate)
        self.channels: int = int(self._file.channels)
        self._block = max(1, round(block_s * self.sample_rate_hz))
        self._only = self._cancelling() if self.channels > 1 else None

    def _cancelling(self) -> int | None:
        """The loudest channel, where the mean of all in the middle of the file nearly vanishes."""
        if not self._file.seekable() or self._file.frames < 1:
            return None
        try:
            self._file.seek(max(0, self._file.frames // 2 - self.sample_rate_hz))
            part = self._file.read(2 * self.sample_rate_hz, dtype="float32", always_2d=True)
            self._file.seek(0)
        except (OSError, RuntimeError):
            self._reopen()
            return None
        part = np.nan_to_num(part, posinf=0.0, neginf=0.0)
        power = (part**2).mean(axis=0)
        vanishes = float((part.mean(axis=1) ** 2).mean()) < CANCELLED * float(power.max())
        return int(power.argmax()) if vanishes else None

    def _reopen(self) -> None:
        import soundfile

        self._file.close()
        self._file = soundfile.SoundFile(str(self.path))

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
        data = self._read_frames()
        if len(data) == 0:
            return None
        samples: NDArray[np.float32] = data
        if self.channels > 1:
            samples = data.mean(axis=1) if self._only is None else data[:, self._only]
        finite = np.isfinite(samples)
        lost = not bool(finite.all())
        if lost:
            samples = np.where(finite, samples, np.float32(0.0)).astype(np.float32)
        start_s = self._start_s + self._frames_read / self.sample_rate_hz
        self._frames_read += len(samples)
        return SoundBlock(samples, start_s, lost)

    def _read_frames(self) -> NDArray[np.float32]:
        try:
            data = self._file.read(self._block, dtype="float32", always_2d=self.channels > 1)
        except (OSError, RuntimeError) as problem:
            least = max(1, round(LEAST_BLOCK_S * self.sample_rate_hz))
            if self._block > least and self._read_again(least):
                return self._read_frames()
            raise TakeError(
                f"{self.path}: the sound breaks off at "
                f"{self._frames_read / self.sample_rate_hz:.2f} s: {str(problem).splitlines()[0]}"
            ) from problem
        return np.asarray(data)

    def _read_again(self, block: int) -> bool:
        """Open a broken file once more, so that what it holds up to the break comes in pieces."""
        self._block = block
        try:
            self._reopen()
            left = self._frames_read
            while left > 0:
                got = len(self._file.read(min(block, left), dtype="float32"))
                if not got:
                    return False
                left -= got
        except (OSError, RuntimeError):
            return False
        return True

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


def _why_unreadable(path: Path) -> str | None:
    """What is plainly wrong with a file, or None."""
    if path.is_dir():
        return "it is a folder"
    if not path.exists():
        return "no such file"
    return "the file is empty" if path.stat().st_size == 0 else None
