"""The threshold search against information theory, and against a ladder of speeds by hand.

    python tests/benchmarks/bench_search.py [--searches 1000]

Thresholds are spread evenly in ln speed between 1 and 20 mm/s; a detector answers wrongly with
probability p, whatever the speed. Wanted: the threshold within 2 % at the mean in at most 1.5 times
log2(N) / (1 - H(p)) trials, N being the number of 2 % places; and at most a quarter of the filament
that a ladder of 1 mm/s steps uses, whose resolution is twenty times coarser.
"""

from __future__ import annotations

import argparse
import math

import numpy as np

from detectors.evidence import Verdict
from detectors.scores import rate
from rig.search import SearchSettings, ThresholdSearch, fewest_trials

LOW_MM_S, HIGH_MM_S, WITHIN = 1.0, 20.0, 0.02
TRIAL_MM, SKIPPING_MM = 30.0, 12.0  # a skip breaks the move off


def one(threshold_mm_s: float, p: float, rng: np.random.Generator) -> tuple[int, float, float]:
    """Trials, relative error and filament of one search."""
    search = ThresholdSearch(
        SearchSettings(
            start_mm_s=LOW_MM_S,
            max_mm_s=HIGH_MM_S,
            resolution=2.0 * WITHIN,
            error_rate=max(p, 0.001),
            slope=0.0,
        )
    )
    used_mm = 0.0
    while (question := search.ask()) is not None:
        skips = (question.speed_mm_s > threshold_mm_s) != (rng.random() < p)
        used_mm += SKIPPING_MM if skips else TRIAL_MM
        search.tell(question.speed_mm_s, Verdict.SKIP if skips else Verdict.CLEAN)
    assert search.result is not None
    off = search.result.estimate_mm_s / threshold_mm_s - 1.0
    return search.result.trials, off, used_mm


def ladder_mm(threshold_mm_s: float) -> float:
    """Filament of the ladder by hand: 1, 2, 3 ... mm/s until it skips, a whole trial each."""
    return TRIAL_MM * math.ceil(threshold_mm_s)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--searches", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=2024)
    given = parser.parse_args()
    places = math.log(HIGH_MM_S / LOW_MM_S) / math.log1p(2.0 * WITHIN)
    print(f"{given.searches} searches a row; N = {places:.0f} places; seed {given.seed}")
    print("error rate  trials (mean, 95 %)    bound  ratio  most   within 2 %")
    for p in (0.0, 0.01, 0.05, 0.10):
        rng = np.random.default_rng([given.seed, round(1000 * p)])
        thresholds = np.exp(rng.uniform(math.log(1.05), math.log(19.0), given.searches))
        found = [one(float(t), p, rng) for t in thresholds]
        trials = np.array([f[0] for f in found])
        mean, error = trials.mean(), 1.96 * trials.std() / math.sqrt(len(trials))
        bound = fewest_trials(places, error_rate=p)
        good = rate(sum(abs(f[1]) <= WITHIN for f in found), len(found))
        print(
            f"{p:10.2f}  {mean:6.2f} +- {error:.2f}       {bound:6.2f}  {mean / bound:5.2f}"
            f"  {trials.max():4d}   {good}"
        )
    rng = np.random.default_rng([given.seed, 7])
    thresholds = np.exp(rng.uniform(math.log(1.05), math.log(19.0), given.searches))
    searched = [one(float(t), 0.01, rng)[2] for t in thresholds]
    by_hand = [ladder_mm(float(t)) for t in thresholds]
    fine = [TRIAL_MM * math.ceil((t - 1.0) / (2.0 * WITHIN * t) + 1) for t in thresholds]
    print(f"filament of a search to 2 %: {np.mean(searched):.0f} mm")
    for name, used in (("in 1 mm/s steps", by_hand), ("as fine as the search", fine)):
        share = np.mean(searched) / np.mean(used)
        print(f"a ladder {name}, a whole trial each: {np.mean(used):.0f} mm; ratio {share:.2f}")


if __name__ == "__main__":
    main()
