"""The bench file of a virtual bench, as text."""

from __future__ import annotations

import math

from rig.simulation.model import BenchModel


def bench_text(model: BenchModel, *, sample_rate_hz: int) -> str:
    """A bench file for a virtual bench."""
    ratio = 1.0
    feed = model.feed_mm_turn
    if model.motor.gear_teeth > 0 and feed < 18.0:
        ratio = round(27.0 / feed, 4)
        feed *= ratio
    top = model.rated_current_a
    currents = ", ".join(f"{top * s:.2f}" for s in (0.3, 0.45, 0.6, 0.75, 0.9))
    return f"""# {model.name}: a virtual bench, made by rig.simulation.takes
[motor]
rated_current_a = {top:.4f}
holding_torque_nm = {model.holding_torque_nm:.5f}
steps_per_turn = {model.steps_per_turn}
resistance_ohm = {model.motor.resistance_ohm:.3f}
inductance_mh = {model.motor.inductance_h * 1e3:.3f}
rotor_inertia_g_cm2 = {model.motor.inertia_kg_m2 * 1e7:.2f}

[driver]
current_unit = "rms"
supply_v = {model.motor.supply_v:.1f}
microsteps = {model.microsteps}

[drive]
gear_ratio = {ratio:.4f}
filament_per_turn_mm = {feed:.4f}
efficiency = {model.efficiency:.3f}

[filament]
name = "house filament"
material = "PLA"
diameter_mm = {model.filament_mm}
density_g_cm3 = 1.24
available_m = 60.0

[hot_end]
name = "{model.name}"
nozzle_mm = 0.4
max_temperature_c = 260.0

[link]
port = "sim://default"

[microphone]
device = "sim"
sample_rate_hz = {sample_rate_hz}

[limits]
max_current_a = {math.floor(top * 100) / 100:.2f}
max_speed_mm_s = 60.0
max_hours = 10.0
max_filament_m = 40.0
pile_litre = 2.0

[plan]
temperatures_c = [205.0, 220.0]
currents_a = [{currents}]
start_speed_mm_s = 0.5
"""
