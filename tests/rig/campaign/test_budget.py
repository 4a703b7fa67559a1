"""What a plan costs, before anything is touched."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_bench import small_bench

from rig.budget import (
    check_budget,
    count,
    filament_limit_mm,
    heating_time_s,
    pile_litre,
    plan_budget,
)
from rig.errors import BenchFileError


def test_more_currents_and_a_finer_resolution_cost_more() -> None:
    few = plan_budget(small_bench(currents="[0.4, 0.5]"))
    many = plan_budget(small_bench(currents="[0.4, 0.5, 0.6]"))
    fine = plan_budget(small_bench(currents="[0.4, 0.5]", resolution=0.02))
    assert (few.searches, many.searches) == (2, 3)
    for dearer in (many, fine):
        assert dearer.trials_likely > few.trials_likely
        assert dearer.filament_most_mm > few.filament_most_mm
        assert dearer.seconds_most > few.seconds_most
    for one in (few, many, fine):
        assert one.trials_likely <= one.trials_most
        assert one.filament_likely_mm <= one.filament_most_mm
        assert one.seconds_likely <= one.seconds_most


def test_mass_is_volume_times_density() -> None:
    budget = plan_budget(small_bench())
    volume_mm3 = budget.filament_likely_mm * math.pi * 1.75**2 / 4
    assert budget.mass_g == pytest.approx(volume_mm3 * 1.24e-3, rel=1e-6)


@given(length=st.floats(1.0, 1e6))
def test_a_loose_pile_is_larger_than_its_plastic(length: float) -> None:
    plastic_litre = length * math.pi * 1.75**2 / 4 * 1e-6
    assert pile_litre(length, 1.75) > 2.0 * plastic_litre
    assert pile_litre(2 * length, 1.75) == pytest.approx(2 * pile_litre(length, 1.75))


def test_the_least_of_spool_limit_and_pile_binds() -> None:
    bench = small_bench()
    for table, key, value in (
        ("limits", "max_filament_m", 1.0),
        ("filament", "available_m", 0.7),
        ("limits", "pile_litre", 0.005),
    ):
        changed = getattr(bench, table).model_copy(update={key: value})
        less = bench.model_copy(update={table: changed})
        assert filament_limit_mm(less) < filament_limit_mm(bench)


@pytest.mark.parametrize(
    ("table", "key", "value"),
    [
        ("limits", "max_filament_m", 0.05),
        ("filament", "available_m", 0.05),
        ("limits", "max_hours", 0.001),
        ("limits", "pile_litre", 0.0001),
    ],
)
def test_a_plan_beyond_a_limit_is_refused_by_name(table: str, key: str, value: float) -> None:
    bench = small_bench()
    check_budget(bench, plan_budget(bench))
    changed = getattr(bench, table).model_copy(update={key: value})
    less = bench.model_copy(update={table: changed})
    with pytest.raises(BenchFileError, match=rf"{table}\.{key}"):
        check_budget(less, plan_budget(less))


def test_heating_takes_time_and_cooling_more() -> None:
    assert heating_time_s((205.0, 220.0)) > heating_time_s((205.0,))


def test_one_is_not_many() -> None:
    assert count(1, "trial") == "1 trial"
    assert count(2, "trial") == "2 trials"
