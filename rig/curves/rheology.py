"""Flow of a melt through a hot end, from its viscosity: what a die alone would need.

Pure functions in SI units unless the name says otherwise. They serve as a check of magnitude and in
tests of the fit; the nozzle by itself explains only part of the force that is measured (entrance,
cold zone, gear), so that a fit keeps a free prefactor and an offset.

Sources: Osswald & Hernandez-Ortiz, Polymer Processing (2006), power-law flow through a tube and a
cone; Bird, Armstrong & Hassager, Dynamics of Polymeric Liquids (1987); conduction into a cylinder,
Carslaw & Jaeger (1959).
"""

from __future__ import annotations

import math

PASCAL_PER_MEGAPASCAL = 1e6


def tube_pressure_pa(
    flow_m3_s: float,
    *,
    radius_m: float,
    length_m: float,
    consistency_pa_sn: float,
    exponent: float,
) -> float:
    """Pressure drop of a power-law fluid in a tube: ``(2 m L / R) [(3n+1)/n * Q/(pi R^3)]^n``."""
    rate = (3.0 * exponent + 1.0) / exponent * flow_m3_s / (math.pi * radius_m**3)
    return float(2.0 * consistency_pa_sn * length_m / radius_m * rate**exponent)


def wall_shear_rate_per_s(flow_m3_s: float, *, radius_m: float, exponent: float) -> float:
    """True wall shear rate in a tube: ``(3n+1)/(4n) * 4Q/(pi R^3)`` (Rabinowitsch)."""
    apparent = 4.0 * flow_m3_s / (math.pi * radius_m**3)
    return (3.0 * exponent + 1.0) / (4.0 * exponent) * apparent


def cone_pressure_pa(
    flow_m3_s: float,
    *,
    entry_radius_m: float,
    exit_radius_m: float,
    half_angle_rad: float,
    consistency_pa_sn: float,
    exponent: float,
) -> float:
    """Pressure drop of a power-law fluid in a cone, by the tube formula slice by slice.

    ``2m / (3 n tan a) [(3n+1)/n * Q/pi]^n (R2^-3n - R1^-3n)`` with R1 the wide end.
    """
    n = exponent
    rate = ((3.0 * n + 1.0) / n * flow_m3_s / math.pi) ** n
    ends = exit_radius_m ** (-3.0 * n) - entry_radius_m ** (-3.0 * n)
    return float(2.0 * consistency_pa_sn / (3.0 * n * math.tan(half_angle_rad)) * rate * ends)


def filament_force_n(pressure_pa: float, *, filament_diameter_mm: float) -> float:
    """Force on a filament that works as the piston: pressure times its cross-section, in N."""
    area_mm2 = math.pi * filament_diameter_mm**2 / 4.0
    return pressure_pa / PASCAL_PER_MEGAPASCAL * area_mm2


def consistency_pa_sn(
    temperature_c: float, *, at_reference_pa_sn: float, reference_c: float, per_k: float
) -> float:
    """Consistency at a temperature: ``m0 exp(a (T - T0))``, with ``a`` negative for melts."""
    return at_reference_pa_sn * math.exp(per_k * (temperature_c - reference_c))


def wlf_shift(
    temperature_c: float, *, reference_c: float, c1: float = 17.44, c2_k: float = 51.6
) -> float:
    """Shift factor of Williams, Landel & Ferry 1955: ``10^(-c1 (T-Tr) / (c2 + T - Tr))``.

    With the reference at the glass transition the constants are universal, up to some 100 K above.
    """
    above = temperature_c - reference_c
    return float(10.0 ** (-c1 * above / (c2_k + above)))


def melt_limit_mm3_s(
    *, diffusivity_m2_s: float, heated_length_mm: float, cold_share: float
) -> float:
    """Greatest flow that conduction can melt: ``5.7832 pi a L / ln(1.60197 / theta)``.

    First term of the conduction series of a cylinder whose wall is hot; ``theta`` is the share of
    the temperature difference that is left in the core at the exit. It does not depend on the
    diameter of the filament.
    """
    area_rate_mm2_s = diffusivity_m2_s * 1e6
    passed = 5.7832 * math.pi * area_rate_mm2_s * heated_length_mm
    return passed / math.log(1.60197 / cold_share)
