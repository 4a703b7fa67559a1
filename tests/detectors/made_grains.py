"""Made sound of a feeder's motor as a heap of grains: all invented, no physics checked or solved.

Each full step, microstep, gear tooth and bite of the wheel is one short sound of its own timbre,
jitter and loudness; hums are partials that wander; bodies and rooms are random responses. A skip is
a gesture (click, thud, double tap, ratchet, swing, buzz, scrape); the same gestures serve for bad
teeth, knocks, keys and other machines: only when they come, and the tone then, tells them apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from made_sound import MadeTake, between, db, rms
from numba import njit
from numpy.typing import NDArray
from real_room import _sound
from scipy import fft, signal

from detectors.evidence import MotorGeometry

Samples = NDArray[np.float64]
Rng = np.random.Generator
KINDS = ("click", "thud", "double", "ratchet", "swing", "buzz", "scrape")
PATTERNS = ("regular", "gamma", "saw", "bunches", "accelerating", "sparse")
LASTING = ("fan", "fan starts", "hum", "printer", "speech", "music")
#: Fewest and most events, slowest and fastest rate in Hz, gesture and colour (empty: any).
EVENTS = {"machine": (99, 300, 1, 20, "/"), "beat": (99, 99, 1, 9, "/")}
EVENTS |= {"knocks": (1, 7, 2, 12, "/"), "keys": (5, 60, 2, 10, "click/")}
EVENTS |= {"door": (1, 2, 1, 8, "thud/dull"), "creak": (1, 2, 1, 2, "scrape/")}
EVENTS |= {"relay": (1, 3, 1, 8, "/bright")}


@njit(cache=True)
def _place(out: Samples, at: Samples, row: Samples, gain: Samples, bank: Samples) -> None:
    """Add rows of the bank at fractional sample positions."""
    for k in range(len(at)):
        first, part = int(np.floor(at[k])), at[k] - np.floor(at[k])
        for i in range(max(0, -first), min(bank.shape[1], len(out) - 1 - first)):
            out[first + i] += gain[k] * bank[int(row[k]), i] * (1.0 - part)
            out[first + i + 1] += gain[k] * bank[int(row[k]), i] * part


def _db(rng: Rng, low: float, high: float) -> float:
    """A factor of amplitude, its level drawn evenly."""
    return db(rng.uniform(low, high))


def _wander(rng: Rng, n: int, sr: int, rate_hz: float) -> Samples:
    """A slow random curve of about unit spread."""
    knots = rng.standard_normal(int(n / sr * rate_hz) + 3)
    at = (np.arange(len(knots)) - rng.uniform()) * (sr / rate_hz)
    return np.asarray(np.interp(np.arange(n), at, knots))


def _noise(rng: Rng, n: int, sr: int) -> Samples:
    """Noise with a random slope and a rough spectrum, of rms 1."""
    m = fft.next_fast_len(n, real=True)
    octave = np.log2(np.maximum(fft.rfftfreq(m, 1.0 / sr), 30.0) / 500.0)
    humps_db = rng.uniform(0, 8) * rng.standard_normal(int(rng.integers(3, 60)))
    shape_db = np.interp(octave, np.linspace(-4, 6, len(humps_db)), humps_db)
    level = 10.0 ** ((shape_db + rng.uniform(-9, 2) * octave) / 20.0)
    x = fft.irfft(fft.rfft(rng.standard_normal(m)) * level, m)[:n]
    return np.asarray(x / rms(x))


def _grain(rng: Rng, sr: int, longest_s: float) -> Samples:
    """One short sound of unit energy: a burst, a mode (whose pitch may move), a rush, a step."""
    t = np.arange(max(8, int(longest_s * sr))) / sr
    tau, z = between(rng, longest_s / 40, longest_s / 4), rng.standard_normal(len(t))
    decay, bend = np.exp(-t / tau), rng.choice([0.0, rng.uniform(-0.5, 0.8)]) * tau
    mode = np.sin(2 * np.pi * between(rng, 80, 0.42 * sr) * (t + bend * (1 - decay)) + z[0]) * decay
    step = np.diff(decay * (t < rng.uniform(0.5, 4) * tau), prepend=0.0)
    x = (z * decay, mode, mode, z * t * decay, step)[rng.integers(5)]
    return np.asarray(x / (np.linalg.norm(x) + 1e-12))


def _colour(rng: Rng, sr: int, name: str) -> Samples:
    """Impulse response of a body, or what makes a gesture dull, bright, narrow or broad."""
    t, order = np.arange(int(0.07 * sr)) / sr, int(rng.integers(2, 6))
    x = (t == 0.0).astype(float)
    if name in ("dull", "bright"):
        edge_hz = (
            between(rng, 180, 900) if name == "dull" else min(between(rng, 4e3, 8e3), 0.36 * sr)
        )
        b, a = signal.butter(order, edge_hz, "low" if name == "dull" else "high", fs=sr)
        return np.asarray(signal.lfilter(b, a, x))
    # Lowest and highest mode, most modes, ringing at 1 kHz: one or two, sheet, plastic, frame, ...
    bodies = [(150, 1e4, 2, 0.012), (150, 6e3, 40, 0.03), (200, 3e3, 8, 0.004)]
    bodies += [(600, 8e3, 14, 0.02), (80, 1500, 10, 0.008), (60, 9e3, 3, 0.003)]
    low_hz, high_hz, most, ring_s = bodies[0 if name == "narrow" else int(rng.integers(1, 6))]
    count = int(rng.integers(1, most + 1))
    f = np.exp(rng.uniform(np.log(low_hz), np.log(min(high_hz, 0.42 * sr)), (count, 1)))
    tau = ring_s * np.exp(rng.uniform(-1.2, 1.1, (count, 1))) * (1000.0 / f) ** 0.3
    modes = 10.0 ** rng.uniform(-1, 0, count) @ (np.exp(-t / tau) * np.sin(2 * np.pi * f * t))
    if name != "narrow" and rng.random() < 0.5:
        modes += rng.standard_normal(len(t)) * np.exp(-t / between(rng, 4e-4, 0.012)) * rng.random()
    direct = {"narrow": 0.0, "broad": 3.0}.get(name, _db(rng, -30, 8))
    return np.asarray(modes / np.linalg.norm(modes) + direct * x)


def _strikes(rng: Rng, sr: int, n: int, at_s: Samples, what: str = "/") -> tuple[Samples, str]:
    """Gestures of one maker at the given times, of peak 1, and their "kind/colour"."""
    rng, (kind, colour), out = rng.spawn(1)[0], what.split("/"), np.zeros(n)
    kinds = [kind or str(rng.choice(KINDS)), str(rng.choice(KINDS))]
    colour = colour or str(rng.choice(["body", "dull", "bright", "narrow", "broad"]))
    longest_s, unfaithful = between(rng, 0.002, 0.025), rng.choice([0.0, rng.uniform(0.0, 0.4)])
    grains = np.array([_grain(rng, sr, longest_s) for _ in range(int(rng.integers(1, 4)))])
    kernel, habit, bank = _colour(rng, sr, colour), rng.uniform(0, 1, 4), []
    t, variants = np.arange(int(0.25 * sr)) / sr, min(16, max(1, len(at_s)))
    for kind in rng.choice(kinds, variants, p=[1.0 - unfaithful, unfaithful]).tolist():
        a, b, c, d = np.clip(habit + 0.12 * rng.standard_normal(4), 0.0, 1.0)
        length_s, buzz_hz = 0.02 * 5.0**a, 60.0 * 7.0**b
        count = {"double": 2, "ratchet": 2 + round(4 * c), "buzz": 1 + int(length_s * buzz_hz)}
        gap_s = {"double": 0.006 + 0.06 * b * b, "buzz": 1 / buzz_hz}.get(kind, 0.004 + 0.03 * b)
        speeding = (0.6 + 0.8 * d if kind == "ratchet" else 1.0) ** np.arange(count.get(kind, 1))
        x, ticks_s = np.zeros(len(t)), np.cumsum(gap_s * speeding) - gap_s
        if kind in ("thud", "swing"):  # a blow, or a rotor that swings back and settles
            f = 60.0 * 8.0**b if kind == "thud" else 80.0 * 30.0**b
            phase = 2 * np.pi * f * (t + (c - 0.4) * 0.4 * length_s * (1 - np.exp(-t / length_s)))
            tone = np.sin(phase) + (kind == "swing") * 0.5 * d * np.sign(np.sin(phase))
            x = tone * np.exp(-t / (0.35 * length_s)) * 0.1
        elif kind == "scrape":
            rise = np.clip(t / (0.002 + 0.04 * b), 0, 1) * np.exp(-t / (0.5 * length_s))
            stick = 1.0 + c * np.sign(np.sin(2 * np.pi * t * 100.0 * 6.0**d))
            x = rng.standard_normal(len(t)) * rise * stick * 0.1
        gain = 10 ** (rng.uniform(-8, 0, len(ticks_s)) / 20) * (_db(rng, -25, 0) if x.any() else 1)
        _place(x, ticks_s * sr, rng.integers(0, len(grains), len(gain)).astype(float), gain, grains)
        x = signal.fftconvolve(x, kernel)
        bank.append(x / (np.abs(x).max() + 1e-12))
    spread, row = between(rng, 0.3, 5.0) * rng.standard_normal(len(at_s)), np.arange(len(at_s))
    _place(out, at_s * sr, (row % len(bank)).astype(float), 10 ** (spread / 20), np.array(bank))
    return out / (np.abs(out).max() + 1e-12), f"{kinds[0]}/{colour}"


def _rhythm(rng: Rng, span_s: list[float], rate_hz: float, gap_s: float, pattern: str) -> Samples:
    """Times of events, at least two, in one of several point processes."""
    z, u, (first_s, last_s) = rng.standard_normal(400), rng.random(400), span_s
    fit, few = max(1.0, (last_s - first_s) * rate_hz), int(rng.integers(2, 6))
    load, bears = rng.uniform(0.1, 0.8) * (0.6 + 0.6 * u), 1.0 + between(rng, 0.01, 0.1) * z
    pause, done = rng.uniform(2, 8) * rng.gamma(3.0, 0.33, 400), np.minimum(np.arange(400) / fit, 1)
    wait = {
        "regular": 1.0 + between(rng, 0.01, 0.35) * z,
        "gamma": rng.gamma(few - 1, 1.0 / (few - 1), 400),
        # Pressure builds up towards what the motor bears, and a skip lets off a part of it.
        "saw": np.log((1.3 - load) / np.maximum(0.05, 1.3 - bears)),
        "bunches": np.where(u < rng.uniform(0.15, 0.5), pause, 0.4 + 0.4 * u),
        "accelerating": 2.0 ** (rng.uniform(-1, 2) * (1 - 2 * done)) * (0.8 + 0.4 * u),
        "sparse": rng.exponential(fit / few, 400),
    }[pattern]
    at_s = first_s + np.append(0.0, np.cumsum(np.maximum(gap_s, wait / rate_hz)))
    at_s = at_s[at_s < last_s][: few if pattern == "sparse" else 400]
    hole_s = np.sort(rng.uniform(first_s, 1.5 * last_s - 0.5 * first_s, 2))
    keep = (at_s < hole_s[0]) | (at_s > hole_s[1]) | (rng.random() > 0.3)  # a pause, or the end
    at_s = at_s[keep] if keep.sum() >= 2 else at_s
    last_s -= 0.3 * rng.random() * (last_s - first_s)
    return at_s if len(at_s) >= 2 else np.array([first_s, last_s])


def _crossings(phase: Samples) -> Samples:
    """Positions, in samples, where a phase passes whole numbers."""
    forward = np.maximum.accumulate(phase)
    return np.interp(np.arange(1, int(forward[-1]) + 1), forward, np.arange(len(phase)))


def _texture(rng: Rng, sr: int, phase: Samples, cycle: int, longest_s: float) -> Samples:
    """One grain whenever the phase passes a whole number."""
    rng = rng.spawn(1)[0]  # the number of grains shifts nothing else
    at, n, out = _crossings(phase), len(phase), np.zeros(len(phase))
    bank = np.array([_grain(rng, sr, longest_s) for _ in range(int(rng.integers(1, 7)))])
    number = np.arange(len(at)) % cycle
    rough_db = between(rng, 0.1, 10.0) * rng.standard_normal(len(at))
    if rng.random() < 0.4:  # rough only now and then
        rough_db *= np.interp(at, np.arange(n), _wander(rng, n, sr, between(rng, 0.5, 12.0))) > 0.3
    gain_db = rough_db + rng.uniform(0, 6) * rng.standard_normal(cycle)[number]
    at += n / max(1, len(at)) * between(rng, 1e-4, 0.12) * rng.standard_normal(len(at))
    row = rng.integers(0, len(bank), len(at)) if rng.random() < 0.4 else number % len(bank)
    _place(out, at, row.astype(float), 10.0 ** (gain_db / 20.0), bank)
    return out


def _partials(rng: Rng, sr: int, phase: Samples, hz: float, orders: list[float]) -> Samples:
    """Wandering lines at some multiples of a phase's rate."""
    n, out, slope_db = len(phase), np.zeros(len(phase)), rng.uniform(0.0, 12.0)
    for m in [m for m in orders if 25.0 < m * hz < 0.45 * sr][: int(rng.integers(1, 9))]:
        level = _db(rng, -18, 0) * 10.0 ** (-slope_db * abs(np.log2(m)) / 20.0)
        sway = 1.0 + between(rng, 0.01, 0.6) * _wander(rng, n, sr, between(rng, 0.3, 15.0))
        out += level * sway * np.sin(2 * np.pi * m * phase + rng.uniform(0, 6.3))
    return out


def _motor(rng: Rng, sr: int, steps: Samples, rotor: Samples, turn: int) -> list[Samples]:
    """What comes from the rotor and what from the field; `steps` and `rotor` count full steps."""
    n, pace, ratio = (
        len(steps),
        np.diff(steps, prepend=0.0),
        rng.choice([1.0, between(rng, 1.5, 8)]),
    )
    rate_hz = float(pace.max() * sr)
    pace, moving = pace * (sr / rate_hz), pace * sr > 0.98 * rate_hz
    orders = list(rng.permutation([0.125, 0.25, 0.5, 0.75, 1, 1.5, 2, 3, 4, 5, 6, 8, 12, 16]))
    longest_s = min(between(rng, 0.001, 0.02), max(0.002, 8.0 / rate_hz))
    layers = [_texture(rng, sr, rotor, int(rng.choice([1, 2, 4])), longest_s)]
    layers.append(_partials(rng, sr, rotor, rate_hz, orders) * pace ** rng.uniform(0.0, 1.5))
    teeth, micro = int(rng.integers(8, 61)), int(rng.choice([2, 4, 8, 16]))
    for per_step, cycle in ((micro, micro), (teeth / turn, teeth), (teeth / turn / ratio, 1)):
        if rng.random() < 0.45 and per_step * rate_hz < 0.3 * sr:  # a click of each, or a bite
            grain_s = between(rng, 0.001, 0.02) if per_step < 1 else between(rng, 3e-4, 1.5e-3)
            layers.append(_texture(rng, sr, rotor * per_step, cycle, grain_s))
    if rng.random() < 0.5:  # grinding, stronger at some places of the turn or of the step
        gate = 0.5 + 0.5 * np.cos(2 * np.pi * rotor * rng.choice([1.0, 0.25, 1 / turn, 2 / turn]))
        layers.append(_noise(rng, n, sr) * pace * gate ** between(rng, 0.05, 6.0))
    loud, body = int(rng.choice([0, 1, *range(len(layers))])), np.zeros(n)
    for k, layer in enumerate(layers):
        body += (1.0 if k == loud else _db(rng, -45, 0)) * layer / (rms(layer[moving]) + 1e-9)
    turning = 2 * np.pi * rotor / turn / rng.choice([1.0, ratio]) + rng.uniform(0, 6.3)
    sway = 1.0 + between(rng, 0.01, 0.7) * np.sin(turning)
    body *= sway + between(rng, 0.005, 0.4) * _wander(rng, n, sr, between(rng, 1.0, 40.0))
    field = _partials(rng, sr, steps, rate_hz, orders[::-1]) * (pace > 0)
    chop = np.cumsum(between(rng, 1500, 0.44 * sr) / sr + 2e-6 * _wander(rng, n, sr, 2.0))
    field += (rng.random() < 0.3) * _db(rng, -30, -5) * np.sin(2 * np.pi * chop)  # at rest too
    level = _db(rng, -40, 3) / (rms(field[moving]) + 1e-9)
    return [body / (rms(body[moving]) + 1e-9), field * level]


def _lasting(rng: Rng, sr: int, n: int, name: str) -> Samples:
    """Something that goes on in the room, of any level."""
    t, out = np.arange(n) / sr, np.zeros(n)
    if name == "hum":
        mains_hz = rng.choice([50.0, 60.0]) * (1.0 + 1e-3 * rng.standard_normal())
        return _partials(rng, sr, t * mains_hz, mains_hz, [*rng.permutation(16) + 1.0])
    if name in ("fan", "fan starts"):
        rise = (t - rng.uniform(0.2, 0.8) * n / sr) / between(rng, 0.1, 2.5)
        speed = np.clip(rise, 0, 1) if name == "fan starts" else np.ones(n)
        phase = (
            np.cumsum(between(rng, 60, 900) * speed * (1 + 3e-3 * _wander(rng, n, sr, 2.0))) / sr
        )
        lines = _partials(rng, sr, phase, 900.0, [1, 2, 3, 4, 0.2, 0.4])
        return (_noise(rng, n, sr) + _db(rng, -25, 3) * lines) * speed ** rng.uniform(1, 2.5)
    part = np.cumsum(rng.gamma(2.0, between(rng, 0.02, 0.3), 2000) + 0.02)  # moves, or syllables
    now, level = np.searchsorted(part, t), rng.uniform(0, 1, 2001)
    if name == "printer":  # short moves, each with its own pitch
        pitch_hz = np.exp(rng.uniform(np.log(30), np.log(2500), 2001))[now]
        phase = np.cumsum(signal.lfilter([0.002], [1, -0.998], pitch_hz)) / sr
        out = _texture(rng, sr, phase, 4, 0.006) + _db(rng, -30, 10) * _noise(rng, n, sr) / 20
        out += _db(rng, -20, 10) / 20 * _partials(rng, sr, phase, 300.0, [1, 2, 3, 0.5, 4])
        return np.asarray(
            out * signal.lfilter([3e-3], [1, -0.997], level[now] * (level[now] > 0.2))
        )
    if name == "speech":  # the voice's pulses are grains, a vowel is a row of the bank
        pitch_hz = between(rng, 85, 260) * 2.0 ** (0.25 * _wander(rng, n, sr, 2.5))
        at, s = _crossings(np.cumsum(pitch_hz) / sr), np.arange(int(0.03 * sr)) / sr
        f = np.exp(rng.uniform(np.log([250, 800, 2000]), np.log([900, 2400, 3600]), (9, 3)))
        bank = (rng.uniform(0.2, 1, (9, 1, 3)) @ np.sin(2 * np.pi * f[..., None] * s))[:, 0]
        said = np.searchsorted(part, at / sr)
        since = np.clip((at / sr - np.append(0.0, part)[said]) / between(rng, 0.1, 0.3), 0, 1)
        loud = np.sin(np.pi * since**0.6) * (level[said] > 0.2)
        _place(out, at, rng.integers(0, 9, 2001)[said].astype(float), loud, bank * np.exp(-300 * s))
        hissing = _strikes(rng, sr, n, part[part < n / sr], "scrape/bright")[0]
        return np.asarray(out + np.abs(out).max() * _db(rng, -20, 0) * hissing)
    beat_s, s = 60.0 / rng.uniform(70, 340), np.arange(int(between(rng, 0.15, 0.7) * sr)) / sr
    f = between(rng, 80, 500) * 2.0 ** (rng.choice([0, 2, 4, 5, 7, 9, 11, 12], (8, 1)) / 12.0)
    bank = rng.uniform(0, 1, 6) @ np.sin(2 * np.pi * (f * np.arange(1, 7))[..., None] * s)
    bank *= np.exp(-s / (0.25 * s[-1])) * np.clip(s / between(rng, 1e-3, 0.03), 0, 1)
    at = np.repeat(np.arange(rng.uniform(0, beat_s), n / sr, beat_s), 2) * sr
    _place(out, at, rng.integers(0, 8, len(at)).astype(float), rng.uniform(0, 1, len(at)), bank)
    return out


def _room(rng: Rng, sr: int, n: int, paths: Sequence[Path]) -> tuple[Samples, Samples, list[str]]:
    """What goes on, of rms 1; single sounds, of peaks relative to a motor of rms 1; names."""
    bed, single = _noise(rng, n, sr), np.zeros(n)
    names = rng.permutation(LASTING)[: int(rng.choice([0, 1, 1, 2, 3]))].tolist()
    events = rng.permutation(list(EVENTS))[: int(rng.choice([0, 0, 1, 1, 2, 3]))].tolist()
    for name in names:
        layer = _lasting(rng, sr, n, name)
        bed += layer / (rms(layer) + 1e-9) * _db(rng, -6, 20)
    for name in events:
        fewest, most, slow_hz, fast_hz, what = EVENTS[name]
        first_s = rng.uniform(0.0, 0.3 if fewest > 50 else 0.85 * n / sr)
        pattern = "regular" if name == "beat" else str(rng.choice(PATTERNS[:5]))
        at_s = _rhythm(rng, [first_s, n / sr], between(rng, slow_hz, fast_hz), 0.03, pattern)
        at_s = at_s[: int(rng.integers(fewest, most + 1))]
        single += _strikes(rng, sr, n, at_s, what)[0] * _db(rng, -6, 34)
    for path in paths:  # a bed, or one or a few single sounds
        sound, at = _sound(path, sr), rng.uniform(0, n, int(rng.choice([1, 1, 2, 3, 6])))
        if len(sound) > 1.2 * sr and rng.random() < 0.6:
            layer = np.resize(np.roll(sound, -int(at[0])), n)
            bed += layer / (rms(layer) + 1e-9) * _db(rng, -3, 25)
        else:
            sound = sound[: int(rng.uniform(0.3, 2.5) * sr)] * _db(rng, -6, 34)
            _place(single, at, 0 * at, 10 ** rng.uniform(-0.4, 0, len(at)), sound[None])
    return bed / rms(bed), single, names + events + ["recorded"] * len(paths)


def make_grains(seed: int, *, skip: bool | None = None, files: Sequence[Path] = ()) -> MadeTake:
    """One take; the skips are drawn apart, so that they shift nothing else."""
    rng = np.random.default_rng([seed, 113])
    r_motor, r_room, r_file, r_skip, r_mic = rng.spawn(5)
    sr, turn = int(rng.choice([16000, 22050, 32000, 44100, 48000])), 200 << (rng.random() < 0.2)
    feed_mm, rate_hz, ramp_s = between(rng, 2, 35), between(rng, 8, 2000), between(rng, 0.01, 0.5)
    at = np.cumsum([rng.uniform(0.5, 1.2), ramp_s, rng.uniform(2, 7), ramp_s])
    start_s, first_s, last_s, end_s = (float(s) for s in at)
    n = int((end_s + rng.uniform(0.5, 1.0)) * sr)
    t, moving = np.arange(n) / sr, slice(int(first_s * sr), int(last_s * sr))
    steps = np.cumsum(np.interp(t, at, [0, 1, 1, 0])) * rate_hz * rng.uniform(0.999, 1.001) / sr
    pattern, at_s, rotor, gain = "none", np.zeros(0), steps, np.ones(n)
    if (r_skip.random() < 0.5) if skip is None else skip:
        pattern, gap_s = str(r_skip.choice(PATTERNS)), max(0.045, 4.0 / rate_hz)  # a cycle passes
        late_s = (r_skip.random() < 0.7) * r_skip.uniform(0.0, 0.66) * (last_s - first_s)
        began_s = first_s + min(late_s, max(0.01, 0.95 * (last_s - first_s) - 2.0 * gap_s))
        often_hz = min(between(r_skip, 1.0, 20.0), 0.9 / gap_s)
        at_s = _rhythm(r_skip, [began_s, last_s - 0.03], often_hz, gap_s, pattern)
        # What skips do to the rotor's angle (full steps) and to the loudness of its sound.
        s, (wobbles, fades) = np.arange(int(0.3 * sr)) / sr, r_skip.random(2) < 0.5
        swing = (
            np.sin(2 * np.pi * s * between(r_skip, 12, 150)) * wobbles * between(r_skip, 0.1, 2.0)
        )
        swing *= np.exp(-s / between(r_skip, 0.006, 0.08))
        fade = fades * np.exp(-s / between(r_skip, 0.004, 0.08)) * r_skip.uniform(-1.3, 2.0)
        spread, rotor = r_skip.uniform(0.6, 1.4, len(at_s)), steps.copy()
        early_s = r_skip.choice([0.0, between(r_skip, 0.003, 0.03)])  # the tone may go first
        _place(rotor, at_s * sr, 0 * at_s, spread, swing[None])
        _place(gain, (at_s - early_s) * sr, 0 * at_s, spread, fade[None])
        load = np.interp(t, at_s, np.arange(len(at_s))) % 1  # builds up from skip to skip
        gain = np.maximum(gain, 0) * (1 + r_skip.choice([0, r_skip.uniform(-0.5, 1)]) * load)
    turned, field = _motor(r_motor, sr, steps, rotor, turn)
    motor, gear = turned * gain + field, r_motor.choice([1.0, 1.0, between(r_motor, 0.25, 5.0)])
    turns = (steps - 4.0 * np.searchsorted(at_s, t)) / turn / gear + r_motor.uniform()
    for odds, when_s in ((0.35, at[[0, 3]]), (0.35, _crossings(turns) / sr)):
        tick = _strikes(r_motor, sr, n, when_s)[0]  # start and stop, or a tooth once a turn
        motor += (r_motor.random() < odds) * _db(r_motor, -6, 30) * tick
    click, gesture = _strikes(r_skip, sr, n, at_s)
    picked = r_file.permutation(len(files))[: int(r_file.choice([0, 0, 1, 2]))]
    bed, single, names = _room(r_room, sr, n, [files[int(k)] for k in picked])
    m = fft.next_fast_len(n + int(1.1 * sr), real=True)
    f, s = 1j * fft.rfftfreq(m, 1.0 / sr), np.arange(int(sr * between(r_room, 0.04, 1.0))) / sr
    low, high = f / between(r_mic, 15, 400), f / between(r_mic, 2500, 40000)
    mic = (low / (1 + low)) ** r_mic.integers(1, 4) / (1 + high) ** r_mic.integers(1, 4)
    for _ in range(int(r_mic.integers(0, 5))):
        u, width = f / between(r_mic, 100, 12000), between(r_mic, 0.1, 1.5)
        mic *= 1 + (_db(r_mic, -10, 12) - 1) * width * u / (1 + u * u + width * u)
    wet_db, echoes = r_room.choice([-60.0, *r_room.uniform(-30, 5, 3)]), []
    for more_db in (0, 5):  # a tail that dulls as it dies, early reflections, direct sound
        slow, fast = r_room.standard_normal((2, len(s))) * 10.0 ** (-3.0 * s / s[-1])
        fast *= 10.0 ** (-r_room.uniform(0, 9) * s / s[-1]) * _db(r_room, -15, 5)
        x = signal.lfilter([0.3], [1, -0.7], slow) + signal.lfilter([1, -0.8], [1], fast)
        x[r_room.integers(1, int(0.03 * sr), 6)] += r_room.standard_normal(6) * r_room.uniform(0, 6)
        x = np.append(1.0, x * (10.0 ** ((wet_db + more_db) / 20.0) / np.linalg.norm(x)))
        echoes.append(mic * fft.rfft(x, m))
    body = fft.rfft(_colour(r_motor, sr, "body"), m) * echoes[0]
    ways = [(motor, body), (click, echoes[0] if r_skip.random() < 0.5 else body)]
    ways += [(bed, mic), (single, echoes[1])]
    motor, click, bed, single = (fft.irfft(fft.rfft(x, m) * way, m)[:n] for x, way in ways)
    loud = rms(motor[moving])
    room = single + bed / rms(bed[moving]) / _db(r_mic, -6, 35)
    room = loud * (room + r_mic.standard_normal(n) * _db(r_mic, -75, -25))
    room *= min(1.0, 2.0 * loud / rms(room[moving]))
    x = motor + room
    if len(at_s):  # clicks rise over the rest's 98th percentile, in the best octave of each
        over_db = r_skip.uniform(3.5, 10) if r_skip.random() < 0.6 else r_skip.uniform(10, 32)
        hop, edges = sr // 200, [k for k in (1, 2, 4, 7, 14, 28, 56, 113) if k < sr / 220]
        cut = [np.lib.stride_tricks.sliding_window_view(y, 2 * hop)[::hop] for y in (x, click)]
        rest, add = (fft.rfft(y * np.hanning(2 * hop), axis=1) for y in cut)
        steady = np.abs(rest[moving.start // hop : moving.stop // hop]) ** 2
        limit = np.percentile(np.add.reduceat(steady, edges, axis=1), 98, axis=0)
        limit += 3e-5 * limit.sum()  # what is far below all else is not heard either
        when, up_db = (at_s * sr / hop).astype(int)[:, None] + np.arange(-1, 9), 0.0
        for k in range(9):  # first by themselves, then in the rest, which may take away from them
            both = rest * (k > 0) + 10 ** (up_db / 20) * add
            over = (np.add.reduceat(np.abs(both) ** 2, edges, axis=1) / limit).max(axis=1)
            second_db = 10 * np.log10(np.sort(over[when].max(axis=1))[-2] + 1e-12)
            up_db += (second_db < 3.5) * 0.8 if k else over_db - second_db
        x += 10 ** (up_db / 20) * click
    agc, clip = (float(u < 0.04) for u in r_mic.random(2))
    smooth, usual = 1.0 / (between(r_mic, 0.05, 1.0) * sr), np.abs(x).mean()
    if agc:
        level = signal.lfilter([smooth], [1, smooth - 1], np.abs(x), zi=[usual * (1 - smooth)])[0]
        x /= (level / usual + 0.05) ** r_mic.uniform(0.3, 1.0)
    x = np.tanh(x / np.abs(x).max() * between(r_mic, 1.0, 4.0)) if clip else x
    x = np.round(x * (_db(r_mic, -40, -1) * 32768.0 / np.abs(x).max())) / 32768.0
    notes: dict[str, float | str] = {"room": "+".join(names) or "none", "pattern": pattern}
    notes |= {"gesture": gesture if len(at_s) else "none", "agc": agc, "clip": clip}
    ratio_db = 20.0 * float(np.log10(loud / rms(room[moving])))
    geometry = MotorGeometry(steps_per_turn=turn, filament_per_motor_turn_mm=feed_mm)
    where = (rate_hz * feed_mm / turn, geometry, start_s, end_s, at_s.tolist())
    return MadeTake(x, sr, *where, motor_to_background_db=ratio_db, notes=notes)
