"""Sounds of a room that are not the motor: each a function of a generator, a length and a rate.

All return shape (n,) float64 at unit level: unit RMS while they last for lasting sounds, unit peak
for single ones. They are invented from noise and tones; no recording is used.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def _unit(x: Floats) -> Floats:
    """Scale to unit RMS where it sounds."""
    loud = x[np.abs(x) > 0.05 * np.abs(x).max(initial=1e-12)]
    return np.asarray(x / max(float(np.sqrt(np.mean(loud**2))) if loud.size else 1.0, 1e-12))


def _shaped_noise(
    rng: np.random.Generator, n: int, rate_hz: int, low: float, high: float
) -> Floats:
    """Noise between two corners with soft edges, through the frequency domain."""
    f = np.fft.rfftfreq(n, 1.0 / rate_hz)
    gain = 1.0 / (1.0 + (low / np.maximum(f, 1.0)) ** 4) / (1.0 + (f / high) ** 4)
    return np.asarray(np.fft.irfft(np.fft.rfft(rng.standard_normal(n)) * np.sqrt(gain), n))


def _ringing(rng: np.random.Generator, n: int, rate_hz: int, *, low: float, high: float,
             modes: int, decay_s: float) -> Floats:  # fmt: skip
    """A struck body: decaying modes plus a short burst."""
    t = np.arange(n) / rate_hz
    out = np.zeros(n)
    for hz in np.exp(rng.uniform(math.log(low), math.log(high), modes)):
        life = decay_s * (low / hz) ** 0.4 * rng.uniform(0.6, 1.6)
        out += (
            rng.uniform(0.3, 1.0)
            * np.exp(-t / life)
            * np.sin(2 * np.pi * hz * t + rng.uniform(0, 6.3))
        )
    burst = rng.standard_normal(n) * np.exp(-t / 0.004)
    out += 0.4 * burst
    return np.asarray(out / np.abs(out).max())


def knocks(rng: np.random.Generator, n: int, rate_hz: int) -> Floats:
    """A door or a table: one to five thumps at odd times."""
    out = np.zeros(n)
    length = min(n, int(0.5 * rate_hz))
    for _ in range(int(rng.integers(1, 6))):
        at = int(rng.integers(0, max(1, n - length)))
        hit = _ringing(rng, length, rate_hz, low=60.0, high=2500.0, modes=9, decay_s=0.08)
        out[at : at + length] += rng.uniform(0.4, 1.0) * hit
    return np.asarray(out / np.abs(out).max())


def clatter(rng: np.random.Generator, n: int, rate_hz: int) -> Floats:
    """A tool dropped: a bright hit and a few quickening bounces."""
    out = np.zeros(n)
    length = min(n, int(0.25 * rate_hz))
    at, gap, level = rng.uniform(0.2, 0.6) * n, rng.uniform(0.15, 0.35), 1.0
    for _ in range(int(rng.integers(3, 7))):
        spot = int(at)
        if spot + length >= n:
            break
        hit = _ringing(rng, length, rate_hz, low=900.0, high=0.4 * rate_hz, modes=7, decay_s=0.02)
        out[spot : spot + length] += level * hit
        at += gap * rate_hz
        gap *= 0.65
        level *= 0.6
    peak = np.abs(out).max()
    return out / peak if peak > 0 else out


def relay(rng: np.random.Generator, n: int, rate_hz: int) -> Floats:
    """The bed relay: sharp clicks every half second to two seconds."""
    out = np.zeros(n)
    length = min(n, int(0.02 * rate_hz))
    at, period = rng.uniform(0.0, 1.0), rng.uniform(0.5, 2.0)
    shape = _ringing(rng, length, rate_hz, low=1500.0, high=0.42 * rate_hz, modes=5, decay_s=0.004)
    while int(at * rate_hz) + length < n:
        out[int(at * rate_hz) :][:length] += shape * rng.uniform(0.8, 1.0)
        at += period * rng.uniform(0.97, 1.03)
    return out


def babble(rng: np.random.Generator, n: int, rate_hz: int) -> Floats:
    """Speech-like: syllables of a gliding voice through moving formants, with hisses and stops."""
    out = np.zeros(n)
    pitch = rng.uniform(85.0, 230.0)
    at = 0.0
    while at < n / rate_hz:
        length = min(int(rng.uniform(0.08, 0.28) * rate_hz), n - int(at * rate_hz))
        if length < 64:
            break
        t = np.arange(length) / rate_hz
        glide = pitch * (1.0 + rng.uniform(-0.2, 0.2) * t / t[-1]) * (1 + 0.02 * np.sin(33 * t))
        phase = 2 * np.pi * np.cumsum(glide) / rate_hz
        formants = rng.uniform([250, 800, 2200], [850, 2200, 3300])
        voice = np.zeros(length)
        for k in range(1, int(min(4000.0, 0.4 * rate_hz) / pitch)):
            weight = sum(1.0 / (1.0 + ((k * pitch - f) / 90.0) ** 2) for f in formants)
            voice += weight / k**0.3 * np.sin(k * phase)
        voice *= np.sin(np.pi * np.minimum(t / t[-1], 1.0)) ** 0.6
        if rng.random() < 0.4:
            hiss = _shaped_noise(rng, length, rate_hz, 3000.0, min(9000.0, 0.45 * rate_hz))
            voice += 2.0 * hiss * np.exp(-((((t / t[-1]) - 0.15) / 0.12) ** 2))
        if rng.random() < 0.3:
            voice[: length // 40] += 3.0 * rng.standard_normal(length // 40)
        spot = int(at * rate_hz)
        out[spot : spot + length] += rng.uniform(0.4, 1.0) * voice
        at += length / rate_hz + (
            rng.uniform(0.2, 0.7) if rng.random() < 0.15 else rng.uniform(0, 0.05)
        )
        pitch = float(np.clip(pitch * rng.uniform(0.92, 1.09), 75.0, 290.0))
    return _unit(out)


def music(rng: np.random.Generator, n: int, rate_hz: int) -> Floats:
    """Tones on a scale with a beat of drum-like thumps and hats, strictly periodic."""
    t = np.arange(n) / rate_hz
    out = np.zeros(n)
    beat = rng.uniform(0.25, 0.6)
    root = rng.uniform(90.0, 260.0)
    for k in range(int(n / rate_hz / beat) + 1):
        start = k * beat
        age = t - start
        on = (age >= 0) & (age < beat * 1.8)
        a = age[on]
        tone = root * 2.0 ** (int(rng.choice([0, 2, 4, 7, 9, 12, 16])) / 12.0)
        for harmonic in range(1, 7):
            out[on] += 0.5 / harmonic * np.exp(-a / 0.25) * np.sin(2 * np.pi * tone * harmonic * a)
        if k % 2 == 0:
            out[on] += 1.2 * np.exp(-a / 0.06) * np.sin(2 * np.pi * 65.0 * a)
        hat = np.zeros(n)
        short = (age >= 0) & (age < 0.05)
        hat[short] = rng.standard_normal(int(short.sum())) * np.exp(-age[short] / 0.012)
        out += 0.5 * hat
    return _unit(out)


def other_printer(rng: np.random.Generator, n: int, rate_hz: int) -> Floats:
    """Another machine: step tones that change with every short move, with jerks between."""
    out = np.zeros(n)
    at = 0
    shape = rng.uniform(0.3, 1.0, 5)
    while at < n:
        length = min(int(rng.uniform(0.05, 0.8) * rate_hz), n - at)
        hz = rng.uniform(120.0, 2400.0)
        t = np.arange(length) / rate_hz
        for k, weight in enumerate(shape, 1):
            if hz * k < 0.45 * rate_hz:
                out[at : at + length] += weight * np.sin(2 * np.pi * hz * k * t)
        jerk = min(length, int(0.03 * rate_hz))
        out[at : at + jerk] += (
            2.5 * _ringing(rng, jerk, rate_hz, low=80.0, high=900.0, modes=4, decay_s=0.012)
            if jerk > 32
            else 0.0
        )
        at += length
    return _unit(out)


def traffic(rng: np.random.Generator, n: int, rate_hz: int) -> Floats:
    """A low rumble that swells."""
    swell = 0.5 + 0.5 * np.sin(2 * np.pi * rng.uniform(0.05, 0.2) * np.arange(n) / rate_hz)
    return _unit(_shaped_noise(rng, n, rate_hz, 30.0, 250.0) * swell)


def hiss(rng: np.random.Generator, n: int, rate_hz: int) -> Floats:
    """Air, steam or a vacuum cleaner next door: steady broadband noise."""
    return _unit(_shaped_noise(rng, n, rate_hz, rng.uniform(100, 800), rng.uniform(2000, 12000)))


LASTING: dict[str, Callable[[np.random.Generator, int, int], Floats]] = {
    "speech": babble,
    "music": music,
    "other-printer": other_printer,
    "traffic": traffic,
    "hiss": hiss,
}
SINGLE: dict[str, Callable[[np.random.Generator, int, int], Floats]] = {
    "knock": knocks,
    "clatter": clatter,
    "relay": relay,
}
