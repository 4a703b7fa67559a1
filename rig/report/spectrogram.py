"""The sound of a trial as a picture: spectrogram, commanded motion, clicks, and the verdict."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from rig.errors import UsageError
from rig.report.look import (
    COLOURS,
    INK,
    PAPER,
    SOFT,
    VERDICT_COLOUR,
    label_axes,
    new_figure,
    our_look,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from rig.report.data import TrialRow

LONGEST_S = 120.0
_FLOOR_DB = 62.0
_PAPER_TO_INK = ("#fdfcf9", "#d3e3e2", "#86b6b8", "#3c7f88", "#21505f", "#132a38")


def read_sound(path: str | Path) -> tuple[NDArray[np.float32], int]:
    """Samples (mono, shape (n,)) and sample rate of a sound file, at most two minutes of it.

    Raises:
        UsageError: The file is missing or no sound file.
    """
    import soundfile

    path = Path(path)
    try:
        with soundfile.SoundFile(path) as file:
            rate = int(file.samplerate)
            samples = file.read(int(LONGEST_S * rate), dtype="float32", always_2d=True)
    except (OSError, RuntimeError) as error:
        raise UsageError(f"{path}: cannot be read as sound ({error})") from error
    return samples.mean(axis=1), rate


def draw_spectrogram(
    samples: NDArray[np.float32],
    sample_rate_hz: int,
    *,
    motion_s: tuple[float, float] | None = None,
    click_times_s: tuple[float, ...] = (),
    first_skip_s: float | None = None,
    decided_s: float | None = None,
    verdict: str = "",
    title: str = "",
    note: str = "",
    highest_hz: float = 12000.0,
    width_in: float = 7.2,
) -> Figure:
    """Level over time and frequency, with what was commanded above it.

    Args:
        samples: Mono, shape (n,), full scale 1.0.
        sample_rate_hz: In Hz.
        motion_s: Start and end of the commanded motion, in s from the first sample.
        click_times_s: Times of the clicks of a train, in s.
        first_skip_s: The first of them as the judge has it, in s.
        decided_s: When the verdict fell, in s.
        verdict: Colours the strip of the motion.
        title: Heading.
        note: A sentence below the heading.
        highest_hz: Upper end of the picture, in Hz.
        width_in: Width of the figure, in inches.

    Raises:
        UsageError: Fewer samples than one window.
    """
    level, times, frequencies = _levels(samples, sample_rate_hz, highest_hz)
    from matplotlib.colors import LinearSegmentedColormap

    with our_look():
        figure = new_figure(width_in, 0.46 * width_in + 0.7)
        strip, axes = figure.subplots(2, 1, sharex=True, gridspec_kw={"height_ratios": [0.19, 1.0]})
        # Mains hum and rumble must not set the scale, or the motor pales beside them.
        top = float(np.percentile(level[frequencies > 150.0], 99.9))
        axes.imshow(
            level,
            origin="lower",
            aspect="auto",
            extent=(times[0], times[-1], 0.0, frequencies[-1] / 1000.0),
            cmap=LinearSegmentedColormap.from_list("paper to ink", _PAPER_TO_INK),
            vmin=top - _FLOOR_DB,
            vmax=top,
            interpolation="nearest",
        )
        axes.grid(False)
        label_axes(axes, x="time, s", y="frequency, kHz")
        strip.set_xlim(times[0], times[-1])
        _strip(strip, motion_s, click_times_s, first_skip_s, decided_s, verdict)
        if title:
            title, note = (
                textwrap.fill(words, int(per_in * width_in))
                for words, per_in in ((title, 11), (note, 15))
            )
            figure.suptitle(title, x=0.01, ha="left", fontsize=10.5, fontweight="bold", color=INK)
        if note:
            strip.set_title(note, fontsize=8.5, fontweight="normal", color=SOFT, pad=4)
        return figure


def draw_trial(trial: TrialRow, *, width_in: float = 7.2) -> Figure:
    """The spectrogram of a trial from its kept sound.

    Raises:
        UsageError: The trial has no sound, or the file cannot be read.
    """
    if trial.audio is None:
        raise UsageError(
            f"trial {trial.number} has no sound file; only the last runs keep them all"
        )
    samples, rate = read_sound(trial.audio)
    return draw_spectrogram(
        samples,
        rate,
        motion_s=trial.motion_s,
        click_times_s=trial.click_times_s,
        first_skip_s=trial.first_skip_s,
        decided_s=trial.decided_s,
        verdict=trial.verdict,
        title=(
            f"Trial {trial.number}: {trial.verdict} at {trial.speed_mm_s:.3g} mm/s, "
            f"{trial.current_a:g} A, {trial.temperature_c:g} °C"
        ),
        note=trial.explanation or trial.reason,
        width_in=width_in,
    )


def _levels(
    samples: NDArray[np.float32], rate: int, highest_hz: float
) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """Level in dB, shape (frequencies, times), at a few hundred columns whatever the length."""
    from scipy.signal import ShortTimeFFT
    from scipy.signal.windows import hann

    size = max(64, int(0.012 * rate))
    if len(samples) < 2 * size:
        raise UsageError(f"{len(samples)} samples are too few for a picture; {2 * size} wanted")
    hop = max(size // 3, len(samples) // 1600)
    transform = ShortTimeFFT(hann(size), hop=hop, fs=rate, mfft=2 * size)
    power = transform.spectrogram(np.asarray(samples, dtype=np.float64))
    frequencies = transform.f[transform.f <= highest_hz]
    level = 10.0 * np.log10(np.maximum(power[: len(frequencies)], 1e-14))
    times = transform.t(len(samples))
    inside = (times >= 0.0) & (times <= len(samples) / rate)
    return level[:, inside], times[inside], frequencies


def _strip(
    axes: Any,
    motion_s: tuple[float, float] | None,
    clicks: tuple[float, ...],
    first_skip_s: float | None,
    decided_s: float | None,
    verdict: str,
) -> None:
    """Above the spectrogram: the commanded motion as a bar, clicks as ticks."""
    axes.set_ylim(-0.32, 1)
    axes.set_axis_off()
    colour = VERDICT_COLOUR.get(verdict, SOFT)
    if motion_s is not None:
        start, end = motion_s
        axes.fill_between([start, end], 0.05, 0.30, color=colour, alpha=0.30, linewidth=0)
        axes.text(start, 0.40, "commanded motion", fontsize=7.8, color=SOFT, ha="left", va="bottom")
    if first_skip_s is not None:
        axes.plot([first_skip_s], [0.40], "v", ms=5, mfc=COLOURS["skip"][0], mec="none")
    if clicks:
        axes.vlines(clicks, 0.0, 0.36, color=COLOURS["skip"][0], lw=1.0)
        axes.text(
            clicks[-1],
            0.40,
            f"{len(clicks)} clicks" if len(clicks) > 1 else "1 click",
            fontsize=7.8,
            color=COLOURS["skip"][0],
            ha="right" if motion_s is not None and clicks[-1] - motion_s[0] > 1.0 else "left",
            va="bottom",
        )
    if decided_s is not None:
        # A clean verdict falls with the last sample: its mark must not be cut by the edge.
        left, right = axes.get_xlim()
        at = min(decided_s, right - 0.008 * (right - left))
        late = at > right - 0.05 * (right - left)
        axes.plot([at], [0.18], "D", ms=5, mfc=PAPER, mec=INK, mew=1.0, clip_on=False)
        axes.text(
            right if late else at,
            -0.30,
            "decided",
            fontsize=7.8,
            color=SOFT,
            ha="right" if late else "center",
            va="bottom",
        )
