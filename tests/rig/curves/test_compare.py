"""Two curves: the same or not, by how much, and what they share."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from rig.curves.compare import compare, share_scale, thresholds_differ
from rig.curves.curveset import CurveSet, Parameter, Point
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
    assert found.melt_limits_differ
    assert "melt limits differ: that of B is" in found.sentence
    same = compare(curve(limit=12.0, seed=3), curve(limit=12.0, seed=5))
    assert same.melt_limits_differ is False
    assert "melt limits cannot be told apart: difference" in same.sentence
    assert compare(curve(), curve(seed=2)).melt_limits_differ is None


def test_limits_that_differ_are_said_where_the_forces_tell_nothing(base):
    """The same curve with its limit put elsewhere: no force differs, the limit does."""

    def limited(value):
        limit = Parameter(value, 0.3, value - 0.5, value + 0.7, "mm3/s")
        # Without a law the table alone is the curve, and the limit moves no force.
        return replace(base, model="smooth", parameters={"melt_limit_mm3_s": limit})

    found = compare(limited(15.0), limited(13.0), names=("old", "new"))
    assert not found.differ
    assert found.melt_limits_differ
    # errors end by end: hypot(0.5, 0.7)
    assert found.melt_limits == pytest.approx((-2.0, -2.8602, -1.1398), abs=1e-4)
    assert "the forces of new and old cannot be told apart" in found.sentence
    assert (
        "but the melt limits differ: that of new is 2 mm3/s lower (1.14 to 2.86)" in found.sentence
    )
    document = found.to_document()
    assert (document["differ"], document["melt_limits_differ"]) == (False, True)
    assert compare(limited(15.0), limited(15.5)).melt_limits_differ is False


def test_what_is_said_of_the_scale_is_what_is_counted(base):
    loose = replace(base, scale_uncertainty=0.07)
    for a, b, common, words in (
        (base, base, False, "no error of either force scale is known"),
        (base, base, True, "no error of either force scale is known"),
        (base, loose, False, "scale of B is counted, none is known of A"),
        (loose, base, False, "scale of A is counted, none is known of B"),
        (loose, loose, False, "the error of both force scales is counted"),
        (loose, loose, True, "cancels"),
    ):
        found = compare(a, b, common_scale=common)
        assert words in found.sentence
        wide = math.log(found.mean_ratio[2] / found.mean_ratio[1]) > 0.2
        assert wide == ("is counted" in found.sentence)
        assert found.to_document()["scale_uncertainty"]["b"] == b.scale_uncertainty


@pytest.mark.parametrize("thresholds", ["moved", "none", "as they were"])
def test_sentence_and_interval_never_contradict_one_another(base, thresholds):
    """Whatever the thresholds say, alike is called only what the interval of the mean allows."""
    seen = set()
    for factor in np.linspace(0.96, 1.04, 17):
        rows = tuple(
            replace(
                row,
                force_n=factor * row.force_n,
                lower_n=factor * row.lower_n,
                upper_n=factor * row.upper_n,
            )
            for row in base.table
        )
        points = () if thresholds == "none" else base.points
        if thresholds == "moved":
            points = tuple(
                replace(p, threshold=replace(p.threshold, force_n=factor * p.threshold.force_n))
                for p in points
            )
        found = compare(base, replace(base, model="smooth", table=rows, points=points))
        off = not found.mean_ratio[1] <= 1.0 <= found.mean_ratio[2]
        assert found.differ == (found.p_value < 0.05) == off
        assert ("cannot be told apart" in found.answer) == (not off)
        assert ("more force" in found.answer) == (off and factor > 1.0)
        assert found.mean_ratio[0] == pytest.approx(factor)
        seen.add(off)
    # A difference that the thresholds know nothing of is a misfit of the laws.
    assert seen == ({False} if thresholds == "as they were" else {True, False})


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


def scattered(base, seed, *, factor=1.0, count=10, scatter=0.02):
    """A curve with other thresholds: those of Carreau's law, which no law of the fit follows."""
    rng = np.random.default_rng(seed)
    flows = np.geomspace(0.3, 25.0, 400)
    forces = 20.0 * flows / (1.0 + (flows / 2.0) ** 2) ** 0.35 * factor
    points = []
    for force in np.linspace(20.0, 80.0, count):
        flow = float(np.interp(force, forces, flows)) * math.exp(scatter * rng.standard_normal())
        low = flow * math.exp(-0.03 * rng.random()) / AREA
        threshold = Threshold(205.0, float(force), low, low * math.exp(0.03))
        points.append(Point(threshold, fitted=True, residual=None, remark=None))
    return replace(base, points=tuple(points))


def test_thresholds_of_one_law_differ_as_often_as_they_should(base):
    """p is about uniform though no polynomial is the law, and small for a tenth more force."""
    flows = (0.5, 12.0)
    pairs = [(scattered(base, 2 * k), scattered(base, 2 * k + 1)) for k in range(200)]
    chances = np.array([thresholds_differ(a, b, flows) for a, b in pairs])
    assert (chances < 0.05).mean() <= 0.09
    assert (chances < 0.5).mean() == pytest.approx(0.5, abs=0.12)
    more = [scattered(base, 1000 + k, factor=1.1) for k in range(40)]
    found = [thresholds_differ(pairs[k][0], other, flows) for k, other in enumerate(more)]
    assert np.mean(np.array(found) < 0.05) > 0.8


def test_few_thresholds_are_not_asked(base):
    few = scattered(base, 1, count=5)
    assert thresholds_differ(few, scattered(base, 2), (0.5, 12.0)) is None
    assert thresholds_differ(base, base, (100.0, 200.0)) is None
