"""Capillary and cone flow, Arrhenius, WLF and the conduction limit, against handbook arithmetic.

Formulas: Osswald & Hernandez-Ortiz, Polymer Processing; the figures were computed independently.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from rig.curves import models, rheology

Q = 10e-9  # m3/s
DIE = {"radius_m": 0.2e-3, "length_m": 1e-3}


@pytest.mark.parametrize(
    ("consistency", "exponent", "megapascal"),
    [(300.0, 1.0, 4.77465), (2.8e4, 0.28, 2.53534), (7.5e3, 0.38, 1.40673)],
)
def test_tube_pressure_of_three_materials(consistency, exponent, megapascal):
    p = rheology.tube_pressure_pa(Q, consistency_pa_sn=consistency, exponent=exponent, **DIE)
    assert p / 1e6 == pytest.approx(megapascal, rel=3e-6)


def test_newtonian_tube_is_hagen_poiseuille():
    p = rheology.tube_pressure_pa(Q, consistency_pa_sn=300.0, exponent=1.0, **DIE)
    assert p == pytest.approx(8 * 300.0 * 1e-3 * Q / (math.pi * 0.2e-3**4), rel=1e-12)


@pytest.mark.parametrize(("megapascal", "newton"), [(4.77465, 11.4844), (2.53534, 6.0982)])
def test_filament_as_piston(megapascal, newton):
    force = rheology.filament_force_n(megapascal * 1e6, filament_diameter_mm=1.75)
    assert force == pytest.approx(newton, rel=1e-5)


def test_thirty_megapascal_on_a_common_filament():
    """Pressures of order 30 MPa (Mackay 2018, J. Rheol. 62, review) are 72.16 N."""
    assert rheology.filament_force_n(30e6, filament_diameter_mm=1.75) == pytest.approx(
        72.16, abs=0.005
    )


def test_cone_pressure_value_and_quadrature():
    cone = {"entry_radius_m": 0.875e-3, "exit_radius_m": 0.2e-3}
    m, n, angle = 2.8e4, 0.28, math.radians(30.0)
    p = rheology.cone_pressure_pa(Q, half_angle_rad=angle, consistency_pa_sn=m, exponent=n, **cone)
    assert p / 1e6 == pytest.approx(0.7429158, rel=1e-6)

    def per_length(z: float) -> float:
        radius = cone["exit_radius_m"] + z * math.tan(angle)
        return rheology.tube_pressure_pa(
            Q, radius_m=radius, length_m=1.0, consistency_pa_sn=m, exponent=n
        )

    long = (cone["entry_radius_m"] - cone["exit_radius_m"]) / math.tan(angle)
    assert p == pytest.approx(quad(per_length, 0.0, long)[0], rel=1e-9)


def test_rabinowitsch_factor_of_an_exponent_of_0_6():
    """(3n+1)/(4n) at n = 0.6 is 1.16667; a table in circulation prints 1.125, which is wrong."""
    apparent = rheology.wall_shear_rate_per_s(Q, radius_m=0.2e-3, exponent=1.0)
    factor = rheology.wall_shear_rate_per_s(Q, radius_m=0.2e-3, exponent=0.6) / apparent
    assert factor == pytest.approx(1.166667, abs=1e-6)


@pytest.mark.parametrize(("energy", "factor"), [(60.0, 0.387575), (80.0, 0.282580)])
def test_arrhenius_from_190_to_220_c(energy, factor):
    found = models.arrhenius_factor(220.0, reference_c=190.0, activation_kj_mol=energy)
    assert float(found) == pytest.approx(factor, abs=2e-6)


def test_activation_energy_at_constant_rate_is_n_times_that_at_constant_stress():
    """Force K(T) Q^n: at one force the flow shifts by the factor of E/n."""
    n, energy = 0.4, 32.0
    law = {"exponent": n}
    cold, hot = (
        14.0 * float(models.arrhenius_factor(t, reference_c=205.0, activation_kj_mol=energy))
        for t in (190.0, 220.0)
    )
    flows = [float(models.power_law_flow(50.0, resistance=k, **law)) for k in (cold, hot)]
    shift = models.arrhenius_factor(220.0, reference_c=190.0, activation_kj_mol=energy / n)
    assert flows[0] / flows[1] == pytest.approx(float(shift), rel=1e-12)


def test_wlf_twenty_kelvin_above_the_glass_transition():
    """Williams, Landel & Ferry 1955, constants 17.44 and 51.6 K."""
    assert rheology.wlf_shift(120.0, reference_c=100.0) == pytest.approx(1.344286e-5, rel=1e-6)


def test_conduction_melt_limit():
    """5.7832 pi a L / ln(1.602/theta), a = 5.778e-8 m2/s, L = 12 mm, theta = 0.1: 4.541."""
    limit = rheology.melt_limit_mm3_s(
        diffusivity_m2_s=5.778e-8, heated_length_mm=12.0, cold_share=0.1
    )
    assert limit == pytest.approx(4.5412, rel=1e-4)


def test_conduction_series_constants_are_those_of_the_bessel_function():
    """2.4048^2 = 5.7832 and 2/(2.4048 J1(2.4048)) = 1.60197 (Carslaw & Jaeger)."""
    from scipy.special import j1, jn_zeros

    root = jn_zeros(0, 1)[0]
    assert root**2 == pytest.approx(5.7832, abs=5e-5)
    assert 2 / (root * j1(root)) == pytest.approx(1.60197, abs=1e-5)


def test_consistency_of_a_polystyrene_table_entry():
    """m0 exp(a (T - T0)) with 2.8e4, -0.025, 170: e-fold in 40 K."""
    found = rheology.consistency_pa_sn(
        210.0, at_reference_pa_sn=2.8e4, reference_c=170.0, per_k=-0.025
    )
    assert found == pytest.approx(2.8e4 / math.e, rel=1e-12)


def test_power_law_of_the_models_is_the_tube_formula():
    """K of the curve from the die's geometry gives the same force at every flow."""
    m, n = 2.8e4, 0.28
    k = rheology.filament_force_n(
        rheology.tube_pressure_pa(1e-9, consistency_pa_sn=m, exponent=n, **DIE),
        filament_diameter_mm=1.75,
    )
    flows = np.array([0.5, 3.0, 10.0])
    die = [
        rheology.filament_force_n(
            rheology.tube_pressure_pa(q * 1e-9, consistency_pa_sn=m, exponent=n, **DIE),
            filament_diameter_mm=1.75,
        )
        for q in flows
    ]
    np.testing.assert_allclose(models.power_law(flows, resistance=k, exponent=n), die, rtol=1e-12)
