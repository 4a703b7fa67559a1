"""What is really so on a virtual bench, for tests and for the closing line of a demonstration.

Computed by quasi-static balance from the same parts that the equation of motion integrates, and by
nothing that the rig or the detectors use.
"""

from __future__ import annotations

import math

from rig.simulation.drive import film_force_n, melt_force_n, melt_temperature_c
from rig.simulation.model import SQRT2, BenchModel


def required_force_n(model: BenchModel, *, flow_mm3_s: float, temperature_c: float) -> float:
    """Force on the filament in steady flow at a block temperature, in N."""
    hotend = model.hotend
    melt_c = melt_temperature_c(hotend, flow_mm3_s=flow_mm3_s, block_c=temperature_c)
    melt_n = melt_force_n(hotend, flow_mm3_s=flow_mm3_s, melt_c=melt_c, block_c=temperature_c)
    return melt_n + film_force_n(hotend, speed_mm_s=flow_mm3_s / model.area_mm2)


def pull_out_nm(model: BenchModel, *, rms_a: float, speed_mm_s: float) -> float:
    """Greatest torque that the windings give at a speed, in N m.

    The supply limits the current where ``V^2 < (R Ip + w psi)^2 + (w L Ip)^2`` (electrical rate
    ``w``, flux linkage ``psi``); then ``p psi (V/Z - w psi R/Z^2)`` with ``Z^2 = R^2 + (w L)^2``
    is what is left (form after Acarnley, Stepping Motors).
    """
    motor = model.motor
    torque = model.torque_nm(rms_a)
    psi = motor.emf_v_s / motor.rotor_teeth
    rate = speed_mm_s / model.cycle_mm * 2.0 * math.pi
    peak_a = rms_a * SQRT2
    need_v2 = (motor.resistance_ohm * peak_a + rate * psi) ** 2 + (
        rate * motor.inductance_h * peak_a
    ) ** 2
    if need_v2 <= motor.supply_v**2:
        return torque
    z2 = motor.resistance_ohm**2 + (rate * motor.inductance_h) ** 2
    limited = (
        motor.rotor_teeth
        * psi
        * (motor.supply_v / math.sqrt(z2) - rate * psi * motor.resistance_ohm / z2)
    )
    return min(torque, max(0.0, limited))


def available_force_n(model: BenchModel, *, rms_a: float, speed_mm_s: float) -> float:
    """Greatest steady force of the motor on the filament at a speed, in N.

    The gear's torque less drag, through the drive: ``(T - Tf - B w) / arm / (1 + friction)``. The
    detent's share and the ripple of the steps are what `tests` measure as the small rest.
    """
    motor = model.motor
    turning = speed_mm_s / motor.feed_mm_rad
    torque = pull_out_nm(model, rms_a=rms_a, speed_mm_s=speed_mm_s)
    torque -= motor.coulomb_nm + motor.viscous_nm_s * turning
    return max(0.0, torque) / (motor.feed_mm_rad * 1e-3) / (1.0 + motor.friction)


def threshold_mm_s(model: BenchModel, *, rms_a: float, temperature_c: float) -> float:
    """Speed at which the filament needs just the force that the motor has, in mm/s."""

    def excess(speed: float) -> float:
        need = required_force_n(
            model, flow_mm3_s=speed * model.area_mm2, temperature_c=temperature_c
        )
        return need - available_force_n(model, rms_a=rms_a, speed_mm_s=speed)

    low, high = 1e-4, 1.0
    if excess(low) >= 0.0:
        return 0.0
    while excess(high) < 0.0:
        low, high = high, high * 1.5
        if high > 1e4:
            return math.inf
    for _ in range(60):
        middle = 0.5 * (low + high)
        if excess(middle) < 0.0:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
