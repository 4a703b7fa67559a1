"""The compiled sound loop: one pass a sample from torque to converter. Imports numba."""

from __future__ import annotations

import math

import numba as nb
import numpy as np
from numpy.typing import NDArray

from rig.simulation.sound import Chain

Floats = NDArray[np.float64]

_UNIT = 1.0 / 65536.0
_SPREAD = math.sqrt(3.0)  # sum of four uniforms on +-0.5 has a deviation of 1/sqrt 3


@nb.njit(cache=True, inline="always")
def _gauss(random: NDArray[np.uint64]) -> float:
    """Nearly normal deviate: four 16-bit uniforms out of one xorshift step."""
    x = random[0]
    x ^= x << np.uint64(13)
    x ^= x >> np.uint64(7)
    x ^= x << np.uint64(17)
    random[0] = x
    total = (
        float(x & np.uint64(0xFFFF))
        + float((x >> np.uint64(16)) & np.uint64(0xFFFF))
        + float((x >> np.uint64(32)) & np.uint64(0xFFFF))
        + float((x >> np.uint64(48)) & np.uint64(0xFFFF))
    )
    return (total * _UNIT - 2.0) * _SPREAD


@nb.njit(cache=True, inline="always")
def _section(coefficients: Floats, memory: Floats, row: int, x: float) -> float:
    """Transposed direct form II biquad."""
    y: float = coefficients[0] * x + memory[row, 0]
    memory[row, 0] = coefficients[1] * x - coefficients[3] * y + memory[row, 1]
    memory[row, 1] = coefficients[2] * x - coefficients[4] * y
    return y


@nb.njit(cache=True, fastmath=True)
def run_sound(
    chain: Chain,
    filters: Floats,
    room: Floats,
    combs: Floats,
    misc: Floats,
    random: NDArray[np.uint64],
    excitation: Floats,
    moving: bool,
    fan_goal: float,
    fan_pace: float,
    whine: float,
    ambient: Floats,
    ambient_gain: float,
    out: NDArray[np.float32],
) -> int:
    """Render ``n`` physics samples into ``out``; returns how many were written.

    Args:
        chain: Coefficients.
        filters, room, combs, misc, random: The state, changed in place.
        excitation: Shape (2, n): motor and tooth torque, in N m.
        moving: Whether the excitation is to be used at all.
        fan_goal, fan_pace: Fan speed it tends to (1 is nominal) and the pace a sample.
        whine: Winding current relative to the rated one.
        ambient: Shape (n,) or (0,): sounds of the room, before the microphone.
        ambient_gain: Scale of ``ambient``.
        out: Shape (>= n // every + 1,), float32.
    """
    n = excitation.shape[1]
    # A body at rest has rung out long before it is left alone.
    sounding = chain.body.shape[0] if moving else 0
    row_fan = filters.shape[0] - 3 - chain.lowpass.shape[0]
    row_presence = row_fan + 2
    row_low = row_fan + 3
    mask = room.shape[0] - 1
    position = int(misc[0])
    blade, hum, chop, drift = misc[1], misc[2], misc[3], misc[4]
    u1, u2 = misc[5], misc[6]
    hp_x, hp_y = misc[7], misc[8]
    envelope, phase, fan_speed = misc[9], int(misc[10]), misc[11]
    wander = misc[12]
    written = 0
    every = chain.every
    has_ambient = ambient.shape[0] >= n
    h = 0.0
    for k in range(n):
        # The body rings on the torque that reaches it.
        u = excitation[0, k] + chain.tooth_share * excitation[1, k] if moving else u1
        d = u - u2
        u2 = u1
        u1 = u
        ring = 0.0
        for m in range(sounding):
            b = chain.body[m, 0] * d
            y = b - chain.body[m, 1] * filters[m, 0] - chain.body[m, 2] * filters[m, 1]
            filters[m, 1] = filters[m, 0]
            filters[m, 0] = y
            ring += y
        x = ring * chain.motor_gain
        # Fan: shaped noise and a wandering blade tone, both with the square of its speed.
        fan_speed += (fan_goal - fan_speed) * fan_pace
        if fan_speed > 1e-3:
            w = _gauss(random)
            f = _section(chain.fan[0], filters, row_fan, w)
            f = _section(chain.fan[1], filters, row_fan + 1, f)
            drift += (0.002 * w - drift) * 1e-3
            blade += chain.blade_step * fan_speed * (1.0 + drift)
            if blade > 6.283185307179586:
                blade -= 6.283185307179586
            tone = math.sin(blade)
            x += (
                fan_speed
                * fan_speed
                * (chain.fan_level * f + chain.fan_tone * (tone + 0.8 * tone * tone * tone))
            )
        # Driver: a tone that the current ripple keeps restless.
        if chain.chopper_level > 0.0 and whine > 0.0:
            wander += (h - wander) * 0.01  # the noise of the sample before
            chop += chain.chopper_step * (1.0 + 0.01 * wander)
            if chop > 6.283185307179586:
                chop -= 6.283185307179586
            x += chain.chopper_level * whine * math.sin(chop)
        # Room.
        room[position & mask] = x
        y = x
        for t in range(chain.taps.shape[0]):
            y += chain.tap_gain[t] * room[(position - chain.taps[t]) & mask]
        tail = 0.0
        for t in range(chain.comb.shape[0]):
            spot = int(misc[20 + t])
            back = combs[t, spot]
            tail += back
            combs[t, spot] = x + chain.comb_gain[t] * back
            spot += 1
            misc[20 + t] = 0.0 if spot >= chain.comb[t] else float(spot)
        y += chain.reverb_gain * tail
        position += 1
        if has_ambient:
            y += ambient_gain * ambient[k]
        # Mains.
        hum += chain.hum_step
        if hum > 6.283185307179586:
            hum -= 6.283185307179586
        wave = math.sin(hum)
        y += chain.hum_level * (wave + 1.2 * wave * wave)
        # Microphone.
        h = _gauss(random)
        y += chain.noise_level * h
        hp_y = chain.highpass * (hp_y + y - hp_x)
        hp_x = y
        y = _section(chain.presence, filters, row_presence, hp_y)
        if every > 1:
            for m in range(chain.lowpass.shape[0]):
                y = _section(chain.lowpass[m], filters, row_low + m, y)
        if chain.agc > 0.0:
            envelope += (y * y - envelope) * chain.agc_pace
            y *= min(chain.agc / math.sqrt(envelope + 1e-10), 100.0)
        phase += 1
        if phase >= every:
            phase = 0
            y = y * chain.gain + chain.offset
            y = math.floor(y * chain.half_step + 0.5) / chain.half_step
            if y > 1.0 - 1.0 / chain.half_step:
                y = 1.0 - 1.0 / chain.half_step
            elif y < -1.0:
                y = -1.0
            out[written] = y
            written += 1
    misc[0] = float(position)
    misc[1], misc[2], misc[3], misc[4] = blade, hum, chop, drift
    misc[5], misc[6] = u1, u2
    misc[7], misc[8] = hp_x, hp_y
    misc[9], misc[10], misc[11], misc[12] = envelope, float(phase), fan_speed, wander
    return written
