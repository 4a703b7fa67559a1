"""The sound path of one bench in use: a chain, its state, and its scale."""

from __future__ import annotations

import functools
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rig.simulation import sound_kernel
from rig.simulation.extruder import Extruder, ramp_profile
from rig.simulation.model import BenchModel
from rig.simulation.sound import (
    Chain,
    ChainState,
    build_chain,
    from_db,
    new_chain_state,
    oversampling,
)
from rig.simulation.truth import threshold_mm_s

_NO_AMBIENT = np.zeros(0)
REFERENCE_C = 220.0


@dataclass(slots=True)
class Ear:
    """Turns the torques of a bench into microphone samples.

    Attributes:
        model: The bench.
        sample_rate_hz: Rate of the delivered samples.
        seed: Of the noises.
        motor_gain: Scale from torque to amplitude, see `motor_scale`.
    """

    model: BenchModel
    sample_rate_hz: int
    seed: int
    motor_gain: float
    chain: Chain = field(init=False)
    state: ChainState = field(init=False)

    def __post_init__(self) -> None:
        self.chain = build_chain(
            self.model.sound, sample_rate_hz=self.sample_rate_hz, motor_gain=self.motor_gain
        )
        self.state = new_chain_state(self.seed)
        self.state.misc[11] = 1.0  # the fan turns already

    def render(
        self,
        excitation: NDArray[np.float64],
        *,
        moving: bool = True,
        fan: float = 1.0,
        fan_rise_s: float = 0.8,
        whine: float = 0.0,
        ambient: NDArray[np.float64] = _NO_AMBIENT,
    ) -> NDArray[np.float32]:
        """Samples for the physics samples in ``excitation`` (shape (2, n), N m).

        Args:
            excitation: Motor and tooth torque.
            moving: Whether the torques are to be used (else the body just rings out).
            fan: Speed that the fan tends to, 1 is nominal.
            fan_rise_s: How fast it does.
            whine: Winding current relative to the rated one.
            ambient: Shape (n,) sounds of the room at the microphone, or empty.
        """
        state, chain = self.state, self.chain
        out = np.empty(excitation.shape[1] // chain.every + 1, np.float32)
        pace = 1.0 / (fan_rise_s * self.sample_rate_hz * chain.every)
        written = sound_kernel.run_sound(
            chain, state.filters, state.room, state.combs, state.misc, state.random,
            excitation, moving, fan, pace, whine, ambient, 1.0, out,
        )  # fmt: skip
        return out[:written]


@functools.lru_cache(maxsize=256)
def motor_scale(model: BenchModel) -> float:
    """The scale that puts the healthy motor at its level at 60 % of its rated threshold."""
    rate_hz = 48000
    rms_a = model.rated_current_a * 0.6
    speed = 0.6 * threshold_mm_s(model, rms_a=rms_a, temperature_c=REFERENCE_C)
    speed = min(max(speed, 0.5), 12.0)
    n = rate_hz // 2
    target, _ = ramp_profile(
        n=n, rate_hz=rate_hz, start_s=0.0, speed_mm_s=speed, length_mm=speed * 5.0,
        acceleration_mm_s2=200.0,
    )  # fmt: skip
    extruder = Extruder(model, rate_hz, melt_c=REFERENCE_C)
    excitation = np.empty((2, n))
    extruder.run(target, start_s=0.0, rms_a=rms_a, block_c=REFERENCE_C, excitation=excitation)
    silent = build_chain(model.sound, sample_rate_hz=rate_hz, motor_gain=1.0)._replace(
        fan_level=0.0, fan_tone=0.0, hum_level=0.0, chopper_level=0.0, noise_level=0.0,
        gain=1.0, offset=0.0, agc=0.0, half_step=2.0**40,
    )  # fmt: skip
    ear = Ear(model, rate_hz, 1, 1e-6)
    ear.chain = silent._replace(motor_gain=1e-6)
    heard = ear.render(excitation)[n // 2 :].astype(float)
    level = float(np.sqrt(np.mean(heard**2))) / 1e-6
    return from_db(model.sound.motor_db) / max(level, 1e-12)


__all__ = ["Ear", "motor_scale", "oversampling"]
