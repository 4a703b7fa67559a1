"""Two curves: the same or not, by how much, and what they share."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from rig.curves.compare import compare, share_scale
from rig.curves.curveset import CurveSet
from rig.curves.fit import fit_curves
from rig.curves.points import Threshold
from rig.errors import RangeError

AREA = math.pi * 1.75**2 / 4.0


def curve(
    resistance=22.0,
    limit=math.inf,
    *,
    seed=1,
    forces=None,
    scatter=0.01,
    exponent=0.4,
    model="auto",
):
    rng = np.random.default_rng(seed)
    points = []
    for force in np.linspace(20.0, 80.0, 8) if forces is None else forces:
        flow = (force / resistance) ** (1 / exponent)
        flow = flow / (1 + (flow / limit) ** 4) ** 0.25 * math.exp(scatter * rng.standard_normal())
        low = flow * math.exp(-0.03 * rng.random()) / AREA
        points.append(Threshold(205.0, float(force), low, low * math.exp(0.03)))
    return fit_curves(points, joint=False, model=model).curves[0]


@pytest.fixture(scope="module")
def base():
    return curve()


def test_a_tenth_more_force_is_found_with_its_band(base):
    found = compare(base, curve(22.0 * 1.1, seed=2), names=("short", "long"))
    assert found.differ
    assert found.p_value < 1e-3
    value, low, high = found.mean_ratio
    assert low < 1.1 < high
    assert value == pytest.approx(1.1, abs=0.02)
    assert all(r.lower < r.ratio < r.upper for r in found.ratios)
    assert "long needs" in found.sentence
    assert "more force than short" in found.sentence


def test_two_campaigns_on_one_hot_end_are_not_told_apart(base):
    found = compare(base, curve(seed=7))
    assert not found.differ
    assert "cannot be told apart" in found.sentence
    assert found.mean_ratio[1] < 1.0 < found.mean_ratio[2]


def test_the_test_of_no_difference_errs_about_one_time_in_twenty():
    curves = [curve(seed=seed, model="power") for seed in range(20, 44)]
    pairs = zip(curves[::2], curves[1::2], strict=True)
    wrong = sum(compare(a, b).differ for a, b in pairs)
    assert wrong <= 3  # 12 pairs: more than 3 has a chance of 0.2 % at a true rate of 5 %


def test_a_scale_error_counts_unless_both_share_the_drive(base):
    other = curve(22.0 * 1.1, seed=2)
    loose = [replace(c, scale_uncertainty=0.07) for c in (base, other)]
    apart = compare(*loose, common_scale=False)
    shared = compare(*loose, common_scale=True)
    assert not apart.differ
    assert shared.differ
    assert "cancels" in shared.sentence
    assert "is counted" in apart.sentence


def test_sets_share_their_scale_by_fingerprint():
    one, other, none = (
        CurveSet((), provenance={"force_scale": mark}) for mark in ("abc", "abc", "")
    )
    assert share_scale(one, other)
    assert not share_scale(one, none)
    assert not share_scale(none, none)


def test_melt_limits_are_compared_with_their_interval():
    found = compare(curve(limit=12.0, seed=3), curve(limit=15.0, seed=4))
    value, low, high = found.melt_limits
    assert low < 3.0 < high
    assert value == pytest.approx(3.0, abs=1.5)
    assert "melt limit +" in found.sentence


def test_another_shape_with_the_same_mean_is_noticed(base):
    found = compare(base, curve(resistance=15.8, exponent=0.55, seed=6))
    assert found.differ


def test_curves_without_common_flows_are_refused(base):
    fast = curve(seed=3, forces=np.linspace(90.0, 150.0, 6))
    with pytest.raises(RangeError, match="no common flows"):
        compare(base, fast)


def test_the_document_of_a_comparison(base):
    import json

    text = json.dumps(compare(base, base, names=("a", "b")).to_document(), allow_nan=False)
    document = json.loads(text)
    assert document["mean_ratio"]["value"] == pytest.approx(1.0)
    assert document["differ"] is False
