"""Made sound of a wider world: other motors, other clicks and other rooms than in `made_sound`.

No physics either. Steps come at 15 to 2,000 a second; a click may be a burst of noise, a few
resonances or a dull thump, ring for 2 to 60 ms, swallow or shift the motor's tone or leave it
alone, and be barely or far louder than the steps; rooms knock again and again, switch relays in a
regular beat, shut doors, and hide the motor under fans.
"""

from __future__ import annotations

import numpy as np
from made_sound import (
    MadeTake,
    Samples,
    body_filter,
    bursts,
    coloured,
    damped,
    fan_like,
    knock,
    motor_sound,
    music_like,
    rms,
    speech_like,
    through,
)
from scipy import signal

from detectors.evidence import MotorGeometry

WIDE_ROOMS = (
    "quiet",
    "quiet",
    "fan",
    "fan",
    "hum",
    "speech",
    "music",
    "knock",
    "clatter",
    "relay",
    "door",
    "fan-start",
)
CLICK_KINDS = ("burst", "rings", "thump", "double")


def wide_click(rng: np.random.Generator, sr: int, kind: str):  # type: ignore[no-untyped-def]
    """A maker of clicks that are alike, but not the same."""
    tau = float(np.exp(rng.uniform(np.log(0.002), np.log(0.06)))) / 2.0
    rings_hz = np.exp(rng.uniform(np.log(150), np.log(min(9000, 0.4 * sr)), rng.integers(2, 7)))
    weights = rng.uniform(0.3, 1.2, len(rings_hz))
    corner = min(0.4, rng.uniform(1500, 12000) / sr * 2)
    dull = signal.butter(2, corner)
    spread = rng.uniform(0.05, 0.4)
    gap = rng.uniform(0.003, 0.02)

    def one(length: int) -> Samples:
        t = np.arange(length) / sr
        x = rng.normal(size=length) * np.exp(-t / (0.5 * tau + 0.0005))
        if kind == "thump":
            x = signal.lfilter(*dull, x)
        if kind in ("rings", "double"):
            x *= 0.5
            for hz, weight in zip(rings_hz, weights, strict=True):
                x += weight * damped(rng, sr, hz * rng.uniform(0.98, 1.02), tau, 1.0)[:length]
        return x

    def make() -> Samples:
        length = int((6 * tau + gap + 0.005) * sr)
        x = one(length)
        if kind == "double":
            later = int(gap * rng.uniform(0.8, 1.2) * sr)
            x[later:] += 0.8 * one(length)[: length - later]
        return np.asarray(x * np.exp(rng.normal(0, spread)))

    return make


def _click_times(
    rng: np.random.Generator, first: float, last: float, rate: float, few: bool
) -> list[float]:
    wobble = rng.uniform(0.05, 0.7)
    count = int(rng.integers(2, 5)) if few else 10_000
    times, at = [], first
    while at < last and len(times) < count:
        times.append(at)
        at += max(0.03, np.exp(rng.normal(0, wobble)) / rate)
    return times


def _room(rng: np.random.Generator, n: int, sr: int, kind: str) -> tuple[Samples, list[float]]:
    """Lasting sound at unit level, and the times of single sounds."""
    x = coloured(rng, n, rng.uniform(0, 7))
    t = np.arange(n) / sr
    other: Samples | None = None
    times: list[float] = []
    total = n / sr
    if kind == "fan":
        other = fan_like(rng, n, sr)
    elif kind == "fan-start":
        other = fan_like(rng, n, sr) * np.clip(
            (t - rng.uniform(0, total)) / rng.uniform(0.3, 2), 0, 1
        )
    elif kind == "hum":
        f = float(rng.choice([50, 60, 100, 120]))
        other = sum(np.sin(2 * np.pi * f * k * t + rng.uniform(0, 6)) / k for k in range(1, 9))
    elif kind == "speech":
        other = speech_like(rng, n, sr)
    elif kind == "music":
        other = music_like(rng, n, sr)
    elif kind == "knock":
        times = list(rng.uniform(0.2, total - 0.3, rng.integers(1, 3)))
    elif kind == "clatter":
        at = rng.uniform(0.1, total - 1.0)
        for _ in range(int(rng.integers(3, 9))):
            times.append(float(at))
            at += rng.uniform(0.08, 0.9)
    elif kind == "relay":
        beat = rng.uniform(0.4, 2.5)
        times = list(np.arange(rng.uniform(0.1, beat), total - 0.1, beat))
    elif kind == "door":
        times = [float(rng.uniform(0.2, total - 0.5))]
    if other is not None:
        x = x * 10 ** (rng.uniform(-30, -5) / 20) + other / (rms(other) + 1e-12)
    return x / (rms(x) + 1e-12), [at for at in times if at < total - 0.05]


def _single(rng: np.random.Generator, sr: int, kind: str):  # type: ignore[no-untyped-def]
    """A maker of the room's single sounds: knocks differ from one to the next, relays do not."""
    if kind == "relay":
        own = wide_click(rng, sr, "burst")
        first = own()[: int(0.02 * sr)]
        return lambda: first * np.exp(rng.normal(0, 0.1)) * (1 + 0.05 * rng.normal(size=len(first)))
    if kind == "door":

        def slam() -> Samples:
            t = np.arange(int(0.5 * sr)) / sr
            noise = signal.lfilter(*signal.butter(2, 1500 / sr * 2), rng.normal(size=len(t)))
            return np.asarray(noise * np.exp(-t / rng.uniform(0.05, 0.2)))

        return slam
    return lambda: knock(rng, sr) * np.exp(rng.normal(0, 0.5))


def make_wide(seed: int, *, skip: bool | None = None, room: str | None = None) -> MadeTake:
    """A take with everything that is not given drawn from ``seed``."""
    rng = np.random.default_rng([seed, 77])
    sr = int(rng.choice([16000, 22050, 32000, 44100, 48000]))
    steps_per_turn = int(rng.choice([200, 200, 400]))
    step_rate = float(np.exp(rng.uniform(np.log(15.0), np.log(2000.0))))
    feed = float(np.exp(rng.uniform(np.log(2.0), np.log(25.0))))
    geometry = MotorGeometry(steps_per_turn=steps_per_turn, filament_per_motor_turn_mm=feed)
    speed = step_rate * feed / steps_per_turn
    skip = bool(rng.uniform() < 0.5) if skip is None else skip
    kind = room or str(rng.choice(WIDE_ROOMS))
    ratio_db = float(rng.uniform(0, 35))
    start_s, steady = float(rng.uniform(0.5, 1.2)), float(rng.uniform(2.0, 6.0))
    ramp = float(rng.uniform(0.01, 0.2))
    end_s = start_s + steady + 2 * ramp
    n = int((end_s + rng.uniform(0.4, 0.8)) * sr)
    t = np.arange(n) / sr
    profile = np.clip((t - start_s) / ramp, 0, 1) * np.clip((end_s - t) / ramp, 0, 1)
    rate = profile * step_rate * (1 + rng.uniform(-0.001, 0.001))
    notes: dict[str, float | str] = {"room": kind}
    cycle_s = 4.0 / step_rate
    times: list[float] = []
    lag = np.zeros(n)
    swallow = np.ones(n)
    touch = str(rng.choice(["none", "gap", "fall", "fall", "shift"]))
    if skip:
        fastest = min(20.0, 0.8 / cycle_s)
        click_rate = float(np.exp(rng.uniform(0.0, np.log(max(1.05, fastest)))))
        first = start_s + ramp + 0.15 + rng.uniform(0.0, 0.6) * (steady - 0.3)
        few = bool(rng.uniform() < 0.3)
        times = _click_times(rng, first, end_s - ramp - 0.1, click_rate, few)
        if len(times) < 2:
            times = [first, first + 0.5 / click_rate * rng.uniform(0.5, 1.0)]
        notes |= {"click_rate": click_rate, "touch": touch}
        width = rng.uniform(0.005, 0.03)
        cycles = int(rng.integers(1, 5))
        for at in times:
            if touch == "fall":  # falls back by whole cycles, and settles
                lag += cycles * np.clip((t - at) / width, 0, 1)
            elif touch == "shift":  # settles a part of a cycle off
                lag += rng.uniform(0.15, 0.6) * np.clip((t - at) / width, 0, 1)
            elif touch == "gap":
                swallow *= 1 - rng.uniform(0.6, 1.0) * ((t > at) & (t < at + width))
    phase = np.cumsum(rate) / sr / 4 - lag
    motor = motor_sound(rng, sr, phase, rate, notes) * swallow
    inside = (t > start_s + ramp) & (t < (times[0] if times else end_s - ramp))
    if times:
        name = str(rng.choice(CLICK_KINDS))
        make = wide_click(rng, sr, name)
        level = float(rng.uniform(8.0, 30.0))
        sound = bursts(n, sr, times, make)
        peak = np.median([rms(make()[: int(0.008 * sr)]) for _ in range(5)])
        # Over the motor's own loudest moments of that length, so that slow steps do not hide it.
        power = signal.lfilter(np.ones(int(0.008 * sr)) / int(0.008 * sr), [1.0], motor**2)
        motor = motor + sound * np.sqrt(np.median(power[inside]) + 0.1 * power[inside].max()) / (
            peak
        ) * 10 ** (level / 20)
        notes |= {"click": name, "click_db": level}
    motor = through(motor, body_filter(rng, sr))
    motor /= rms(motor[inside]) + 1e-12
    background, at_s = _room(rng, n, sr, kind)
    x = motor * 10 ** (ratio_db / 20) + background
    if at_s:
        make = _single(rng, sr, kind)
        sound = bursts(n, sr, at_s, make)
        peak = np.median([rms(make()[: int(0.01 * sr)]) for _ in range(5)])
        x = x + sound * rms(x[inside]) / peak * 10 ** (rng.uniform(0, 25) / 20)
    if rng.uniform() < 0.3:  # the chopper's whine, moving or not
        x = x + rms(x) * 10 ** (rng.uniform(-40, -15) / 20) * np.sin(
            2 * np.pi * rng.uniform(0.15, 0.45) * sr * t
        )
    if rng.uniform() < 0.3:  # a room that rings
        tail = rng.normal(size=int(0.25 * sr)) * np.exp(
            -np.arange(int(0.25 * sr)) / sr / rng.uniform(0.01, 0.06)
        )
        tail *= 10 ** (rng.uniform(-20, -6) / 20) / np.sqrt((tail**2).sum())
        tail[0] = 1.0
        x = signal.fftconvolve(x, tail)[:n]
    if rng.uniform() < 0.15:
        notes["agc"] = 1.0
        keep = np.exp(-1 / (rng.uniform(0.1, 0.8) * sr))
        x = x / (np.sqrt(signal.lfilter([1 - keep], [1, -keep], x**2)) + 0.3 * rms(x))
    x = x / float(np.abs(x).max()) * 10 ** (rng.uniform(-45, -3) / 20)
    if rng.uniform() < 0.2:
        x = x + rng.uniform(-0.05, 0.05)
    x = np.clip(np.round(x * 32767), -32768, 32767) / 32768
    return MadeTake(x, sr, speed, geometry, start_s, end_s, times, False, ratio_db, notes)
