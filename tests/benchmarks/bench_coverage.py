"""Coverage of the 95 % band, by simulated campaigns from laws that the fit is not told.

    python tests/benchmarks/bench_coverage.py [CAMPAIGNS] [NAME ...]
    python tests/benchmarks/bench_coverage.py runs [CAMPAIGNS]
    python tests/benchmarks/bench_coverage.py many [CAMPAIGNS] [NAME ...]
    python tests/benchmarks/bench_coverage.py corner [CAMPAIGNS]

Each campaign draws a law at random within its family, thresholds with scatter and brackets of 3 %
at 6 or at 10 forces (half of the campaigns each), fits it with ``model="auto"`` and asks whether
the band holds the true force at three flows. Printed per setting and in all for each law and noise:
coverage with its 95 % interval (Wilson), at each flow, median half width of the band, median error
of the curve, and where the law has a melt limit, how often its interval held it, of all that were
told and of those with an upper end; share of campaigns by named law, milliseconds a campaign.

With ``runs``, each campaign is several runs of 8 forces on one power law, 2 % scatter in flow, all
forces of a run shifted by a normal share of its own; asked is whether the band holds the force of
the law without any shift, the mean over all runs that might be made, at 6 mm3/s.

With ``corner``, a hard melt limit lies so that one, two or three of 6, 10 or 20 forces reach it,
2 % scatter in flow; asked is how often the interval of the limit held it, and on which side it
missed.

With ``many``, each campaign has 16 or 30 forces, and there are two families more that no law of
the fit can follow: Carreau's, which turns more sharply than Cross's, and one that goes straight and
then turns steep.
"""

from __future__ import annotations

import collections
import dataclasses
import math
import sys
import time
from collections.abc import Callable

import numpy as np
from joblib import Parallel, delayed

from rig.curves.curveset import Parameter
from rig.curves.fit import fit_curves
from rig.curves.points import Threshold

AREA_MM2 = math.pi * 1.75**2 / 4.0
BRACKET = 0.03
COUNTS = (6, 10)
Flow = Callable[[np.ndarray], np.ndarray]


@dataclasses.dataclass
class Limited:
    """A law with a melt limit."""

    flow: Flow
    limit: float

    def __call__(self, force: np.ndarray) -> np.ndarray:
        return self.flow(force)


def power(rng):
    n, k = rng.uniform(0.3, 0.7), rng.uniform(14, 26)
    return lambda f: (f / k) ** (1 / n)


def power_yield(rng):
    n, k, y = rng.uniform(0.35, 0.8), rng.uniform(8, 18), rng.uniform(4, 14)
    return lambda f: (np.maximum(f - y, 1e-9) / k) ** (1 / n)


def knee(rng):
    """Power law and a melt limit in series."""
    base, p, q = power(rng), rng.uniform(1.5, 6.0), rng.uniform(0.5, 0.95)
    top = float(base(np.array(80.0))) * q
    return Limited(lambda f: base(f) / (1 + (base(f) / top) ** p) ** (1 / p), top)


def hard_cap(rng):
    """Power law up to a hard melt limit."""
    base = power(rng)
    top = float(base(np.array(rng.uniform(45.0, 70.0))))
    return Limited(lambda f: np.minimum(base(f), top), top)


def pole(rng):
    """F = F0 + K Q^n / (1 - Q/Qmax), solved for Q."""
    n, k, y = rng.uniform(0.35, 0.6), rng.uniform(10, 18), rng.uniform(0, 8)
    top = rng.uniform(12, 25)
    grid = top * (1 - np.exp(-np.linspace(1e-4, 8, 6000)))
    force = y + k * grid**n / (1 - grid / top)
    return Limited(lambda f: np.interp(f, force, grid), top)


def thinning(rng):
    """Newtonian at low flow, power law at high flow (Cross)."""
    n, a, c = rng.uniform(0.25, 0.5), rng.uniform(12, 25), rng.uniform(0.7, 5.0)
    grid = np.exp(np.linspace(-6, 6, 4000))
    force = a * grid / (1 + (grid / c) ** (1 - n))
    return lambda f: np.interp(f, force, grid)


def newtonian(rng):
    k, y = rng.uniform(3, 8), rng.uniform(0, 10)
    return lambda f: np.maximum(f - y, 1e-9) / k


def carreau(rng):
    """F = K Q / (1 + (Q/Qc)^2)^((1-n)/2): Carreau 1972, Trans. Soc. Rheol. 16, 99."""
    n, a, c = rng.uniform(0.25, 0.5), rng.uniform(12, 25), rng.uniform(0.7, 5.0)
    grid = np.exp(np.linspace(-6, 6, 4000))
    force = a * grid / (1 + (grid / c) ** 2) ** ((1 - n) / 2)
    return lambda f: np.interp(f, force, grid)


def kink(rng):
    """Straight up to some flow, and several times as steep beyond."""
    k, bend, steep = rng.uniform(3, 6), rng.uniform(5, 9), rng.uniform(2.0, 4.0)
    at = k * bend
    return lambda f: np.where(f < at, f / k, bend + (f - at) / (steep * k))


FAMILIES = {f.__name__: f for f in (power, power_yield, knee, hard_cap, pole, thinning, newtonian)}
STRANGE = {f.__name__: f for f in (carreau, kink)}
MANY = (16, 30)
NOISES = {
    "none": {"flow": 0.0, "force": 0.0},
    "flow 2 %": {"flow": 0.02, "force": 0.0},
    "force 2 %": {"flow": 0.0, "force": 0.02},
    "both 1.5 %, 7 % outliers": {"flow": 0.015, "force": 0.015, "outliers": 0.07},
}


def campaign(
    law: Flow, rng: np.random.Generator, *, points: int, flow=0.0, force=0.0, outliers=0.0
) -> list[Threshold]:
    """Thresholds of one campaign at one temperature."""
    found = []
    for f in np.linspace(20.0, 80.0, points):
        q = float(law(np.array(f * math.exp(force * rng.standard_normal()))))
        q *= math.exp(flow * rng.standard_normal())
        if rng.random() < outliers:
            q *= math.exp(rng.choice([-1, 1]) * rng.uniform(0.15, 0.5))
        low = q * math.exp(-BRACKET * rng.random()) / AREA_MM2
        found.append(Threshold(215.0, float(f), low, low * math.exp(BRACKET)))
    return found


def wilson(hits: int, n: int) -> tuple[float, float]:
    """95 % interval of a share (Wilson 1927)."""
    p, z = hits / n, 1.96
    centre = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    return centre - half, centre + half


def share(hits: int, n: int) -> str:
    """A share with its 95 % interval, in words."""
    low, high = wilson(hits, n)
    return f"{100 * hits / n:.1f} % ({100 * low:.1f} to {100 * high:.1f}) of {n}"


@dataclasses.dataclass
class Limits:
    """Intervals of melt limits, those without an upper end among them, and how many held."""

    told: int = 0
    held: int = 0
    bounded: int = 0
    bounded_held: int = 0

    def count(self, melt: Parameter, truth: float) -> None:
        held = melt.lower <= truth and (melt.upper is None or truth <= melt.upper)
        self.told += 1
        self.held += held
        if melt.upper is not None:
            self.bounded += 1
            self.bounded_held += held

    def __add__(self, other: Limits) -> Limits:
        return Limits(
            *(
                a + b
                for a, b in zip(dataclasses.astuple(self), dataclasses.astuple(other), strict=True)
            )
        )

    def words(self) -> str:
        if not self.told:
            return "never told"
        words = f"inside its interval: {share(self.held, self.told)}"
        if self.bounded:
            words += f"; where it is bounded above: {share(self.bounded_held, self.bounded)}"
        return words


@dataclasses.dataclass
class Counted:
    """What the campaigns of one setting gave."""

    inside: np.ndarray  # by flow
    asked: np.ndarray
    limits: Limits
    widths: list[float]
    errors: list[float]
    names: collections.Counter[str]
    spent_s: float

    def __add__(self, other: Counted) -> Counted:
        fields = (f.name for f in dataclasses.fields(self))
        return Counted(*(getattr(self, name) + getattr(other, name) for name in fields))

    def line(self) -> str:
        hits, total = int(self.inside.sum()), int(self.asked.sum())
        low, high = wilson(hits, total)
        campaigns = sum(self.names.values())
        share = ", ".join(f"{k} {v / campaigns:.2f}" for k, v in self.names.most_common(4))
        flows = "/".join(
            f"{100 * b / max(n, 1):.0f}" for b, n in zip(self.inside, self.asked, strict=True)
        )
        melt = f"melt limit {self.limits.words()}, " if self.limits.told else ""
        return (
            f"{100 * hits / total:5.1f} % ({100 * low:.1f}-{100 * high:.1f}; {flows}) of {total}, "
            f"half width {100 * np.median(self.widths):.2f} %, "
            f"error {100 * np.median(self.errors):.2f} %, {melt}{share}, "
            f"{1000 * self.spent_s / campaigns:.0f} ms"
        )


def setting(family: str, noise: str, *, points: int, campaigns: int, seed: int = 5) -> Counted:
    """Run one setting."""
    rng = np.random.default_rng([seed, points, *family.encode(), *noise.encode()])
    found = Counted(
        np.zeros(3, int),
        np.zeros(3, int),
        Limits(),
        [],
        [],
        collections.Counter(),
        -time.perf_counter(),
    )
    for _ in range(campaigns):
        law = {**FAMILIES, **STRANGE}[family](rng)
        curve = fit_curves(campaign(law, rng, points=points, **NOISES[noise]), joint=False).curves[
            0
        ]
        found.names[curve.model] += 1
        melt = curve.melt_limit
        if isinstance(law, Limited) and melt is not None:
            found.limits.count(melt, law.limit)
        for at, truth in enumerate(np.array([25.0, 40.0, 62.0])):
            q = float(law(truth))
            if not curve.holds(q):
                continue
            low, high = curve.band_n(q)
            found.inside[at] += low <= truth <= high
            found.asked[at] += 1
            found.widths.append(0.5 * math.log(high / low))
            found.errors.append(abs(math.log(curve.force_n(q) / truth)))
    found.spent_s += time.perf_counter()
    return found


RUNS = (1, 2, 3, 5)
SPREADS = (0.02, 0.06, 0.12)


def shifted_runs(runs: int, spread: float, *, campaigns: int, seed: int = 6) -> str:
    """Coverage and half width of the band from several runs whose forces differ."""
    rng = np.random.default_rng([seed, runs, round(1000 * spread)])
    hits, widths, truth, flow = 0, [], 20.0 * 6.0**0.45, 6.0
    for _ in range(campaigns):
        points = []
        for run in range(runs):
            shift = math.exp(spread * rng.standard_normal() if runs > 1 else 0.0)
            found = campaign(lambda f: (f / 20.0) ** (1 / 0.45), rng, points=8, flow=0.02)
            points += [
                dataclasses.replace(point, force_n=point.force_n * shift, run=f"{run}")
                for point in found
            ]
        low, high = fit_curves(points, joint=False).curves[0].band_n(flow)
        hits += low <= truth <= high
        widths.append(0.5 * math.log(high / low))
    return f"{share(hits, campaigns)}, half width {100 * np.median(widths):.1f} %"


def several_runs(campaigns: int) -> None:
    """Print the coverage of the mean curve by number of runs and spread between them."""
    wanted = [(runs, spread) for runs in RUNS for spread in (SPREADS if runs > 1 else (0.0,))]
    results = Parallel(n_jobs=-1, return_as="generator")(
        delayed(shifted_runs)(runs, spread, campaigns=campaigns) for runs, spread in wanted
    )
    for (runs, spread), words in zip(wanted, results, strict=True):
        print(f"{runs} runs, {100 * spread:.0f} % between them: {words}", flush=True)


REACH = (1, 2, 3)
REACHED_COUNTS = (6, 10, 20)


def corner(reach: int, points: int, *, campaigns: int, seed: int = 7) -> str:
    """Intervals of a hard melt limit that so many of the forces reach."""
    rng = np.random.default_rng([seed, reach, points])
    forces = np.linspace(20.0, 80.0, points)
    limits, above, below = Limits(), 0, 0
    for _ in range(campaigns):
        base = power(rng)
        top = float(base(np.array(rng.uniform(forces[-reach - 1], forces[-reach]))))
        law = Limited(lambda f, base=base, top=top: np.minimum(base(f), top), top)
        curve = fit_curves(campaign(law, rng, points=points, flow=0.02), joint=False).curves[0]
        melt = curve.melt_limit
        if melt is not None:
            limits.count(melt, top)
            above += melt.lower > top
            below += melt.upper is not None and melt.upper < top
    return f"{limits.words()}; it lay above the limit {above} times, below it {below} times"


def corners(campaigns: int) -> None:
    """Print how often the interval of a hard limit holds it, by how many forces reach it."""
    wanted = [(reach, points) for reach in REACH for points in REACHED_COUNTS]
    results = Parallel(n_jobs=-1, return_as="generator")(
        delayed(corner)(reach, points, campaigns=campaigns) for reach, points in wanted
    )
    for (reach, points), words in zip(wanted, results, strict=True):
        print(f"{reach} of {points} forces at a hard limit: {words}", flush=True)


def main() -> None:
    if sys.argv[1:2] == ["corner"]:
        corners(int(sys.argv[2]) if len(sys.argv) > 2 else 200)
        return
    if sys.argv[1:2] == ["runs"]:
        several_runs(int(sys.argv[2]) if len(sys.argv) > 2 else 200)
        return
    asked, counts, noises, known = sys.argv[1:], COUNTS, list(NOISES), list(FAMILIES)
    if asked[:1] == ["many"]:
        asked, counts, noises = asked[1:], MANY, ["flow 2 %", "force 2 %"]
        known += STRANGE
    campaigns = int(asked[0]) if asked else 1000
    families = asked[1:] or known
    wanted = [(f, noise, n) for f in families for noise in noises for n in counts]
    results = Parallel(n_jobs=-1, return_as="generator")(
        delayed(setting)(f, noise, points=n, campaigns=campaigns // len(counts))
        for f, noise, n in wanted
    )
    both: list[Counted] = []
    for (family, noise, points), found in zip(wanted, results, strict=True):
        print(f"{family:12s} {noise:24s} n={points:<4d}: {found.line()}", flush=True)
        both.append(found)
        if len(both) == len(counts):
            print(f"{family:12s} {noise:24s} in all: {(both[0] + both[1]).line()}", flush=True)
            both = []


if __name__ == "__main__":
    main()
