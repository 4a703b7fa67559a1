"""The threshold search against a reference library for adaptive thresholds, in one run.

    python tests/benchmarks/bench_adaptive.py [--searches 100]

The reference is the package `questplus` (QUEST+, Watson 2017, Journal of Vision 17(3):10), which
chooses the stimulus of least expected entropy. Both get the same hidden thresholds, spread evenly
in ln speed between 1 and 20 mm/s, the same rule of the answers (a detector that errs with
probability p, a threshold that wavers by 0.6 %), and the same stopping rule: the central 90 % of
their own distribution within 4 %. Printed: trials, how often the estimate is within 2 %, its error.
"""

from __future__ import annotations

import argparse
import math

import numpy as np

from detectors.evidence import Verdict
from rig.search import SearchSettings, ThresholdSearch

LOW_MM_S, HIGH_MM_S, WIDTH, SCATTER, MOST = 1.0, 20.0, 0.04, 0.006, 60
#: Step of the reference's grid, in ln speed.
STEP = 0.004


class Motor:
    """Answers, the same for the same question and seed."""

    def __init__(self, threshold_mm_s: float, p: float, seed: int) -> None:
        self.threshold_mm_s, self.p = threshold_mm_s, p
        self.rng = np.random.default_rng(seed)

    def skips(self, speed_mm_s: float) -> bool:
        now = self.threshold_mm_s * math.exp(SCATTER * self.rng.standard_normal())
        return bool((speed_mm_s > now) != (self.rng.random() < self.p))


def ours(motor: Motor, p: float) -> tuple[int, float]:
    """Trials and ln of the estimate over the truth."""
    search = ThresholdSearch(
        SearchSettings(
            start_mm_s=LOW_MM_S,
            max_mm_s=HIGH_MM_S,
            resolution=WIDTH,
            error_rate=max(p, 0.001),
            slope=SCATTER,
        )
    )
    while (question := search.ask()) is not None:
        verdict = Verdict.SKIP if motor.skips(question.speed_mm_s) else Verdict.CLEAN
        search.tell(question.speed_mm_s, verdict)
    assert search.result is not None
    return search.result.trials, math.log(search.result.estimate_mm_s / motor.threshold_mm_s)


def reference(motor: Motor, p: float) -> tuple[int, float]:
    """The same by the reference library."""
    from questplus import QuestPlus

    grid = np.arange(math.log(LOW_MM_S), math.log(HIGH_MM_S) + STEP, STEP)
    error = max(p, 0.001)
    quest = QuestPlus(
        stim_domain={"intensity": grid[::2]},
        param_domain={
            "mean": grid,
            "sd": np.array([SCATTER]),
            "lower_asymptote": np.array([error]),
            "lapse_rate": np.array([error]),
        },
        outcome_domain={"response": ["skip", "clean"]},
        func="norm_cdf",
        stim_scale="linear",
        stim_selection_method="min_entropy",
        param_estimation_method="mean",
    )
    trials = 0
    while trials < MOST:
        trials += 1
        intensity = float(quest.next_stim["intensity"])
        skips = motor.skips(math.exp(intensity))
        quest.update(
            stim={"intensity": intensity}, outcome={"response": "skip" if skips else "clean"}
        )
        mass = np.cumsum(quest.marginal_posterior["mean"])
        lower, upper = (float(grid[np.searchsorted(mass, share)]) for share in (0.05, 0.95))
        if upper - lower <= math.log1p(WIDTH):
            break
    return trials, float(quest.param_estimate["mean"]) - math.log(motor.threshold_mm_s)


def compare(searches: int, p: float, seed: int = 11) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Trials and errors of both over the same thresholds."""
    rng = np.random.default_rng([seed, round(1000 * p)])
    thresholds = np.exp(rng.uniform(math.log(1.1), math.log(18.0), searches))
    found = {}
    for name, method in (("bisection", ours), ("questplus", reference)):
        rows = [method(Motor(float(t), p, seed + k), p) for k, t in enumerate(thresholds)]
        found[name] = (np.array([r[0] for r in rows]), np.array([r[1] for r in rows]))
    return found


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--searches", type=int, default=100)
    given = parser.parse_args()
    print("error rate  method     trials (mean, 95 %)   within 2 %   error, rms of the middle 95 %")
    for p in (0.0, 0.05, 0.10):
        for name, (trials, off) in compare(given.searches, p).items():
            half = 1.96 * trials.std() / math.sqrt(len(trials))
            inner = np.sort(np.abs(off))[: math.ceil(0.95 * len(off))]
            print(
                f"{p:10.2f}  {name:9s}  {trials.mean():6.2f} +- {half:.2f}"
                f"      {100 * np.mean(np.abs(off) <= 0.02):8.0f} %"
                f"   {100 * math.sqrt(np.mean(inner**2)):.2f} %"
            )


if __name__ == "__main__":
    main()
