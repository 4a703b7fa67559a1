"""The search against information theory.

Any search by yes/no answers, of which a part p is wrong, needs at least log2(N) / (1 - H(p)) of
them to find one of N places (Shannon 1948: the capacity of a binary symmetric channel); asking at
the median of what is known, and reweighting by 2(1-p) and 2p, comes near it (Horstein, IEEE Trans.
Inf. Theory 1963, 9, 136; Waeber, Frazier and Henderson, SIAM J. Control Optim. 2013, 51, 2261).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from detectors.evidence import Verdict
from rig.search import SearchSettings, ThresholdSearch, entropy_bits, fewest_trials


@pytest.mark.parametrize(
    ("places", "p", "bits"),
    # Computed by hand from the formula.
    [
        (128, 0.0, 7.0),
        (128, 0.01, 7.615),
        (128, 0.05, 9.809),
        (128, 0.1, 13.183),
        (128, 0.2, 25.173),
        (1000, 0.05, 13.965),
    ],
)
def test_fewest_trials(places: int, p: float, bits: float) -> None:
    assert fewest_trials(places, error_rate=p) == pytest.approx(bits, abs=6e-4)


def test_fewest_trials_with_an_error_allowed() -> None:
    """Fano's inequality (Cover and Thomas, Elements of Information Theory, from memory)."""
    allowed = fewest_trials(128, error_rate=0.1, allowed_error=0.05)
    assert allowed == pytest.approx(((0.95 * 7.0) - entropy_bits(0.05)) / (1 - entropy_bits(0.1)))
    assert allowed == pytest.approx(11.984, abs=1e-3)


def test_one_answer_reweights_by_horsteins_factors() -> None:
    """A knife's edge threshold: 2(1-p) on one side of the median and 2p on the other."""
    p = 0.1
    search = ThresholdSearch(
        SearchSettings(start_mm_s=1.0, max_mm_s=16.0, resolution=0.05, error_rate=p, slope=0.0)
    )
    speeds, before = search.grid
    total = np.cumsum(before)
    k = int(np.searchsorted(total, 0.5))
    asked = math.sqrt(speeds[k] * speeds[k + 1])
    below = before[: k + 1].sum()
    search.tell(asked, Verdict.SKIP, 1.0)
    _, after = search.grid
    norm = (1 - p) * below + p * (1 - below)
    assert after[: k + 1] == pytest.approx(before[: k + 1] * (1 - p) / norm)
    assert after[k + 1 :] == pytest.approx(before[k + 1 :] * p / norm)


@pytest.mark.parametrize("p", [0.0, 0.05, 0.1])
def test_trials_against_the_bound(p: float) -> None:
    """Bisection to 2 % between 1 and 20 mm/s, 150 searches: 1.5 times the bound at the mean.

    N is the number of brackets of that width; tests/benchmarks/bench_search.py takes more of them.
    """
    rng = np.random.default_rng(11)
    places = math.log(20.0) / math.log(1.04)  # within 2 % either way
    counts, off = [], []
    for _ in range(150):
        threshold = math.exp(rng.uniform(math.log(1.05), math.log(19.0)))
        search = ThresholdSearch(
            SearchSettings(
                start_mm_s=1.0, max_mm_s=20.0, resolution=0.04, error_rate=max(p, 0.001), slope=0.0
            )
        )
        while (question := search.ask()) is not None:
            skips = (question.speed_mm_s > threshold) != (rng.random() < p)
            search.tell(question.speed_mm_s, Verdict.SKIP if skips else Verdict.CLEAN)
        assert search.result is not None
        counts.append(search.result.trials)
        off.append(abs(math.log(search.result.estimate_mm_s / threshold)))
    assert np.mean(counts) <= 1.5 * fewest_trials(places, error_rate=p) + 0.5
    assert np.mean(np.array(off) <= 0.02) >= 0.85
