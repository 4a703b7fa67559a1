"""The extruder in motion: keeps the state of the drive, calls the compiled loops, notes skips."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rig.simulation import kernel
from rig.simulation.model import SQRT2, BenchModel, mesh_profile, sine_tables

CLICK_GAP_S = 0.02  # cycles lost closer together than this are one click


@dataclass(slots=True)
class Extruder:
    """Rotor, gear, filament and melt of one bench, advanced sample by sample.

    Attributes:
        model: What it is made of.
        rate_hz: Steps of the equation of motion a second.
        falls_s: Times at which an electrical cycle was lost, in s.
    """

    model: BenchModel
    rate_hz: int
    melt_c: float = 22.0
    grip_n: float | None = None
    seed: int = 1
    falls_s: list[float] = field(default_factory=list)
    _state: NDArray[np.float64] = field(init=False)
    _force_n: NDArray[np.float64] = field(init=False)
    _falls: NDArray[np.int64] = field(init=False)

    def __post_init__(self) -> None:
        self._state = kernel.new_state(melt_c=self.melt_c, seed=self.seed)
        self._force_n = np.zeros(1)
        self._falls = np.zeros(4096, np.int64)

    @property
    def fed_mm(self) -> float:
        """Filament that really went through the gear, in mm (what an encoder sees)."""
        return float(self._state[kernel.FED])

    @property
    def ground_mm(self) -> float:
        """Length by which the gear slipped on the filament, in mm."""
        return float(self._state[kernel.GROUND])

    @property
    def extruded_mm(self) -> float:
        """Filament that left the nozzle, in mm."""
        return float(self._state[kernel.EXTRUDED])

    @property
    def flow_mm3_s(self) -> float:
        """Flow out of the nozzle now, in mm3/s."""
        return float(self._state[kernel.FLOW])

    @property
    def force_n(self) -> float:
        """Spring force on the filament now, in N."""
        return max(0.0, float(self._state[kernel.SPRING])) * self.model.hotend.stiffness_n_mm

    @property
    def greatest_force_n(self) -> float:
        """Greatest force within the last call of `run`, in N."""
        return float(self._force_n[0])

    def run(
        self,
        target_mm: NDArray[np.float64],
        *,
        start_s: float,
        rms_a: float,
        block_c: float,
        excitation: NDArray[np.float64],
    ) -> None:
        """Advance by ``len(target_mm)`` samples of the commanded position.

        Args:
            target_mm: Shape (n,), commanded filament position, in mm.
            start_s: Time of the first sample, for the times of skips.
            rms_a: Winding current, A RMS; 0 when the driver is off.
            block_c: Heater block temperature, in C.
            excitation: Shape (2, n) output, motor and tooth torque in N m.
        """
        model = self.model
        cos_table, sin_table = sine_tables(model.interpolate, model.imbalance, model.phase_offset)
        peak_a = rms_a * SQRT2
        constant = model.torque_nm(rms_a) / peak_a if peak_a > 0.0 else 0.0
        hotend = model.hotend
        if self.grip_n is not None:
            hotend = hotend._replace(grip_n=self.grip_n)
        per_mm = 4 * model.interpolate * model.motor.rotor_teeth / model.feed_mm_turn
        falls = kernel.run_drive(
            model.motor, hotend, self._state, 1.0 / self.rate_hz, target_mm, per_mm,
            cos_table, sin_table, peak_a, constant,
            mesh_profile(int(model.motor.gear_teeth)), block_c, excitation,
            self._falls, self._force_n,
        )  # fmt: skip
        if falls:
            self.falls_s.extend(start_s + self._falls[:falls] / self.rate_hz)

    def may_rest(self, *, rms_a: float) -> bool:
        """Whether the standing rotor is held safely, so that it need not be integrated."""
        load_nm = self.force_n * self.model.motor.feed_mm_rad * 1e-3
        turning = abs(float(self._state[kernel.OMEGA]))
        return turning < 0.05 and load_nm <= 0.8 * self.model.torque_nm(rms_a)

    def rest(self, duration_s: float, *, rms_a: float, block_c: float) -> None:
        """Let time pass with the rotor held: only filament and melt relax."""
        steps = max(1, math.ceil(duration_s / 0.002))
        kernel.run_rest(self.model.hotend, self._state, duration_s / steps, steps, block_c)
        self._settle(rms_a)

    def _settle(self, rms_a: float) -> None:
        """Put rotor and gear where the present load holds them."""
        state, motor = self._state, self.model.motor
        torque_nm = self.model.torque_nm(rms_a)
        if torque_nm <= 0.0:
            return
        load_nm = self.force_n * motor.feed_mm_rad * 1e-3
        old = state[kernel.THETA]
        lean = math.asin(min(0.95, load_nm / torque_nm)) / motor.rotor_teeth
        state[kernel.THETA] = self._nearest_detent(old, rms_a) - lean
        state[kernel.GEAR] += state[kernel.THETA] - old
        state[kernel.OMEGA] = state[kernel.GEAR_W] = state[kernel.DAMPER_W] = 0.0

    def _nearest_detent(self, theta: float, rms_a: float) -> float:
        """The unloaded equilibrium, in rad, in whose basin the rotor stands."""
        state, teeth = self._state, self.model.motor.rotor_teeth
        del rms_a
        phase = math.atan2(state[kernel.I_B], state[kernel.I_A])
        turns = round((theta * teeth - phase) / (2.0 * math.pi) + 0.1)
        return (phase + turns * 2.0 * math.pi) / teeth


def clicks_s(falls_s: list[float], *, gap_s: float = CLICK_GAP_S) -> list[float]:
    """Times of audible clicks: lost cycles less than ``gap_s`` apart are one click."""
    clicks: list[float] = []
    last = -math.inf
    for fall in falls_s:
        if fall - last > gap_s:
            clicks.append(fall)
        last = fall
    return clicks


def ramp_profile(
    *, n: int, rate_hz: int, start_s: float, speed_mm_s: float, length_mm: float,
    acceleration_mm_s2: float,
) -> tuple[NDArray[np.float64], float]:  # fmt: skip
    """Commanded position of one move from rest to rest, shape (n,) in mm, and its end in s."""
    ramp_s = speed_mm_s / acceleration_mm_s2
    ramp_mm = 0.5 * speed_mm_s * ramp_s
    if 2.0 * ramp_mm > length_mm:
        ramp_s = math.sqrt(length_mm / acceleration_mm_s2)
        speed_mm_s = acceleration_mm_s2 * ramp_s
        ramp_mm = 0.5 * length_mm
    cruise_s = (length_mm - 2.0 * ramp_mm) / speed_mm_s
    t = np.arange(n) / rate_hz - start_s
    total_s = cruise_s + 2.0 * ramp_s
    rising = np.clip(t, 0.0, ramp_s)
    cruising = np.clip(t - ramp_s, 0.0, cruise_s)
    falling = np.clip(t - ramp_s - cruise_s, 0.0, ramp_s)
    position = (
        0.5 * acceleration_mm_s2 * rising**2
        + speed_mm_s * cruising
        + speed_mm_s * falling
        - 0.5 * acceleration_mm_s2 * falling**2
    )
    return position, start_s + total_s
