"""The two benches of an invented house, and what a bench file makes of them.

A bench file gives motor, driver, drive, filament and nozzle; the scenario of that name gives what
no data sheet tells: melt, spring, damping, body, room.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from rig.simulation.model import BenchModel, HeaterModel
from rig.simulation.scenarios import make_hotend, make_motor, random_bench
from rig.simulation.sound import SoundRecipe

if TYPE_CHECKING:
    from rig.bench import Bench


@dataclass(frozen=True, slots=True)
class Scenario:
    """The hidden half of a bench.

    Attributes:
        name: What a URL calls it.
        holding_torque_nm, rated_current_a: Of its motor where no bench file says otherwise.
        gear_ratio, filament_per_turn_mm, efficiency: Of its drive, likewise.
        inertia_per_torque: Rotor inertia where the bench file gives none, kg m2 per N m.
        stiffness_n_mm, heated_mm, consistency_n, exponent, offset_n, activation_kj_mol: Of the
            filament and melt at 1.75 mm and a 0.4 mm nozzle.
        grip_n: Force at which the gear grinds.
        counts_per_mm: Of its filament encoder, 0 for none.
        sound, heater: How it sounds and heats.
        flaws: Detent share, unequal phases, phase offset.
    """

    name: str
    holding_torque_nm: float = 0.13
    rated_current_a: float = 1.0
    gear_ratio: float = 50.0 / 17.0
    filament_per_turn_mm: float = 22.5
    efficiency: float = 0.88
    inertia_per_torque: float = 1.1e-5
    stiffness_n_mm: float = 70.0
    heated_mm: float = 13.0
    consistency_n: float = 10.0
    exponent: float = 0.5
    offset_n: float = 3.0
    activation_kj_mol: float = 30.0
    grip_n: float = 260.0
    counts_per_mm: float = 0.0
    sound: SoundRecipe = field(default_factory=SoundRecipe)
    heater: HeaterModel = field(default_factory=HeaterModel)
    flaws: tuple[float, float, float] = (0.004, 0.003, 0.002)


HARBOUR = Scenario(
    "harbour",
    heated_mm=13.0,
    consistency_n=8.0,
    exponent=0.5,
    sound=SoundRecipe(motor_db=-44.0, fan_db=-58.0, hum_db=-80.0, chopper_db=-78.0),
)
ORCHARD = Scenario(
    "orchard",
    holding_torque_nm=0.20,
    rated_current_a=1.2,
    gear_ratio=3.5,
    filament_per_turn_mm=24.0,
    efficiency=0.9,
    stiffness_n_mm=85.0,
    heated_mm=24.0,
    consistency_n=8.2,
    exponent=0.46,
    offset_n=2.5,
    activation_kj_mol=27.0,
    counts_per_mm=24.0,
    sound=SoundRecipe(
        body_hz=(190.0, 480.0, 1120.0, 2200.0, 3700.0, 5900.0, 9100.0, 12800.0),
        motor_db=-46.0, fan_db=-56.0, fan_blade_hz=287.0, hum_db=-74.0, chopper_db=-72.0,
        chopper_hz=9400.0, reverb_s=0.35,
    ),
)  # fmt: skip
DEFAULT = replace(HARBOUR, name="default")
SCENARIOS = {s.name: s for s in (HARBOUR, ORCHARD, DEFAULT)}


def build_model(scenario: Scenario, bench: Bench | None = None) -> BenchModel:
    """The bench model of a scenario, with everything that a bench file knows taken from there."""
    torque, rated = scenario.holding_torque_nm, scenario.rated_current_a
    table: tuple[tuple[float, float], ...] = ()
    inertia: float | None = None
    ratio, feed, efficiency = (
        scenario.gear_ratio, scenario.filament_per_turn_mm, scenario.efficiency,
    )  # fmt: skip
    diameter, nozzle, supply, microsteps, steps = 1.75, 0.4, 24.0, 16, 200
    resistance, inductance = 2.4, 3.0e-3
    peak, full_scale, levels, low_scale = False, 0.0, 0, 0.0
    grip = scenario.grip_n
    if bench is not None:
        motor = bench.motor
        rated, steps = motor.rated_current_a, motor.steps_per_turn
        table = motor.torque_table or ()
        torque = motor.torque_curve().torque_nm(rated) if table else motor.holding_torque_nm or 0.0
        if motor.resistance_ohm is not None and motor.inductance_mh is not None:
            resistance, inductance = motor.resistance_ohm, motor.inductance_mh * 1e-3
        if motor.rotor_inertia_g_cm2 is not None:
            inertia = motor.rotor_inertia_g_cm2 * 1e-7
        ratio, feed, efficiency = bench.drive.ratio, bench.drive.feed_mm, bench.drive.efficiency
        diameter, nozzle = bench.filament.diameter_mm, bench.hot_end.nozzle_mm
        supply, microsteps = bench.driver.supply_v, bench.driver.microsteps
        peak = bench.driver.current_unit == "peak"
        full_scale = bench.driver.full_scale_a or 0.0
        levels = bench.driver.current_levels or 0
        low_scale = bench.driver.low_scale_a or 0.0
        grip = bench.drive.grip_limit_n or grip
    detent, imbalance, offset = scenario.flaws
    area = diameter**2 / 1.75**2
    # Capillary flow: at a given flow the pressure goes with radius to the power -(3 n + 1).
    bore = (0.4 / nozzle) ** (3.0 * scenario.exponent + 1.0)
    return BenchModel(
        name=scenario.name,
        motor=make_motor(
            holding_torque_nm=torque,
            rated_current_a=rated,
            inertia_kg_m2=inertia or scenario.inertia_per_torque * torque,
            gear_ratio=ratio,
            filament_per_turn_mm=feed,
            efficiency=efficiency,
            steps_per_turn=steps,
            resistance_ohm=resistance,
            inductance_h=inductance,
            supply_v=supply,
            detent_share=detent,
        ),
        hotend=make_hotend(
            filament_mm=diameter,
            stiffness_n_mm=scenario.stiffness_n_mm * area,
            heated_mm=scenario.heated_mm,
            consistency_n=scenario.consistency_n * area * bore,
            exponent=scenario.exponent,
            offset_n=scenario.offset_n * area,
            activation_kj_mol=scenario.activation_kj_mol,
            grip_n=grip,
            ripple=0.002,
            jitter=0.004,
        ),
        sound=scenario.sound,
        heater=scenario.heater,
        holding_torque_nm=torque,
        rated_current_a=rated,
        torque_table=table,
        steps_per_turn=steps,
        microsteps=microsteps,
        interpolate=max(microsteps, 4),
        imbalance=imbalance,
        phase_offset=offset,
        peak_unit=peak,
        full_scale_a=full_scale,
        current_levels=levels,
        low_scale_a=low_scale,
        filament_mm=diameter,
        efficiency=efficiency,
    )


def scenario_model(name: str, bench: Bench | None = None) -> BenchModel:
    """The model of a scenario name; ``bench-7`` is the random bench number 7.

    Raises:
        ValueError: No such scenario.
    """
    if name in SCENARIOS:
        return build_model(SCENARIOS[name], bench)
    head, _, number = name.partition("-")
    if head == "bench" and number.isdigit():
        return random_bench(int(number), name=name)
    raise ValueError(
        f"no virtual bench {name!r}; there are {', '.join(sorted(SCENARIOS))}, bench-1, ..."
    )
