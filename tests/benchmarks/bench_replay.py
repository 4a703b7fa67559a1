"""Processor time and memory of the judge over long files: ``tests/benchmarks/bench_replay.py``.

Makes an hour of sound at 48 kHz (a motor that runs for all of it) as WAV and FLAC, and once more
as WAV with a knock a second in the room, judges each on one core, and prints seconds of sound a
second, and the growth of memory between ten minutes and an hour.
"""

from __future__ import annotations

import os
import resource
import sys
import tempfile
import time
from pathlib import Path

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np  # noqa: E402
import soundfile  # noqa: E402
from numpy.typing import NDArray  # noqa: E402

from detectors.evidence import CommandedMotion, MotorGeometry  # noqa: E402
from detectors.replay import judge_take  # noqa: E402
from detectors.takes import Take  # noqa: E402

RATE_HZ = 48_000


def knock(rng: np.random.Generator) -> NDArray[np.float64]:
    """A knock of 30 ms."""
    decay = np.exp(-np.arange(round(0.03 * RATE_HZ)) / (0.006 * RATE_HZ))
    return 0.2 * rng.lognormal(0.0, 0.6) * rng.normal(size=len(decay)) * decay


def write(path: Path, minutes: float, *, knocks: bool) -> Take:
    geometry = MotorGeometry(steps_per_turn=200, filament_per_motor_turn_mm=7.65)
    speed = 5.0
    step_hz = geometry.step_rate_hz(speed)
    rng = np.random.default_rng(1)
    total = int(minutes * 60 * RATE_HZ)
    with soundfile.SoundFile(path, "w", RATE_HZ, 1, subtype="PCM_16") as out:
        done = 0
        while done < total:
            n = min(10 * RATE_HZ, total - done)
            t = (done + np.arange(n)) / RATE_HZ
            moving = ((t > 1.0) & (t < minutes * 60 - 1.0)).astype(float)
            tone = sum(np.sin(2 * np.pi * step_hz * k * t) / k for k in (1, 2, 3, 5))
            sound = 0.05 * tone * moving + 0.004 * rng.normal(size=n)
            for at in rng.integers(0, n - RATE_HZ // 10, n // RATE_HZ if knocks else 0):
                one = knock(rng)
                sound[at : at + len(one)] += one
            out.write(np.clip(sound, -1.0, 1.0))
            done += n
    motion = CommandedMotion(speed_mm_s=speed, start_s=1.0, end_s=minutes * 60 - 1.0)
    return Take(path=path, file=path.name, motion=motion, geometry=geometry)


def peak_mib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        for suffix, knocks in (("wav", False), ("flac", False), ("wav", True)):
            short = write(Path(folder) / f"short.{suffix}", 10.0, knocks=knocks)
            judge_take(short)
            before = peak_mib()
            start = time.process_time()
            judgement = judge_take(short)
            took = time.process_time() - start
            kind = f"{suffix}, a knock a second" if knocks else suffix
            print(f"{kind}: 10 min in {took:.2f} s, {600 / took:.0f} times real time")
            hour = write(Path(folder) / f"hour.{suffix}", 60.0, knocks=knocks)
            start = time.process_time()
            judgement = judge_take(hour)
            took = time.process_time() - start
            print(
                f"{kind}: 60 min in {took:.2f} s, {3600 / took:.0f} times real time, "
                f"{judgement.verdict} ({judgement.reason}), "
                f"peak memory {before:.0f} MiB after 10 min, {peak_mib():.0f} MiB after 60 min"
            )


if __name__ == "__main__":
    main()
