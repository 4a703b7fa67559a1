"""Made sound of motors that fall back, in rooms that ring.

A third maker, without physics as the others: the rotor lags further and further behind the field,
falls back by a few cycles, rings about its new place, and knocks with the body once or twice; part
of the tone comes from the rotor and breaks, part from the field and does not. Knocks may be a few
ringing modes, falls may come late, stop, speed up or fade, steps may be as slow as eight a second,
and between motor and microphone there may be more room than direct sound. A fall that cannot be
told by ear is no use as an example: knocks are made louder until two of them stand out.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from made_sound import (
    MadeTake,
    Samples,
    between,
    coloured,
    db,
    fan_like,
    music_like,
    place,
    rms,
    speech_like,
)
from scipy import fft, signal

from detectors.evidence import MotorGeometry

PATTERNS = ("steady", "steady", "steady", "beat", "late", "stops", "speeding", "fading", "few")
COMPANY = ("knock", "knocks", "relay", "door", "speech", "music", "fan-start", "recorded")
#: Two falls must stand out by this much over nearly all the rest, in dB, in some octave.
AUDIBLE_DB = 4.0
OCTAVES_HZ = (180.0, 360.0, 720.0, 1440.0, 2880.0, 5760.0)


def modes(
    rng: np.random.Generator, sr: int, count: int, band_hz: tuple[float, float], ring_s: float
) -> Samples:
    """Answer of a body to an impact: a few damped modes, higher ones shorter; energy 1."""
    t = np.arange(int(min(0.15, 8.0 * ring_s) * sr) + 8) / sr
    out = np.zeros(len(t))
    for _ in range(count):
        f = between(rng, band_hz[0], min(band_hz[1], 0.43 * sr))
        tau = ring_s * between(rng, 0.4, 1.6) * (600.0 / f) ** 0.3
        out += db(rng.normal(0.0, 5.0)) * np.exp(-t / tau) * np.sin(2 * np.pi * f * t)
    return np.asarray(out / np.sqrt((out**2).sum()))


def room_answer(rng: np.random.Generator, sr: int, direct_db: tuple[float, float]) -> Samples:
    """Answer of a room: the direct sound, a few early echoes and a decaying tail."""
    decay_s = between(rng, 0.08, 0.7)
    t = np.arange(int(0.8 * decay_s * sr)) / sr
    tail = rng.normal(size=len(t)) * np.exp(-6.9 * t / decay_s)
    tail = signal.lfilter(*signal.butter(1, rng.uniform(2000, 0.4 * sr), fs=sr), tail)
    tail[: int(rng.uniform(0.001, 0.006) * sr)] = 0.0
    tail *= db(-rng.uniform(*direct_db)) / np.sqrt((tail**2).sum())
    tail[0] = 1.0
    for _ in range(int(rng.integers(0, 6))):
        tail[int(rng.uniform(0.0004, 0.015) * sr)] += rng.uniform(-0.5, 0.5)
    return np.asarray(tail)


def fall_times(
    rng: np.random.Generator, first: float, last: float, cycle_s: float, pattern: str
) -> list[float]:
    """When the rotor falls back."""
    rate = min(between(rng, 0.9, 20.0), 0.7 / cycle_s)
    spread = rng.uniform(0.01, 0.06) if pattern == "beat" else rng.uniform(0.1, 0.6)
    until, most = last, 500
    if pattern == "late":
        first = first + rng.uniform(0.3, 0.6) * (last - first)
    elif pattern == "stops":
        until = first + rng.uniform(0.25, 0.7) * (last - first)
    elif pattern == "few":
        most = int(rng.integers(2, 5))
    times: list[float] = []
    at = first + rng.uniform(0.0, min(0.25 * (last - first), 1.0 / rate))
    while at < until and len(times) < most:
        times.append(at)
        grown = 1.0 + 2.0 * (at - first) / (last - first) if pattern == "speeding" else 1.0
        at += max(1.1 * cycle_s, 0.03, np.exp(rng.normal(0.0, spread)) / (rate * grown))
    while len(times) < 2:
        times.append(times[-1] + max(1.2 * cycle_s, 0.2) if times else first)
    return times


def _motor(
    rng: np.random.Generator, sr: int, field: Samples, lag: Samples, rate: Samples, body: Samples
) -> Samples:
    """The motor without its knocks. ``field``: commanded phase in cycles; ``lag`` of the rotor."""
    n, top = len(field), float(rate.max())
    moving = rate > 0.02 * top
    breaks = rng.uniform(0.0, 1.0)  # the part of the tone that the rotor makes
    out, base = np.zeros(n), np.zeros(n)
    turns = [np.exp(2j * np.pi * x).astype(np.complex64) for x in (field - lag, field)]
    at = [turn.copy() for turn in turns]
    roll, sub = rng.uniform(0.2, 1.6), db(-rng.uniform(0.0, 25.0))
    for k in range(1, int(min(32, 0.43 * sr / (top / 4))) + 1):
        level = (k / 4) ** -roll * np.exp(rng.normal(0.0, 0.6)) * (1.0 if k % 4 == 0 else sub)
        turn = np.complex64(np.exp(2j * np.pi * rng.uniform()))
        base += level * (at[int(rng.uniform() > breaks)] * turn).real
        for place_in, one in zip(at, turns, strict=True):
            place_in *= one
    out += base / (rms(base[moving]) + 1e-12) * db(-rng.uniform(0.0, 25.0))
    # Steps: four unlike ones a cycle, of the field, or of the rotor in part of the motors.
    follows = field - lag if rng.uniform() < 0.4 else field
    finer = int(rng.choice([1, 1, 2, 4, 8]))
    index = np.floor(follows * 4 * finer).astype(int)
    here = np.flatnonzero(np.diff(index, prepend=index[0]) > 0)
    pattern = np.exp(rng.normal(0.0, rng.uniform(0.02, 0.4), 4 * finer))
    if finer > 1:
        pattern[::finer] *= db(rng.uniform(0.0, 18.0))
    pulses = np.zeros(n)
    pulses[here] = pattern[index[here] % (4 * finer)] * np.exp(
        rng.normal(0.0, rng.uniform(0.01, 0.25), len(here))
    )
    pulses = signal.fftconvolve(pulses, body)[:n]
    out += pulses / (rms(pulses[moving]) + 1e-12) * db(-rng.uniform(0.0, 25.0))
    out = signal.fftconvolve(out, body)[:n] if rng.uniform() < 0.5 else out
    out /= rms(out[moving]) + 1e-12
    grind = signal.fftconvolve(rng.normal(size=n) * moving, body)[:n]
    out += grind / (rms(grind[moving]) + 1e-12) * db(-rng.uniform(6.0, 40.0))
    hiss = coloured(rng, n, rng.uniform(-3.0, 3.0))
    out += hiss * moving * db(-rng.uniform(8.0, 45.0))
    if rng.uniform() < 0.4:  # gears
        mesh = np.cos(2 * np.pi * field / 50 * rng.integers(8, 40))
        mesh = signal.fftconvolve(np.maximum(mesh, 0.0) ** 4 * rng.normal(size=n) * moving, body)
        out += mesh[:n] / (rms(mesh[:n][moving]) + 1e-12) * db(-rng.uniform(3.0, 30.0))
    turned = 2 * np.pi * field / 50
    wobble = 1.0 + rng.uniform(0.0, 0.35) * np.sin(turned + rng.uniform(0, 6))
    wobble += rng.uniform(0.0, 0.3) * np.sin(turned / rng.uniform(1.0, 8.0) + rng.uniform(0, 6))
    speed = np.clip(rate / top, 0.0, 1.0)
    return np.asarray(out * wobble * moving * (0.2 + 0.8 * speed))


def _standing_out(knocks: Samples, rest: Samples, sr: int, times: Sequence[float]) -> Samples:
    """By how much each knock exceeds nearly all of the rest in its best octave, in dB."""
    frame = int(0.01 * sr)
    best = np.full(len(times), -60.0)
    for low, high in zip(OCTAVES_HZ, (*OCTAVES_HZ[1:], 11_000.0), strict=True):
        if low > 0.4 * sr:
            break
        sos = signal.butter(2, [low, min(high, 0.46 * sr)], "band", fs=sr, output="sos")
        loud, other = (
            np.add.reduceat(signal.sosfilt(sos, x) ** 2, np.arange(0, len(x), frame))
            for x in (knocks, rest)
        )
        limit = float(np.quantile(other, 0.985)) + 1e-20
        at = [int(t * sr) // frame for t in times]
        peaks = np.array([loud[i : i + 4].max(initial=1e-20) for i in at])
        best = np.maximum(best, 10.0 * np.log10(peaks / limit))
    return best


def _company(
    rng: np.random.Generator,
    sr: int,
    n: int,
    kind: str,
    span: tuple[float, float],
    recorded: Samples | None,
) -> Samples:
    """A room's single sounds and talk, peaks about 1."""
    out, total = np.zeros(n), n / sr
    if kind in ("knock", "knocks", "relay"):
        count = {"knock": 1, "knocks": int(rng.integers(2, 7)), "relay": int(rng.integers(3, 12))}
        beat, at = rng.uniform(0.3, 1.5), rng.uniform(span[0], span[1])
        same = modes(rng, sr, int(rng.integers(2, 9)), (90.0, 6000.0), between(rng, 0.002, 0.04))
        if kind == "relay":
            at = rng.uniform(0.1, 0.1 + beat)
        for _ in range(count[kind]):
            one = same
            if kind == "knocks" and rng.uniform() < 0.6:
                one = modes(rng, sr, 4, (90.0, 5000.0), between(rng, 0.004, 0.05))
            place(out, one * np.exp(rng.normal(0, 0.1 if kind == "relay" else 0.5)), at, sr)
            at += beat if kind == "relay" else rng.uniform(0.06, 0.7)
    elif kind == "door":
        t = np.arange(int(0.5 * sr)) / sr
        slam = coloured(rng, len(t), rng.uniform(6.0, 12.0)) * np.exp(-t / rng.uniform(0.03, 0.15))
        at = rng.uniform(0.0, total)
        place(out, slam, at, sr)
        for _ in range(int(rng.integers(0, 5))):
            one = modes(rng, sr, 4, (300.0, 5000.0), between(rng, 0.004, 0.03))
            place(out, 0.7 * rng.uniform() * one, at + rng.uniform(0, 0.4), sr)
    elif kind == "speech":
        out = speech_like(rng, n, sr)
    elif kind == "music":
        out = music_like(rng, n, sr)
    elif kind == "fan-start":
        at, rise = rng.uniform(0.0, total), between(rng, 0.1, 2.0)
        out = fan_like(rng, n, sr) * np.clip((np.arange(n) / sr - at) / rise, 0.0, 1.0)
    elif recorded is not None:
        out = recorded.copy()
    return np.asarray(out / (np.abs(out).max() + 1e-12))


def _recorded(rng: np.random.Generator, sr: int, n: int, files: Sequence[Path]) -> Samples | None:
    """A few recordings one after the other, or single ones here and there."""
    from real_room import _sound

    if not files:
        return None
    out, at, dense = np.zeros(n), 0.0, bool(rng.uniform() < 0.5)
    while at < n / sr:
        sound = _sound(files[int(rng.integers(len(files)))], sr)[: 8 * sr]
        place(out, sound / (rms(sound) + 1e-3), at, sr)
        at += 0.95 * len(sound) / sr if dense else len(sound) / sr + rng.uniform(0.2, 3.0)
        at += 0.05
    return out / (rms(out) + 1e-12)


def make_falls(seed: int, *, skip: bool | None = None, files: Sequence[Path] = ()) -> MadeTake:
    """A take with everything that is not given drawn from ``seed``.

    Args:
        seed: Of everything; takes of one motor share its thousands.
        skip: Whether the motor falls back.
        files: Recordings to lay under it.
    """
    rng = np.random.default_rng([seed, 91])
    sr = int(rng.choice([16000, 22050, 32000, 44100, 48000, 48000]))
    step_rate = between(rng, 8.0, 1700.0)
    feed = between(rng, 2.5, 30.0)
    geometry = MotorGeometry(
        steps_per_turn=int(rng.choice([200, 200, 200, 400])), filament_per_motor_turn_mm=feed
    )
    speed = step_rate * feed / geometry.steps_per_turn
    skip = bool(rng.uniform() < 0.5) if skip is None else skip
    start_s, steady = float(rng.uniform(0.5, 1.2)), float(rng.uniform(2.0, 7.0))
    ramp = float(np.clip(speed / between(rng, 50.0, 3000.0), 0.003, 0.3))
    end_s = start_s + steady + 2 * ramp
    n = fft.next_fast_len(int((end_s + rng.uniform(0.5, 1.0)) * sr))
    t = np.arange(n) / sr
    cycle_s = 4.0 / step_rate
    profile = np.clip((t - start_s) / ramp, 0, 1) * np.clip((end_s - t) / ramp, 0, 1)
    rate = profile * step_rate * (1 + rng.uniform(-0.001, 0.001))
    field = np.cumsum(rate) / sr / 4 + rng.uniform()
    # -- the rotor
    times: list[float] = []
    pattern = str(rng.choice(PATTERNS))
    lag = np.full(n, rng.uniform(0.02, 0.12)) * (t > start_s)
    natural_hz, damping = rng.uniform(30.0, 140.0), rng.uniform(0.04, 0.4)
    fall_s = rng.uniform(0.002, 0.012)
    if skip:
        times = fall_times(rng, start_s + ramp + 0.05, end_s - ramp - 0.12, cycle_s, pattern)
        cycles = int(rng.choice([1, 1, 1, 1, 2, 4]))
        gap_s = float(np.median(np.diff(times)))
        cycles = max(1, min(cycles, int(0.9 * gap_s / cycle_s)))
        shown = rng.uniform(0.0, 1.0)  # how much of the lag is in the sound
        last = start_s + ramp
        for at in times:
            part = (t >= last) & (t < at)
            lag[part] += (
                shown * 0.25 * ((t[part] - last) / max(at - last, 1e-3)) ** rng.uniform(0.5, 1.5)
            )
            fallen = np.clip((t - at) / (fall_s * cycles), 0.0, 1.0)
            lag += cycles * fallen**1.5
            swing = (t > at + fall_s * cycles) & (t < at + fall_s * cycles + 0.2)
            since = t[swing] - at - fall_s * cycles
            lag[swing] += (
                rng.uniform(0.02, 0.2)
                * np.exp(-2 * np.pi * natural_hz * damping * since)
                * np.sin(2 * np.pi * natural_hz * since)
            )
            last = at
    body = modes(rng, sr, int(rng.integers(4, 16)), (120.0, 9000.0), between(rng, 0.003, 0.04))
    motor = _motor(rng, sr, field, lag, rate, body)
    inside = (t > start_s + ramp) & (t < end_s - ramp)
    # -- its knocks
    own = modes(
        rng,
        sr,
        int(rng.integers(2, 14)),
        (between(rng, 150.0, 1500.0), between(rng, 2500.0, 12000.0)),
        between(rng, 0.001, 0.025),
    )
    if rng.uniform() < 0.4:
        own = signal.fftconvolve(own, body)
        own /= np.sqrt((own**2).sum())
    strike = np.hanning(max(3, int(between(rng, 0.0001, 0.0012) * sr)))
    own = signal.fftconvolve(own, strike)
    own *= np.sqrt(0.01 * sr) / np.sqrt((own[: int(0.01 * sr)] ** 2).sum())  # rms 1 over 10 ms
    unlike, twice = rng.uniform(0.0, 4.0), rng.uniform() < 0.7
    knocks = np.zeros(n)
    for at in times:
        faded = 14.0 * (at - start_s) / steady if pattern == "fading" else 0.0
        one = own * db(rng.normal(0.0, unlike) - faded)
        place(knocks, one, at, sr)
        if twice:
            place(knocks, one * rng.uniform(0.2, 1.1), at + fall_s * rng.uniform(0.7, 1.4), sr)
    tick = not skip and rng.uniform() < 0.06 and step_rate / 200 < 6
    ticks = np.zeros(n)
    if tick:  # a tooth that ticks once a turn
        for at in np.arange(start_s + rng.uniform(0, 1), end_s, 200 / step_rate):
            place(ticks, own * db(rng.normal(0.0, 1.0)), float(at), sr)
        ticks *= rms(motor[inside]) * db(rng.uniform(-3.0, 8.0))
    if rng.uniform() < 0.75:
        answer = room_answer(rng, sr, (-5.0, 18.0))
        motor, knocks, ticks = (
            signal.fftconvolve(x, answer)[:n] if x.any() else x for x in (motor, knocks, ticks)
        )
    level = rms(motor[inside])
    motor, ticks = motor / level, ticks / level
    # -- the room
    ratio_db = float(rng.uniform(-6.0, 35.0))
    bed = coloured(rng, n, rng.uniform(0.0, 7.0))
    if rng.uniform() < 0.6:
        bed = bed * db(rng.uniform(-20, 0)) + fan_like(rng, n, sr)
    recorded = _recorded(rng, sr, n, files)
    if recorded is not None and rng.uniform() < 0.5:
        share = rng.uniform(0.2, 0.97)
        bed = np.sqrt(1 - share) * bed / rms(bed) + np.sqrt(share) * recorded
    bed *= db(-ratio_db) / rms(bed[inside])
    company: list[str] = []
    if rng.uniform() < (0.3 if skip else 0.65):
        company = [str(k) for k in rng.choice(COMPANY, int(rng.integers(1, 3)), replace=False)]
    far = room_answer(rng, sr, (-8.0, 8.0))
    for kind in company:
        sound = _company(rng, sr, n, kind, (start_s, end_s), recorded)
        bed = bed + sound * db(rng.uniform(-8.0, 22.0)) * (1.0 if "k" in kind else 0.7)
    if rng.uniform() < 0.5:
        bed = signal.fftconvolve(bed, far)[:n]
    rest = motor + ticks + bed
    if times:
        level_db = rng.uniform(2.0, 24.0)
        while True:
            out = _standing_out(knocks * db(level_db), rest, sr, times)
            if np.sort(out)[-2] >= AUDIBLE_DB + rng.uniform(0.0, 4.0) or level_db > 60.0:
                break
            level_db += 3.0
        knocks = knocks * db(level_db)
    x = rest + knocks
    # -- the microphone
    spectrum = np.fft.rfft(x)
    spectrum *= (np.fft.rfftfreq(n, 1 / sr) + 30.0) ** rng.uniform(-0.4, 0.4)
    x = np.fft.irfft(spectrum, n)
    x = signal.lfilter(*signal.butter(1, between(rng, 25.0, 250.0), "high", fs=sr), x)
    if rng.uniform() < 0.5:
        x = signal.lfilter(*signal.butter(2, rng.uniform(0.25, 0.48) * sr, fs=sr), x)
    notes: dict[str, float | str] = {"room": "+".join(company) or "none", "pattern": pattern}
    if rng.uniform() < 0.08:
        x = np.tanh(2.5 * x / np.abs(x).max())
    if rng.uniform() < 0.08:
        notes["agc"] = 1.0
        keep = np.exp(-1 / (rng.uniform(0.1, 0.8) * sr))
        x = x / (np.sqrt(signal.lfilter([1 - keep], [1, -keep], x**2)) + 0.3 * rms(x))
    x = x / np.abs(x).max() * db(rng.uniform(-40.0, -1.0))
    x = x + rng.normal(size=n) * db(-rng.uniform(60.0, 90.0))
    x = np.clip(np.round(x * 32767), -32768, 32767) / 32768
    return MadeTake(x, sr, speed, geometry, start_s, end_s, times, False, ratio_db, notes)
