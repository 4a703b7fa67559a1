"""What the virtual extruder is made of, as plain numbers in SI-near units, and its fixed formulas.

Everything here is a parameter record (a ``NamedTuple``, so that compiled loops take it as it is)
or a formula a few lines long. The equation of motion that uses them is in `kernel`.
"""

from __future__ import annotations

import math
from typing import NamedTuple

GAS_CONSTANT_J_MOL_K = 8.314462618
ZERO_CELSIUS_K = 273.15

# Mean and centre-line coefficients of the first term of the conduction series for a cylinder that
# enters at one temperature and touches a wall at another: 1.6021 on the axis, 4/5.7832 in the mean.
MEAN_COEFFICIENT = 0.6917
CONDUCTION_EIGENVALUE = 5.7832
AXIS_TO_MEAN = 1.6021 / MEAN_COEFFICIENT


class Motor(NamedTuple):
    """A two-phase hybrid stepping motor with its gear, as the equation of motion needs it.

    Torque is ``k (-iA sin(N theta) + iB cos(N theta)) - detent sin(4 N theta)`` with ``N`` rotor
    teeth; the constant ``k`` follows from the holding torque and is passed beside this record,
    because it depends on the current when the motor saturates.
    """

    rotor_teeth: float  # 50 for a 1.8 degree motor
    inertia_kg_m2: float
    detent_nm: float
    viscous_nm_s: float  # drag against the housing
    coulomb_nm: float
    damper_nm_s: float  # grease between rotor and damper_inertia: damps ringing, not rotation
    damper_inertia_kg_m2: float
    resistance_ohm: float
    inductance_h: float
    supply_v: float
    emf_v_s: float  # back-EMF constant of one winding
    chopper_gain: float  # share of a current error that one sample tries to correct
    decay: float  # share of the supply that the driver turns against a current that is too large
    gear_inertia_kg_m2: float  # drive gear and wheel, seen from the motor shaft
    mesh_nm_rad: float  # stiffness of the tooth contact, seen from the motor shaft
    mesh_damping_nm_s: float
    backlash_rad: float
    roughness_rad: float  # depth of the transmission error, seen from the motor shaft
    gear_teeth: float  # teeth of the pinion on the motor shaft
    feed_mm_rad: float  # filament per radian of the motor
    friction: float  # 1/efficiency - 1, a share of the load that opposes motion


class Hotend(NamedTuple):
    """Filament as a spring into a shear-thinning melt that conduction has to heat."""

    stiffness_n_mm: float
    film_n: float  # drag of the melt film on filament moving at 1 mm/s, see `film_force_n`
    grip_n: float  # force at which the filament grinds through under the gear
    grind_mm_s_n: float  # slip speed per newton above the grip
    creep_1_n: float  # slip that grows with force below the grip, per newton
    area_mm2: float
    offset_n: float
    consistency_n: float  # force at 1 mm3/s at the reference temperature, above the offset
    exponent: float
    activation_k: float  # E/R at constant rate
    reference_k: float
    conduction_mm3_s: float  # 5.7832 pi a L, see `conduction_flow_mm3_s`
    inlet_c: float
    soft_c: float  # below this the filament is a core that has not melted
    melt_volume_mm3: float  # what has to be displaced before a new melt temperature arrives
    ripple: float  # relative swing of the resistance along the filament
    ripple_mm: float
    jitter: float  # relative deviation of the resistance by chance, over about 0.15 s


def conduction_flow_mm3_s(*, diffusivity_mm2_s: float, length_mm: float) -> float:
    """The flow that sets the melt limit, ``5.7832 pi a L``, in mm3/s.

    A rod fed at flow ``Q`` through a heated length ``L`` leaves with a mean temperature deficit of
    ``0.6917 exp(-5.7832 pi a L / Q)`` of the inlet's (first term of the conduction series, plug
    flow): independent of its diameter.
    """
    return CONDUCTION_EIGENVALUE * math.pi * diffusivity_mm2_s * length_mm


def melt_temperature_c(hotend: Hotend, *, flow_mm3_s: float, block_c: float) -> float:
    """Mean temperature of the melt in steady flow, in C."""
    if flow_mm3_s <= 0.0:
        return block_c
    deficit = MEAN_COEFFICIENT * math.exp(-hotend.conduction_mm3_s / flow_mm3_s)
    return block_c - (block_c - hotend.inlet_c) * deficit


def film_force_n(hotend: Hotend, *, speed_mm_s: float) -> float:
    """Drag of the sheared melt film round the filament, ``film_n v^0.4``, in N.

    A few newtons in feeding; in a fall, at a hundred times the speed, it brakes the filament.
    """
    drag = hotend.film_n * math.pow(abs(speed_mm_s), 0.4)
    return math.copysign(drag, speed_mm_s)


def core_factor(hotend: Hotend, *, melt_c: float, block_c: float) -> float:
    """How much the core that has not melted adds to the resistance, at least 1.

    On the axis the temperature deficit is ``1.6021 / 0.6917`` of the mean one. Where it leaves the
    axis below ``soft_c`` the melt has to pass round a solid core; the share of the cross-section
    that is left goes as ``1/x``, ``x = 2.316 (Tb - Tm) / (Tb - Ts)``, and the resistance as
    ``sqrt(1 + x^6)``: nothing below ``x = 0.5``, with the cube of ``x`` above 1.
    """
    if block_c <= hotend.soft_c + 1.0:
        return 1.0e6
    x = AXIS_TO_MEAN * (block_c - melt_c) / (block_c - hotend.soft_c)
    return math.sqrt(1.0 + x**6)


def melt_force_n(hotend: Hotend, *, flow_mm3_s: float, melt_c: float, block_c: float) -> float:
    """Force on the filament for a flow: ``F0 + m a_T c Q^n`` (``c`` of `core_factor`), in N."""
    if flow_mm3_s <= 0.0:
        return hotend.offset_n
    shift = math.exp(
        hotend.activation_k * (1.0 / (melt_c + ZERO_CELSIUS_K) - 1.0 / hotend.reference_k)
    )
    shift *= core_factor(hotend, melt_c=melt_c, block_c=block_c)
    return hotend.offset_n + hotend.consistency_n * shift * math.pow(flow_mm3_s, hotend.exponent)
