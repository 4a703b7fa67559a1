"""How much filament gets through while the motor of a virtual bench skips, against its threshold.

    python tests/benchmarks/bench_through.py [BENCHES]

For random virtual benches at three currents and speeds from 1.05 to 2.5 times the threshold: the
speed of what the encoder would see over the threshold speed, where the rule of `rig.learning` puts
the threshold, and how many electrical cycles are lost at each click. The equation of motion says
it, not a formula; the rule was chosen after looking at benches 900 to 911.
"""

from __future__ import annotations

import math
import sys

import numpy as np

from rig.learning import threshold_by_through
from rig.simulation.ear import oversampling
from rig.simulation.extruder import Extruder, clicks_s, ramp_profile
from rig.simulation.model import BenchModel
from rig.simulation.scenarios import random_bench
from rig.simulation.truth import threshold_mm_s

SHARES, OVER = (0.4, 0.65, 0.9), (1.05, 1.15, 1.4, 1.8, 2.5)
RATE_HZ = 48_000
TEMPERATURE_C, BEGIN_S, END_S, ACCELERATION = 215.0, 1.2, 4.0, 200.0


def through(model: BenchModel, current_a: float, threshold: float, over: float):  # type: ignore[no-untyped-def]
    """Speed of what gets through over the threshold; cycles lost; clicks."""
    speed, rate = threshold * over, RATE_HZ * oversampling(RATE_HZ)
    count = int(rate * (END_S + 0.3))
    target, _ = ramp_profile(
        n=count,
        rate_hz=rate,
        start_s=0.05,
        speed_mm_s=speed,
        length_mm=speed * (END_S - speed / ACCELERATION),
        acceleration_mm_s2=ACCELERATION,
    )
    extruder = Extruder(model, rate, melt_c=TEMPERATURE_C, seed=3)
    fed = []
    for begin, end in ((0, int(BEGIN_S * rate)), (int(BEGIN_S * rate), int(END_S * rate))):
        extruder.run(
            target[begin:end],
            start_s=begin / rate,
            rms_a=current_a,
            block_c=TEMPERATURE_C,
            excitation=np.empty((2, end - begin)),
        )
        fed.append(extruder.fed_mm)
    gone = (fed[1] - fed[0]) / (END_S - BEGIN_S)
    return gone / threshold, len(extruder.falls_s), len(clicks_s(list(extruder.falls_s)))


def table(benches: int, first: int = 900) -> list[tuple[float, float, float, int, int, float]]:
    """Rows of (bench, current share, speed over threshold, cycles, clicks, through over it)."""
    rows = []
    for number in range(first, first + benches):
        model = random_bench(number)
        for share in SHARES:
            current = round(share * model.rated_current_a, 2)
            threshold = threshold_mm_s(model, rms_a=current, temperature_c=TEMPERATURE_C)
            if not 0.6 < threshold < 25.0:
                continue
            for over in OVER:
                part, falls, clicks = through(model, current, threshold, over)
                rows.append((number, share, over, falls, clicks, part))
    return rows


def main() -> None:
    rows = table(int(sys.argv[1]) if len(sys.argv) > 1 else 12, first=1200)
    print(
        "speed over threshold   got through over threshold (10, 50, 90 %)   rule off by (rms, ln)"
    )
    for over in OVER:
        mine = [row for row in rows if row[2] == over and row[4] > 0]
        parts = np.array([row[5] for row in mine])
        told = [math.log(threshold_by_through(over, p)) for p in parts if p > 0.02]
        low, middle, high = np.quantile(parts, (0.1, 0.5, 0.9))
        off = math.sqrt(np.mean(np.square(told)))
        print(
            f"{over:20.2f}   {low:6.2f} {middle:6.2f} {high:6.2f}  of {len(mine):3d}   {off:26.2f}"
        )
    each = np.array([row[3] / row[4] for row in rows if row[4] >= 3])
    print("cycles lost a click (10, 50, 90 %):", np.quantile(each, (0.1, 0.5, 0.9)).round(1))


if __name__ == "__main__":
    main()
