"""Where a curve begins and ends, and what is said of what lies outside or off it."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest

from rig.bench import load_bench
from rig.curves import checks
from rig.curves.fit import fit_curves
from rig.curves.points import Threshold

AREA = math.pi * 1.75**2 / 4.0
FORCES = (20.0, 27.0, 35.0, 44.0, 54.0, 65.0, 78.0, 92.0)


def power(force):
    return (force / 20.0) ** (1 / 0.45)


def bracket(force, flow, *, half=0.015):
    return Threshold(210.0, force, flow * (1 - half) / AREA, flow * (1 + half) / AREA)


def clean_to(force, flow):
    return Threshold(210.0, force, flow / AREA, None)


def fitted(points, **options):
    (curve,) = fit_curves(points, joint=False, **options).curves
    return curve


def told(curve, *words):
    """The one note that has all words."""
    (note,) = [note for note in curve.notes if all(word in note for word in words)]
    return note


def test_forces_that_were_clean_at_the_greatest_speed_do_not_stretch_the_range():
    top = 14.4
    points = [bracket(f, power(f)) if power(f) * 1.015 < top else clean_to(f, top) for f in FORCES]
    curve = fitted(points)
    assert curve.model == "power"
    assert curve.flow_range_mm3_s[1] == pytest.approx(top, rel=1e-9)
    assert curve.force_range_n[1] < 70.0
    note = told(curve, "nothing is known beyond")
    assert "the table ends at 14.4 mm3/s" in note
    assert "up to 92 N, were clean to 14.4 mm3/s" in note
    assert not any("melt limit" in note for note in curve.notes)


def test_the_highest_closed_bracket_counts_where_it_lies_above_what_ran_clean():
    points = [bracket(f, power(f)) for f in FORCES[:-1]] + [clean_to(92.0, 0.5 * power(92.0))]
    curve = fitted(points)
    assert curve.flow_range_mm3_s[1] == pytest.approx(1.015 * power(78.0), rel=1e-9)
    assert "clean to 14.9 mm3/s" in told(curve, "nothing is known beyond")


def test_the_range_begins_at_the_lowest_flow_that_was_tried():
    low = Threshold(210.0, 10.0, None, 3.0 * power(10.0) / AREA)
    curve = fitted([low, *(bracket(f, power(f)) for f in FORCES[:-1])])
    assert curve.flow_range_mm3_s[0] == pytest.approx(3.0 * power(10.0), rel=1e-9)


@pytest.mark.parametrize("seed", range(6))
def test_no_range_leaves_what_was_tried(seed):
    rng = np.random.default_rng(seed)
    points = []
    for force in FORCES:
        flow = power(force) * math.exp(0.05 * rng.standard_normal())
        kind = rng.choice(["closed", "closed", "clean", "skip"]) if force != 35.0 else "closed"
        at = bracket(force, flow) if force != 54.0 else bracket(54.0, power(54.0))
        if kind == "clean" and force > 54.0:
            at = clean_to(force, flow * rng.uniform(0.5, 1.0))
        if kind == "skip" and force < 35.0:
            at = Threshold(210.0, force, None, flow * rng.uniform(1.0, 1.5) / AREA)
        points.append(at)
    low, high = fitted(points).flow_range_mm3_s
    tried = [q for p in points for q in (p.clean_mm3_s, p.skip_mm3_s) if q]
    reached = [p.skip_mm3_s if p.closed else p.clean_mm3_s for p in points if p.clean_mm3_s]
    assert low >= min(tried) * (1 - 1e-9)
    assert high <= max(reached) * (1 + 1e-9)


def test_a_law_without_a_limit_says_which_thresholds_it_leaves_out():
    points = [bracket(f, min(power(f), 12.0)) for f in (*FORCES, 105.0)]
    curve = fitted(points, model="power")
    left = [p.threshold.force_n for p in curve.points if not p.fitted]
    assert left == [65.0, 78.0, 92.0, 105.0]
    note = told(curve, "power has no melt limit")
    assert "4 of 9 thresholds, at 65, 78, 92, 105 N, are left out" in note
    assert curve.flow_range_mm3_s[1] <= 1.015 * power(54.0) * (1 + 1e-9)
    assert all(abs(p.residual) < 2.0 for p in curve.points if p.fitted)


def test_a_plateau_of_several_runs_is_left_out_as_well():
    points = [
        Threshold(p.temperature_c, p.force_n, p.clean_mm_s, p.skip_mm_s, run=run)
        for run in "ab"
        for f in FORCES
        for p in [bracket(f, min(power(f), 12.0))]
    ]
    group = sorted(points, key=lambda p: p.force_n)
    assert {p.force_n for p in checks.plateau(group)} == {65.0, 78.0, 92.0}
    assert checks.plateau([bracket(f, power(f)) for f in FORCES]) == []


def test_a_law_that_was_asked_for_and_passes_far_from_points_says_so():
    def bent(force):
        return power(force) / (1 + (power(force) / 14.0) ** 3) ** (1 / 3)

    curve = fitted([bracket(f, bent(f)) for f in FORCES], model="power")
    assert curve.flow_range_mm3_s[1] <= 1.015 * bent(92.0) * (1 + 1e-9)
    assert "the law bends otherwise than the data" in told(curve, "residuals")


def kinked(force):
    bend = 18.0 * 8.0**0.35
    return (force / 18.0) ** (1 / 0.35) if force < bend else 8.0 * (force / bend) ** (1 / 1.4)


KINK = (20.0, 25.0, 30.0, 34.0, 38.0, 45.0, 55.0, 65.0, 78.0, 92.0)


@pytest.fixture(scope="module")
def kink():
    rng = np.random.default_rng(6)
    return [bracket(f, kinked(f) * math.exp(0.01 * rng.standard_normal())) for f in KINK]


def test_where_no_law_fits_the_smooth_curve_is_given_and_that_is_said(kink):
    curve = fitted(kink)
    assert curve.model == "smooth"
    assert curve.melt_limit is None
    assert "so the smooth curve is given" in told(curve, "no law fits")
    assert curve.flow_range_mm3_s[1] >= max(p.clean_mm3_s for p in kink) * (1 - 1e-9)
    for force in (25.0, 30.0, 55.0, 78.0):
        low, high = curve.band_n(kinked(force))
        assert low < force < high


def test_a_law_that_was_asked_for_does_not_hide_the_kink(kink):
    assert "try --model smooth" in told(fitted(kink, model="power"), "residuals")


def test_residuals_are_judged_by_what_a_fit_leaves_of_them():
    """The chance is about uniform where a law holds, and small for a wave, whatever the law."""
    from rig.curves.choice import make_law
    from rig.curves.fit import as_data, scale_of
    from rig.curves.posterior import explore, sight

    def chance(points, name):
        data = as_data(points, 0.0)
        law = make_law(name, scale_of(points, data), data)
        return checks.chance_of_trend(explore(sight(law, data)), data)

    wave = [bracket(f, kinked(f)) for f in KINK]
    for name in ("power", "power-yield-melt"):
        chances = []
        for seed in range(16):
            rng = np.random.default_rng(seed)
            flows = [power(f) * math.exp(0.03 * rng.standard_normal()) for f in KINK]
            chances.append(chance([bracket(f, q) for f, q in zip(KINK, flows, strict=True)], name))
        assert sum(value < 0.02 for value in chances) <= 2
        assert 0.15 < np.median(chances) < 0.85
        assert chance(wave, name) < 0.005


def test_a_curve_through_all_brackets_has_no_trend():
    points = [bracket(f, power(f)) for f in FORCES]
    assert not any("residuals" in note for note in fitted(points).notes)


def undecided(bench=None):
    rng = np.random.default_rng(5)
    forces = np.linspace(30.0, 60.0, 6)
    law = lambda f: ((f - 5.0) / 16.0) ** 2.0  # noqa: E731
    points = [bracket(float(f), law(f) * math.exp(0.02 * rng.standard_normal())) for f in forces]
    curve = fitted(points, bench=bench)
    return curve, told(curve, "cannot be told apart")


def test_where_to_measure_next_lies_within_what_was_tried():
    _, note = undecided()
    assert "up to 60 N their flows differ by less than 2 %" in note
    assert "measure next" not in note


def test_forces_and_flows_in_reach():
    points = [bracket(f, power(f)) for f in (20.0, 30.0, 45.0, 60.0)]
    points = [*points, clean_to(80.0, 12.0), Threshold(210.0, 15.0, None, 1.0 / AREA)]
    assert checks.reach_of(points, None).force_n == (15.0, 80.0)
    bench = load_bench(Path(__file__).parents[3] / "docs" / "benches" / "harbour.toml")
    reach = checks.reach_of(points, bench)
    assert reach.flow_mm3_s == pytest.approx(bench.limits.max_speed_mm_s * AREA)
    weak = bench.model_copy(
        update={"limits": bench.limits.model_copy(update={"max_current_a": 0.3})}
    )
    assert checks.reach_of(points, weak).force_n[1] < reach.force_n[1]


def test_where_to_measure_next_can_be_reached_by_the_bench():
    bench = load_bench(Path(__file__).parents[3] / "docs" / "benches" / "harbour.toml")
    curve, note = undecided(bench)
    speed = max(p.threshold.clean_mm_s for p in curve.points)
    most = bench.chain().force_n(bench.limits.max_current_a, speed)
    assert f"within the {most:.3g} N that the bench can give" in note
    force = float(note.split("told apart best at ")[1].split(" N")[0])
    assert 60.0 < force <= most * 1.005
    assert "measure next there, several times, for the band there is wider" in note


def test_a_difference_that_scatter_hides_is_not_worth_a_measurement():
    """Two laws 3 % apart within thresholds that scatter by 15 %."""
    rng = np.random.default_rng(0)
    points = [bracket(f, power(f) * math.exp(0.15 * rng.standard_normal())) for f in FORCES]
    notes = [n for n in fitted(points).notes if "cannot be told apart" in n]
    assert notes
    assert all("measure next" not in note for note in notes)


def test_repeats_that_share_a_bracket_are_no_run_of_signs():
    """Bisection from the same start ends in the same bracket: 3 repeats at 6 forces."""
    points = [bracket(f, power(f) * 1.004) for f in FORCES[:6] for _ in range(3)]
    assert not any("residuals" in note for note in fitted(points).notes)


def test_thresholds_read_twice_are_told():
    points = [bracket(f, power(f) * 1.004) for f in FORCES]
    assert any("than once" in note for note in fitted([*points, *points]).notes)
    repeats = [dataclasses.replace(point, repeat=1) for point in points]
    assert not any("than once" in note for note in fitted([*points, *repeats]).notes)
    assert not any("than once" in note for note in fitted([*points, points[0]]).notes)


def test_repeats_at_few_forces_do_not_tell_how_the_curve_bends_between_them():
    """An arsinh law, which no law of the fit follows, at three forces."""
    truth = lambda force: 1.2 * math.sinh(force / 14.0)  # noqa: E731
    inside = 0
    for seed in range(6):
        rng = np.random.default_rng(seed)
        points = [
            bracket(force, truth(force) * math.exp(0.01 * rng.standard_normal()))
            for force in (20.0, 50.0, 80.0)
            for _ in range(3)
        ]
        curve = fitted(points)
        for force in (28.0, 35.0, 60.0, 70.0):
            low, high = curve.band_n(truth(force))
            inside += low <= force <= high
    assert inside >= 22


def test_a_law_that_is_out_of_the_race_does_not_draw_the_band():
    truth = lambda force: 1.2 * math.sinh(force / 18.0)  # noqa: E731
    rng = np.random.default_rng(3)
    forces = np.linspace(20.0, 80.0, 6)
    points = [bracket(f, truth(f) * math.exp(0.01 * rng.standard_normal())) for f in forces]
    free, alone = fitted(points), fitted(points, model="cross")
    assert free.model == "cross"
    for force in (24.0, 50.0, 76.0):
        own, pooled = (np.diff(np.log(curve.band_n(truth(force))))[0] for curve in (alone, free))
        assert pooled < 1.3 * own


def test_scatter_of_many_thresholds_is_no_contradiction():
    rng = np.random.default_rng(5)
    forces = np.linspace(20.0, 80.0, 60)
    points = [bracket(f, power(f) * math.exp(0.04 * rng.standard_normal())) for f in forces]
    assert not any("cannot push less" in note for note in fitted(points).notes)


def hardly_apart(wide):
    """Forces hardly apart, with brackets of so many factors e."""
    rng = np.random.default_rng(4)
    flows = 1.1 * np.sort(np.exp(0.05 * rng.standard_normal(8)))[[1, 0, 2, 3, 5, 4, 6, 7]] / AREA
    forces = np.linspace(10.0, 10.9, 8)
    return [
        Threshold(210.0, float(f), float(q), float(q * math.exp(wide)))
        for f, q in zip(forces, flows, strict=True)
    ]


@pytest.mark.parametrize("wide", [0.01, 1.0, 3.0])
def test_the_band_has_ends_whatever_the_thresholds_bound(wide):
    for row in fitted(hardly_apart(wide)).table:
        assert 0.0 < row.lower_n <= row.force_n <= row.upper_n < 1000.0


def test_three_thresholds_do_not_settle_the_law():
    """F = 12 Q^0.5 / (1 - Q/16): a power law through three of its points is far off between."""

    def law(flow):
        return 12.0 * flow**0.5 / (1.0 - flow / 16.0)

    curve = fitted([bracket(law(flow), flow) for flow in (1.3, 9.0, 13.5)])
    assert {"power", "power-yield", "power-melt"} <= {c.model for c in curve.candidates}
    for flow in (4.0, 7.0):
        low, high = curve.band_n(flow)
        assert low < law(flow) < high
