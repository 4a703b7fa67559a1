"""The threshold search beside a reference library for adaptive thresholds (QUEST+, Watson 2017)."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.append(str(Path(__file__).resolve().parents[1] / "benchmarks"))

from bench_adaptive import compare


@pytest.mark.parametrize(("p", "within"), [(0.0, 0.02), (0.05, 0.05)])
def test_about_as_many_trials_to_the_same_width(p: float, within: float) -> None:
    """Package questplus 2023.1, the same answers' rule and stopping rule; see the benchmark."""
    found = compare(10, p, seed=3)
    trials = {name: rows[0].mean() for name, rows in found.items()}
    assert trials["bisection"] <= 1.4 * trials["questplus"]
    for name, (_, off) in found.items():
        assert np.median(np.abs(off)) < 0.015, name
        assert np.mean(np.abs(off) <= within) >= 0.8, name
