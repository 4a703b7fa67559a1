"""The judge on rotors that fall back, an integrated rotor and sound made of events, from seeds that
nothing was grown on."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from made_falls import make_falls
from made_grains import make_grains
from made_rotor import make_rotor
from made_sound import MadeTake
from test_wide_sound import judged

from detectors.evidence import Verdict

Maker = Callable[..., MadeTake]


def verdicts_of(make: Maker, seeds: range, *, skip: bool) -> list[Verdict]:
    return [judged(make(seed, skip=skip)).verdict for seed in seeds]


@pytest.mark.parametrize("make", [make_falls, make_rotor, make_grains])
def test_a_take_is_what_its_seed_says(make: Maker) -> None:
    one, two = make(7, skip=True), make(7, skip=True)
    assert np.array_equal(one.samples, two.samples)
    assert one.label == "skip"
    assert len(one.clicks_s) >= 2
    healthy = make(7, skip=False)
    assert healthy.clicks_s == []
    assert healthy.label == "clean"
    assert np.abs(one.samples).max() <= 1.0
    assert one.start_s < one.clicks_s[0] < one.clicks_s[-1] < one.end_s


@pytest.mark.parametrize(
    ("make", "takes", "most_clean", "least_skip"),
    [(make_falls, 40, 2, 24), (make_rotor, 30, 3, 12), (make_grains, 30, 3, 12)],
)
def test_skips_are_hardly_ever_clean(
    make: Maker, takes: int, most_clean: int, least_skip: int
) -> None:
    verdicts = verdicts_of(make, range(300, 300 + takes), skip=True)
    assert verdicts.count(Verdict.CLEAN) <= most_clean, verdicts
    assert verdicts.count(Verdict.SKIP) >= least_skip, verdicts


@pytest.mark.parametrize(
    ("make", "takes", "most_skip", "least_clean"),
    [(make_falls, 40, 2, 24), (make_rotor, 30, 3, 12)],
)
def test_healthy_motors_are_hardly_ever_skips(
    make: Maker, takes: int, most_skip: int, least_clean: int
) -> None:
    verdicts = verdicts_of(make, range(400, 400 + takes), skip=False)
    assert verdicts.count(Verdict.SKIP) <= most_skip, verdicts
    assert verdicts.count(Verdict.CLEAN) >= least_clean, verdicts


def test_rooms_full_of_rhythms_are_not_mostly_skips() -> None:
    """Not never: machines beside it that beat as a skipping motor does are taken for one
    (docs/detector.md)."""
    verdicts = verdicts_of(make_grains, range(400, 430), skip=False)
    assert verdicts.count(Verdict.SKIP) <= 10, verdicts
