"""The plan that learns against plain bisection, over whole campaigns at one temperature.

    python tests/benchmarks/bench_learning.py [--campaigns 30] [--laws power yield melt bend]
        [--resolution 0.03] [--encoder] [--virtual]

Each campaign draws a hidden law and eight currents. Bisection finds the threshold of each, from the
lowest current up, with the hints that a run uses: where the thresholds found so far put the next
one, and no further current at a melt limit. ``plain`` is bisection without these, each current by
itself. The learning plan asks until each current has a bracket of the same 3 %, or of
`--resolution`, or until the fit's band is nowhere wider than `--band`. A trial costs 30 mm of
filament where it is clean and 12 mm where it skips, and 6 mm of fresh filament after a skip, and
after a faster clean trial at more force, to release what it left; a scout costs 12 mm, and finds
the threshold 3 % too high with 3 % of scatter. Both are fitted by the very same `fit_curves`;
compared are the half width of that fit's band, its error against the hidden law, and the filament.
`share` is the filament of the learning plan over that of bisection, with its 95 % interval from the
campaigns.

With ``--encoder`` the plan is told what got through in a skip, as the equation of motion of twelve
virtual benches has it (`bench_through.py`), one bench a campaign.

With ``--virtual`` both go through the whole rig instead, on a virtual bench with seven currents:
`run_campaign`, sound, detector, repeats and filament as in a run. Compared are the trials, the
filament, and how far the middle of the brackets is from the hidden thresholds (rms).

The laws: ``power`` and ``yield`` (a power law without and with a yield force), ``melt`` (with a
melt limit, a soft knee), ``bend`` (Newtonian at low flow, a power law at high flow: none of the
plan's own curves). Thresholds scatter by 0.6 % from trial to trial; the detector errs with
probability p.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
from pathlib import Path

import numpy as np
from bench_through import table

sys.path.append(str(Path(__file__).resolve().parents[1] / "rig" / "campaign"))

from detectors.evidence import Verdict
from rig.curves.fit import fit_curves
from rig.curves.points import Threshold
from rig.errors import TableError
from rig.hints import Found, melt_limited, next_hint
from rig.learning import LearningPlan, LearningSettings
from rig.release import LastMove, leaves_too_much
from rig.search import SearchResult, SearchSettings, ThresholdSearch

FORCES_N = tuple(np.linspace(20.0, 80.0, 8).tolist())
LOW_MM_S, HIGH_MM_S = 0.5, 25.0
CLEAN_MM, SKIP_MM, FRESH_MM = 30.0, 12.0, 6.0
SCATTER = 0.006
#: A scout: its length, and by how much its threshold lies too high and scatters.
SCOUT_MM, SCOUT_HIGH, SCOUT_SCATTER = 12.0, 0.03, 0.03
VIRTUAL_CURRENTS = "[0.3, 0.35, 0.4, 0.45, 0.5, 0.55, 0.6]"
AREA_MM2 = math.pi * 1.75**2 / 4.0


def law(name: str, rng: np.random.Generator):  # type: ignore[no-untyped-def]
    """Threshold speed in mm/s over force in N."""
    at40 = math.exp(rng.uniform(math.log(1.5), math.log(6.0)))
    slope = rng.uniform(1.2, 2.4)
    if name == "bend":
        grid = np.exp(np.linspace(-8, 8, 4000))
        force = grid / (1 + (grid / rng.uniform(0.3, 1.5)) ** rng.uniform(0.3, 0.6))
        speed = lambda f: np.interp(f, force * 40.0 / np.interp(1.0, grid, force), grid)  # noqa: E731
        return lambda f: at40 * speed(f)
    yielded = rng.uniform(4.0, 12.0) if name == "yield" else 0.0

    def plain(f: float) -> float:
        return float(at40 * ((f - yielded) / (40.0 - yielded)) ** slope)

    if name == "melt":
        top, sharp = plain(80.0) * rng.uniform(0.4, 0.8), rng.uniform(3.0, 8.0)
        return lambda f: plain(f) / (1 + (plain(f) / top) ** sharp) ** (1 / sharp)
    return plain


def price_mm(skips: bool, scout: bool) -> float:
    """Filament of a trial, without the fresh filament after a skip."""
    return min(SKIP_MM if skips else CLEAN_MM, SCOUT_MM if scout else CLEAN_MM)


class Rig:
    """Answers questions and counts the filament."""

    def __init__(self, threshold, p: float, rng: np.random.Generator) -> None:  # type: ignore[no-untyped-def]
        self.threshold, self.p, self.rng = threshold, p, rng
        self.used_mm, self.trials, self._fresh = 0.0, 0, False
        self._last: LastMove | None = None

    def skips(self, force_n: float, speed_mm_s: float, *, scout: bool = False) -> bool:
        now = self.threshold(force_n) * math.exp(SCATTER * self.rng.standard_normal())
        if scout:
            now *= math.exp(SCOUT_HIGH + SCOUT_SCATTER * self.rng.standard_normal())
        skips = (speed_mm_s > now) != (self.rng.random() < self.p)
        self.trials += 1
        held = leaves_too_much(self._last, current_a=force_n, speed_mm_s=speed_mm_s)
        self.used_mm += price_mm(skips, scout) + (FRESH_MM if self._fresh or held else 0.0)
        self._fresh, self._last = skips, LastMove(force_n, speed_mm_s, clean=not skips)
        return bool(skips)


def point(force_n: float, result: SearchResult) -> Threshold:
    return Threshold(215.0, force_n, result.clean_mm_s, result.skip_mm_s, excluded=result.excluded)


def by_bisection(rig: Rig, *, hints: bool = True) -> list[Threshold]:
    found: list[Found] = []
    points = []
    for force_n in FORCES_N:
        hint = next_hint(found, force_n=force_n, temperature_c=215.0) if hints else None
        search = ThresholdSearch(
            SearchSettings(
                start_mm_s=LOW_MM_S,
                max_mm_s=HIGH_MM_S,
                hint_mm_s=min(max(hint.speed_mm_s, LOW_MM_S), HIGH_MM_S) if hint else None,
                hint_spread=min(max(hint.spread, 0.03), 1.0) if hint else 0.2,
            )
        )
        while (question := search.ask()) is not None:
            skips = rig.skips(force_n, question.speed_mm_s)
            search.tell(question.speed_mm_s, Verdict.SKIP if skips else Verdict.CLEAN)
        result = search.result
        assert result is not None
        points.append(point(force_n, result))
        if hints and result.clean_mm_s and result.skip_mm_s:
            middle = math.sqrt(result.clean_mm_s * result.skip_mm_s)
            found.append(Found(force_n, middle))
            if melt_limited(found):
                break
    return points


def by_learning(
    rig: Rig,
    band: float,
    p: float,
    seen: tuple[np.ndarray, np.ndarray] | None = None,
    *,
    resolution: float,
) -> list[Threshold]:
    plan = LearningPlan(
        LearningSettings(
            forces_n=FORCES_N,
            start_mm_s=LOW_MM_S,
            max_mm_s=HIGH_MM_S,
            band=band,
            resolution=resolution,
            error_rate=max(p, 0.01),
        ),
        cost=lambda _speed, skips, scout: price_mm(skips, scout) + (FRESH_MM if skips else 0.0),
        release_cost=FRESH_MM,
        fitted_band=lambda: widest(points_of(plan)),
    )
    while (choice := plan.ask()) is not None:
        skips = rig.skips(FORCES_N[choice.current], choice.speed_mm_s, scout=choice.scout)
        through = None
        if skips and seen is not None:
            threshold = float(rig.threshold(FORCES_N[choice.current]))
            over = math.log(choice.speed_mm_s / threshold)
            through = threshold * float(np.interp(over, *seen)) if over > 0 else None
        plan.tell(
            choice.current,
            choice.speed_mm_s,
            skipped=skips,
            scout=choice.scout,
            through_mm_s=through,
        )
    return points_of(plan)


def points_of(plan: LearningPlan) -> list[Threshold]:
    summaries = [plan.summary(current) for current in range(len(FORCES_N))]
    return [point(f, found) for f, found in zip(FORCES_N, summaries, strict=True) if found]


def widest(points: list[Threshold]) -> float:
    """Half width of the fit's band where it is widest, as a plan stops by it."""
    try:
        table = fit_curves(points, joint=False).curves[0].table
    except TableError:
        return math.inf
    return max(0.5 * (row.upper_n - row.lower_n) / row.force_n for row in table)


def seen_through() -> list[tuple[np.ndarray, np.ndarray]]:
    """What gets through over the threshold, against ln of the speed over it; one a bench."""
    rows = table(12, first=1300)
    found = []
    for number in sorted({row[0] for row in rows}):
        mine = [row for row in rows if row[0] == number]
        overs = sorted({row[2] for row in mine})
        parts = [float(np.mean([row[5] for row in mine if row[2] == over])) for over in overs]
        found.append((np.log(overs), np.maximum(parts, 0.02)))
    return found


def judge(points: list[Threshold], threshold) -> tuple[float, float]:  # type: ignore[no-untyped-def]
    """Half width of the fit's band and its error, root mean square over the curve, in force."""
    curve = fit_curves(points, joint=False).curves[0]
    widths, errors = [], []
    for force_n in np.linspace(24.0, 70.0, 6):
        flow = float(threshold(force_n)) * AREA_MM2
        if not curve.holds(flow):
            continue
        low, high = curve.band_n(flow)
        widths.append(0.5 * math.log(high / low))
        errors.append(math.log(curve.force_n(flow) / force_n))
    if not widths:
        return math.nan, math.nan
    return float(np.sqrt(np.mean(np.square(widths)))), float(np.sqrt(np.mean(np.square(errors))))


def on_virtual_bench(seed: int, method: str) -> tuple[float, float, float]:
    """Trials, filament in mm and error of the thresholds of one campaign through the whole rig."""
    from small_bench import small_bench

    from rig.campaign import run_campaign
    from rig.simulation.registry import forget_worlds, prepare_world

    forget_worlds()
    bench = small_bench(
        seed=seed, method=method, currents=VIRTUAL_CURRENTS, resolution=0.03, filament_m=100
    )
    with tempfile.TemporaryDirectory() as folder:
        result = run_campaign(bench, Path(folder) / "run")
    truth = prepare_world(bench).truth
    off = []
    for found in result.thresholds:
        if found.clean_mm_s is not None and found.skip_mm_s is not None:
            hidden = truth.threshold_mm_s(found.current_a, found.temperature_c)
            off.append(0.5 * math.log(found.clean_mm_s * found.skip_mm_s) - math.log(hidden))
    return result.trials, result.filament_mm, float(np.sqrt(np.mean(np.square(off))))


def virtual(campaigns: int) -> None:
    """Both plans on virtual benches."""
    from joblib import Parallel, delayed

    plans = ("bisection", "learning")
    rows = Parallel(n_jobs=-1)(
        delayed(on_virtual_bench)(seed, plan) for plan in plans for seed in range(1, campaigns + 1)
    )
    both = np.array(rows).reshape(2, campaigns, 3)
    print("plan       trials  filament mm   error of thresholds %")
    for plan, (trials, used, off) in zip(plans, both.mean(axis=1), strict=True):
        print(f"{plan:9s} {trials:7.1f} {used:12.0f} {100 * off:12.2f}")
    ratio = both[1, :, 1] / both[0, :, 1]
    half = 1.96 * ratio.std() / math.sqrt(campaigns)
    print(f"share of bisection's filament: {ratio.mean():.2f} +- {half:.2f}")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--campaigns", type=int, default=30)
    parser.add_argument("--laws", nargs="*", default=["power", "yield", "melt", "bend"])
    parser.add_argument("--band", type=float, default=0.0)
    parser.add_argument(
        "--resolution", type=float, default=0.03, help="brackets of the learning plan"
    )
    parser.add_argument("--errors", nargs="*", type=float, default=[0.0, 0.05])
    parser.add_argument("--encoder", action="store_true")
    parser.add_argument("--virtual", action="store_true")
    given = parser.parse_args()
    if given.virtual:
        virtual(given.campaigns)
        return
    seen = seen_through() if given.encoder else []
    print(
        "law     p     plan       trials  filament mm   band +-%  error %   learning's share (95 %)"
    )
    for name in given.laws:
        for p in given.errors:
            rows: dict[str, list[tuple[float, ...]]] = {
                "plain": [],
                "bisection": [],
                "learning": [],
            }
            for seed in range(given.campaigns):
                threshold = law(name, np.random.default_rng([seed, 3]))
                for plan in rows:
                    rig = Rig(threshold, p, np.random.default_rng([seed, 4]))
                    if plan == "learning":
                        bench = seen[seed % len(seen)] if seen else None
                        points = by_learning(rig, given.band, p, bench, resolution=given.resolution)
                    else:
                        points = by_bisection(rig, hints=plan == "bisection")
                    rows[plan].append((rig.trials, rig.used_mm, *judge(points, threshold)))
            for plan, values in rows.items():
                trials, used, band, error = np.nanmean(np.array(values), axis=0)
                words = ""
                if plan != "learning":
                    ratio = np.array(
                        [a[1] / b[1] for a, b in zip(rows["learning"], values, strict=True)]
                    )
                    half = 1.96 * ratio.std() / math.sqrt(len(ratio))
                    words = f"{ratio.mean():.2f} +- {half:.2f}"
                print(
                    f"{name:6s} {p:5.2f}  {plan:9s} {trials:7.1f} {used:12.0f} {100 * band:10.2f}"
                    f" {100 * error:8.2f}   {words}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
