"""The compiled loops: rotor, gear, filament and melt, one step a sample.

Importing this module imports numba; nothing else in the simulation does so at import time.

The rotor obeys ``J dw/dt = Te - Tc - B w - Tf sgn(w) - Bd (w - wd)``, with the motor torque ``Te``
of a two-phase hybrid motor and the tooth contact torque ``Tc``. Winding currents follow the
microstepped references as far as the supply allows against resistance, inductance and back-EMF.
The gear carries the filament, a spring that ends in the melt. There is no rule for skipping: when
the load passes what the windings can hold, the rotor falls, and the wound-up spring drives it.
"""

from __future__ import annotations

import math

import numba as nb
import numpy as np
from numpy.typing import NDArray

from rig.simulation.drive import Hotend, Motor

Floats = NDArray[np.float64]

# Places in the state vector.
THETA, OMEGA, GEAR, GEAR_W, DAMPER_W, I_A, I_B = 0, 1, 2, 3, 4, 5, 6
SPRING, FLOW, MELT_C, FED, EXTRUDED, WORST, GROUND, CHANCE, JITTER = 7, 8, 9, 10, 11, 12, 13, 14, 15
STATE_SIZE = 16
JITTER_S = 0.15
PARK = 2147483647.0  # the minimal-standard generator: x -> 16807 x mod (2^31 - 1)

PULL_N = 5.0  # suction and friction that hold filament which is drawn back
FLOW_EVERY = 16  # melt flow and temperature change slowly: once in so many samples


@nb.njit(cache=True, fastmath=True, inline="always")
def _sign(x: float) -> float:
    """A smooth sign, so that friction does not chatter at rest."""
    return x / math.sqrt(1.0 + x * x)


@nb.njit(cache=True, fastmath=True, inline="always")
def _shift(hotend: Hotend, melt_c: float, block_c: float) -> float:
    """Relative resistance of the melt: Arrhenius, and the core that has not melted."""
    x = 2.3162 * (block_c - melt_c) / max(block_c - hotend.soft_c, 1.0)
    x3 = x * x * x
    arrhenius = math.exp(hotend.activation_k * (1.0 / (melt_c + 273.15) - 1.0 / hotend.reference_k))
    return arrhenius * math.sqrt(1.0 + x3 * x3)


@nb.njit(cache=True, fastmath=True)
def run_drive(
    motor: Motor,
    hotend: Hotend,
    state: Floats,
    dt: float,
    target_mm: Floats,
    usteps_per_mm: float,
    cos_table: Floats,
    sin_table: Floats,
    peak_a: float,
    torque_constant: float,
    roughness: Floats,
    block_c: float,
    excitation: Floats,
    fall_at: NDArray[np.int64],
    force_out: Floats,
) -> int:
    """Advance the drive by ``len(target_mm)`` samples.

    Args:
        motor, hotend: Parameter records.
        state: Shape (STATE_SIZE,), changed in place.
        dt: Sample period, in s.
        target_mm: Shape (n,), commanded filament position, in mm.
        usteps_per_mm: Microsteps a mm of filament.
        cos_table, sin_table: Shape (4 * microsteps,), one electrical cycle.
        peak_a: Commanded amplitude of the winding current; 0 when the driver is off.
        torque_constant: N m per ampere of amplitude.
        roughness: Transmission error over one tooth pair turn, unit depth; power of two long.
        block_c: Heater block temperature, in C.
        excitation: Shape (2, n) output: motor torque and tooth torque, in N m.
        fall_at: Shape (m,) output: sample numbers at which another cycle was lost.
        force_out: Shape (1,) output: greatest force seen, in N.

    Returns:
        How many cycles were lost (entries of ``fall_at`` written, at most its length).
    """
    n = target_mm.shape[0]
    table_n = cos_table.shape[0]
    rough_n = roughness.shape[0]
    rough_mask = rough_n - 1
    rough_scale = rough_n / (2.0 * math.pi)
    teeth = motor.rotor_teeth
    two_pi = 2.0 * math.pi
    track = motor.chopper_gain * motor.inductance_h / dt
    per_l = dt / motor.inductance_h
    per_j = dt / motor.inertia_kg_m2
    per_jg = dt / motor.gear_inertia_kg_m2
    per_jd = dt / motor.damper_inertia_kg_m2
    arm = motor.feed_mm_rad * 1e-3  # N m per N
    supply = motor.supply_v
    against = motor.decay * supply
    film = 0.0

    theta, omega = state[THETA], state[OMEGA]
    gear, gear_w, damper_w = state[GEAR], state[GEAR_W], state[DAMPER_W]
    i_a, i_b = state[I_A], state[I_B]
    spring, flow, melt_c = state[SPRING], state[FLOW], state[MELT_C]
    fed, extruded, worst, ground = state[FED], state[EXTRUDED], state[WORST], state[GROUND]
    chance, jitter = state[CHANCE], state[JITTER]
    fade = FLOW_EVERY * dt / JITTER_S
    stir = hotend.jitter * math.sqrt(2.0 * fade) * math.sqrt(6.0)
    flow_v = flow / hotend.area_mm2
    per_cycle = table_n
    falls = 0
    greatest = 0.0

    for k in range(n):
        ustep = math.floor(target_mm[k] * usteps_per_mm)
        index = int(ustep) % table_n
        s = math.sin(teeth * theta)
        c = math.cos(teeth * theta)
        # Windings.
        emf = motor.emf_v_s * omega
        back_a = motor.resistance_ohm * i_a - emf * s
        back_b = motor.resistance_ohm * i_b + emf * c
        v_a = (peak_a * cos_table[index] - i_a) * track + back_a
        v_b = (peak_a * sin_table[index] - i_b) * track + back_b
        # Against a current that is too large the driver has but a share of the supply: a rotor
        # that is driven back generates into that, and is braked.
        if i_a >= 0.0:
            v_a = min(max(v_a, -against), supply)
        else:
            v_a = min(max(v_a, -supply), against)
        if i_b >= 0.0:
            v_b = min(max(v_b, -against), supply)
        else:
            v_b = min(max(v_b, -supply), against)
        i_a += (v_a - back_a) * per_l
        i_b += (v_b - back_b) * per_l
        torque = torque_constant * (i_b * c - i_a * s)
        torque -= motor.detent_nm * 4.0 * s * c * (c * c - s * s)
        # Teeth: contact on the driving flank, or across the backlash, or none.
        place = gear * rough_scale
        whole = math.floor(place)
        part = place - whole
        at = int(whole) & rough_mask
        uneven = roughness[at] + part * (roughness[(at + 1) & rough_mask] - roughness[at])
        lean = theta - gear + motor.roughness_rad * uneven
        closing = omega - gear_w
        if lean > 0.0:
            tooth = max(0.0, motor.mesh_nm_rad * lean + motor.mesh_damping_nm_s * closing)
        elif lean < -motor.backlash_rad:
            tooth = min(
                0.0,
                motor.mesh_nm_rad * (lean + motor.backlash_rad) + motor.mesh_damping_nm_s * closing,
            )
        else:
            tooth = 0.0
        # Filament.
        # Drawn back further, it comes out of the melt, and has to find its way in again.
        force = max(hotend.stiffness_n_mm * spring, -PULL_N) + film
        gear_w += (tooth - force * arm * (1.0 + motor.friction * _sign(gear_w * 4.0))) * per_jg
        gear += gear_w * dt
        fed_v = gear_w * motor.feed_mm_rad
        slip_v = fed_v * hotend.creep_1_n * force
        if force > hotend.grip_n:
            slip_v += (force - hotend.grip_n) * hotend.grind_mm_s_n
        ground += slip_v * dt
        fed_v -= slip_v
        fed += fed_v * dt
        spring += (fed_v - flow_v) * dt
        # The film's drag follows the speed within a fraction of a millisecond.
        film += (hotend.film_n * fed_v / (0.3 + abs(fed_v)) ** 0.6 - film) * 0.2
        if k % FLOW_EVERY == 0:
            if force > greatest:
                greatest = force
            first = (chance * 16807.0) % PARK
            chance = (first * 16807.0) % PARK
            jitter += stir * ((first + chance) / PARK - 1.0) - jitter * fade
            push = hotend.stiffness_n_mm * spring - hotend.offset_n
            if push > 0.0 and melt_c > 60.0:
                shift = _shift(hotend, melt_c, block_c)
                shift *= 1.0 + hotend.ripple * math.sin(two_pi * fed / hotend.ripple_mm) + jitter
                flow = (push / (hotend.consistency_n * shift)) ** (1.0 / hotend.exponent)
            else:
                flow = 0.0
            flow_v = flow / hotend.area_mm2
            extruded += flow_v * dt * FLOW_EVERY
            goal_c = block_c
            if flow > 1e-3:
                goal_c -= (
                    (block_c - hotend.inlet_c) * 0.6917 * math.exp(-hotend.conduction_mm3_s / flow)
                )
            pace = (flow + 0.05 * hotend.melt_volume_mm3) / hotend.melt_volume_mm3
            melt_c += (goal_c - melt_c) * (1.0 - math.exp(-pace * dt * FLOW_EVERY))
        # Rotor.
        slide = motor.damper_nm_s * (omega - damper_w)
        omega += (
            torque
            - tooth
            - motor.viscous_nm_s * omega
            - motor.coulomb_nm * _sign(omega * 4.0)
            - slide
        ) * per_j
        damper_w += slide * per_jd
        theta += omega * dt
        excitation[0, k] = torque
        excitation[1, k] = tooth
        # Cycles behind the command; a new worst by a whole cycle is a fall.
        lag = ustep / per_cycle - theta * teeth / two_pi
        if lag > worst + 0.5:
            if peak_a > 0.0 and falls < fall_at.shape[0]:
                fall_at[falls] = k
                falls += 1
            worst += 1.0
        elif lag < worst - 0.8:
            worst -= 1.0

    state[THETA], state[OMEGA] = theta, omega
    state[GEAR], state[GEAR_W], state[DAMPER_W] = gear, gear_w, damper_w
    state[I_A], state[I_B] = i_a, i_b
    state[SPRING], state[FLOW], state[MELT_C] = spring, flow, melt_c
    state[FED], state[EXTRUDED], state[WORST], state[GROUND] = fed, extruded, worst, ground
    state[CHANCE], state[JITTER] = chance, jitter
    force_out[0] = greatest
    return falls


@nb.njit(cache=True, fastmath=True)
def run_rest(hotend: Hotend, state: Floats, dt: float, steps: int, block_c: float) -> None:
    """Let the filament relax into the melt while the rotor stands still, in steps of ``dt`` s."""
    spring, flow, melt_c = state[SPRING], state[FLOW], state[MELT_C]
    extruded = state[EXTRUDED]
    for _ in range(steps):
        push = hotend.stiffness_n_mm * max(0.0, spring) - hotend.offset_n
        flow = 0.0
        if push > 0.0 and melt_c > 60.0:
            shift = _shift(hotend, melt_c, block_c)
            flow = (push / (hotend.consistency_n * shift)) ** (1.0 / hotend.exponent)
            most = 0.5 * push / hotend.stiffness_n_mm * hotend.area_mm2 / dt
            flow = min(flow, most)
        goal_c = block_c
        if flow > 1e-3:
            goal_c -= (
                (block_c - hotend.inlet_c) * 0.6917 * math.exp(-hotend.conduction_mm3_s / flow)
            )
        pace = (flow + 0.05 * hotend.melt_volume_mm3) / hotend.melt_volume_mm3
        melt_c += (goal_c - melt_c) * (1.0 - math.exp(-pace * dt))
        spring -= flow / hotend.area_mm2 * dt
        extruded += flow / hotend.area_mm2 * dt
    state[SPRING], state[FLOW], state[MELT_C], state[EXTRUDED] = spring, flow, melt_c, extruded


def new_state(*, melt_c: float, seed: int = 1) -> Floats:
    """A drive at rest with no load, in state-vector form."""
    state = np.zeros(STATE_SIZE)
    state[CHANCE] = float((seed * 48271 + 11) % 2147483646 + 1)
    state[MELT_C] = melt_c
    return state
