"""How fast the virtual bench runs, and what its compiled loops cost at the first start.

``python tests/benchmarks/bench_simulation.py``: real time over computing time of physics alone and
of physics with sound, on one core; loading and compiling time with an empty and a filled cache.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
START = """
import time
a = time.perf_counter()
import numpy, serial
b = time.perf_counter()
from rig.simulation.extruder import Extruder
from rig.simulation.ear import Ear, motor_scale
from rig.simulation.scenarios_house import scenario_model
c = time.perf_counter()
model = scenario_model("harbour")
motor_scale(model)
extruder = Extruder(model, 48000)
extruder.rest(1.0, rms_a=0.0, block_c=200.0)
print(c - b, time.perf_counter() - c)
"""


def starts() -> None:
    """Load and compile in fresh processes."""
    with tempfile.TemporaryDirectory() as cache:
        env = {**os.environ, "NUMBA_CACHE_DIR": cache, "PYTHONPATH": str(ROOT)}
        for what in ("empty cache (first start ever)", "filled cache (every later start)"):
            done = subprocess.run(
                [sys.executable, "-c", START], capture_output=True, text=True, env=env, check=True
            )
            load, ready = (float(x) for x in done.stdout.split())
            print(f"{what}: load {load:.2f} s, ready after another {ready:.2f} s")


def speeds(seconds: float = 20.0, repeats: int = 7) -> None:
    """Median and range of real time over computing time."""
    from rig.simulation.ear import Ear, motor_scale
    from rig.simulation.extruder import Extruder, ramp_profile
    from rig.simulation.scenarios_house import scenario_model

    model = scenario_model("harbour")
    rate = 48000
    n = int(seconds * rate)
    target, _ = ramp_profile(
        n=n, rate_hz=rate, start_s=0.1, speed_mm_s=3.0, length_mm=3.0 * seconds,
        acceleration_mm_s2=100.0,
    )  # fmt: skip
    chunk = rate // 10
    physics, both = [], []
    for _ in range(repeats):
        extruder = Extruder(model, rate, melt_c=220.0)
        ear = Ear(model, rate, 1, motor_scale(model))
        excitation = np.empty((2, chunk))
        moved = heard = 0.0
        for first in range(0, n, chunk):
            a = time.process_time()
            extruder.run(
                target[first : first + chunk], start_s=first / rate, rms_a=0.5, block_c=220.0,
                excitation=excitation,
            )  # fmt: skip
            b = time.process_time()
            ear.render(excitation, whine=0.5)
            moved += b - a
            heard += time.process_time() - b
        physics.append(seconds / moved)
        both.append(seconds / (moved + heard))
    for what, figures in (("physics", physics), ("physics and sound", both)):
        print(
            f"{what} at 48 kHz: {np.median(figures):.0f} times real time "
            f"({min(figures):.0f} to {max(figures):.0f} in {repeats} runs of {seconds:.0f} s)"
        )


if __name__ == "__main__":
    starts()
    speeds()
