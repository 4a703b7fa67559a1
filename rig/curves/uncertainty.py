"""Uncertainty of the force, in the language of the GUM (JCGM 100:2008)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from rig.bench import Bench

Share = Literal["scale", "shape"]


@dataclass(frozen=True, slots=True)
class Component:
    """One source of uncertainty of the force.

    Attributes:
        name: What it is.
        half_width: Limits of the quantity, relative, as stated.
        distribution: Assumed within the limits.
        standard: Standard uncertainty of the force from it, relative.
        share: "scale": common to all points; "shape": independent from point to point.
        improve: What would reduce it.
    """

    name: str
    half_width: float
    distribution: str
    standard: float
    share: Share
    improve: str


@dataclass(frozen=True, slots=True)
class Budget:
    """The components together."""

    components: tuple[Component, ...]

    def combined(self, share: Share) -> float:
        """Combined standard uncertainty of one kind, relative: root of the sum of squares."""
        return math.sqrt(sum(c.standard**2 for c in self.components if c.share == share))

    @property
    def scale(self) -> float:
        """Common to all forces, relative, standard."""
        return self.combined("scale")

    @property
    def independent(self) -> float:
        """Independent from force to force, relative, standard."""
        return self.combined("shape")

    def to_document(self) -> dict[str, Any]:
        """As JSON types."""
        return {
            "scale": self.scale,
            "independent": self.independent,
            "components": [
                {name: getattr(c, name) for name in Component.__slots__} for c in self.components
            ],
        }


def force_budget(bench: Bench) -> Budget:
    """What the bench file says about the uncertainty of a force."""
    root3 = math.sqrt(3.0)
    return Budget(
        (
            Component(
                "torque of the motor",
                bench.motor.torque_tolerance,
                "rectangular",
                bench.motor.torque_tolerance / root3,
                "scale",
                "measure the torque with a lever",
            ),
            Component(
                "efficiency of the drive",
                bench.drive.efficiency_tolerance,
                "rectangular",
                bench.drive.efficiency_tolerance / root3,
                "scale",
                "measure one force directly",
            ),
            Component(
                "current of the driver",
                bench.driver.current_accuracy,
                "rectangular",
                bench.driver.current_accuracy / root3,
                "scale",
                "measure the phase current",
            ),
        )
    )
