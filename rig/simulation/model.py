"""One virtual bench as a frozen record: what it is made of and how it sounds."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rig.simulation.drive import Hotend, Motor
from rig.simulation.sound import SoundRecipe

SQRT2 = math.sqrt(2.0)


@dataclass(frozen=True, slots=True)
class HeaterModel:
    """Heater block, sensor and controller.

    Attributes:
        power_w: Heater power at full duty.
        capacity_j_k: Heat capacity of the block.
        loss_w_k: Loss to the room per kelvin.
        filament_j_mm3_k: Heat that the filament takes, per mm3 and kelvin.
        room_c: Room temperature.
        sensor_lag_s: Lag of the temperature sensor.
        sensor_noise_k: Standard deviation of a reading.
    """

    power_w: float = 40.0
    capacity_j_k: float = 14.0
    loss_w_k: float = 0.075
    filament_j_mm3_k: float = 2.2e-3
    room_c: float = 22.0
    sensor_lag_s: float = 0.5
    sensor_noise_k: float = 0.05


@dataclass(frozen=True, slots=True)
class BenchModel:
    """Everything that a virtual bench consists of.

    Attributes:
        name: Its name in the invented house.
        motor, hotend, sound, heater: The parts.
        holding_torque_nm: Holding torque at ``rated_current_a``.
        rated_current_a: Rated current, A RMS a phase.
        torque_table: Measured (A RMS, N m) pairs that replace the proportional law, or empty.
        steps_per_turn: Full steps a motor turn.
        microsteps: Microsteps a full step, as the command counts them.
        interpolate: Microsteps a full step that the driver makes of them.
        imbalance, phase_offset: How unequal the driver makes the two phases, and how far off
            zero, relative to the amplitude: ripple at one and two times the electrical rate.
        peak_unit: Whether the driver's own unit is peak amperes.
        full_scale_a, current_levels: Current steps of the driver, its own unit; 0 for none.
        low_scale_a: Full scale of a second, finer range; 0 for none.
        filament_mm: Filament diameter.
        efficiency: Drive efficiency (already in ``motor.friction``).
    """

    name: str
    motor: Motor
    hotend: Hotend
    sound: SoundRecipe = field(default_factory=SoundRecipe)
    heater: HeaterModel = field(default_factory=HeaterModel)
    holding_torque_nm: float = 0.13
    rated_current_a: float = 1.0
    torque_table: tuple[tuple[float, float], ...] = ()
    steps_per_turn: int = 200
    microsteps: int = 16
    interpolate: int = 16
    imbalance: float = 0.003
    phase_offset: float = 0.002
    peak_unit: bool = False
    full_scale_a: float = 0.0
    current_levels: int = 0
    low_scale_a: float = 0.0
    filament_mm: float = 1.75
    efficiency: float = 0.88

    @property
    def area_mm2(self) -> float:
        """Cross-section of the filament, in mm2."""
        return math.pi * self.filament_mm**2 / 4.0

    @property
    def feed_mm_turn(self) -> float:
        """Filament per turn of the motor, in mm."""
        return self.motor.feed_mm_rad * 2.0 * math.pi

    @property
    def cycle_mm(self) -> float:
        """Filament per electrical cycle, in mm."""
        return self.feed_mm_turn / self.motor.rotor_teeth

    def applied_rms_a(self, setting_a: float) -> float:
        """The RMS current that the driver really makes of a setting in its own unit.

        With current levels the setting is rounded down to a level, and never below the first.
        """
        applied = setting_a
        if self.current_levels:
            scale = self.full_scale_a
            if self.low_scale_a and setting_a <= self.low_scale_a:
                scale = self.low_scale_a
            step = scale / self.current_levels
            applied = min(max(math.floor(setting_a / step + 1e-9), 1), self.current_levels) * step
        return applied / SQRT2 if self.peak_unit else applied

    def torque_nm(self, rms_a: float) -> float:
        """Holding torque at an RMS current (proportional, or by the table)."""
        if not self.torque_table:
            return self.holding_torque_nm * rms_a / self.rated_current_a
        currents = [0.0, *(row[0] for row in self.torque_table)]
        torques = [0.0, *(row[1] for row in self.torque_table)]
        return float(np.interp(rms_a, currents, torques))


@functools.lru_cache(maxsize=64)
def sine_tables(
    interpolate: int, imbalance: float, offset: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Relative currents of the two phases over one cycle in ``4 * interpolate`` microsteps."""
    angle = np.arange(4 * interpolate) * (2.0 * math.pi / (4 * interpolate))
    return (1.0 + imbalance / 2) * np.cos(angle) + offset, (1.0 - imbalance / 2) * np.sin(angle)


@functools.lru_cache(maxsize=64)
def mesh_profile(teeth: int, seed: int = 1) -> NDArray[np.float64]:
    """Transmission error over one turn of the pinion, unit deviation, shape (8192,).

    Each tooth lifts its partner by a rounded step, teeth differ a little, and the flanks are
    rough down to a hundredth of a tooth.
    """
    rng = np.random.default_rng(seed)
    size = 8192
    turn = np.arange(size) / size
    order = np.fft.rfftfreq(size, 1.0 / size)
    shape = np.where(order > 0, np.maximum(order, 1.0) ** -1.1, 0.0)
    flanks = np.fft.irfft(shape * np.exp(2j * np.pi * rng.random(order.size)), size)
    flanks /= flanks.std()
    mesh = np.cos(2 * np.pi * teeth * turn) + 0.4 * np.cos(4 * np.pi * teeth * turn + 0.7)
    profile = 0.8 * mesh + 0.5 * flanks
    return np.asarray(profile / profile.std())
