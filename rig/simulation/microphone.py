"""The microphone of a virtual bench, as a sound source."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from detectors.evidence import SoundBlock

if TYPE_CHECKING:
    from rig.simulation.world import World

BLOCK_S = 0.04
KEEP_S = 120.0  # what is kept for a reader who does not read


class WorldMicrophone:
    """Delivers what the bench sounds like; reading moves the world on.

    Attributes:
        sample_rate_hz: Rate of the samples.
    """

    def __init__(self, world: World, sample_rate_hz: int) -> None:
        self.sample_rate_hz = sample_rate_hz
        self._world = world
        self._open = False
        self._heard: deque[NDArray[np.float32]] = deque()
        self._held = 0
        self._next_s = 0.0
        self._lost = False

    def start(self) -> None:
        """Open it; returns once the first block is in."""
        if self._open:
            return
        self._world._connect_microphone(self)
        self._open = True
        self._next_s = self._world.physics_s
        self._world.advance(BLOCK_S)

    def take(self, samples: NDArray[np.float32], start_s: float) -> None:
        """Called by the world with each run of samples."""
        if not self._heard:
            self._next_s = start_s
        self._heard.append(samples)
        self._held += samples.size
        while self._held > KEEP_S * self.sample_rate_hz and len(self._heard) > 1:
            gone = self._heard.popleft()
            self._held -= gone.size
            self._next_s += gone.size / self.sample_rate_hz
            self._lost = True

    def read(self, timeout_s: float) -> SoundBlock | None:
        """The next block; moves the world on where nothing is waiting."""
        if not self._open:
            self.start()
        world = self._world
        if not self._heard:
            behind = world.now_s - world.physics_s
            if behind < BLOCK_S:
                world.advance(min(max(0.0, timeout_s), BLOCK_S - behind + 1e-9))
            if world.now_s - world.physics_s < BLOCK_S * 0.999:
                return None
            world.catch_up()
            if not self._heard:
                return None
        samples = self._heard.popleft()
        block = SoundBlock(samples=samples, start_s=self._next_s, lost=self._lost)
        self._held -= samples.size
        self._next_s += samples.size / self.sample_rate_hz
        self._lost = False
        return block

    def discard(self) -> None:
        """Drop what was captured up to now; nothing is computed that nobody hears."""
        if self._open:
            self._world.catch_up(sound=False)
        self._heard.clear()
        self._held = 0
        self._lost = False

    def stop(self) -> None:
        """Close it. Safe to call twice."""
        if self._open:
            self._open = False
            self._world._disconnect_microphone(self)
        self._heard.clear()
        self._held = 0
