"""The judge on rotors that fall back in rooms that ring, from seeds that nothing was grown on."""

from __future__ import annotations

import numpy as np
from made_falls import make_falls
from test_wide_sound import judged

from detectors.evidence import Verdict


def test_a_take_is_what_its_seed_says() -> None:
    one, two = make_falls(7, skip=True), make_falls(7, skip=True)
    assert np.array_equal(one.samples, two.samples)
    assert one.label == "skip"
    assert len(one.clicks_s) >= 2
    assert make_falls(7, skip=False).clicks_s == []
    assert np.abs(one.samples).max() <= 1.0
    assert one.start_s < one.clicks_s[0] < one.clicks_s[-1] < one.end_s


def test_rotors_that_fall_back_are_hardly_ever_clean() -> None:
    verdicts = [judged(make_falls(seed, skip=True)).verdict for seed in range(300, 340)]
    assert verdicts.count(Verdict.CLEAN) <= 2, verdicts
    assert verdicts.count(Verdict.SKIP) >= 24, verdicts


def test_rooms_that_ring_are_hardly_ever_skips() -> None:
    verdicts = [judged(make_falls(seed, skip=False)).verdict for seed in range(400, 440)]
    assert verdicts.count(Verdict.SKIP) <= 2, verdicts
    assert verdicts.count(Verdict.CLEAN) >= 24, verdicts
