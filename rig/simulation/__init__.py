"""A virtual bench: firmware, physics, sound and encoder in lock-step time.

Importing this package loads nothing heavy; compiled loops are loaded when a world starts to move.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rig.bench import Bench
    from rig.simulation.world import World

__all__ = ["forget_worlds", "prepare_world"]


def prepare_world(bench: Bench) -> World:
    """The world of a bench file whose port begins with ``sim://``; see `registry`."""
    from rig.simulation import registry

    return registry.prepare_world(bench)


def forget_worlds() -> None:
    """Forget all worlds, so that the next URL begins anew."""
    from rig.simulation import registry

    registry.forget_worlds()
