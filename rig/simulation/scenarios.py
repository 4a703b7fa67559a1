"""The hidden truths: two benches of an invented house, and any number of random ones."""

from __future__ import annotations

import math

import numpy as np

from rig.simulation.drive import ZERO_CELSIUS_K, Hotend, Motor, conduction_flow_mm3_s
from rig.simulation.model import SQRT2, BenchModel, HeaterModel
from rig.simulation.sound import SoundRecipe


def make_motor(
    *,
    holding_torque_nm: float,
    rated_current_a: float,
    inertia_kg_m2: float,
    gear_ratio: float,
    filament_per_turn_mm: float,
    efficiency: float,
    steps_per_turn: int = 200,
    resistance_ohm: float = 2.4,
    inductance_h: float = 3.0e-3,
    supply_v: float = 24.0,
    detent_share: float = 0.008,
    decay: float = 0.1,
    damping_ratio: float = 0.18,
    mesh_hz: float = 3500.0,
    gear_teeth: float = 17.0,
    roughness_rad: float = 2.0e-5,
    backlash_rad: float = 0.004,
) -> Motor:
    """A motor and gear from a few catalogue figures.

    Ringing is damped through a grease-coupled part of the inertia, sized from ``damping_ratio``
    (a fraction of the critical damping at the rated current).
    """
    teeth = steps_per_turn / 4.0
    natural = math.sqrt(teeth * holding_torque_nm / inertia_kg_m2)
    gear_inertia = 0.09 * inertia_kg_m2
    return Motor(
        rotor_teeth=teeth,
        inertia_kg_m2=inertia_kg_m2,
        detent_nm=detent_share * holding_torque_nm,
        viscous_nm_s=4.0e-3 * damping_ratio * inertia_kg_m2 * natural,
        coulomb_nm=1.2e-3 * holding_torque_nm,
        damper_nm_s=damping_ratio * 2.0 * inertia_kg_m2 * natural,
        damper_inertia_kg_m2=0.4 * inertia_kg_m2,
        resistance_ohm=resistance_ohm,
        inductance_h=inductance_h,
        supply_v=supply_v,
        emf_v_s=holding_torque_nm / (SQRT2 * rated_current_a),
        chopper_gain=0.5,
        decay=decay,
        gear_inertia_kg_m2=gear_inertia,
        mesh_nm_rad=gear_inertia * (2.0 * math.pi * mesh_hz) ** 2,
        mesh_damping_nm_s=0.08 * gear_inertia * 2.0 * math.pi * mesh_hz,
        backlash_rad=backlash_rad,
        roughness_rad=roughness_rad,
        gear_teeth=gear_teeth,
        feed_mm_rad=filament_per_turn_mm / gear_ratio / (2.0 * math.pi),
        friction=1.0 / efficiency - 1.0,
    )


def make_hotend(
    *,
    filament_mm: float,
    stiffness_n_mm: float,
    heated_mm: float,
    consistency_n: float,
    exponent: float,
    offset_n: float = 3.0,
    film_n: float = 1.0,
    activation_kj_mol: float = 30.0,
    reference_c: float = 220.0,
    diffusivity_mm2_s: float = 0.05778,
    grip_n: float = 260.0,
    creep_1_n: float = 2.0e-5,
    ripple: float = 0.0,
    jitter: float = 0.0,
    soft_c: float = 150.0,
) -> Hotend:
    """A hot end and filament; ``activation_kj_mol`` is the one at constant rate."""
    area = math.pi * filament_mm**2 / 4.0
    return Hotend(
        stiffness_n_mm=stiffness_n_mm,
        film_n=film_n,
        grip_n=grip_n,
        grind_mm_s_n=0.8,
        creep_1_n=creep_1_n,
        area_mm2=area,
        offset_n=offset_n,
        consistency_n=consistency_n,
        exponent=exponent,
        activation_k=activation_kj_mol * 1000.0 / 8.314462618,
        reference_k=reference_c + ZERO_CELSIUS_K,
        conduction_mm3_s=conduction_flow_mm3_s(
            diffusivity_mm2_s=diffusivity_mm2_s, length_mm=heated_mm
        ),
        inlet_c=45.0,
        soft_c=soft_c,
        melt_volume_mm3=0.3 * area * heated_mm,
        ripple=ripple,
        ripple_mm=37.0,
        jitter=jitter,
    )


def random_bench(seed: int, *, name: str | None = None) -> BenchModel:
    """A bench that nobody has met before: motor, drive, hot end, body, room and microphone."""
    rng = np.random.default_rng([seed, 77])
    torque = float(np.exp(rng.uniform(math.log(0.075), math.log(0.42))))
    rated = float(rng.uniform(0.6, 1.7))
    ratio = float(rng.choice([1.0, 2.5, 50 / 17, 3.0, 3.5, 5.0, 7.5]))
    if ratio < 2.0:
        torque = max(torque, 0.28)
    if ratio > 4.0:
        torque = min(torque, 0.2)
    inertia = torque * float(rng.uniform(0.8, 1.7)) * 1.1e-5
    more = np.random.default_rng([seed, 78])
    steps_per_turn = int(more.choice([200, 200, 200, 200, 400]))
    interpolate = int(more.choice([4, 8, 16, 16, 32, 64, 256, 256]))
    efficiency = float(rng.uniform(0.8, 0.95))
    feed = float(rng.uniform(20.0, 34.0))
    motor = make_motor(
        holding_torque_nm=torque,
        rated_current_a=rated,
        inertia_kg_m2=inertia,
        gear_ratio=ratio,
        filament_per_turn_mm=feed,
        efficiency=efficiency,
        steps_per_turn=steps_per_turn,
        resistance_ohm=float(rng.uniform(1.5, 4.0)),
        inductance_h=float(rng.uniform(2.0, 5.0)) * 1e-3,
        detent_share=float(rng.uniform(0.006, 0.04)),
        decay=float(rng.uniform(0.05, 0.4)),
        damping_ratio=float(rng.uniform(0.08, 0.3)),
        mesh_hz=float(rng.uniform(1800.0, 5500.0)),
        gear_teeth=float(rng.integers(9, 24)),
        roughness_rad=float(np.exp(rng.uniform(math.log(1e-5), math.log(2e-4)))),
        backlash_rad=float(rng.uniform(0.001, 0.012)),
    )
    hotend = make_hotend(
        filament_mm=1.75,
        stiffness_n_mm=float(np.exp(rng.uniform(math.log(35.0), math.log(130.0)))),
        heated_mm=float(rng.uniform(10.0, 36.0)),
        consistency_n=float(rng.uniform(5.0, 16.0)),
        exponent=float(rng.uniform(0.35, 0.65)),
        offset_n=float(rng.uniform(1.0, 6.0)),
        film_n=float(rng.uniform(0.5, 1.8)),
        activation_kj_mol=float(rng.uniform(18.0, 40.0)),
        grip_n=1000.0,
        ripple=float(rng.uniform(0.0, 0.012)),
        jitter=float(more.uniform(0.0, 0.03)),
    )
    modes = int(rng.integers(6, 11))
    body_hz = np.sort(np.exp(rng.uniform(math.log(180.0), math.log(15000.0), modes)))
    slope = float(rng.uniform(0.0, 0.35))
    gain = rng.choice([-1.0, 1.0], modes) * rng.uniform(0.4, 1.6, modes)
    gain *= (body_hz / 1000.0) ** slope
    motor_db = float(rng.uniform(-50.0, -28.0))
    taps = int(rng.integers(2, 7))
    sound = SoundRecipe(
        body_hz=tuple(float(x) for x in body_hz),
        body_q=tuple(float(x) for x in rng.uniform(5.0, 30.0, modes)),
        body_gain=tuple(float(x) for x in gain),
        tooth_share=float(rng.uniform(0.4, 2.0)),
        motor_db=motor_db,
        fan_db=motor_db + float(rng.uniform(-32.0, 2.0)),
        fan_blade_hz=float(rng.uniform(150.0, 900.0)),
        fan_tone=float(rng.uniform(0.0, 0.8)),
        fan_colour_hz=float(np.exp(rng.uniform(math.log(300.0), math.log(3000.0)))),
        hum_db=motor_db + float(rng.uniform(-50.0, -12.0)),
        mains_hz=float(rng.choice([50.0, 60.0])),
        chopper_db=motor_db + float(rng.uniform(-50.0, -14.0)),
        chopper_hz=float(rng.uniform(6000.0, 19000.0)),
        room_ms=tuple(float(x) for x in np.sort(rng.uniform(0.8, 18.0, taps))),
        room_gain=tuple(float(x) for x in rng.uniform(-0.5, 0.5, taps)),
        reverb_s=float(rng.uniform(0.1, 0.6)),
        reverb_gain=float(rng.uniform(0.02, 0.2)),
        highpass_hz=float(rng.uniform(20.0, 150.0)),
        presence_hz=float(rng.uniform(2000.0, 9000.0)),
        presence_db=float(rng.uniform(-6.0, 9.0)),
        noise_db=float(rng.uniform(-90.0, -70.0)),
        offset=float(rng.choice([0.0, 0.0, 0.0, 0.01, -0.03])),
    )
    return BenchModel(
        name=name or f"bench-{seed}",
        motor=motor,
        hotend=hotend,
        sound=sound,
        heater=HeaterModel(),
        holding_torque_nm=torque,
        rated_current_a=rated,
        steps_per_turn=steps_per_turn,
        microsteps=min(16, interpolate),
        interpolate=interpolate,
        imbalance=float(rng.uniform(0.0, 0.03)),
        phase_offset=float(rng.uniform(0.0, 0.02)),
        efficiency=efficiency,
    )
