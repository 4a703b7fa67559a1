"""How a constant-speed extrusion is cut into segments. Pure.

The firmware joins collinear extrusions of equal speed without slowing, as long as the next is there
in time. Short segments with little look-ahead are what lets a move be broken off within a second by
just not feeding more.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

#: Aim for a segment, in s.
SEGMENT_S = 0.25
#: Segments of fewer microsteps may be dropped by the firmware; twice that keeps clear of it.
FEWEST_STEPS = 12
#: Decimals of a length word; rounding is carried on, so that the written lengths sum up exactly.
_DECIMALS = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class MovePlan:
    """A move cut into segments.

    Attributes:
        lengths_mm: Length of each segment, in mm, as written.
        speed_mm_s: Filament speed, in mm/s.
        feed_mm_min: The feed word, in mm per minute.
        commanded_mm: Sum of the lengths, in mm: the asked length rounded to whole microsteps.
        ramp_s: Time to reach the speed (and to stop from it), in s.
        expected_s: Duration of the motion, in s: length / speed + speed / acceleration.
    """

    lengths_mm: tuple[float, ...]
    speed_mm_s: float
    feed_mm_min: float
    commanded_mm: float
    ramp_s: float
    expected_s: float


def motion_time_s(*, length_mm: float, speed_mm_s: float, acceleration_mm_s2: float) -> float:
    """Duration of a move from rest to rest, in s.

    ``L/v + v/a`` for a trapezoid; ``2 sqrt(L/a)`` where the speed is not reached.
    """
    if length_mm <= 0:
        return 0.0
    if speed_mm_s * speed_mm_s / acceleration_mm_s2 > length_mm:
        return 2.0 * math.sqrt(length_mm / acceleration_mm_s2)
    return length_mm / speed_mm_s + speed_mm_s / acceleration_mm_s2


def plan_move(
    *,
    length_mm: float,
    speed_mm_s: float,
    acceleration_mm_s2: float,
    one_move_mm: float,
    steps_per_mm: float | None = None,
    segment_s: float = SEGMENT_S,
) -> MovePlan:
    """Cut a move into equal segments of about ``segment_s`` seconds.

    With ``steps_per_mm`` known, every segment ends on a whole microstep, so that the firmware has
    nothing to round.

    Raises:
        ValueError: Length or speed is not positive, or rounds to no step.
    """
    if not (length_mm > 0 and speed_mm_s > 0 and acceleration_mm_s2 > 0):
        raise ValueError(
            f"a move needs a positive length, speed and acceleration, not {length_mm:g} mm, "
            f"{speed_mm_s:g} mm/s, {acceleration_mm_s2:g} mm/s2"
        )
    unit = 10**_DECIMALS
    per_mm = steps_per_mm if steps_per_mm else float(unit)
    steps = round(length_mm * per_mm)
    if steps < 1:
        raise ValueError(f"{length_mm:g} mm is less than one step of {1.0 / per_mm:g} mm")
    aim_mm = min(max(speed_mm_s * segment_s, FEWEST_STEPS / per_mm), one_move_mm)
    count = max(1, round(steps / per_mm / aim_mm))
    if steps / per_mm / count > one_move_mm:
        count += 1
    count = min(count, steps)
    # Ends are counted in whole steps and written in whole units: the rounding never adds up.
    ends = [round(round(k * steps / count) / per_mm * unit) for k in range(count + 1)]
    commanded_mm = ends[-1] / unit
    return MovePlan(
        lengths_mm=tuple((b - a) / unit for a, b in itertools.pairwise(ends)),
        speed_mm_s=speed_mm_s,
        feed_mm_min=round(speed_mm_s * 60.0, 3),
        commanded_mm=commanded_mm,
        ramp_s=speed_mm_s / acceleration_mm_s2,
        expected_s=motion_time_s(
            length_mm=commanded_mm, speed_mm_s=speed_mm_s, acceleration_mm_s2=acceleration_mm_s2
        ),
    )


def lead_s(*, speed_mm_s: float, acceleration_mm_s2: float) -> float:
    """How much predicted motion to keep in the firmware's queue, in s.

    The planner has to be able to stop within what it holds, v^2/2a, which is v/2a of time at v;
    0.3 s more for our own jitter. One second otherwise: enough against jitter, and what is left
    after breaking off is over within that second.
    """
    return min(1.5, max(1.0, speed_mm_s / (2.0 * acceleration_mm_s2) + 0.3))
