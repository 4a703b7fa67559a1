"""The detector's statistics against published values; the source stands beside each check."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy import stats

from detectors.acoustic import HeardClick
from detectors.clicks import Click
from detectors.evidence import MotorGeometry
from detectors.marks import MARK_WEIGHTS
from detectors.scores import rate
from detectors.sequential import weigh_train
from detectors.settings import DetectorSettings


def clicks(times_s: list[float]) -> list[HeardClick]:
    shape = np.ones(4, np.float32)
    return [
        HeardClick(
            t,
            Click(
                frame=round(375 * t),
                known_frame=round(375 * t) + 40,
                score_db=10.0,
                coverage=0.75,
                rise_db=9.0,
                fall_db=9.0,
                decay_db=9.0,
                own_db=9.0,
                shape_db=shape,
                level_db=shape,
                usable=np.ones(4, np.bool_),
            ),
        )
        for t in times_s
    ]


def plain(**changes: float) -> DetectorSettings:
    """Marks that say nothing, so that only the rates speak."""
    names = ("mark_intercept", *MARK_WEIGHTS, "broken_tone", "unbroken_tone", "unknown_tone")
    zero = dict.fromkeys(names, 0.0)
    return DetectorSettings(**{**zero, **changes})


def llr(times_s: list[float]) -> float:
    settings = plain(skip_rate_hz=3.0, room_rate_hz=0.05, decide_skip=9.2)
    found = weigh_train(clicks(times_s), room_clicks=0, room_s=0.0, cycle_s=0.01, settings=settings)
    return found.llr


def test_poisson_likelihood_ratio_of_three_clicks() -> None:
    """Page, Biometrika 41 (1954) 100, with Poisson counts at 0.05/s against 3/s.

    Each click adds ln 60 = 4.094, each second takes off 2.95; three clicks within 1.04 s pass 9.2.
    """
    assert llr([1.0, 1.3, 2.0]) == pytest.approx(3 * math.log(60) - 2.95, abs=1e-9)
    assert llr([1.0, 1.5, 2.03]) > 9.2 > llr([1.0, 1.5, 2.05])
    assert llr([1.0, 1.2]) < 9.2


def test_false_alarms_of_the_change_detector() -> None:
    """Lorden, Ann. Math. Stat. 42 (1971) 1897: mean run to a false alarm at least e^h.

    Clicks at the room's rate of 0.05/s, threshold 4: fewer than one alarm in e^4 clicks.
    """
    rng = np.random.default_rng(3)
    settings = plain(skip_rate_hz=3.0, room_rate_hz=0.05, decide_skip=4.5)
    alarms, total = 0, 0
    for _ in range(60):
        times = np.cumsum(rng.exponential(20.0, 100)).tolist()
        total += len(times)
        found = weigh_train(
            clicks(times), room_clicks=0, room_s=0.0, cycle_s=0.01, settings=settings
        )
        alarms += found.decided_s is not None
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
    settings = plain(skip_rate_hz=3.0)
    values = [
        weigh_train(
            clicks([1.0, 1.2, 1.4]), room_clicks=n, room_s=1.0, cycle_s=0.01, settings=settings
        ).llr
        for n in range(4)
    ]
    assert all(a > b for a, b in pairwise(values))
