"""Labelled takes over many virtual benches: sound files whose truth the rotor itself tells.

``python -m rig.simulation.takes OUT --benches N --per-bench M --seed S`` writes one folder a bench,
each with ``bench.toml``, sound files and ``takes.csv`` with the columns ``file, speed_mm_s,
current_a, start_s, end_s, label, first_skip_s, note``. The note says, as ``key=value`` pairs, how
far from the threshold the take is, how many clicks there are, what else sounds and how loud
(``snr_db``: motor against everything else, before the first click).
"""

from __future__ import annotations

import argparse
import csv
import functools
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from rig.simulation import distractors
from rig.simulation.bench_text import bench_text
from rig.simulation.ear import Ear, motor_scale, oversampling
from rig.simulation.extruder import Extruder, clicks_s, ramp_profile
from rig.simulation.model import BenchModel
from rig.simulation.scenarios import random_bench
from rig.simulation.truth import available_force_n, threshold_mm_s

RATES_HZ = (16000, 22050, 32000, 44100, 48000, 48000)
PRE_S, TAIL_S = 0.7, 0.6
#: Speeds of takes far beyond the threshold, over it, and their limit.
FAR, FASTEST_MM_S = (1.7, 12.0), 60.0
COLUMNS = (
    "file", "speed_mm_s", "current_a", "start_s", "end_s", "label", "first_skip_s", "note",
)  # fmt: skip
#: Fewer benches than this are made in this process.
WORTH_PROCESSES = 4
FAULTS = ("muted", "dropout", "clipping", "low-level", "agc", "offset", "wrong-speed")


@dataclass(frozen=True, slots=True)
class Take:
    """One made take.

    Attributes:
        samples: Shape (n,), float32.
        sample_rate_hz: Its rate.
        speed_mm_s, current_a, start_s, end_s: What was commanded.
        label: One of the four verdicts.
        first_skip_s: Time of the first lost cycle, or None.
        note: ``key=value`` pairs.
    """

    samples: NDArray[np.float32]
    sample_rate_hz: int
    speed_mm_s: float
    current_a: float
    start_s: float
    end_s: float
    label: str
    first_skip_s: float | None
    note: str


@functools.lru_cache(maxsize=64)
def headroom_db(model: BenchModel) -> float:
    """Gain that leaves the clicks of a plain overload 4 dB below full scale, at most 0 dB."""
    take_rate = 48000
    rms_a = 0.7 * model.rated_current_a
    speed = 1.4 * threshold_mm_s(model, rms_a=rms_a, temperature_c=220.0)
    n = int(2.5 * take_rate)
    target, _ = ramp_profile(
        n=n, rate_hz=take_rate, start_s=0.05, speed_mm_s=speed, length_mm=speed * 10,
        acceleration_mm_s2=60.0,
    )  # fmt: skip
    extruder = Extruder(model, take_rate, melt_c=220.0)
    excitation = np.empty((2, n))
    extruder.run(target, start_s=0.0, rms_a=rms_a, block_c=220.0, excitation=excitation)
    ear = Ear(model, take_rate, 1, motor_scale(model))
    ear.chain = ear.chain._replace(gain=1e-3, half_step=2.0**30, agc=0.0)
    peak = float(np.abs(ear.render(excitation)).max()) * 1e3
    return min(0.0, 20.0 * math.log10(0.63 / max(peak, 1e-9)))


def make_take(model: BenchModel, *, seed: int, sample_rate_hz: int, far: bool = False) -> Take:
    """One take: a move at some speed and current, in some company, labelled by what happened.

    Args:
        model: The bench.
        seed: Of all that is drawn.
        sample_rate_hz: Of the sound.
        far: Far beyond the threshold, where motors lose step altogether.
    """
    rng = np.random.default_rng([seed, 5])
    every = oversampling(sample_rate_hz)
    rate = sample_rate_hz * every
    temperature = float(rng.uniform(195.0, 245.0))
    share = float(rng.uniform(0.3, 0.95))
    current = round(share * model.rated_current_a, 2)
    threshold = threshold_mm_s(model, rms_a=current, temperature_c=temperature)
    while not 0.35 < threshold < 45.0:
        share = 0.5 * (share + (0.95 if threshold <= 0.35 else 0.3))
        current = round(share * model.rated_current_a, 2)
        threshold = threshold_mm_s(model, rms_a=current, temperature_c=temperature)
        if abs(share - 0.95) < 0.02 or abs(share - 0.3) < 0.02:
            break
    kind = rng.random()
    if kind < 0.42:
        relative = float(rng.uniform(0.35, 0.9))
    elif kind < 0.58:
        relative = float(rng.uniform(0.9, 0.995))
    elif kind < 0.75:
        relative = float(rng.uniform(1.0, 1.08))
    elif kind < 0.93:
        relative = float(rng.uniform(1.08, 1.7))
    else:
        relative = float(rng.uniform(1.7, 4.0))
    if far:
        relative = float(np.exp(rng.uniform(*np.log(FAR))))
        relative = max(1.0, min(relative, FASTEST_MM_S / threshold))
    speed = round(threshold * relative, 3)
    duration = float(rng.uniform(2.8, 6.5))
    total_s = PRE_S + duration + TAIL_S
    n = int(total_s * rate)
    start = PRE_S + float(rng.uniform(-0.1, 0.1))
    acceleration = float(np.exp(rng.uniform(math.log(max(8.0, speed * 2)), math.log(400.0))))
    length = speed * (duration - speed / acceleration)
    real_speed, fault = speed, ""
    if rng.random() < 0.16:
        fault = str(rng.choice(FAULTS))
    if fault == "wrong-speed":
        real_speed = speed * float(rng.choice([0.5, 0.7, 0.8, 1.25, 1.6]))
        length *= real_speed / speed
    target, end = ramp_profile(
        n=n, rate_hz=rate, start_s=start, speed_mm_s=real_speed, length_mm=length,
        acceleration_mm_s2=acceleration,
    )  # fmt: skip
    extruder = Extruder(model, rate, melt_c=temperature, seed=seed)
    grinding = rng.random() < 0.04 and relative > 0.5
    if grinding:
        force = available_force_n(model, rms_a=current, speed_mm_s=speed)
        extruder.grip_n = force * float(rng.uniform(0.3, 0.6)) * min(1.0, relative)
    if rng.random() < 0.5:  # the filament still pushes from the move before
        warm = np.linspace(0.0, threshold * 0.4, rate)
        extruder.run(
            warm, start_s=0.0, rms_a=current, block_c=temperature,
            excitation=np.empty((2, rate)),
        )  # fmt: skip
        target = target + warm[-1]
        extruder.falls_s.clear()
    excitation = np.empty((2, n))
    extruder.run(target, start_s=0.0, rms_a=current, block_c=temperature, excitation=excitation)

    ambient, company = _company(rng, n=n, rate_hz=rate, motor_db=model.sound.motor_db)
    gain_db = headroom_db(model) + float(rng.uniform(-6.0, 0.0))
    level_db = _fault_gain_db(rng, fault)
    ear = Ear(model, sample_rate_hz, seed, motor_scale(model))
    ear.chain = ear.chain._replace(gain=10.0 ** ((gain_db + level_db) / 20.0))
    if fault == "agc":
        ear.chain = ear.chain._replace(agc=10.0 ** (-26 / 20.0), gain=1.0)
    if fault == "offset":
        ear.chain = ear.chain._replace(offset=float(rng.choice([-0.15, 0.1, 0.2])))
    whine = current / model.rated_current_a
    fan_now, fan_rise = 1.0, 0.8
    samples = np.zeros(0, np.float32)
    if company == "fan-starts":
        ear.state.misc[11] = 0.0
        half = int(n * rng.uniform(0.1, 0.7))
        fan_rise = float(rng.uniform(0.1, 0.8))
        samples = ear.render(excitation[:, :half], fan=0.0, whine=whine)
        excitation_rest = excitation[:, half:]
    else:
        excitation_rest = excitation
    rest = ear.render(
        excitation_rest, fan=fan_now, fan_rise_s=fan_rise, whine=whine,
        ambient=ambient if company not in ("", "fan-starts") else np.zeros(0),
    )  # fmt: skip
    samples = np.concatenate([samples, rest])

    falls = [t for t in extruder.falls_s if start <= t]
    clicks = clicks_s(falls)
    snr_db = _snr_db(
        model, sample_rate_hz, excitation, ambient if company else np.zeros(0),
        seed=seed, start=start, end=min(end, clicks[0] if clicks else end),
    )  # fmt: skip
    label = "clean"
    if falls:
        label = "skip"
    elif extruder.ground_mm > 0.05 * length:
        label = "slip"
    note = [f"x={relative:.3f}", f"clicks={len(clicks)}", f"snr_db={snr_db:.1f}"]
    note.append(f"company={company or 'none'}")
    if fault:
        note.append(f"fault={fault}")
    if fault == "muted":
        label = "void"
        keep = float(rng.choice([0.0, 0.0, 0.3]))
        samples[int(keep * samples.size) :] = 0.0
    if fault == "dropout":
        gap = int(rng.uniform(0.05, 0.6) * sample_rate_hz)
        at = int(rng.uniform(start + 0.3, end - 0.7) * sample_rate_hz)
        samples[at : at + gap] = 0.0
        label = "void" if label != "skip" else label
    if fault == "wrong-speed":
        label = "void" if label != "skip" else label
        note.append(f"real_speed={real_speed:.3f}")
    return Take(
        samples=samples,
        sample_rate_hz=sample_rate_hz,
        speed_mm_s=speed,
        current_a=current,
        start_s=start,
        end_s=end,
        label=label,
        first_skip_s=falls[0] if label == "skip" else None,
        note=" ".join(note),
    )


def _company(
    rng: np.random.Generator, *, n: int, rate_hz: int, motor_db: float
) -> tuple[NDArray[np.float64], str]:
    """What else sounds in the room, scaled; often nothing."""
    draw = rng.random()
    none = np.zeros(n)
    if draw < 0.45:
        return none, ""
    if draw < 0.5:
        return none, "fan-starts"
    level = 10.0 ** (motor_db / 20.0)
    if draw < 0.72:
        name = str(rng.choice(list(distractors.SINGLE)))
        sound = distractors.SINGLE[name](rng, n, rate_hz)
        return sound * level * 10.0 ** (rng.uniform(0.0, 34.0) / 20.0), name
    name = str(rng.choice(list(distractors.LASTING)))
    sound = distractors.LASTING[name](rng, n, rate_hz)
    return sound * level * 10.0 ** (rng.uniform(-20.0, 8.0) / 20.0), name


def _fault_gain_db(rng: np.random.Generator, fault: str) -> float:
    if fault == "clipping":
        return float(rng.uniform(10.0, 40.0))
    if fault == "low-level":
        return float(rng.uniform(-50.0, -25.0))
    return 0.0


def _snr_db(
    model: BenchModel, sample_rate_hz: int, excitation: NDArray[np.float64],
    ambient: NDArray[np.float64], *, seed: int, start: float, end: float,
) -> float:  # fmt: skip
    """Level of the healthy motor over that of everything else, from two separate renderings."""
    ear = Ear(model, sample_rate_hz, seed, motor_scale(model))
    ear.chain = ear.chain._replace(
        fan_level=0.0, fan_tone=0.0, hum_level=0.0, chopper_level=0.0, noise_level=0.0,
        offset=0.0, half_step=2.0**34, agc=0.0, gain=1e-3,
    )  # fmt: skip
    first = int((start + 0.15) * sample_rate_hz)
    last = max(first + sample_rate_hz // 10, int((end - 0.02) * sample_rate_hz))
    motor = ear.render(excitation)[first:last].astype(float)
    ear = Ear(model, sample_rate_hz, seed, motor_scale(model))
    ear.chain = ear.chain._replace(offset=0.0, half_step=2.0**34, agc=0.0, gain=1e-3)
    other = ear.render(excitation, moving=False, whine=0.5, ambient=ambient)[first:last]
    power = float(np.mean(motor**2)) / max(float(np.mean(other.astype(float) ** 2)), 1e-30)
    return 10.0 * math.log10(max(power, 1e-12))


def write_bench_set(
    out: Path, *, bench_seed: int, takes: int, flac: bool = True, far: bool = False
) -> dict[str, int]:
    """Make one bench's folder of takes; returns how many of each label there are."""
    import soundfile

    model = random_bench(bench_seed)
    rng = np.random.default_rng([bench_seed, 6])
    rate = int(rng.choice(RATES_HZ))
    folder = out / model.name
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "bench.toml").write_text(bench_text(model, sample_rate_hz=rate), encoding="utf-8")
    counts: dict[str, int] = {}
    suffix = "flac" if flac else "wav"
    with (folder / "takes.csv").open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(COLUMNS)
        for k in range(takes):
            take = make_take(model, seed=bench_seed * 1000 + k, sample_rate_hz=rate, far=far)
            name = f"take-{k:03d}.{suffix}"
            soundfile.write(folder / name, take.samples, rate, subtype="PCM_16")
            first = "" if take.first_skip_s is None else f"{take.first_skip_s:.4f}"
            table.writerow((
                name, f"{take.speed_mm_s:.4f}", f"{take.current_a:.3f}", f"{take.start_s:.4f}",
                f"{take.end_s:.4f}", take.label, first, take.note,
            ))  # fmt: skip
            counts[take.label] = counts.get(take.label, 0) + 1
    return counts


def main(arguments: list[str] | None = None) -> int:
    """The command line of this module."""
    parser = argparse.ArgumentParser(prog="python -m rig.simulation.takes", description=__doc__)
    parser.add_argument("out", type=Path, help="folder to write into")
    parser.add_argument("--benches", type=int, default=10, help="how many virtual benches")
    parser.add_argument("--per-bench", type=int, default=20, help="takes a bench")
    parser.add_argument("--seed", type=int, default=1, help="number of the first bench")
    parser.add_argument("--wav", action="store_true", help="WAV instead of FLAC")
    parser.add_argument("--far", action="store_true", help="far beyond the threshold only")
    parser.add_argument("--jobs", type=int, default=-1, help="processes, -1 for one a core")
    chosen = parser.parse_args(arguments)
    from joblib import Parallel, delayed

    # By its name in the package: a process cannot find what it knows as part of ``__main__``.
    from rig.simulation.takes import write_bench_set as write_one

    many = chosen.benches >= WORTH_PROCESSES
    work = Parallel(n_jobs=chosen.jobs if many else 1, return_as="generator")
    made = work(
        delayed(write_one)(
            chosen.out,
            bench_seed=chosen.seed + k,
            takes=chosen.per_bench,
            flac=not chosen.wav,
            far=chosen.far,
        )
        for k in range(chosen.benches)
    )
    for k, counts in enumerate(made):
        words = ", ".join(f"{n} {w}" for w, n in sorted(counts.items()))
        print(f"bench-{chosen.seed + k}: {words}", flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
