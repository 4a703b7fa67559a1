"""From torque to the samples a microphone delivers: body, fan, hum, driver, room, microphone.

The motor's torque and the tooth torque act on the body of the extruder, a set of resonances; what
radiates goes through a small room to a microphone with a colour, noise, a gain, a limit and steps.
All levels are amplitudes at the microphone's input, full scale 1.0; `SoundRecipe` gives them in dB.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SoundRecipe:
    """How a bench sounds.

    Attributes:
        body_hz, body_q, body_gain: Resonances of the body; gains are relative.
        tooth_share: How much more (or less) the tooth torque drives the body than the motor's.
        motor_db: Level of the healthy motor at its reference speed and current, dBFS RMS.
        fan_db, fan_blade_hz, fan_tone: Fan level (dBFS RMS), blade rate, share of the blade tone.
        fan_colour_hz: Corner of the fan's broadband noise.
        hum_db, mains_hz: Mains hum (dBFS RMS of the fundamental pair).
        chopper_db, chopper_hz: Driver whine, at the rated current (dBFS RMS).
        room_ms, room_gain: Early reflections: delays and amplitudes.
        reverb_s, reverb_gain: Decay time to -60 dB and share of the diffuse tail.
        highpass_hz, presence_hz, presence_db: Colour of the microphone.
        noise_db: Self-noise of the microphone, dBFS RMS.
        gain_db: Gain after the noise of the room, before the limit.
        offset: DC offset of the converter.
        bits: Bits of the converter.
        agc_db: Target level of an automatic gain control, or None.
    """

    body_hz: tuple[float, ...] = (240.0, 610.0, 1350.0, 2600.0, 4300.0, 6900.0, 10200.0, 14200.0)
    body_q: tuple[float, ...] = (7.0, 10.0, 14.0, 18.0, 22.0, 24.0, 26.0, 28.0)
    body_gain: tuple[float, ...] = (0.5, 1.0, -0.9, 1.2, -1.3, 1.5, -1.5, 1.4)
    tooth_share: float = 1.0
    motor_db: float = -36.0
    fan_db: float = -52.0
    fan_blade_hz: float = 410.0
    fan_tone: float = 0.3
    fan_colour_hz: float = 900.0
    hum_db: float = -75.0
    mains_hz: float = 50.0
    chopper_db: float = -70.0
    chopper_hz: float = 11300.0
    room_ms: tuple[float, ...] = (2.1, 4.7, 7.9, 11.3)
    room_gain: tuple[float, ...] = (0.45, -0.3, 0.22, -0.15)
    reverb_s: float = 0.25
    reverb_gain: float = 0.12
    highpass_hz: float = 45.0
    presence_hz: float = 6000.0
    presence_db: float = 3.0
    noise_db: float = -78.0
    gain_db: float = 0.0
    offset: float = 0.0
    bits: int = 16
    agc_db: float | None = None


class Chain(NamedTuple):
    """Coefficients of the compiled sound loop; see `build_chain`."""

    body: Floats  # (modes, 3): b, a1, a2 of a band-pass, gain folded in
    tooth_share: float
    motor_gain: float
    fan: Floats  # (2, 5) shaping sections
    fan_level: float
    fan_tone: float
    blade_step: float
    hum_level: float
    hum_step: float
    chopper_level: float
    chopper_step: float
    taps: NDArray[np.int64]
    tap_gain: Floats
    comb: NDArray[np.int64]
    comb_gain: Floats
    reverb_gain: float
    highpass: float
    presence: Floats  # (5,)
    noise_level: float
    gain: float
    offset: float
    half_step: float
    agc: float  # target RMS, 0 for none
    agc_pace: float
    lowpass: Floats  # (sections, 5), before taking every m-th sample
    every: int


@dataclass(slots=True)
class ChainState:
    """What the sound loop remembers between calls."""

    filters: Floats
    room: Floats
    combs: Floats
    misc: Floats
    random: NDArray[np.uint64] = field(default_factory=lambda: np.ones(1, np.uint64))


ROOM_LENGTH = 8192
COMBS = 3
MODES_MAX = 12
LOWPASS_SECTIONS = 4
# misc: room position, blade phase, hum phase, chopper phase, drift, last two excitations,
# high-pass memories, presence, agc envelope, sample phase, fan speed
MISC_SIZE = 40


def from_db(level_db: float) -> float:
    """Amplitude of a level in dB."""
    return float(10.0 ** (level_db / 20.0))


def _bandpass(frequency_hz: float, quality: float, rate_hz: float) -> tuple[float, float, float]:
    """Constant-peak band-pass (bilinear): b, a1, a2 with the numerator b (1 - z^-2)."""
    angle = 2.0 * math.pi * frequency_hz / rate_hz
    alpha = math.sin(angle) / (2.0 * quality)
    return alpha / (1.0 + alpha), -2.0 * math.cos(angle) / (1.0 + alpha), (1 - alpha) / (1 + alpha)


def _lowpass(frequency_hz: float, quality: float, rate_hz: float) -> list[float]:
    angle = 2.0 * math.pi * frequency_hz / rate_hz
    alpha, cosine = math.sin(angle) / (2.0 * quality), math.cos(angle)
    unit = 1.0 + alpha
    return [
        (1 - cosine) / 2 / unit, (1 - cosine) / unit, (1 - cosine) / 2 / unit,
        -2 * cosine / unit, (1 - alpha) / unit,
    ]  # fmt: skip


def _peak(frequency_hz: float, quality: float, gain_db: float, rate_hz: float) -> list[float]:
    amplitude = 10.0 ** (gain_db / 40.0)
    angle = 2.0 * math.pi * frequency_hz / rate_hz
    alpha, cosine = math.sin(angle) / (2.0 * quality), math.cos(angle)
    unit = 1.0 + alpha / amplitude
    return [
        (1 + alpha * amplitude) / unit, -2 * cosine / unit, (1 - alpha * amplitude) / unit,
        -2 * cosine / unit, (1 - alpha / amplitude) / unit,
    ]  # fmt: skip


def oversampling(sample_rate_hz: int) -> int:
    """Physics steps a microphone sample, so that the physics never runs below 40 kHz."""
    return max(1, math.ceil(40000 / sample_rate_hz))


def build_chain(recipe: SoundRecipe, *, sample_rate_hz: int, motor_gain: float) -> Chain:
    """The coefficients for a microphone rate.

    Args:
        recipe: How the bench sounds.
        sample_rate_hz: Rate of the delivered samples.
        motor_gain: Scale from N m to amplitude that gives ``motor_db``; see `bench_model`.
    """
    every = oversampling(sample_rate_hz)
    rate = float(sample_rate_hz * every)
    body = []
    for hz, q, gain in zip(recipe.body_hz, recipe.body_q, recipe.body_gain, strict=True):
        if hz < 0.45 * rate:
            b, a1, a2 = _bandpass(hz, q, rate)
            body.append((b * gain, a1, a2))
    fan = [
        _lowpass(recipe.fan_colour_hz, 0.6, rate),
        _peak(recipe.fan_colour_hz * 1.8, 0.8, 6.0, rate),
    ]
    # Noise after the first section keeps about (pi/2 * corner)/(rate/2) of its power.
    fan_gain = math.sqrt(rate / 2.0 / (1.35 * recipe.fan_colour_hz)) / 1.15
    cutoff = 0.43 * sample_rate_hz
    lowpass = [
        _lowpass(
            cutoff, 1.0 / (2.0 * math.sin(math.pi * (2 * k + 1) / (4 * LOWPASS_SECTIONS))), rate
        )
        for k in range(LOWPASS_SECTIONS)
    ]
    comb_s = (0.0297, 0.0371, 0.0437)
    reverb = max(recipe.reverb_s, 0.01)
    agc = 0.0 if recipe.agc_db is None else from_db(recipe.agc_db)
    return Chain(
        body=np.array(body),
        tooth_share=recipe.tooth_share,
        motor_gain=motor_gain,
        fan=np.array(fan),
        fan_level=from_db(recipe.fan_db) * fan_gain,
        fan_tone=recipe.fan_tone * from_db(recipe.fan_db),
        blade_step=2.0 * math.pi * recipe.fan_blade_hz / rate,
        hum_level=from_db(recipe.hum_db),
        hum_step=2.0 * math.pi * recipe.mains_hz / rate,
        chopper_level=from_db(recipe.chopper_db)
        * math.sqrt(2.0)
        * (1.0 if recipe.chopper_hz < 0.42 * sample_rate_hz else 0.0),
        chopper_step=2.0 * math.pi * recipe.chopper_hz / rate,
        taps=np.array([max(1, int(ms * 1e-3 * rate)) for ms in recipe.room_ms], np.int64),
        tap_gain=np.array(recipe.room_gain),
        comb=np.array([int(s * rate) for s in comb_s], np.int64),
        comb_gain=np.array([10.0 ** (-3.0 * s / reverb) for s in comb_s]),
        reverb_gain=recipe.reverb_gain,
        highpass=1.0 - 2.0 * math.pi * recipe.highpass_hz / rate,
        presence=np.array(
            _peak(min(recipe.presence_hz, 0.4 * sample_rate_hz), 0.7, recipe.presence_db, rate)
        ),
        noise_level=from_db(recipe.noise_db) * math.sqrt(every),
        gain=from_db(recipe.gain_db),
        offset=recipe.offset,
        half_step=2.0 ** (recipe.bits - 1),
        agc=agc,
        agc_pace=1.0 / (0.4 * rate),
        lowpass=np.array(lowpass),
        every=every,
    )


def new_chain_state(seed: int) -> ChainState:
    """Silence, with a random stream of its own."""
    state = ChainState(
        filters=np.zeros((MODES_MAX + 3 + LOWPASS_SECTIONS, 2)),
        room=np.zeros(ROOM_LENGTH),
        combs=np.zeros((COMBS, 4096)),
        misc=np.zeros(MISC_SIZE),
    )
    state.random[0] = np.uint64((seed * 0x9E3779B97F4A7C15 + 0x1234567) & 0xFFFFFFFFFFFFFFFF | 1)
    return state
