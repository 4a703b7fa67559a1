"""Sound made from a description, to test the detectors against: no motor physics in it.

Everything is drawn from wide ranges: how a motor sounds (lines, or pulses through a body), what a
click is like, what the room does, what the microphone does to it. The detectors never see how.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from detectors.evidence import MotorGeometry

Samples = NDArray[np.float64]


@dataclass
class MadeTake:
    """One made take.

    Attributes:
        samples: As the microphone delivered them.
        sample_rate_hz: Of the samples.
        speed_mm_s: As commanded.
        geometry: Of the invented motor and drive.
        start_s: Start of the commanded motion.
        end_s: End of the commanded motion.
        clicks_s: True times of the clicks.
        stall: Whether the motor stalled fully, knocking once a cycle.
        motor_to_background_db: Ratio of powers in the steady part.
        notes: What was drawn.
    """

    samples: Samples
    sample_rate_hz: int
    speed_mm_s: float
    geometry: MotorGeometry
    start_s: float
    end_s: float
    clicks_s: list[float] = field(default_factory=list)
    stall: bool = False
    motor_to_background_db: float = 0.0
    notes: dict[str, float | str] = field(default_factory=dict)

    @property
    def label(self) -> str:
        return "skip" if len(self.clicks_s) >= 2 or self.stall else "clean"


def between(rng: np.random.Generator, low: float, high: float) -> float:
    """Log-uniform."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def db(value: float) -> float:
    """Factor of so many dB."""
    return float(10.0 ** (value / 20.0))


def rms(x: Samples) -> float:
    return float(np.sqrt(np.mean(x**2))) if len(x) else 0.0


def body_filter(rng: np.random.Generator, sr: int) -> list[tuple[Samples, Samples, float]]:
    """A few resonances and a direct path, as (b, a, weight)."""
    parts: list[tuple[Samples, Samples, float]] = []
    for _ in range(int(rng.integers(3, 9))):
        f = float(np.exp(rng.uniform(np.log(250), np.log(min(12000, 0.42 * sr)))))
        q = float(np.exp(rng.uniform(np.log(3), np.log(40))))
        b, a = signal.iirpeak(f, q, fs=sr)
        parts.append((b, a, float(rng.uniform(0.3, 1.5))))
    parts.append((np.array([1.0]), np.array([1.0]), float(rng.uniform(0.02, 0.4))))
    return parts


def through(x: Samples, parts: list[tuple[Samples, Samples, float]]) -> Samples:
    out = np.zeros_like(x)
    for b, a, w in parts:
        out += w * signal.lfilter(b, a, x)
    return out


def coloured(rng: np.random.Generator, n: int, slope_db_octave: float) -> Samples:
    """Gaussian noise whose power falls by so many dB an octave (flat below 20 Hz)."""
    spectrum = np.fft.rfft(rng.normal(size=n))
    f = np.maximum(np.arange(len(spectrum)) / n * 1.0, 20 / 48000)
    spectrum *= f ** (-slope_db_octave / 6.02)
    x = np.fft.irfft(spectrum, n)
    return x / (rms(x) + 1e-12)


def place(out: Samples, sound: Samples, at_s: float, sr: int) -> None:
    """Add a sound into another at a time."""
    i = int(at_s * sr)
    m = min(len(sound), len(out) - i)
    if i >= 0 and m > 0:
        out[i : i + m] += sound[:m]


def bursts(n: int, sr: int, at_s: list[float], make) -> Samples:  # type: ignore[no-untyped-def]
    out = np.zeros(n)
    for t in at_s:
        place(out, make(), t, sr)
    return out


def damped(rng: np.random.Generator, sr: int, f: float, tau: float, length: float) -> Samples:
    t = np.arange(int(length * sr)) / sr
    return np.sin(2 * np.pi * f * t + rng.uniform(0, 0.5)) * np.exp(-t / tau)


def motor_sound(
    rng: np.random.Generator, sr: int, phase: Samples, step_rate: Samples, notes: dict
) -> Samples:
    """Healthy motor. ``phase``: commanded electrical phase in cycles; 0 rate where it rests."""
    n = len(phase)
    moving = (step_rate > 1).astype(float)
    kind = str(rng.choice(["lines", "pulses", "both"]))
    notes["motor"] = kind
    out = np.zeros(n)
    top = float(step_rate.max())
    if kind in ("lines", "both"):
        roll = rng.uniform(0.3, 1.8)
        lines = np.zeros(n)
        count = int(min(60, 0.45 * sr / top))
        for k in range(1, max(2, count + 1)):
            amp = k**-roll * np.exp(rng.normal(0, 0.6))
            lines += amp * np.sin(2 * np.pi * (4 * k * phase + rng.uniform()))
        for k, least in ((1, -40), (2, -30), (3, -40), (6, -40)):
            amp = 10 ** (rng.uniform(least, -3) / 20)
            lines += amp * np.sin(2 * np.pi * (k * phase + rng.uniform()))
        micro = rng.uniform(0, 0.3)
        if top * 16 < 0.45 * sr:
            lines += micro * np.sin(2 * np.pi * 64 * phase)
        out += lines / (rms(lines) + 1e-12) * moving
    if kind in ("pulses", "both"):
        step = np.floor(phase * 4)
        at = np.flatnonzero(np.diff(step, prepend=step[0]) > 0)
        pulses = np.zeros(n)
        pattern = np.exp(rng.normal(0, rng.uniform(0.02, 0.35), 4))
        jitter = rng.uniform(0.02, 0.3)
        pulses[at] = pattern[step[at].astype(int) % 4] * np.exp(rng.normal(0, jitter, len(at)))
        tau = rng.uniform(0.0005, 0.006)
        kernel = rng.normal(size=int(5 * tau * sr)) * np.exp(
            -np.arange(int(5 * tau * sr)) / tau / sr
        )
        if rng.uniform() < 0.5:
            kernel = kernel[:1]
        pulses = signal.lfilter(kernel, [1.0], pulses)
        out += pulses / (rms(pulses) + 1e-12)
    hiss = coloured(rng, n, rng.uniform(0, 6)) * 10 ** (rng.uniform(-35, -8) / 20) * moving
    wobble = 1 + rng.uniform(0, 0.25) * np.sin(2 * np.pi * phase / 50 + rng.uniform(0, 6))
    return (out + hiss) * wobble * moving


def click_maker(rng: np.random.Generator, sr: int):  # type: ignore[no-untyped-def]
    ring = rng.uniform(150, 400)
    tau = rng.uniform(0.004, 0.02)
    noise_tau = rng.uniform(0.0006, 0.005)
    share = rng.uniform(0.3, 3.0)
    falls = int(rng.integers(1, 5))
    gap = rng.uniform(0.001, 0.006)

    def make() -> Samples:
        b = damped(rng, sr, ring * rng.uniform(0.95, 1.05), tau, 6 * tau)
        m = len(b)
        burst = np.zeros(m)
        for k in range(falls):
            i = int(k * gap * sr * rng.uniform(0.7, 1.3))
            t = np.arange(max(0, m - i)) / sr
            burst[i:] += rng.normal(size=len(t)) * np.exp(-t / noise_tau) * rng.uniform(0.4, 1)
        return (b + share * burst) * np.exp(rng.normal(0, 0.25))

    return make


def speech_like(rng: np.random.Generator, n: int, sr: int) -> Samples:
    out = np.zeros(n)
    t = rng.uniform(0, 0.3)
    while t < n / sr:
        length = rng.uniform(0.08, 0.3)
        m = int(length * sr)
        tt = np.arange(m) / sr
        env = np.sin(np.pi * np.minimum(tt / length, 1)) ** rng.uniform(0.3, 1.2)
        kind = rng.uniform()
        if kind < 0.65:
            f0 = rng.uniform(90, 240) * (1 + 0.1 * np.sin(2 * np.pi * rng.uniform(1, 4) * tt))
            source = np.diff(np.floor(np.cumsum(f0) / sr), prepend=0.0)
            for f in (rng.uniform(300, 800), rng.uniform(900, 2200), rng.uniform(2300, 3200)):
                b, a = signal.iirpeak(f, rng.uniform(4, 10), fs=sr)
                source = signal.lfilter(b, a, source) + 0.15 * source
        elif kind < 0.85:
            source = signal.lfilter(*signal.butter(2, 0.5, "high"), rng.normal(size=m)) * 0.3
        else:  # a plosive: closure and burst
            source = rng.normal(size=m) * np.exp(-tt / rng.uniform(0.004, 0.015))
            env = np.ones(m)
        source = source / (rms(source) + 1e-9) * env * rng.uniform(0.3, 1)
        i = int(t * sr)
        k = min(m, n - i)
        out[i : i + k] += source[:k]
        t += length * rng.uniform(0.8, 1.2) + (rng.uniform(0.2, 0.6) if rng.uniform() < 0.2 else 0)
    return out / (rms(out) + 1e-12)


def music_like(rng: np.random.Generator, n: int, sr: int) -> Samples:
    out = np.zeros(n)
    beat = rng.uniform(0.25, 0.7)
    drums = rng.uniform() < 0.5
    t = rng.uniform(0, beat)
    while t < n / sr:
        m = int(min(beat * rng.choice([1, 2]), n / sr) * sr)
        tt = np.arange(m) / sr
        for _ in range(int(rng.integers(1, 4))):
            f = 110 * 2 ** (rng.integers(0, 36) / 12)
            note = sum(
                h**-1.3 * np.sin(2 * np.pi * f * h * tt + rng.uniform(0, 6)) for h in range(1, 7)
            )
            env = np.minimum(1, tt / rng.uniform(0.005, 0.05)) * np.exp(-tt / rng.uniform(0.1, 0.6))
            i = int(t * sr)
            k = min(m, n - i)
            out[i : i + k] += (note * env)[:k] * 0.3
        if drums and rng.uniform() < 0.7:
            d = rng.normal(size=int(0.15 * sr)) * np.exp(-np.arange(int(0.15 * sr)) / sr / 0.03)
            i = int(t * sr)
            k = min(len(d), n - i)
            out[i : i + k] += 0.3 * d[:k]
        t += beat
    return out / (rms(out) + 1e-12)


def fan_like(rng: np.random.Generator, n: int, sr: int) -> Samples:
    x = coloured(rng, n, rng.uniform(2, 8))
    blade = rng.uniform(60, 400)
    t = np.arange(n) / sr
    for k in range(1, 6):
        x += rng.uniform(0, 0.5) / k * np.sin(2 * np.pi * blade * k * t + rng.uniform(0, 6))
    return x / rms(x)


def knock(rng: np.random.Generator, sr: int) -> Samples:
    tau = rng.uniform(0.01, 0.06)
    m = int(6 * tau * sr)
    t = np.arange(m) / sr
    x = rng.normal(size=m) * np.exp(-t / rng.uniform(0.002, 0.02))
    for _ in range(3):
        x += damped(rng, sr, rng.uniform(80, 900), tau, 6 * tau)[:m] * rng.uniform(0.3, 1.5)
    return x


ROOMS = ("quiet", "fan", "speech", "music", "knock", "fan-start", "hum", "mixed")


def room_sound(
    rng: np.random.Generator, n: int, sr: int, kind: str, start_s: float, end_s: float
) -> Samples:
    x = coloured(rng, n, rng.uniform(0, 7))
    t = np.arange(n) / sr
    other = None
    if kind in ("fan", "mixed"):
        other = fan_like(rng, n, sr)
    elif kind == "fan-start":
        at, rise = rng.uniform(0, n / sr), rng.uniform(0.3, 2.0)
        other = fan_like(rng, n, sr) * np.clip((t - at) / rise, 0, 1)
    elif kind == "hum":
        f = rng.choice([50, 60, 100, 120])
        other = sum(np.sin(2 * np.pi * f * k * t + rng.uniform(0, 6)) / k for k in range(1, 9))
    if kind == "speech" or (kind == "mixed" and rng.uniform() < 0.5):
        talk = speech_like(rng, n, sr)
        other = talk if other is None else other + talk * rng.uniform(0.3, 1.5)
    if kind == "music":
        other = music_like(rng, n, sr)
    if other is not None:
        x = x * 10 ** (rng.uniform(-30, -5) / 20) + other
    return x / (rms(x) + 1e-12)


def make_take(
    seed: int,
    *,
    skip: bool | None = None,
    stall: bool = False,
    room: str | None = None,
    ratio_db: float | None = None,
    sample_rate_hz: int | None = None,
    click_db: tuple[float, float] = (10.0, 28.0),
    harm: bool = True,
    clicks: int | None = None,
    speed_mm_s: float | None = None,
) -> MadeTake:
    """A take with everything that is not given drawn from ``seed``."""
    rng = np.random.default_rng(seed)
    sr = sample_rate_hz or int(rng.choice([16000, 22050, 32000, 44100, 48000, 48000]))
    geometry = MotorGeometry(
        steps_per_turn=int(rng.choice([200, 200, 200, 400])),
        filament_per_motor_turn_mm=float(np.exp(rng.uniform(np.log(2.5), np.log(25)))),
    )
    speed = speed_mm_s or float(np.exp(rng.uniform(np.log(1.0), np.log(20.0))))
    skip = bool(rng.uniform() < 0.5) if skip is None else skip
    kind = room or str(rng.choice(ROOMS))
    ratio_db = float(rng.uniform(0, 30)) if ratio_db is None else ratio_db
    steady = float(rng.uniform(1.5, 6.0))
    start_s = float(rng.uniform(0.5, 1.2))
    ramp = speed / rng.uniform(100, 1000)
    end_s = start_s + steady + 2 * ramp
    n = int((end_s + rng.uniform(0.4, 0.8)) * sr)
    t = np.arange(n) / sr
    lag = rng.uniform(0.0, 0.08)
    profile = np.clip((t - start_s - lag) / ramp, 0, 1) * np.clip((end_s + lag - t) / ramp, 0, 1)
    rate = profile * geometry.step_rate_hz(speed) * (1 + rng.uniform(-0.002, 0.002))
    notes: dict[str, float | str] = {"room": kind}
    phase = np.cumsum(rate) / sr / 4
    motor = motor_sound(rng, sr, phase, rate, notes)
    body = body_filter(rng, sr)
    electrical = geometry.electrical_rate_hz(speed)
    times: list[float] = []
    if skip:
        most = min(20.0, electrical / 1.5)
        click_rate = float(np.exp(rng.uniform(np.log(1.0), np.log(max(1.05, most)))))
        first = start_s + ramp + rng.uniform(0.05, 0.7) * steady
        wobble = rng.uniform(0.05, 0.4)
        at = first
        if stall:
            while at < end_s:
                times.append(at)
                at += 1 / electrical
        else:
            while at < end_s - ramp:
                times.append(at)
                at += max(0.03, (1 / click_rate) * np.exp(rng.normal(0, wobble)))
                if clicks is not None and len(times) >= clicks:
                    break
        notes["click_rate"] = click_rate
        if stall:
            motor *= np.where(t < first, 1.0, rng.uniform(0.2, 0.9))
    if times:
        make = click_maker(rng, sr)
        level = rng.uniform(*click_db)
        clicks_sound = bursts(n, sr, times, make)
        one = make()
        peak = rms(one[: int(0.008 * sr)])
        inside = (t > start_s + ramp) & (t < end_s - ramp)
        clicks_sound *= rms(motor[inside]) / peak * 10 ** (level / 20)
        motor = motor + clicks_sound
        notes["click_db"] = float(level)
    motor = through(motor, body)
    inside = (t > start_s + ramp) & (t < (times[0] if times else end_s - ramp))
    background = room_sound(rng, n, sr, kind, start_s, end_s)
    motor /= rms(motor[inside]) + 1e-12
    x = motor * 10 ** (ratio_db / 20) + background
    if kind == "knock":
        for _ in range(1):
            k = knock(rng, sr)
            k *= 10 ** (rng.uniform(0, 25) / 20) * rms(x[inside]) / rms(k[: int(0.01 * sr)])
            i = int(rng.uniform(0.2, end_s) * sr)
            m = min(len(k), n - i)
            x[i : i + m] += k[:m]
    if rng.uniform() < 0.5:
        x = signal.lfilter(*signal.butter(1, rng.uniform(60, 200), "high", fs=sr), x)
    if rng.uniform() < 0.3:
        x = signal.lfilter(*signal.butter(1, rng.uniform(4000, 0.45 * sr), fs=sr), x)
    peak = float(np.abs(x).max())
    gain = 10 ** (rng.uniform(-50, -3) / 20)
    if harm and rng.uniform() < 0.15:
        notes["agc"] = 1.0
        power = signal.lfilter([1 - np.exp(-1 / (0.4 * sr))], [1, -np.exp(-1 / (0.4 * sr))], x**2)
        x = x / (np.sqrt(power) + 0.3 * rms(x))
        peak = float(np.abs(x).max())
    if harm and rng.uniform() < 0.1:
        notes["clip"] = 1.0
        gain = 1.5
    x = x / peak * gain
    if harm and rng.uniform() < 0.2:
        x = x + rng.uniform(-0.05, 0.05)
    x = np.clip(np.round(x * 32767), -32768, 32767) / 32768
    return MadeTake(x, sr, speed, geometry, start_s, end_s, times, stall, ratio_db, notes)
