"""The judge on an integrated rotor and on sound made of events, from seeds never grown on."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from made_grains import make_grains
from made_rotor import make_rotor
from made_sound import MadeTake
from test_wide_sound import judged

from detectors.evidence import Verdict

MAKERS = [make_rotor, make_grains]


@pytest.mark.parametrize("make", MAKERS)
def test_a_take_is_what_its_seed_says(make: Callable[..., MadeTake]) -> None:
    one, two = make(7, skip=True), make(7, skip=True)
    assert np.array_equal(one.samples, two.samples)
    assert one.label == "skip"
    assert len(one.clicks_s) >= 2
    assert make(7, skip=False).label == "clean"
    assert np.abs(one.samples).max() <= 1.0
    assert one.start_s < one.clicks_s[0] < one.clicks_s[-1] < one.end_s


@pytest.mark.parametrize("make", MAKERS)
def test_skips_are_hardly_ever_clean(make: Callable[..., MadeTake]) -> None:
    verdicts = [judged(make(seed, skip=True)).verdict for seed in range(300, 330)]
    assert verdicts.count(Verdict.CLEAN) <= 3, verdicts
    assert verdicts.count(Verdict.SKIP) >= 12, verdicts


def test_healthy_rotors_are_hardly_ever_skips() -> None:
    verdicts = [judged(make_rotor(seed, skip=False)).verdict for seed in range(400, 430)]
    assert verdicts.count(Verdict.SKIP) <= 3, verdicts
    assert verdicts.count(Verdict.CLEAN) >= 12, verdicts


def test_rooms_full_of_rhythms_are_not_mostly_skips() -> None:
    """Not never: machines beside it that beat as a skipping motor does are taken for one
    (docs/detector.md)."""
    verdicts = [judged(make_grains(seed, skip=False)).verdict for seed in range(400, 430)]
    assert verdicts.count(Verdict.SKIP) <= 10, verdicts
