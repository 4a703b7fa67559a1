"""Heater block, sensor and the firmware's controller, in steps of a tenth of a second."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from rig.simulation.model import HeaterModel

STEP_S = 0.1


@dataclass(slots=True)
class Heater:
    """A block with a PID controller.

    Attributes:
        model: What it is made of.
        rng: For the sensor's noise.
        target_c: Target, 0 when off.
        block_c: True temperature of the block.
        duty: Power share now, 0 to 1.
        broken: A heater that draws no power (for fault injection).
    """

    model: HeaterModel
    rng: np.random.Generator
    target_c: float = 0.0
    block_c: float = field(init=False)
    duty: float = 0.0
    broken: bool = False
    _sensor_c: float = field(init=False)
    _integral: float = 0.0
    _before_c: float = field(init=False)
    _slope: float = 0.0
    _time_s: float = 0.0

    def __post_init__(self) -> None:
        self.block_c = self._sensor_c = self._before_c = self.model.room_c

    @property
    def reading_c(self) -> float:
        """What the firmware reads, with the sensor's lag and noise."""
        return self._sensor_c + float(self.rng.normal(0.0, self.model.sensor_noise_k))

    @property
    def due_s(self) -> float:
        """When the next step is due."""
        return self._time_s + STEP_S

    def start_at(self, temperature_c: float) -> None:
        """Put everything at one temperature (a bench that is warm already)."""
        self.block_c = self._sensor_c = self._before_c = temperature_c

    def run(self, now_s: float, *, flow_mm3_s: float) -> None:
        """Advance to ``now_s`` with filament flowing at ``flow_mm3_s``."""
        model = self.model
        while self._time_s + STEP_S <= now_s:
            self._time_s += STEP_S
            self.duty = self._control()
            power = 0.0 if self.broken else self.duty * model.power_w
            loss = model.loss_w_k + model.filament_j_mm3_k * max(0.0, flow_mm3_s)
            heat = power - loss * (self.block_c - model.room_c)
            self.block_c += heat / model.capacity_j_k * STEP_S
            share = STEP_S / (STEP_S + model.sensor_lag_s)
            self._sensor_c += (self.block_c - self._sensor_c) * share

    def _control(self) -> float:
        if self.target_c <= 0.0:
            self._integral = 0.0
            self._before_c = self._sensor_c
            return 0.0
        model = self.model
        error = self.target_c - self._sensor_c
        slope = (self._sensor_c - self._before_c) / STEP_S
        self._before_c = self._sensor_c
        self._slope += 0.3 * (slope - self._slope)
        if error > 8.0:
            self._integral = model.loss_w_k * (self.target_c - model.room_c) / model.power_w
            return 1.0 if error > 8.0 + 2.0 * self._slope else 0.0
        proportional, rate = 0.06, 0.004
        self._integral = min(max(self._integral + rate * error * STEP_S, 0.0), 1.0)
        duty = proportional * error + self._integral - 0.08 * self._slope
        return min(max(duty, 0.0), 1.0)
