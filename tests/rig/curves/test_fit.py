"""Curves from thresholds: what comes out, how sure, and what is refused."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from rig.curves import checks
from rig.curves.curveset import CurveSet
from rig.curves.fit import MODELS, fit_curves, log_top_flow
from rig.curves.points import Threshold
from rig.errors import RangeError, TableError

AREA = math.pi * 1.75**2 / 4.0
FORCES = np.linspace(20.0, 80.0, 8)


def power(force):
    return (force / 22.0) ** 2.5


def knee(force):
    return power(force) / (1 + (power(force) / 14.0) ** 3) ** (1 / 3)


def table(law, *, temperature_c=205.0, scatter=0.01, bracket=0.03, seed=2, forces=FORCES, **extra):
    """Thresholds of a law, each in a bracket that does not know where in it the truth lies."""
    rng = np.random.default_rng(seed)
    found = []
    for force in forces:
        flow = float(law(force)) * math.exp(scatter * rng.standard_normal())
        low = flow * math.exp(-bracket * rng.random()) / AREA
        found.append(Threshold(temperature_c, float(force), low, low * math.exp(bracket), **extra))
    return found


@pytest.fixture(scope="module")
def straight():
    return fit_curves(table(power))


@pytest.fixture(scope="module")
def bent():
    return fit_curves(table(knee))


def test_a_power_law_is_found_with_its_parameters_inside_their_intervals(straight):
    (curve,) = straight.curves
    assert curve.model == "power"
    for name, truth in (("resistance", 22.0), ("exponent", 0.4)):
        held = curve.parameters[name]
        assert held.lower < truth < held.upper
        assert held.value == pytest.approx(truth, rel=0.03)
        assert held.standard_error > 0
    assert curve.converged


def test_the_band_holds_the_truth_and_is_narrow(straight):
    (curve,) = straight.curves
    for force in (25.0, 45.0, 70.0):
        low, high = curve.band_n(power(force))
        assert low < force < high
        assert high / low < 1.06


def test_a_melt_limit_is_found_and_points_there_are_marked(bent):
    (curve,) = bent.curves
    assert curve.model == "power-melt"
    assert curve.melt_limit.lower < 14.0 < curve.melt_limit.upper
    assert curve.melt_limit.value == pytest.approx(14.0, rel=0.15)
    for force in (25.0, 45.0):
        low, high = curve.band_n(knee(force))
        assert low < force < high


def test_the_table_is_the_law_of_its_parameters(straight, bent):
    for found in (straight, bent):
        (curve,) = found.curves
        flows = [row.flow_mm3_s for row in curve.table]
        assert flows == sorted(flows)
        for row in curve.table:
            assert row.lower_n <= row.force_n <= row.upper_n
            assert row.total_lower_n <= row.lower_n
            assert row.total_upper_n >= row.upper_n
            assert curve.force_n(row.flow_mm3_s) == pytest.approx(row.force_n, rel=1e-6)
            assert curve.slope_n_s_mm3(row.flow_mm3_s) == pytest.approx(row.slope_n_s_mm3, rel=1e-4)


def test_nothing_is_said_outside_the_measured_range(straight):
    (curve,) = straight.curves
    low, high = curve.flow_range_mm3_s
    assert low == pytest.approx(power(20.0), rel=0.05)
    for flow in (0.9 * low, 1.1 * high):
        assert not curve.holds(flow)
        for ask in (curve.force_n, curve.band_n, curve.slope_n_s_mm3):
            with pytest.raises(RangeError, match="outside the measured"):
                ask(flow)
    with pytest.raises(RangeError, match="of the curve at 205 C"):
        curve.flow_mm3_s(500.0)
    with pytest.raises(RangeError, match="there are curves at 205 C"):
        straight.at(230.0)
    assert straight.at(205.2) is curve


def test_flow_and_force_are_inverse_within_the_range(straight):
    (curve,) = straight.curves
    assert curve.flow_mm3_s(curve.force_n(5.0)) == pytest.approx(5.0, rel=1e-3)


def test_the_same_thresholds_give_the_same_curve_to_the_last_digit(straight):
    assert fit_curves(table(power)).to_document() == straight.to_document()


def test_the_order_of_the_lines_does_not_matter(straight):
    turned = fit_curves(table(power)[::-1])
    assert turned.to_document()["curves"] == straight.to_document()["curves"]


@pytest.mark.parametrize(("factor", "where", "other"), [(0.5, "below", 2), (2.0, "above", 4)])
def test_a_threshold_that_contradicts_another_is_named(factor, where, other):
    points = table(power)
    odd = points[3]
    points[3] = Threshold(205.0, odd.force_n, odd.clean_mm_s * factor, odd.skip_mm_s * factor)
    residuals = np.array([0.1, 0.2, -0.1, 3.0, 0.2, 0.1, 0.0, -0.3])
    (told,) = checks.contradictions(points, residuals)
    assert told.startswith(f"the threshold at {odd.force_n:.3g} N (")
    assert f"lies {where} that at {points[other].force_n:.3g} N" in told
    # Told once only: that one lies far off the curve is said in other words.
    assert checks.contradictions(points, 2.0 * residuals) == []


def test_few_points_tell_of_a_contradiction_though_the_scatter_hides_it():
    flows = {20: 3.16, 30: 7.55, 40: 13.4, 50: 9.74, 60: 25.8, 70: 29.2}
    points = [
        Threshold(230.0, float(f), q / AREA * 0.985, q / AREA * 1.015) for f, q in flows.items()
    ]
    (curve,) = fit_curves(points, joint=False).curves
    assert any("the threshold at 50 N" in n and "repeat it" in n for n in curve.notes)


def poles(force):
    """F = 6 + 14 Q^0.5 / (1 - Q/18), solved for Q."""
    grid = np.linspace(1e-4, 17.99, 40001)
    return np.interp(force, 6.0 + 14.0 * np.sqrt(grid) / (1.0 - grid / 18.0), grid)


def test_the_interval_of_a_melt_limit_knows_that_it_depends_on_the_law(bent):
    (curve,) = fit_curves(table(poles, scatter=0.005), joint=False).curves
    limit = curve.melt_limit
    assert limit.lower < 18.0
    assert limit.upper is None or limit.upper > 18.0
    assert any(c.model == "power-yield-melt-pole" for c in curve.candidates)
    # Where the knee is plain the pole is out of the race, and the interval no wider for it.
    (plain,) = bent.curves
    (pole,) = [c for c in plain.candidates if c.model == "power-yield-melt-pole"]
    assert pole.weight < 0.05
    assert plain.melt_limit.upper < 1.15 * 14.0


def test_a_melt_limit_is_said_to_be_open_where_its_interval_is():
    told = []
    for law, model in ((power, "power-melt"), (knee, "power-melt"), (poles, "auto")):
        points = table(law, scatter=0.02)
        curve = fit_curves(points, model=model, joint=False).curves[0]
        limit = curve.melt_limit
        said = [note for note in curve.notes if "do not bound a melt limit" in note]
        assert bool(said) == (limit.upper is None)
        assert all(f"it lies above {limit.lower:.3g} mm3/s" in note for note in said)
        told.append(limit.upper is None)
    assert len(set(told)) == 2


def test_a_hard_limit_that_few_thresholds_reach_is_held_by_its_interval():
    """A corner, with two of eight thresholds beyond it: the knee may be as sharp as that."""
    held, widths, top = 0, [], power(70.0)
    for seed in range(8):
        forces = np.linspace(20.0, 80.0, 8)
        points = table(lambda f: np.minimum(power(f), top), seed=seed, forces=forces)
        limit = fit_curves(points, joint=False).curves[0].melt_limit
        held += limit.lower < top < (limit.upper or math.inf)
        widths.append((limit.upper or math.inf) / limit.lower)
    assert held >= 7
    assert np.median(widths) < 1.3


def saturating(force):
    return 12.0 * -np.expm1(-np.asarray(force) / 35.0)


def test_a_flow_that_saturates_is_fitted_by_name():
    model = "power-yield-melt-saturating"
    (curve,) = fit_curves(table(saturating, scatter=0.003), model=model).curves
    limit, sharpness = curve.melt_limit, curve.parameters["saturation"]
    assert limit.lower < 12.0 < (limit.upper or math.inf)
    assert sharpness.lower < 1.0 < sharpness.upper


def test_a_law_with_a_pole_is_fitted_by_name():
    (curve,) = fit_curves(table(poles, scatter=0.003), model="power-yield-melt-pole").curves
    assert set(curve.parameters) == {"yield_n", "resistance", "exponent", "melt_limit_mm3_s"}
    for name, truth in (("yield_n", 6.0), ("exponent", 0.5), ("melt_limit_mm3_s", 18.0)):
        assert curve.parameters[name].lower < truth < curve.parameters[name].upper
    for flow in (1.0, 4.0, 8.0):
        assert curve.force_n(flow) == pytest.approx(
            6.0 + 14.0 * flow**0.5 / (1.0 - flow / 18.0), rel=0.02
        )
        rise = curve.force_n(flow * 1.001) - curve.force_n(flow * 0.999)
        assert curve.slope_n_s_mm3(flow) == pytest.approx(rise / (0.002 * flow), rel=1e-3)


def test_thresholds_that_scatter_about_a_melt_limit_contradict_nothing(bent):
    for seed in range(5):
        points = table(knee, scatter=0.015, seed=seed)
        assert checks.contradictions(points, np.zeros(len(points))) == []


@pytest.mark.parametrize("stray", [-1, -2])
def test_a_stray_flow_far_above_a_melt_limit_does_not_forbid_it(stray):
    points = table(knee, forces=np.linspace(20.0, 80.0, 10))
    far = points[stray]
    points[stray] = replace(far, clean_mm_s=1.35 * far.clean_mm_s, skip_mm_s=1.35 * far.skip_mm_s)
    (curve,) = fit_curves(points).curves
    assert curve.melt_limit.lower < 14.0
    assert curve.melt_limit.upper is None or curve.melt_limit.upper > 14.0


def test_the_top_flow_is_the_greatest_unless_it_stands_out():
    assert log_top_flow(np.array([0.2])) == 0.2
    assert log_top_flow(np.array([0.2, 0.9])) == 0.9
    assert log_top_flow(np.array([1.5, 0.2, 0.9])) == pytest.approx(1.5)
    assert log_top_flow(np.array([0.2, 1.9, 0.9])) == pytest.approx(1.6)


@given(arrays(float, st.integers(1, 12), elements=st.floats(-3.0, 5.0)), st.floats(0.0, 3.0))
def test_however_far_the_top_flow_strays_the_believed_one_stays(log_flow, further):
    believed = log_top_flow(log_flow)
    assert believed <= log_flow.max()
    if len(log_flow) > 2:
        order = np.sort(log_flow)
        assert believed >= order[-2]
        log_flow = order + further * (np.arange(len(order)) == len(order) - 1)
        assert log_top_flow(log_flow) <= 2.0 * order[-2] - order[-3] + 1e-12


def test_an_outlier_is_kept_shown_and_hardly_moves_the_curve(straight):
    points = table(power)
    wrong = points[3]
    points[3] = Threshold(205.0, wrong.force_n, wrong.clean_mm_s * 1.5, wrong.skip_mm_s * 1.5)
    (curve,) = fit_curves(points, joint=False).curves
    (clean,) = straight.curves
    assert all(point.fitted for point in curve.points)
    assert "outlier" in curve.points[3].remark
    assert any(f"lie far off the curve, at {wrong.force_n:.3g} N" in n for n in curve.notes)
    for flow in (2.0, 8.0, 20.0):
        assert curve.force_n(flow) == pytest.approx(clean.force_n(flow), rel=0.03)


def test_excluded_points_are_kept_with_their_reason_and_not_fitted():
    points = table(power)
    bad = Threshold(205.0, 50.0, 1.0, 1.1, excluded="slip")
    (curve,) = fit_curves([*points, bad], joint=False).curves
    (shown,) = [point for point in curve.points if not point.fitted]
    assert shown.remark == "slip"
    assert shown.residual is None
    (without,) = fit_curves(points, joint=False).curves
    assert curve.table == without.table


def test_a_plateau_is_left_out_of_a_law_without_melt_limit_and_used_by_one_with():
    points = table(lambda f: np.minimum(power(f), 12.0), scatter=0.0)
    (plain,) = fit_curves(points, model="power", joint=False).curves
    left = [point for point in plain.points if not point.fitted]
    assert len(left) >= 2
    assert all(point.remark.startswith("melt-limit") for point in left)
    assert plain.parameters["exponent"].value == pytest.approx(0.4, rel=0.03)
    (full,) = fit_curves(points, joint=False).curves
    assert "melt" in full.model
    assert all(point.fitted for point in full.points)
    assert full.melt_limit.lower < 12.0 < full.melt_limit.upper
    assert any("at the melt limit" in (point.remark or "") for point in full.points)


def test_points_marked_at_the_melt_limit_serve_a_law_that_has_one():
    points = [
        Threshold(205.0, f, c, s, excluded="melt-limit" if f > 65 else None)
        for f, c, s in (
            (p.force_n, p.clean_mm_s, p.skip_mm_s)
            for p in table(lambda f: np.minimum(power(f), 12.0), scatter=0.0)
        )
    ]
    (curve,) = fit_curves(points, joint=False).curves
    assert "melt" in curve.model
    assert all(point.fitted for point in curve.points)


def test_open_ends_move_the_curve_only_as_far_as_they_say():
    points = table(power)
    open_above = Threshold(205.0, 90.0, 3.0, None)
    open_below = Threshold(205.0, 15.0, None, 2.0)
    (curve,) = fit_curves([open_below, *points, open_above], joint=False).curves
    (plain,) = fit_curves(points, joint=False).curves
    assert curve.model == "power"
    assert curve.force_n(5.0) == pytest.approx(plain.force_n(5.0), rel=0.01)
    assert curve.points[0].residual == pytest.approx(0.0, abs=0.5)
    contradicting = Threshold(205.0, 40.0, 4.0, None)  # clean far above the curve
    (pulled,) = fit_curves([*points, contradicting], joint=False).curves
    odd = next(p for p in pulled.points if p.threshold is contradicting)
    assert odd.residual > 4.5


def test_few_points_give_a_wide_band_and_say_so():
    (two,) = fit_curves(table(power, forces=[30.0, 60.0])).curves
    (eight,) = fit_curves(table(power)).curves
    assert any("only 2 different forces" in note for note in two.notes)
    low, high = two.band_n(4.0)
    narrow = eight.band_n(4.0)
    assert math.log(high / low) > 2.5 * math.log(narrow[1] / narrow[0])


@pytest.mark.parametrize(
    ("points", "said"),
    [
        (table(power, forces=[30.0]), r"one threshold only \(30 N at"),
        (table(power, forces=[30.0, 30.0]), "all at one force"),
        ([Threshold(205.0, f, 1.0, None) for f in (20, 30, 40)], "none with both a clean"),
        ([Threshold(205.0, 30.0, 1.0, 1.1, excluded="slip")], "no usable threshold"),
        (table(lambda f: 100.0 / f), "does not rise with the force"),
        ([], "no thresholds"),
    ],
)
def test_what_is_no_curve_is_refused_in_one_line(points, said):
    with pytest.raises(TableError, match=said) as caught:
        fit_curves(points)
    assert "\n" not in str(caught.value)


def test_one_poor_temperature_does_not_spoil_the_others():
    found = fit_curves([*table(power), *table(power, temperature_c=220.0, forces=[30.0])])
    assert [curve.temperature_c for curve in found.curves] == [205.0]
    assert any("220 C: one threshold only" in note for note in found.notes)


def test_an_unknown_model_is_refused_with_the_known_ones():
    with pytest.raises(TableError, match="one of auto, power, power-yield"):
        fit_curves(table(power), model="cubic")


@pytest.mark.parametrize("model", [name for name in MODELS if name != "auto"])
def test_every_model_can_be_asked_for(model):
    (curve,) = fit_curves(table(knee), model=model, joint=False).curves
    assert curve.model == model
    forces = [row.force_n for row in curve.table]
    assert forces == sorted(forces)
    assert len(curve.covariance) == len(curve.parameters)


def test_the_smooth_curve_holds_the_truth_of_another_law():
    (curve,) = fit_curves(table(knee), model="smooth", joint=False).curves
    for force in (25.0, 35.0, 45.0, 55.0):
        low, high = curve.band_n(float(knee(force)))
        assert low < force < high


def test_covariance_is_that_of_the_standard_errors(straight):
    (curve,) = straight.curves
    errors = [parameter.standard_error for parameter in curve.parameters.values()]
    np.testing.assert_allclose(np.sqrt(np.diag(curve.covariance)), errors, rtol=1e-6)


def test_random_effects_of_runs_widen_the_band():
    shifted = []
    for index, factor in enumerate((1.04, 0.97, 1.0, 0.99)):
        law = lambda f, k=factor: power(f * k)  # noqa: E731
        shifted += table(law, seed=index, run=f"run {index}", forces=FORCES[::2])
    blind = [Threshold(p.temperature_c, p.force_n, p.clean_mm_s, p.skip_mm_s) for p in shifted]
    (known,) = fit_curves(shifted, joint=False, model="power").curves
    (pooled,) = fit_curves(blind, joint=False, model="power").curves
    widths = [math.log(c.band_n(6.0)[1] / c.band_n(6.0)[0]) for c in (known, pooled)]
    assert widths[0] > 1.2 * widths[1]
    assert known.scatter.value < 0.6 * pooled.scatter.value
    low, high = known.band_n(float(power(45.0)))
    assert low < 45.0 < high


def test_few_runs_leave_the_mean_over_all_runs_open_and_their_spread_is_told():
    def campaign(factors):
        shifted = []
        for index, factor in enumerate(factors):
            law = lambda f, k=factor: power(f * k)  # noqa: E731
            shifted += table(law, seed=index, run=f"run {index}", forces=FORCES[::2])
        return fit_curves(shifted, joint=False, model="power").curves[0]

    def half_width(curve):
        return 0.5 * math.log(curve.band_n(6.0)[1] / curve.band_n(6.0)[0])

    two, five = campaign((1.06, 0.94)), campaign((1.06, 0.94, 1.0, 1.05, 0.95))
    # Student's interval of a mean, sd t / sqrt(runs), is 2.78 sd / sqrt 5 with five runs.
    assert half_width(five) == pytest.approx(2.78 * 0.055 / math.sqrt(5), rel=0.35)
    assert half_width(two) > 1.5 * half_width(five)
    assert half_width(two) > 2.0 * 0.085 / math.sqrt(2)
    (note,) = [note for note in five.notes if "5 runs, whose forces differ by" in note]
    assert 3.0 < float(note.split("differ by ")[1].split(" %")[0]) < 9.0
    for curve in (two, five):  # the curve itself is that of the runs' mean
        assert curve.force_n(6.0) == pytest.approx(float(22.0 * 6.0**0.4), rel=0.02)


def test_the_prior_of_the_runs_is_that_of_shifts_about_a_mean_of_their_own():
    """Differences of normal shifts, with their mean taken out: density of the contrasts."""
    from rig.curves.posterior import contrasts

    for runs in (2, 3, 6):
        basis = contrasts(runs)
        np.testing.assert_allclose(basis.T @ basis, np.eye(runs - 1), atol=1e-12)
        np.testing.assert_allclose(basis.sum(axis=0), 0.0, atol=1e-12)


def test_a_wrong_rate_of_the_detector_makes_room_for_stray_thresholds():
    points = table(power)
    wrong = points[2]
    points[2] = Threshold(205.0, wrong.force_n, wrong.clean_mm_s * 1.6, wrong.skip_mm_s * 1.6)
    (curve,) = fit_curves(points, joint=False, wrong_rate=0.05, scatter="normal").curves
    (blind,) = fit_curves(points, joint=False, scatter="normal").curves
    off = [abs(math.log(c.force_n(3.0) / (22.0 * 3.0**0.4))) for c in (curve, blind)]
    assert off[0] < 0.01
    assert off[0] < 0.5 * off[1]
    with pytest.raises(TableError, match="wrong rate"):
        fit_curves(points, wrong_rate=0.9)


def test_the_document_comes_back_the_same_and_meets_its_schema(bent):
    import jsonschema

    from rig.curves.document import schema

    document = bent.to_document()
    text = json.dumps(document, allow_nan=False)
    jsonschema.validate(json.loads(text), schema())
    again = CurveSet.from_document(json.loads(text))
    assert again.to_document() == document
    flow = 0.5 * sum(bent.curves[0].flow_range_mm3_s)
    assert again.curves[0].force_n(flow) == pytest.approx(bent.curves[0].force_n(flow), rel=1e-8)


@pytest.mark.parametrize("content", [{}, {"schema": "other"}, {"schema": "stallcurve/curve/1"}, []])
def test_another_document_is_refused(content):
    with pytest.raises(TableError, match="not a curve document"):
        CurveSet.from_document(content, name="x.json")


def test_residuals_that_hang_together_are_noticed():
    assert checks.trend(np.array([-1.0, -0.8, 0.9, 1.1, 0.7, -0.9, -1.2]))
    assert not checks.trend(np.array([0.5, -1.0, 0.8, -0.2, 0.9, -0.7, 0.1]))
