"""One law over all temperatures."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rig.curves.fit import fit_curves
from rig.curves.joint import shift_factor
from rig.curves.points import Threshold

AREA = math.pi * 1.75**2 / 4.0
GAS = 8.314462618e-3
ENERGY = 34.0


def campaign(law, temperatures, *, scatter=0.015, seed=4, count=8):
    rng = np.random.default_rng(seed)
    found = []
    for celsius in temperatures:
        for force in np.linspace(20.0, 80.0, count):
            flow = law(force, celsius) * math.exp(scatter * rng.standard_normal())
            low = flow * math.exp(-0.03 * rng.random()) / AREA
            found.append(Threshold(celsius, float(force), low, low * math.exp(0.03)))
    return found


def resistance(celsius):
    return 22.0 * math.exp(ENERGY / GAS * (1 / (celsius + 273.15) - 1 / (210 + 273.15)))


def law(force, celsius):
    die = (force / resistance(celsius)) ** 2.5
    limit = 15.0 * math.exp(0.012 * (celsius - 210.0))
    return die / (1 + (die / limit) ** 3) ** (1 / 3)


@pytest.fixture(scope="module")
def joint():
    return fit_curves(campaign(law, (195.0, 210.0, 225.0))).joint


def test_the_activation_energy_at_constant_rate_and_at_constant_stress(joint):
    rate = joint.parameters["activation_kj_mol"]
    stress = joint.parameters["activation_at_constant_stress_kj_mol"]
    assert rate.lower < ENERGY < rate.upper
    assert rate.upper - rate.lower < 10.0
    assert stress.lower < ENERGY / 0.4 < stress.upper
    assert stress.value == pytest.approx(rate.value / joint.parameters["exponent"].value, rel=1e-9)
    assert any("at constant rate" in note for note in joint.notes)


def test_a_plateau_shifts_in_rate_at_constant_stress():
    """Time-temperature superposition: one curve of force against reduced rate."""
    energy, at_rest = 60.0, (2.0, 30.0, 0.3)  # kJ/mol; Qc, K, n of the Cross law at 210 C

    def flow(force, celsius):
        grid = np.exp(np.linspace(-6.0, 8.0, 6000))
        onset, stiff, n = at_rest
        shift = math.exp(energy / GAS * (1 / (celsius + 273.15) - 1 / (210 + 273.15)))
        return np.interp(force, stiff * grid / (1 + (grid / onset) ** (1 - n)), grid) / shift

    joint = fit_curves(campaign(flow, (195.0, 210.0, 225.0))).joint
    assert joint.agrees
    assert joint.model == "cross"
    stress = joint.parameters["activation_at_constant_stress_kj_mol"]
    assert stress.lower < energy < stress.upper
    assert joint.parameters["activation_kj_mol"].upper < energy
    assert any("local exponent" in note for note in joint.notes)


def test_one_law_that_bends_otherwise_than_all_temperatures_does_not_agree():
    def flow(force, celsius):
        """Straight, and four times as steep from 40 N on."""
        shift = math.exp(45.0 / GAS * (1 / (celsius + 273.15) - 1 / (210 + 273.15)))
        return (min(force, 40.0) / 5.0 + max(force - 40.0, 0.0) / 20.0) / shift

    points = campaign(flow, (195.0, 210.0, 225.0), scatter=0.01, count=12)
    joint = fit_curves(points).joint
    assert not joint.agrees
    assert any("trust the single curves" in note for note in joint.notes)


def test_the_melt_limit_moves_with_the_temperature(joint):
    assert "melt" in joint.model
    assert joint.reference_c == 210.0
    assert joint.parameters["melt_limit_mm3_s"].value == pytest.approx(15.0, rel=0.08)
    drift = joint.parameters["melt_limit_per_k"]
    assert drift.lower < 0.012 < drift.upper


def test_its_tables_hold_the_truth_at_every_temperature(joint):
    assert sorted(joint.tables) == [195.0, 210.0, 225.0]
    hits = 0
    for celsius, rows in joint.tables.items():
        for force in (25.0, 40.0, 55.0):
            flow = law(force, celsius)
            x = np.log([row.flow_mm3_s for row in rows])
            low, high = (
                np.exp(np.interp(math.log(flow), x, np.log([getattr(r, name) for r in rows])))
                for name in ("lower_n", "upper_n")
            )
            hits += low < force < high
    assert hits >= 8
    assert joint.agrees


def test_temperatures_that_follow_no_common_law_are_noticed():
    def odd(force, celsius):
        exponent = {195.0: 0.3, 225.0: 0.6}[celsius]
        return (force / 22.0) ** (1 / exponent)

    found = fit_curves(campaign(odd, (195.0, 225.0)))
    assert not found.joint.agrees
    assert any("trust the single curves" in note for note in found.joint.notes)


def test_one_temperature_has_no_joint_law():
    assert fit_curves(campaign(law, (210.0,))).joint is None


def test_shift_factor_between_two_temperatures():
    """From 190 to 220 C with 60 kJ/mol: 0.387575."""
    assert shift_factor(60.0, from_c=190.0, to_c=220.0) == pytest.approx(0.387575, abs=2e-6)
