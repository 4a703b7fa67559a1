"""Speed of the fit, and coverage of the intervals of melt limit and activation energy.

    python tests/benchmarks/bench_fit.py [CAMPAIGNS]

The intervals are counted for each noise of `bench_coverage.py`: all that are told, those of melt
limits without an upper end among them, and once more those that have one. To count these alone
would be to choose campaigns by their outcome: those where the limit came out low. Also counts how
often the comparison calls two campaigns on one hot end different (5 % is meant at most), and how
often two of which one needs 5 % more force. Without a number, the speed alone.
"""

from __future__ import annotations

import math
import sys
import time

import numpy as np
from bench_coverage import NOISES, STRANGE, Limits, share
from bench_coverage import campaign as one_law
from joblib import Parallel, delayed

from rig.curves.compare import compare
from rig.curves.fit import fit_curves
from rig.curves.points import Threshold

AREA_MM2 = math.pi * 1.75**2 / 4.0
GAS = 8.314462618e-3


class Truth:
    """A hidden law over temperatures, drawn at random."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.n, self.k = rng.uniform(0.35, 0.6), rng.uniform(14, 22)
        self.energy = rng.uniform(15.0, 45.0)
        self.limit = rng.uniform(10.0, 18.0)
        self.drift = rng.uniform(0.005, 0.015)
        self.p = rng.uniform(1.8, 5.0)

    def limit_at(self, celsius: float) -> float:
        return self.limit * math.exp(self.drift * (celsius - 210.0))

    def flow(self, force: float, celsius: float) -> float:
        reciprocal = 1 / (celsius + 273.15) - 1 / (210 + 273.15)
        die = (force / (self.k * math.exp(self.energy / GAS * reciprocal))) ** (1 / self.n)
        return die / (1 + (die / self.limit_at(celsius)) ** self.p) ** (1 / self.p)


def campaign(
    truth: Truth, temperatures, forces, rng, *, flow=0.02, force=0.0, outliers=0.0
) -> list[Threshold]:
    found = []
    scatter, strength = flow, force
    for celsius in temperatures:
        for force in forces:
            met = force * math.exp(strength * rng.standard_normal())
            flow = truth.flow(met, celsius) * math.exp(scatter * rng.standard_normal())
            if rng.random() < outliers:
                flow *= math.exp(rng.choice([-1, 1]) * rng.uniform(0.15, 0.5))
            low = flow * math.exp(-0.03 * rng.random()) / AREA_MM2
            found.append(Threshold(celsius, float(force), low, low * math.exp(0.03)))
    return found


def speed() -> None:
    rng = np.random.default_rng(1)
    truth = Truth(rng)
    fit_curves(campaign(truth, (210.0,), np.linspace(20, 80, 10), rng))  # imports
    wide = campaign(truth, (190.0, 200.0, 210.0, 220.0, 230.0), np.linspace(20, 80, 10), rng)
    demo = campaign(truth, (205.0, 220.0), np.linspace(20, 80, 6), rng)
    for name, points, joint in (
        ("5 temperatures x 10 currents, one curve each", wide, False),
        ("5 temperatures x 10 currents, and the joint law", wide, True),
        ("2 temperatures x 6 currents, and the joint law", demo, True),
    ):
        wall, cpu = time.perf_counter(), time.process_time()
        fit_curves(points, joint=joint)
        print(
            f"{name}: {time.perf_counter() - wall:.2f} s by the wall, "
            f"{time.process_time() - cpu:.2f} s of one core"
        )


def joint_intervals(noise: str, campaigns: int) -> str:
    rng = np.random.default_rng([2, *noise.encode()])
    energy = drift = force = asked = 0
    limits = Limits()
    for _ in range(campaigns):
        truth = Truth(rng)
        points = campaign(
            truth, (195.0, 210.0, 225.0), np.linspace(20, 80, 8), rng, **NOISES[noise]
        )
        joint = fit_curves(points).joint
        held = joint.parameters["activation_kj_mol"]
        energy += held.lower < truth.energy < held.upper
        melt = joint.parameters.get("melt_limit_mm3_s")
        if melt is not None:
            limits.count(melt, truth.limit_at(joint.reference_c))
            moved = joint.parameters["melt_limit_per_k"]
            drift += moved.lower < truth.drift < moved.upper
        for celsius, rows in joint.tables.items():
            x = np.log([row.flow_mm3_s for row in rows])
            for need in (25.0, 40.0, 60.0):
                q = math.log(truth.flow(need, celsius))
                if x[0] <= q <= x[-1]:
                    low, high = (
                        np.interp(q, x, np.log([getattr(r, name) for r in rows]))
                        for name in ("lower_n", "upper_n")
                    )
                    asked += 1
                    force += low <= math.log(need) <= high
    return (
        f"joint law, 3 temperatures x 8 currents, noise {noise}:\n"
        f"  activation energy inside its 95 % interval: {share(energy, campaigns)}\n"
        f"  melt limit {limits.words()}\n"
        f"  its drift with temperature: {share(drift, limits.told)}\n"
        f"  force inside the joint band: {share(force, asked)}"
    )


def single_limits(noise: str, count: int, campaigns: int) -> str:
    rng = np.random.default_rng([3, count, *noise.encode()])
    limits = Limits()
    for _ in range(campaigns):
        truth = Truth(rng)
        points = campaign(truth, (210.0,), np.linspace(20, 80, count), rng, **NOISES[noise])
        held = fit_curves(points, joint=False).curves[0].melt_limit
        if held is not None:
            limits.count(held, truth.limit)
    return f"one temperature, {count} currents, noise {noise}: melt limit {limits.words()}"


def same_hot_end(pairs: int) -> str:
    rng = np.random.default_rng(4)
    wrong = 0
    for _ in range(pairs):
        truth = Truth(rng)
        curves = [
            fit_curves(campaign(truth, (210.0,), np.linspace(20, 80, 8), rng), joint=False).curves[
                0
            ]
            for _ in range(2)
        ]
        wrong += compare(*curves).differ
    return f"two campaigns on one hot end called different (5 % meant): {share(wrong, pairs)}"


def two_hot_ends(count: int, pairs: int) -> str:
    """How often 5 % more force is found, and how often the interval of the mean ratio holds it."""
    rng = np.random.default_rng([5, count])
    found = held = 0
    for _ in range(pairs):
        truth = Truth(rng)
        curves = []
        for more in (1.0, 1.05):
            truth.k *= more
            points = campaign(truth, (210.0,), np.linspace(20, 60, count), rng)
            curves.append(fit_curves(points, joint=False).curves[0])
        told = compare(*curves)
        found += told.differ
        held += told.mean_ratio[1] <= 1.05 <= told.mean_ratio[2]
    return (
        f"{count} currents, a hot end that needs 5 % more force called different: "
        f"{share(found, pairs)}; 1.05 inside the interval of the mean ratio: {share(held, pairs)}"
    )


def strange_hot_end(family: str, pairs: int) -> str:
    """Many thresholds on a law that no law of the fit follows."""
    rng = np.random.default_rng([6, *family.encode()])
    wrong = 0
    for _ in range(pairs):
        law = STRANGE[family](rng)
        curves = [
            fit_curves(one_law(law, rng, points=16, flow=0.02), joint=False).curves[0]
            for _ in range(2)
        ]
        wrong += compare(*curves).differ
    return f"16 currents, the same hot end, {family}, called different: {share(wrong, pairs)}"


def main() -> None:
    speed()
    if len(sys.argv) < 2:
        return
    campaigns = int(sys.argv[1])
    jobs = [delayed(joint_intervals)(noise, campaigns) for noise in NOISES]
    jobs += [delayed(single_limits)(noise, n, campaigns) for noise in NOISES for n in (6, 10)]
    jobs.append(delayed(same_hot_end)(campaigns))
    jobs += [delayed(two_hot_ends)(n, campaigns) for n in (6, 10)]
    jobs += [delayed(strange_hot_end)(family, campaigns) for family in STRANGE]
    for line in Parallel(n_jobs=-1, return_as="generator")(jobs):
        print(line, flush=True)


if __name__ == "__main__":
    main()
