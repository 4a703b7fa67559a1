"""What others see of a world: its clock, and the truth about it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rig.simulation.truth import available_force_n, required_force_n, threshold_mm_s

if TYPE_CHECKING:
    from rig.simulation.world import World


@dataclass(slots=True)
class WorldClock:
    """The world's time as a clock: sleeping moves the world on."""

    world: World

    def now(self) -> float:
        """World time, in s."""
        return self.world.now_s

    def sleep(self, duration_s: float) -> None:
        """Let the world go on for a while."""
        if duration_s > 0:
            self.world.advance(duration_s)


@dataclass(slots=True)
class Truth:
    """What is really so; for tests and closing lines, never for a detector or a search."""

    world: World

    def force_n(self, flow_mm3_s: float, temperature_c: float) -> float:
        """Force that a steady flow needs at a block temperature, in N."""
        return required_force_n(
            self.world.model, flow_mm3_s=flow_mm3_s, temperature_c=temperature_c
        )

    def available_force_n(self, current_a: float, speed_mm_s: float = 0.0) -> float:
        """Greatest steady force at a setting in the driver's own unit, in N."""
        rms_a = self.world.model.applied_rms_a(current_a)
        return available_force_n(self.world.model, rms_a=rms_a, speed_mm_s=speed_mm_s)

    def threshold_mm_s(self, current_a: float, temperature_c: float) -> float:
        """Speed at which the motor begins to skip, for a setting in the driver's own unit."""
        rms_a = self.world.model.applied_rms_a(current_a)
        return threshold_mm_s(self.world.model, rms_a=rms_a, temperature_c=temperature_c)

    def skip_times_s(self, since_s: float = -math.inf, until_s: float = math.inf) -> list[float]:
        """World times within a span at which the rotor lost an electrical cycle."""
        self.world.catch_up()
        return [t for t in self.world.extruder.falls_s if since_s <= t <= until_s]

    def extruded_mm(self) -> float:
        """Filament that went through the gear since the beginning, in mm."""
        self.world.catch_up()
        return self.world.extruder.fed_mm
