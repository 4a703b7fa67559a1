"""The sound of one trial on disk: WAV while it runs, so a crash leaves it readable; FLAC after."""

from __future__ import annotations

import wave
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

from rig.errors import StoppedSafelyError

if TYPE_CHECKING:
    from detectors.evidence import SoundBlock

#: Gaps up to this are filled with silence, so that times in the file stay right, in s.
_LONGEST_FILL_S = 5.0
#: Clocks of blocks wander by a few samples; a gap is more than this, in s.
_GAP_S = 0.005


class Recorder:
    """Writes blocks to a WAV file of 16 bits.

    Attributes:
        start_s: Time of the first sample on the clock of the blocks; None before there is any.
    """

    def __init__(self, path: str | Path, *, sample_rate_hz: int) -> None:
        self.path = Path(path)
        self.sample_rate_hz = sample_rate_hz
        self.start_s: float | None = None
        self._frames = 0
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            self._file = wave.open(str(self.path), "wb")  # noqa: SIM115
        except OSError as error:
            raise StoppedSafelyError(f"{self.path}: cannot be written: {error}") from error
        self._file.setnchannels(1)
        self._file.setsampwidth(2)
        self._file.setframerate(sample_rate_hz)
        self._open = True

    def write(self, block: SoundBlock) -> None:
        """Append a block; a gap before it is filled with silence.

        Raises:
            StoppedSafelyError: The disk is full or gone.
        """
        import numpy as np

        if self.start_s is None:
            self.start_s = block.start_s
        gap_s = block.start_s - (self.start_s + self._frames / self.sample_rate_hz)
        samples = np.clip(np.asarray(block.samples) * 32767.0, -32768, 32767).astype("<i2")
        try:
            if _GAP_S < gap_s < _LONGEST_FILL_S:
                missing = round(gap_s * self.sample_rate_hz)
                self._file.writeframes(bytes(2 * missing))
                self._frames += missing
            self._file.writeframes(samples.tobytes())
        except OSError as error:
            raise StoppedSafelyError(
                f"{self.path}: cannot be written: {error}; make room on the disk and resume"
            ) from error
        self._frames += len(samples)

    def close(self) -> None:
        """End the file. Safe to call again."""
        if self._open:
            self._open = False
            self._file.close()

    def finish(self) -> Path:
        """End the file and turn it into FLAC.

        Returns:
            The file there is now: the FLAC, or the WAV where the library for it is missing.
        """
        self.close()
        try:
            import soundfile
        except (ImportError, OSError):
            return self.path
        target = self.path.with_suffix(".flac")
        draft = target.with_suffix(".part")
        try:
            samples, rate = soundfile.read(str(self.path), dtype="int16")
            soundfile.write(str(draft), samples, rate, format="FLAC", subtype="PCM_16")
            draft.replace(target)
        except (OSError, RuntimeError):
            draft.unlink(missing_ok=True)
            return self.path
        self.path.unlink()
        return target

    def __enter__(self) -> Recorder:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
