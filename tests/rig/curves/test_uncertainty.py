"""The budget: kinds kept apart, parts that add up, and what dominates."""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rig.bench import load_bench
from rig.curves import uncertainty
from rig.curves.fit import fit_curves
from rig.curves.points import Threshold

BENCH = load_bench(Path(__file__).parents[3] / "docs" / "benches" / "harbour.toml")


def with_changes(table, **changes):
    return BENCH.model_copy(update={table: getattr(BENCH, table).model_copy(update=changes)})


@pytest.fixture(scope="module")
def fitted():
    rng = np.random.default_rng(1)
    chain, points = BENCH.chain(), []
    for current in (0.3, 0.4, 0.5, 0.6, 0.7, 0.8):
        force = chain.force_n(current)
        flow = (force / 22.0) ** 2.5 * math.exp(0.01 * rng.standard_normal())
        speed = flow / (math.pi * 1.75**2 / 4.0)
        points.append(
            Threshold(205.0, force, speed * 0.985, speed * 1.015, current_a=current, run="r")
        )
    return fit_curves(points, bench=BENCH, model="power")


def test_limits_are_rectangular():
    assert uncertainty.rectangular(0.10) == pytest.approx(0.0577350, abs=1e-7)


def test_the_scale_of_a_bench_is_the_root_of_the_sum_of_squares():
    """10 % torque, 5 % efficiency, 5 % current, 2 % filament per turn:
    sqrt((0.1^2 + 0.05^2 + 0.05^2 + 0.02^2) / 3) = 7.165 %."""
    bench = with_changes("motor", torque_tolerance=0.10)
    assert bench.drive.efficiency_tolerance == 0.05
    assert bench.driver.current_accuracy == 0.05
    assert uncertainty.scale_uncertainty(bench) == pytest.approx(0.0716473, abs=1e-6)
    assert bench.drive.filament_per_turn_tolerance == 0.02
    exact = with_changes("drive", filament_per_turn_tolerance=0.0)
    assert uncertainty.scale_uncertainty(exact) == pytest.approx(0.0707107, abs=1e-6)


def test_scale_and_shape_are_kept_apart_and_both_are_shown(fitted):
    (curve,) = fitted.curves
    budget = uncertainty.curve_budget(curve, BENCH)
    kinds = {component.name: component.kind for component in budget.components}
    assert kinds["torque of the motor"] == "scale"
    assert kinds["scatter of the thresholds"] == "shape"
    assert budget.combined() == pytest.approx(math.hypot(budget.scale, budget.shape))
    assert sum(budget.share(c) for c in budget.components) == pytest.approx(1.0)
    assert budget.expanded == pytest.approx(2 * budget.combined())


def test_the_shape_s_part_is_the_band_of_the_fit(fitted):
    (curve,) = fitted.curves
    flow = 5.0
    low, high = curve.band_n(flow)
    budget = uncertainty.curve_budget(curve, BENCH, flow_mm3_s=flow)
    assert budget.shape == pytest.approx(math.log(high / low) / 3.92, rel=1e-6)


def test_the_diameter_counts_by_twice_the_exponent(fitted):
    (curve,) = fitted.curves
    budget = uncertainty.curve_budget(curve, BENCH)
    (part,) = [c for c in budget.components if c.name == "diameter of the filament"]
    n = curve.parameters["exponent"].value
    half = BENCH.filament.diameter_tolerance_mm / BENCH.filament.diameter_mm
    assert part.standard == pytest.approx(2 * n * half / math.sqrt(3), rel=1e-3)


def test_the_sentence_names_what_dominates_and_what_to_improve(fitted):
    text = uncertainty.curve_budget(fitted.curves[0], BENCH).sentence()
    assert "% come from the torque of the motor: measure" in text
    assert "measure the torque with a lever" in text
    exact = with_changes("motor", torque_tolerance=0.0)
    assert (
        "torque of the motor makes"
        not in uncertainty.curve_budget(fitted.curves[0], exact).sentence()
    )


def test_given_forces_have_no_scale_error(fitted):
    budget = uncertainty.curve_budget(fitted.curves[0])
    assert budget.scale == 0.0
    assert budget.shape > 0.0


def test_the_total_band_adds_the_scale_in_quadrature_that_of_the_diameter_too(fitted):
    """0.02 mm of 1.75 mm, rectangular, makes 1.32 % of a flow; of a force that by its exponent."""
    (curve,) = fitted.curves
    u = uncertainty.scale_uncertainty(BENCH)
    assert curve.scale_uncertainty == pytest.approx(u)
    half = BENCH.filament.diameter_tolerance_mm
    flow_u = 2.0 * half / math.sqrt(3.0) / BENCH.filament.diameter_mm
    for row in curve.table:
        shape = math.log(row.upper_n / row.force_n)
        total = math.log(row.total_upper_n / row.force_n)
        diameter = flow_u * row.slope_n_s_mm3 * row.flow_mm3_s / row.force_n
        common = 1.959964 * math.hypot(u, diameter)
        assert total == pytest.approx(math.hypot(shape, common), rel=1e-5)


def test_an_error_of_the_filament_per_turn_goes_into_the_force_in_full():
    """The force is 2 pi T i eta / L: 3 % less filament a turn is 3.09 % more force."""
    (part,) = [
        c for c in uncertainty.scale_components(BENCH) if c.name.startswith("filament per turn")
    ]
    assert part.standard == pytest.approx(0.02 / math.sqrt(3))
    short = with_changes("drive", filament_per_turn_mm=0.97 * BENCH.drive.feed_mm)
    assert short.chain().force_n(0.5) / BENCH.chain().force_n(0.5) == pytest.approx(1 / 0.97)


def test_what_does_not_make_a_force_of_a_current_leaves_the_force_scale_alone():
    mark = uncertainty.force_scale_digest(BENCH)
    for table, changes in (
        ("drive", {"grip_limit_n": 140.0}),
        ("drive", {"gear_ratio": round(BENCH.drive.ratio, 7)}),
        ("drive", {"efficiency_tolerance": 0.02, "filament_per_turn_tolerance": 0.01}),
        ("driver", {"supply_v": 24.5}),
        ("driver", {"microsteps": 32}),
        ("motor", {"thermal_resistance_k_w": 8.0}),
        ("motor", {"rated_current_a": 2.0, "holding_torque_nm": 2 * BENCH.motor.holding_torque_nm}),
    ):
        same = with_changes(table, **changes)
        assert uncertainty.force_scale_digest(same) == mark, changes
        assert uncertainty.shares_force_scale(mark, same)
    for table, changes in (
        ("drive", {"efficiency": 0.9}),
        ("drive", {"filament_per_turn_mm": 22.6}),
        ("driver", {"current_unit": "peak"}),
        ("driver", {"current_levels": 64}),
        ("motor", {"holding_torque_nm": 0.131}),
        ("motor", {"holding_torque_nm": None, "torque_table": ((0.5, 0.07), (1.0, 0.13))}),
    ):
        assert not uncertainty.shares_force_scale(mark, with_changes(table, **changes)), changes
    assert not uncertainty.shares_force_scale("", BENCH)


def test_a_curve_file_of_an_older_kind_still_knows_its_bench(fitted):
    """Its fingerprint is of the three tables as they were written, without the later key."""
    content = {
        name: getattr(BENCH, name).model_dump(mode="json") for name in ("motor", "driver", "drive")
    }
    del content["drive"]["filament_per_turn_tolerance"]
    text = json.dumps(content, sort_keys=True, separators=(",", ":"))
    old = hashlib.sha256(text.encode()).hexdigest()[:16]
    assert uncertainty.shares_force_scale(old, BENCH)
    changed = with_changes("drive", grip_limit_n=140.0)
    assert not uncertainty.shares_force_scale(old, changed)
    (curve,) = fitted.curves
    assert "older kind" in uncertainty.why_not_shared(old, curve)
    assert "fit it anew" in uncertainty.why_not_shared(old, curve)
    mark = uncertainty.force_scale_digest(BENCH)
    assert "another drive than this one" in uncertainty.why_not_shared(mark, curve)
    assert "some were given" in uncertainty.why_not_shared("", curve)
    given = replace(curve, scale_uncertainty=0.0)
    assert "none is counted" in uncertainty.why_not_shared("", given)


def test_the_fingerprint_of_the_force_scale_knows_the_drive_and_not_the_hot_end():
    mark = uncertainty.force_scale_digest(BENCH)
    assert mark == uncertainty.force_scale_digest(with_changes("hot_end", name="long steel"))
    assert mark != uncertainty.force_scale_digest(with_changes("drive", gear_ratio="44:17"))


def test_the_document_carries_bench_budget_and_provenance(fitted):
    document = fitted.to_document()
    assert document["bench_digest"] == BENCH.digest()
    assert document["budget"]["curves"][0]["components"]
    assert document["provenance"]["force_scale"] == uncertainty.force_scale_digest(BENCH)
    assert document["provenance"]["fitted"] == 6


def test_forces_that_were_given_bear_no_error_of_the_bench_s_drive(fitted):
    points = [replace(p.threshold, current_a=None) for p in fitted.curves[0].points]
    given = fit_curves(points, bench=BENCH, model="power")
    assert given.curves[0].scale_uncertainty == 0.0
    assert given.provenance["force_scale"] == ""
    names = {part["name"] for part in given.budget["curves"][0]["components"]}
    assert "diameter of the filament" in names
    assert "torque of the motor" not in names
    row, driven = given.curves[0].table[0], fitted.curves[0].table[0]
    assert row.total_upper_n == pytest.approx(row.upper_n)
    assert row.force_n == driven.force_n  # the fit itself is the same
    (told,) = given.budget["curves"]
    assert told["scale_known"] is False
    assert (
        "scale not known, for the forces were given (from the filament's diameter alone"
        in (told["sentence"])
    )
    assert fitted.budget["curves"][0]["scale_known"] is True


def test_given_forces_among_driven_ones_count_the_scale_and_share_it_with_none(fitted):
    points = [p.threshold for p in fitted.curves[0].points]
    points[0] = replace(points[0], current_a=None)
    mixed = fit_curves(points, bench=BENCH, model="power")
    assert mixed.curves[0].scale_uncertainty == fitted.curves[0].scale_uncertainty
    assert mixed.provenance["force_scale"] == ""
    assert any("fitted together" in note for note in mixed.notes)
