"""Sound of a stepper whose rotor is integrated: lag, slips and catches come out of the motion.

Two phase currents pull a rotor, which drives a second mass through play and a spring; that builds
up pressure, which falls with each lost cycle. The load is searched for until it slips as wanted.
The equation of motion is solved; its constants and all from force to microphone are invented.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
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
Pair = tuple[Samples, Samples]
#: Slips closer than this sound as one; control rate of the wanted pressure.
MERGE_S, ENV_HZ = 0.025, 200.0
TORQUE, KNOCK, CONTACT, PHASE_A, PHASE_B, LAG, PRESSURE, GEAR = range(8)


@njit(cache=True)
def _integrate(dt: float, keep: int, out: Samples, env: Samples, c: Samples) -> None:
    """Angles in electrical radians, torques in units of the pull-out torque; fills `out`."""
    w_cmd, start, ramp, end, w0, damp, tau, micro, detent, detent_at = c[:10]
    dry, viscous, inertia, play, w_contact, zeta, f_inf, tau_p, ecc, ecc_wheel = c[10:20]
    wheel, tooth, mesh, mesh_n, poles, unequal, third = c[20:27]
    stiff = w_contact**2 * inertia / (1 + inertia)
    soft = 2 * zeta * w_contact * inertia / (1 + inertia)
    at = phi = v = g = u = force = ib = 0.0
    ia, per_rad = 1.0, micro * 2 / np.pi
    for k in range(out.shape[1]):
        for j in range(keep):
            t = (k * keep + j) * dt
            wc = w_cmd * max(0.0, min(1.0, (t - start) / ramp, (end - t) / ramp))
            # The mean of the stepped command over the tick, so that no step edge is aliased.
            x0, x1 = at * per_rad, (at + wc * dt) * per_rad
            x = np.floor(x0) + 0.5
            if np.floor(x1) > np.floor(x0):
                x += min(1.0, (x1 - np.floor(x1)) / (x1 - x0)) if x1 - x0 < 1 else x1 - x0 - 0.5
            at, q = at + wc * dt, x / per_rad
            ia += dt / (tau + dt) * (np.cos(q) + third * np.cos(3 * q) - ia)
            ib += dt / (tau + dt) * (unequal * (np.sin(q) - third * np.sin(3 * q)) - ib)
            torque = ib * np.cos(phi) - ia * np.sin(phi) + detent * np.sin(4 * phi + detent_at)
            gap = np.sign(phi - g) * max(0.0, abs(phi - g) - 0.5 * play)
            contact = stiff * gap + soft * (v - u) * (gap != 0)
            r = g / poles
            load = force * (1 + ecc * np.cos(r) + ecc_wheel * np.cos(wheel * r + 1))
            load += mesh * np.sin(mesh_n * r) + tooth * np.exp(-(((1 - np.cos(r - 2)) / 2e-3) ** 2))
            # Damping belongs to the turning field (eddy currents, driver), else nothing catches.
            pull = w0**2 * torque + damp * (wc - v) - viscous * v
            v += dt * (pull - contact)
            u += dt / inertia * (contact - w0**2 * (load + dry * np.tanh(u / 40)))
            phi, g = phi + dt * v, g + dt * u
            e, i = t * ENV_HZ, int(t * ENV_HZ)
            want = f_inf * (env[i] + (e - i) * (env[i + 1] - env[i]))
            force = max(-0.1, force + dt / tau_p * (want * u / w_cmd - force))
            for m, value in enumerate((torque, (pull - contact) / w0**2, contact / w0**2, ia, ib)):
                out[m, k] += value / keep
        out[LAG, k], out[PRESSURE, k], out[GEAR, k] = at - phi, force, g / poles


def _merged(every: Samples) -> list[float]:
    """The first of each bunch."""
    first: list[float] = []
    for t in np.sort(every):
        if not first or t - first[-1] >= MERGE_S:
            first.append(float(t))
    return first


@dataclass
class _Run:
    """A motor with its move: constants of motion, and the slips wanted of it."""

    c: Samples
    env: Samples
    total_s: float
    pattern: str
    wanted: int

    def go(self, load: float, rate_hz: float, keep: int) -> Pair:
        """The motion at this load, and the times of all lost cycles."""
        self.c[16] = load
        out = np.zeros((8, int(self.total_s * rate_hz)))
        _integrate(1 / rate_hz / keep, keep, out, self.env, self.c)
        cycles = np.maximum.accumulate(np.floor((out[LAG] + 0.7 * np.pi) / (2 * np.pi)))
        return out, (np.flatnonzero(np.diff(cycles) > 0) + 1) / rate_hz


def _draw_run(rng: Rng, step_hz: float, stall: bool) -> tuple[_Run, MotorGeometry, float]:
    """A motor, a move, how the load goes with time; and the commanded speed in mm/s."""
    steps, feed = 400 if rng.random() < 0.15 else 200, between(rng, 0.8, 36.0)
    start = rng.uniform(0.5, 1.2)
    steady_s = rng.uniform(2, 7) if step_hz > 40 else rng.uniform(4, 7)
    w, w0 = step_hz * np.pi / 2 * (1 + rng.uniform(-9e-4, 9e-4)), 2 * np.pi * between(rng, 45, 260)
    inertia, cycle_hz = between(rng, 0.05, 1.5), w / 2 / np.pi
    ramp = max(between(rng, 0.004, 0.4), w * (1 + inertia) / (0.15 * w0**2))
    end, after = start + 2 * ramp + steady_s, rng.uniform(0.5, 1.0)
    micro = rng.choice([1, 2, 4, 8, 16, 32, 64, 256], p=[0.1, 0.1, 0.1, 0.15, 0.25, 0.1, 0.1, 0.1])
    c, lag_s = np.zeros(27), min(between(rng, 5e-5, 2e-3), 0.7 / w)
    c[:8] = w, start, ramp, end, w0, w0 * between(rng, 0.08, 1.1), lag_s, micro
    c[8:11] = between(rng, 0.003, 0.12), rng.uniform(0, 6.3), between(rng, 0.004, 0.15)
    c[11:13] = between(rng, 0.001, 0.05) * w0 * min(1, w0 / w), inertia
    c[13:15] = max(0.0, between(rng, 0.001, 0.8) - 0.005), 2 * np.pi * between(rng, 250, 1600)
    # Pressure far stiffer than the motor would let the rotor creep through a slip without a snap.
    c[[15, 17]] = between(rng, 0.03, 0.4), max(between(rng, 0.03, 0.8), 0.25 / cycle_hz)
    c[18:21] = (
        between(rng, 0.003, 0.25),
        between(rng, 0.003, 0.15),
        rng.choice([0.2, 0.3, 0.37, 1, 3]),
    )
    c[21:23] = between(rng, 0.02, 0.3) * (rng.random() < 0.25), between(rng, 0.001, 0.08)
    c[23:] = rng.integers(7, 48), steps / 4, 1 + rng.normal(0, 0.05), rng.normal(0, 0.04)
    names = ["steady", "steady", "late", "stops", "speeding", "bunched", "few"]
    pattern = "stall" if stall else str(rng.choice(names))
    t = np.arange(0, end + after + 0.1, 1 / ENV_HZ)
    part = np.clip((t - start) / (end - start), 0, 1)
    from_, long, low = rng.uniform(0.15, 0.7), rng.uniform(0.2, 0.3), rng.uniform(0.5, 0.9)
    beats = t * between(rng, 0.5, 2.5) % 1 < rng.uniform(0.3, 0.7)
    spans = {"late": (from_, 2), "stops": (-1, 0.25 + from_), "few": (from_, from_ + long)}
    since, until = spans.get(pattern, (-1, 2))
    on = np.where((part > since) & (part < until), 1.0, 0.0)
    on *= beats if pattern == "bunched" else 0.6 + 0.4 * part if pattern == "speeding" else 1.0
    grain = signal.lfilter([1], [1, between(rng, 0.02, 0.7) - 1], rng.normal(size=len(t)))
    env = (low + (1 - low) * on) * (1 + between(rng, 0.005, 0.12) * grain / grain.std())
    slips = (
        min(between(rng, 1, 20), 0.5 * cycle_hz) * steady_s * np.mean(on[(part > 0) & (part < 1)])
    )
    wanted = int(rng.integers(2, 6)) if pattern == "few" else max(2, round(float(slips)))
    run = _Run(c, env, end + after, pattern, wanted)
    return run, MotorGeometry(steps, feed), step_hz * feed / steps


def _limit(run: _Run) -> float:
    """The greatest load, by halving, that is carried without a slip; 0 if there is none."""
    low, high, f = 0.0, 0.0, 0.8
    for _ in range(12):
        low, high = (low, f) if _merged(run.go(f, 2000, 10)[1]) else (f, high)
        if low and high and high / low < 1.07:
            break
        f = 0.5 * (low + high) if low and high else f * (0.7 if high else 1.25)
    return low


def _move(rng: Rng, skip: bool, sr: int) -> tuple[_Run, MotorGeometry, float, Samples, Samples]:
    """Draw a motor and integrate its move, until it does what is wanted."""
    step_hz, stall = between(rng, 8, 2000), rng.random() < 0.05
    while True:
        run, geometry, speed = _draw_run(rng, step_hz, stall)
        over, limit = -rng.uniform(0.05, 0.6), _limit(run)
        w, begin, ramp, end = run.c[:4]
        if skip:
            over = 7.0 if stall else 1.03 / (1 - min(0.5, run.wanted * 6.3 / w / (end - begin))) - 1
        # The same motors are cast out for both outcomes: those that cannot run clean.
        for _ in range(6 if limit > 0.08 else 0):
            out, every = run.go(limit * (1 + over), sr, int(np.ceil(40000 / sr)))
            first = np.array(_merged(every))
            ratio = (run.wanted + 0.3) / (len(first) + 0.3)
            steady = np.sum((first > begin + ramp) & (first < end - ramp - 0.05))
            within = not len(first) or (first[0] > begin and every[-1] < end + 0.05)
            if within and (steady > 1 and (stall or 0.75 < ratio < 3) if skip else not len(first)):
                return run, geometry, speed, out, every
            over = over * min(max(ratio, 0.4), 2.5) if skip else over - 0.1


def _body(rng: Rng, sr: int, modes: int, low_hz: float, high_hz: float, q: float) -> Samples:
    """Impulse response of random modes, of unit energy, with a little of the direct path."""
    t, h, high_hz = np.arange(sr // 4) / sr, np.zeros(sr // 4), min(high_hz, 0.46 * sr)
    for _ in range(modes):
        f, ring = between(rng, min(low_hz, 0.9 * high_hz), high_hz), q * between(rng, 0.4, 2.5)
        h += rng.normal() * np.exp(-np.pi * f * t / ring) * np.sin(2 * np.pi * f * t)
    h /= np.sqrt(np.sum(h**2)) + 1e-12
    h[0] += between(rng, 0.003, 0.5) if modes > 2 else 0.0
    return h


def _hits(times: Samples, strength: Samples, h: Samples, n: int, sr: int) -> Samples:
    """One `h` at each time."""
    x = np.zeros(n + len(h))
    for t, a in zip(times, strength, strict=True):
        if 0 <= t < n / sr:
            x[int(t * sr) : int(t * sr) + len(h)] += a * h
    return x[:n]


def _noise(rng: Rng, n: int, sr: int, slope_db: float) -> Samples:
    """Noise of unit rms that falls by `slope_db` per octave above a corner."""
    m = fft.next_fast_len(n, real=True)
    f = np.arange(m // 2 + 1) * sr / m
    gain = (1 + (f / between(rng, 40, 4000)) ** 2) ** (-slope_db / 12.04)
    x = fft.irfft(fft.rfft(rng.standard_normal(m, dtype=np.float32)) * gain, m)[:n]
    return np.asarray(x / rms(x), dtype=np.float64)


def _frames(x: Samples, sr: int) -> Samples:
    """Power in frames of 10 ms, 200 a second (rows), and octave bands from 125 Hz (columns)."""
    size = sr // 100
    rows = np.lib.stride_tricks.sliding_window_view(x, size)[:: sr // 200] * np.hanning(size)
    power = np.abs(fft.rfft(rows.astype(np.float32), 4 * size)) ** 2
    edges = [int(88.4 * 2**k * 4 * size / sr) for k in range(8) if 88.4 * 2**k < 0.45 * sr]
    return np.asarray(np.add.reduceat(power, edges, axis=1))


def _motor(rng: Rng, run: _Run, out: Samples, every: Samples, sr: int) -> Pair:
    """What the motor sounds like without its slips, and where these are heard (0 to 1)."""
    n, (w, begin, ramp, end) = out.shape[1], run.c[:4]
    moving = slice(int((begin + ramp) * sr), int((end - ramp) * sr))
    t, window, tone = np.arange(n) / sr, np.zeros(n), np.zeros(n)
    for s in every:
        window[int((s - 0.008) * sr) : int((s + 0.03) * sr)] = 1.0
    window = np.clip(signal.oaconvolve(window, np.hanning(sr // 160) / (sr // 320), "same"), 0, 1)
    a, b, lag, turn = out[[PHASE_A, PHASE_B, LAG, GEAR]]
    phi = np.cumsum(w * np.clip(np.minimum(t - begin, end - t) / ramp, 0, 1)) / sr - lag
    pulls = [a * np.abs(a), b * b, np.abs(a * b), (a * np.cos(phi) + b * np.sin(phi)) ** 2]
    field = sum(rng.normal() * pull for pull in pulls)
    balls = 1 + rng.uniform(0, 0.9) * np.cos(rng.uniform(2, 30) * turn)
    bearing = balls * np.sqrt(np.abs(np.gradient(turn)))
    pressed = 1 + between(rng, 0.05, 2) * np.clip(out[PRESSURE], 0, 2)
    bearing *= pressed * _noise(rng, n, sr, rng.uniform(-2, 4))
    hiss = np.diff(_noise(rng, n, sr, 0), prepend=0.0) * (np.abs(a) + np.abs(b))
    frame = [_body(rng, sr, int(rng.integers(3, 14)), 90, 8000, between(rng, 2, 40)) for _ in "xx"]
    keep = [1.0, 0.0, rng.uniform()][int(rng.integers(3))]
    for k, x in enumerate([*out[[TORQUE, KNOCK, CONTACT]], field, bearing, hiss]):
        # The forces' rates sound, and not the rotor's settling when the power comes on.
        y = np.diff(x, prepend=x[0]) * (t > 0.3) if k < 4 else x
        if k < 3 and len(every):
            level = np.resize(y[moving], (len(y[moving]) // 128, 128)).std(axis=1)
            inside = window[moving][::128][: len(level)] > 0.5
            usual = np.median(level[~inside]) if sum(~inside) > 20 else 0.5 * np.median(level)
            # A slip is heard by its own share, so the tone under it is not to stand out.
            y = y * (1 - window * (1 - keep * min(1.0, usual / (level[inside].max() + 1e-12))))
        y = signal.oaconvolve(y, frame[k % 2])[:n]
        tone += y / (rms(y[moving]) + 1e-12) * db(rng.uniform(-30 - (k == 5) * 10, 0))
    level = rms(tone[moving])
    if rng.random() < 0.25:
        turns = np.flatnonzero(np.diff(np.floor(turn / 2 / np.pi + rng.uniform())) > 0) / sr
        strength = db(rng.uniform(-5, 25)) * level * np.exp(rng.normal(0, 0.2, len(turns)))
        tone += _hits(turns, strength, _body(rng, sr, 6, 200, 8000, between(rng, 2, 20)), n, sr)
    if rng.random() < 0.3:
        strength, thud = level * 10 ** rng.uniform(0, 1.5, 2), _body(rng, sr, 4, 60, 900, 5)
        tone += _hits(np.array([begin, end - 0.005]), strength, thud, n, sr)
    return tone, window


def _skips(rng: Rng, out: Samples, every: Samples, window: Samples, sr: int) -> Pair:
    """Catching of the rotor, slack and the drive wheel's bite, per lost cycle; and when."""
    colour = str(rng.choice(["dull", "bright", "narrow", "broad", "own"]))
    low, high, modes, q = {
        "dull": (70.0, 900.0, 4, 4.0),
        "bright": (4200.0, 12000.0, 6, 7.0),
        "narrow": (150.0, 9000.0, int(rng.integers(1, 3)), 25.0),
        "broad": (100.0, 10000.0, 18, 3.5),
        "own": (90.0, 8000.0, int(rng.integers(3, 12)), 9.0),
    }[colour]
    q *= between(rng, 0.35, 3)
    n, h, k = out.shape[1], _body(rng, sr, modes, low, high, q), np.arange(sr // 10) / sr
    near = [out[KNOCK][int(s * sr) : int((s + 0.02) * sr)] for s in every]
    caught = every + np.array([np.argmax(np.abs(x)) for x in near]) / sr
    spread = np.exp(rng.normal(0, between(rng, 0.05, 0.6), len(every))) * [np.ptp(x) for x in near]
    late = caught + between(rng, 0.001, 0.03) * np.exp(rng.normal(0, 0.2, len(every)))
    bite = signal.oaconvolve(rng.normal(size=len(k)) * np.exp(-k / between(rng, 0.001, 0.02)), h)
    parts = [
        signal.oaconvolve(np.diff(out[KNOCK], prepend=0.0) * window, h)[:n],
        _hits(caught, spread, h, n, sr),
        _hits(late, spread[::-1], _body(rng, sr, modes, low, high, q), n, sr),
        _hits(caught - 0.002, spread, bite, n, sr),
    ]
    x = sum(p / (np.abs(p).max() + 1e-12) * db(rng.uniform(-30, 0)) for p in parts)
    if colour in ("dull", "bright"):
        edge = (1000, "low") if colour == "dull" else (4000, "high")
        x = signal.sosfilt(signal.butter(4, *edge, fs=sr, output="sos"), x)
    return np.asarray(x), caught


def _room(rng: Rng, sr: int, n: int, files: Sequence[Path]) -> tuple[Samples, list[str]]:
    """What else there is to hear, and the names of it."""
    t, total = np.arange(n) / sr, _noise(rng, n, sr, rng.uniform(1, 9))
    chances = {"hum": 0.15, "fan": 0.3, "machine": 0.15, "rhythm": 0.2, "knocks": 0.2}
    chances |= {"relay": 0.08, "speech": 0.12, "music": 0.1, "file": 0.35, "files": 0.25}
    names = [k for k, p in chances.items() if rng.random() < p and (files or k[:4] != "file")]
    for name in names:
        body = _body(rng, sr, int(rng.integers(1, 12)), 80, 7000, between(rng, 1.5, 50))
        lasts, rate = name not in ("rhythm", "knocks", "relay"), between(rng, 1, 20)
        if name == "hum":
            y = np.sin(2 * np.pi * rng.choice([50, 60]) * t)
            y = signal.oaconvolve(y + rng.uniform(0, 4) * y**2 + np.tanh(9 * y), body)[:n]
        elif name == "fan":
            since = t - (rng.uniform(0, 0.7 * n / sr) if rng.random() < 0.4 else -9.0)
            up = 1 - np.exp(-np.clip(since, 0, None) / between(rng, 0.05, 1.5))
            blades = np.cumsum(up * between(rng, 60, 600)) / sr % 1 - 0.5
            y = up**2 * (_noise(rng, n, sr, 3) + rng.uniform(0, 2) * blades)
        elif name == "machine":
            held = np.exp(rng.uniform(4, 7.3, 400))
            hz = np.repeat(
                held, (between(rng, 0.03, 0.8) * sr * rng.uniform(0.2, 2, 400)).astype(int)
            )
            y = np.diff(np.floor(np.cumsum(np.resize(hz, n)) / sr), prepend=0)
            y = signal.oaconvolve(y - y.mean(), body)[:n]
        elif name in ("speech", "music"):
            cuts = np.cumsum(rng.uniform(0.4, 1.8, 200) / rate * (3 if name == "music" else 1))
            which, tune = np.searchsorted(cuts, t) % 200, np.exp(rng.normal(0, 0.3, 200))
            hz = 80 * np.exp2(rng.integers(0, 36, 200) / 12) if name == "music" else 150 * tune
            y = (np.cumsum(hz[which]) / sr % 1 - 0.5) + rng.uniform(0, 0.5) * rng.normal(size=n)
            fall = np.exp(-(t - np.append(0, cuts)[which]) * between(rng, 3, 60))
            y = signal.oaconvolve(y * fall * tune[which] ** 3, body)[:n]
        elif name[:4] == "file":
            sound = _sound(files[int(rng.integers(len(files)))], sr)
            y = np.resize(np.roll(sound, -int(rng.integers(len(sound)))), n)
            lasts = len(sound) > 1.2 * sr and rng.random() < 0.8
            times = rng.uniform(0, 0.9 * n / sr, int(rng.integers(1, 7)))
            y = y if lasts else _hits(times, 0.3 + rng.random(len(times)), sound[: 2 * sr], n, sr)
        else:
            times = np.arange(rng.uniform(-0.5, 0.8), rng.uniform(0.3, 1.5), sr / n / rate) * n / sr
            times += rng.normal(0, between(rng, 1e-4, 0.3) / rate, len(times))
            times = times if name == "rhythm" else rng.uniform(0, n / sr, int(rng.integers(1, 7)))
            times = np.append(times, times + rng.uniform(0.005, 0.06) if name == "relay" else [])
            y = _hits(times, np.exp(rng.normal(0, 0.3, len(times))), body, n, sr)
        level = rms(y) if lasts else np.abs(y).max() / db(rng.uniform(0, 32))
        total += y / (level + 1e-12) * db(rng.uniform(-12, 14) if lasts else 0)
    return total, names


def make_rotor(seed: int, *, skip: bool | None = None, files: Sequence[Path] = ()) -> MadeTake:
    """One take; whatever is not given is drawn from the seed."""
    first = np.random.default_rng([seed, 127])
    skip = first.random() < 0.5 if skip is None else skip
    # A source of chance for each part: a skip is not to shift what the others draw.
    of_move, of_motor, of_skip, of_room, of_mic = first.spawn(5)
    sr = int(of_mic.choice([16000, 22050, 32000, 44100, 48000]))
    run, geometry, speed, out, every = _move(of_move, skip, sr)
    n, (_w, begin, ramp, end) = out.shape[1], run.c[:4].tolist()
    motor, window = _motor(of_motor, run, out, every, sr)
    room, names = _room(of_room, sr, n, files)
    # Room and microphone are one filter for motor and slips; the rest has had its room.
    m = fft.next_fast_len(n + sr, real=True)
    fall = np.exp(-6.9 * np.arange(sr) / sr / between(of_mic, 0.04, 1.2))
    echo = _noise(of_mic, sr, sr, of_mic.uniform(0, 4)) * fall
    echo *= db(of_mic.uniform(-30, 6)) / np.sqrt(np.sum(echo**2))
    echo[0] += 1.0
    f, curve = fft.rfftfreq(m, 1 / sr), np.cumsum(of_mic.normal(0, of_mic.uniform(0, 4), 10))
    mic = 10 ** (np.interp(np.log(f + 20), np.linspace(3, 10.1, 10), curve) / 20)
    mic /= np.sqrt(1 + (between(of_mic, 15, 250) / (f + 1e-3)) ** of_mic.choice([2, 4]))
    mic /= np.sqrt(1 + (f / between(of_mic, 2500, 2 * sr)) ** of_mic.choice([4, 8]))
    both = mic * fft.rfft(echo, m)
    motor = fft.irfft(fft.rfft(motor, m) * both, m)[:n]
    room = fft.irfft(fft.rfft(room, m) * mic, m)[:n]
    moving = slice(int((begin + ramp) * sr), int((end - ramp) * sr))
    ratio_db, clicks, over_db = float(of_mic.uniform(-6, 35)), _merged(every), 0.0
    x = motor + room * rms(motor[moving]) / (rms(room[moving]) + 1e-12) / db(ratio_db)
    if skip:
        knock, caught = _skips(of_skip, out, every, window, sr)
        knock = fft.irfft(fft.rfft(knock, m) * both, m)[:n]
        clicks = max(_merged(caught), clicks, key=len)
        limit = np.percentile(_frames(x[moving], sr), 98, axis=0) + 1e-30
        excess = 10 * np.log10((_frames(knock, sr) / limit).max(axis=1) + 1e-30)
        rows = [int(t * sr / (sr // 200)) for t in clicks if begin + ramp < t < end - ramp]
        best = np.sort([excess[k - 2 : k + 6].max() for k in rows])
        over_db = of_skip.uniform(3.5, 10) if of_skip.random() < 0.6 else between(of_skip, 10, 32)
        # The middle click gets the drawn loudness, and the second loudest is never below 3 dB.
        x = x + knock * db(max(over_db - float(np.median(best)), 3.3 - best[-2]))
    agc, clip = float(of_mic.random() < 0.05), float(of_mic.random() < 0.05)
    if agc:
        follow = signal.lfilter([1 / sr], [1, 1 / sr / between(of_mic, 0.05, 1) - 1], x**2)
        x = x / np.sqrt(follow + 0.05 * follow.max())
    x = np.tanh(x / np.abs(x).max() * between(of_mic, 1.2, 5)) if clip else x
    x *= db(of_mic.uniform(-40, -1)) / np.abs(x).max()
    notes: dict[str, float | str] = {"room": "+".join(names) or "none", "pattern": run.pattern}
    notes |= {"over_db": float(over_db)}
    notes |= {name: 1.0 for name, on in (("agc", agc), ("clip", clip)) if on}
    x, stall = np.round(x * 32767) / 32768, bool(skip) and run.pattern == "stall"
    return MadeTake(x, sr, speed, geometry, begin, end, clicks, stall, ratio_db, notes)
