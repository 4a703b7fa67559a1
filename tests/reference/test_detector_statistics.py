"""The detector's statistics against published values; the source stands beside each check."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy import stats

from detectors.evidence import MotorGeometry
from detectors.scores import rate
from detectors.sequential import click_rates, page_sums
from detectors.settings import DetectorSettings


def page(times_s: list[float], settings: DetectorSettings) -> list[float]:
    """Page's sums of clicks whose looks say nothing, so that only the rates speak."""
    rates = click_rates(room_clicks=0, room_s=0.0, settings=settings)
    return [total for total, _ in page_sums(times_s, [0.0] * len(times_s), rates)]


def test_poisson_likelihood_ratio_of_three_clicks() -> None:
    """Page, Biometrika 41 (1954) 100, with Poisson counts at 0.05/s against 3/s.

    Each click adds ln 60 = 4.094, each second takes off 2.95; three clicks within 1.04 s pass 9.2.
    """
    settings = DetectorSettings(skip_rate_hz=3.0, room_rate_hz=0.05)
    assert page([1.0, 1.3, 2.0], settings)[-1] == pytest.approx(3 * math.log(60) - 2.95, abs=1e-9)
    assert page([1.0, 1.5, 2.03], settings)[-1] > 9.2 > page([1.0, 1.5, 2.05], settings)[-1]
    assert max(page([1.0, 1.2], settings)) < 9.2


def test_false_alarms_of_the_change_detector() -> None:
    """Lorden, Ann. Math. Stat. 42 (1971) 1897: mean run to a false alarm at least e^h.

    Clicks at the room's rate of 0.05/s, threshold 4: fewer than one alarm in e^4 clicks.
    """
    rng = np.random.default_rng(3)
    settings = DetectorSettings(skip_rate_hz=3.0, room_rate_hz=0.05)
    alarms, total = 0, 0
    for _ in range(60):
        times = np.cumsum(rng.exponential(20.0, 100)).tolist()
        total += len(times)
        alarms += max(page(times, settings)) >= 4.5
    assert alarms / total < math.exp(-4.5)


@pytest.mark.parametrize(("count", "total", "upper"), [(0, 1000, 0.00368), (0, 736, 0.005)])
def test_upper_bound_of_none(count: int, total: int, upper: float) -> None:
    """Clopper and Pearson, Biometrika 26 (1934) 404: 1 - (0.025)^(1/n) for none in n."""
    assert rate(count, total).upper == pytest.approx(upper, abs=2e-5)
    assert rate(count, total).upper == pytest.approx(1 - 0.025 ** (1 / total), rel=1e-9)


def test_bounds_agree_with_an_independent_implementation() -> None:
    """scipy.stats.binomtest(...).proportion_ci(method='exact')."""
    for count, total in ((3, 40), (17, 90), (40, 40)):
        ours = rate(count, total)
        theirs = stats.binomtest(count, total).proportion_ci(0.95, method="exact")
        assert (ours.lower, ours.upper) == pytest.approx((theirs.low, theirs.high), abs=1e-9)


def test_filament_of_an_electrical_cycle() -> None:
    """Four full steps of 1.8 degrees with r 5.5 mm and 3:1 are 0.23038 mm.

    Arithmetic on Jones, "Stepping Motor Physics", University of Iowa: a slip re-locks in multiples
    of four full steps.
    """
    geometry = MotorGeometry(
        steps_per_turn=200, filament_per_motor_turn_mm=2 * math.pi * 5.5 / 3, gear_ratio=3.0
    )
    assert geometry.filament_per_cycle_mm == pytest.approx(0.23038, abs=5e-6)
    assert geometry.step_rate_hz(10.0) == pytest.approx(4 * geometry.electrical_rate_hz(10.0))


def test_room_clicks_weaken_clicks_of_the_move() -> None:
    """The more the room clicks at rest, the less the same clicks say (monotone)."""
    settings = DetectorSettings(skip_rate_hz=3.0)
    values = [
        page_sums(
            [1.0, 1.2, 1.4],
            [0.0] * 3,
            click_rates(room_clicks=n, room_s=1.0, settings=settings),
        )[-1][0]
        for n in range(4)
    ]
    assert all(a > b for a, b in pairwise(values))
