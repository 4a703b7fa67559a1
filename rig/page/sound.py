"""The sound of a take for the page: something to hear, and something to see."""

from __future__ import annotations

import io
import json
import wave
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from detectors.errors import TakeError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from detectors.takes import Take

#: Sound before and after the commanded motion that the page shows, in s.
LEAD_S, TAIL_S = 4.0, 4.0
#: Longest stretch that the page shows, in s.
LONGEST_S = 240.0
#: Range of the spectrogram below its loudest parts, in dB.
DEPTH_DB = 62.0
HIGHEST_HZ = 12000.0
ROWS = 160
_WINDOW_S = 0.012
_CHUNK = 512


@dataclass(frozen=True, slots=True)
class Excerpt:
    """The stretch of a sound file round a move.

    Attributes:
        samples: Mono, shape (n,), full scale 1.0, finite.
        sample_rate_hz: In Hz.
        start_s: Time of the first sample in the file, in s.
        file_s: Length of the whole file, in s.
    """

    samples: NDArray[np.float32]
    sample_rate_hz: int
    start_s: float
    file_s: float

    @property
    def end_s(self) -> float:
        """Time after the last sample in the file, in s."""
        return self.start_s + len(self.samples) / self.sample_rate_hz


def read_excerpt(take: Take) -> Excerpt:
    """The sound of a take from a little before its motion to a little after.

    Raises:
        TakeError: The file is missing, is no sound file, or holds nothing at that time.
    """
    motion = take.motion
    end_s = min(motion.end_s + TAIL_S, motion.start_s + LONGEST_S)
    try:
        stamp = take.path.stat().st_mtime_ns
    except OSError as error:
        raise TakeError(f"{take.file}: there is no such sound file") from error
    return _read(take.path, stamp, max(0.0, motion.start_s - LEAD_S), end_s)


@lru_cache(maxsize=6)
def _read(path: Path, stamp: int, from_s: float, to_s: float) -> Excerpt:
    import soundfile

    del stamp  # only there so that a file written anew is read anew
    try:
        with soundfile.SoundFile(str(path)) as file:
            rate = int(file.samplerate)
            first = int(from_s * rate)
            if first and file.seekable():
                file.seek(min(first, file.frames))
            else:
                first = 0
            data = file.read(int(to_s * rate) - first, dtype="float32", always_2d=True)
            file_s = file.frames / rate
    except (OSError, RuntimeError) as error:
        raise TakeError(f"{path.name}: cannot be read as sound ({error})") from error
    if len(data) == 0:
        raise TakeError(f"{path.name}: holds no sound at the time of the move")
    samples = np.nan_to_num(data.mean(axis=1), nan=0.0, posinf=1.0, neginf=-1.0)
    return Excerpt(samples.astype(np.float32), rate, first / rate, file_s)


def wav_bytes(excerpt: Excerpt, *, loud: bool = False) -> bytes:
    """The excerpt as a 16 bit WAV file that every browser plays.

    Args:
        excerpt: The sound.
        loud: Raise it (by at most 60 dB) until its peak is just below full scale.
    """
    samples = excerpt.samples - excerpt.samples.mean() if loud else excerpt.samples
    if loud:
        peak = float(np.abs(samples).max())
        samples = samples * min(0.9 / max(peak, 1e-9), 1000.0)
    pcm = np.round(np.clip(samples, -1.0, 1.0) * 32767.0).astype("<i2")
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(excerpt.sample_rate_hz)
        file.writeframes(pcm.tobytes())
    return out.getvalue()


def picture_bytes(
    excerpt: Excerpt, *, from_s: float | None = None, to_s: float | None = None, columns: int = 1200
) -> bytes:
    """Spectrogram and waveform of a stretch, as numbers that the page colours itself.

    Four bytes tell the length of a JSON head (little endian); after the head come ``rows`` times
    ``columns`` bytes of level (0 quiet, 255 loud, low frequencies first), then ``columns`` signed
    bytes of the waveform's least value and as many of its greatest (127 is the stretch's peak).

    Args:
        excerpt: The sound.
        from_s: Start of the stretch in the file, in s; by default the excerpt's.
        to_s: End of it.
        columns: Most columns wanted.
    """
    rate = excerpt.sample_rate_hz
    first = 0 if from_s is None else round((from_s - excerpt.start_s) * rate)
    last = len(excerpt.samples) if to_s is None else round((to_s - excerpt.start_s) * rate)
    first = max(0, min(first, len(excerpt.samples) - 2))
    last = max(first + 2, min(last, len(excerpt.samples)))
    part = excerpt.samples[first:last].astype(np.float64)
    part = part - part.mean()
    levels, highest_hz = _levels(part, rate, columns=columns)
    rows, columns = levels.shape
    least, most, peak = _outline(part, columns)
    head: dict[str, Any] = {
        "rows": rows,
        "columns": columns,
        "from_s": excerpt.start_s + first / rate,
        "to_s": excerpt.start_s + last / rate,
        "highest_hz": highest_hz,
        "peak": peak,
        "sample_rate_hz": rate,
    }
    text = json.dumps(head).encode()
    return b"".join(
        [len(text).to_bytes(4, "little"), text, levels.tobytes(), least.tobytes(), most.tobytes()]
    )


def _levels(
    samples: NDArray[np.float64], rate: int, *, columns: int
) -> tuple[NDArray[np.uint8], float]:
    """Levels, shape (rows, columns), and the upper end in Hz.

    Where a column covers more than one window it keeps the loudest, so that no click is lost.
    """
    size = 1 << max(6, round(np.log2(_WINDOW_S * rate)))
    columns = max(1, min(columns, len(samples)))
    per_column = max(1, -(-len(samples) // (columns * (size // 2))))
    centres = (np.arange(columns * per_column) + 0.5) * len(samples) / (columns * per_column)
    starts = centres.astype(np.int64)
    padded = np.pad(samples, (size // 2, size))
    window = np.hanning(size)
    bins = min(size // 2, int(HIGHEST_HZ / rate * size)) + 1
    view = np.lib.stride_tricks.sliding_window_view(padded, size)
    power = np.empty((len(starts), bins), np.float32)
    for k in range(0, len(starts), _CHUNK):
        spectrum = np.fft.rfft(view[starts[k : k + _CHUNK]] * window, axis=1)[:, :bins]
        power[k : k + _CHUNK] = spectrum.real**2 + spectrum.imag**2
    power = power.reshape(columns, per_column, bins).max(axis=1)
    if bins > ROWS:  # join neighbouring lines
        per_row = -(-bins // ROWS)
        cut = bins // per_row * per_row
        power = power[:, :cut].reshape(columns, -1, per_row).max(axis=2)
        bins = cut
    level = 10.0 * np.log10(np.maximum(power.T, 1e-12))
    # Mains hum and rumble must not set the scale, or the motor pales beside them.
    body = level[int(150.0 / HIGHEST_HZ * len(level)) :]
    top = float(np.percentile(body if body.size else level, 99.7))
    scaled = np.clip((level - (top - DEPTH_DB)) * (255.0 / DEPTH_DB), 0.0, 255.0)
    return np.ascontiguousarray(scaled.astype(np.uint8)), bins * rate / size


def _outline(
    samples: NDArray[np.float64], columns: int
) -> tuple[NDArray[np.int8], NDArray[np.int8], float]:
    """Least and greatest value a column, scaled to the peak; and the peak."""
    edges = (np.arange(columns) * len(samples) // columns).astype(np.int64)
    peak = float(np.abs(samples).max())
    scale = 127.0 / peak if peak > 0 else 0.0
    least = np.minimum.reduceat(samples, edges) * scale
    most = np.maximum.reduceat(samples, edges) * scale
    return np.floor(least).astype(np.int8), np.ceil(most).astype(np.int8), peak
