"""Where to look for the next threshold, and whether more force still buys more flow. Pure.

Over a small range the threshold speed follows the force by a power, ``v ~ F^s``; the exponent falls
as the melt limit comes near. Nothing here is a result: a hint only says where to ask first.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

#: Exponent where none has been seen yet: shear-thinning melts have 1 to 2.5, near the limit less.
_FIRST_EXPONENT = 1.2
#: The exponent of the next step is this share of that of the last, going by bent curves.
_BENDING = 0.75
#: Threshold speed against temperature where nothing is known, 1/K.
_PER_KELVIN = 0.015
#: Below this exponent flow no longer rises with force.
MELT_EXPONENT = 0.2
#: No exponent is believed beyond this: two thresholds that err may make any of it.
_MOST_EXPONENT = 4.0
#: Forces that differ by less than this share are one force, as those of repeats are: the step
#: between them is too small for a slope.
_ALIKE = 0.03
#: Spread of a hint at a force whose threshold was found already: not believed too much.
AGAIN_SPREAD = 0.08


@dataclass(frozen=True, slots=True)
class Found:
    """A threshold that was found: force in N, speed in mm/s, relative width of its bracket."""

    force_n: float
    speed_mm_s: float
    width: float = 0.03


@dataclass(frozen=True, slots=True)
class Hint:
    """Where the threshold is expected, in mm/s, and how sure that is, in ln speed."""

    speed_mm_s: float
    spread: float


def next_hint(
    here: Sequence[Found],
    *,
    force_n: float,
    temperature_c: float,
    other: Sequence[Found] = (),
    other_temperature_c: float | None = None,
) -> Hint | None:
    """Where to look for the threshold of a force.

    Args:
        here: Found at this temperature already, by rising force; a force may be there more than
            once.
        force_n: The force, in N; above those found, or between or below them.
        temperature_c: This temperature, in C.
        other: Found at another temperature, by rising force.
        other_temperature_c: That one, in C.

    Returns:
        The hint, or None where nothing is known at all.
    """
    here, other = ([one for one, _ in _merged(found)] for found in (here, other))
    known = _at(here, force_n)
    if known is not None:
        return Hint(known, AGAIN_SPREAD)
    twin = _at(other, force_n)
    if not here:
        if twin is None or other_temperature_c is None:
            return None
        apart_k = temperature_c - other_temperature_c
        return Hint(twin * math.exp(_PER_KELVIN * apart_k), 0.05 + 0.012 * abs(apart_k))
    upwards = force_n > here[-1].force_n
    # The end of the curve that is nearest to the force, and its neighbour.
    end = here[-2:] if upwards else here[1::-1]
    last = end[-1]
    if twin is not None:
        ratios = [
            math.log(f.speed_mm_s / same)
            for f in end
            if (same := _at(other, f.force_n)) is not None
        ]
        if ratios:
            # The two curves come nearer with rising force, or run beside each other.
            drift = ratios[-1] - ratios[0] if len(ratios) == 2 else 0.0
            ahead = ratios[-1] + 0.5 * drift
            return Hint(twin * math.exp(ahead), 0.05 if len(ratios) == 2 else 0.08)
    step = math.log(force_n / last.force_n)
    if len(end) < 2:
        return Hint(last.speed_mm_s * math.exp(_FIRST_EXPONENT * step), 0.06 + 0.6 * abs(step))
    exponent = min(max(0.0, _exponent(end[0], last)), _MOST_EXPONENT)
    if upwards:
        exponent *= _BENDING
    return Hint(last.speed_mm_s * math.exp(exponent * step), 0.04 + 0.3 * exponent * abs(step))


def melt_limited(found: Sequence[Found]) -> list[int]:
    """Which thresholds lie where flow no longer rises with force.

    Args:
        found: By rising force, at one temperature.

    Returns:
        Indices at the end of ``found``; empty while flow still rises. One flat step may be chance,
        so it takes two steps (three thresholds), or one that is flat beyond its uncertainty.
    """
    merged = _merged(found)
    if len(merged) < 3:
        return []
    before, middle, last = (one for one, _ in merged[-3:])
    steps = (_exponent(before, middle), _exponent(middle, last))
    both = _exponent(before, last)
    unsure = math.hypot(middle.width, last.width) / 3.5 / math.log(last.force_n / middle.force_n)
    if steps[1] + 1.6 * unsure < MELT_EXPONENT or (
        both < MELT_EXPONENT and steps[1] < MELT_EXPONENT
    ):
        flat = merged[-2:] if steps[0] < MELT_EXPONENT else merged[-1:]
        return [index for _, indices in flat for index in indices]
    return []


def _merged(found: Sequence[Found]) -> list[tuple[Found, list[int]]]:
    """Thresholds of forces that are alike as one, and which ones it is made of.

    One has the least of their forces, so that no two are alike, and the mean of their speeds.
    """
    groups: list[list[int]] = []
    for index, one in enumerate(found):
        if groups and one.force_n <= found[groups[-1][0]].force_n * (1.0 + _ALIKE):
            groups[-1].append(index)
        else:
            groups.append([index])
    merged = []
    for group in groups:
        alike = [found[index] for index in group]
        speed_mm_s = math.exp(math.fsum(math.log(f.speed_mm_s) for f in alike) / len(alike))
        width = math.fsum(f.width for f in alike) / len(alike)
        merged.append((Found(alike[0].force_n, speed_mm_s, width), group))
    return merged


def _exponent(low: Found, high: Found) -> float:
    return math.log(high.speed_mm_s / low.speed_mm_s) / math.log(high.force_n / low.force_n)


def _at(found: Sequence[Found], force_n: float) -> float | None:
    """The speed among ``found`` at a force, between two of them or just at one, in mm/s."""
    for low, high in itertools.pairwise(found):
        if low.force_n <= force_n <= high.force_n:
            share = math.log(force_n / low.force_n) / math.log(high.force_n / low.force_n)
            return math.exp(
                (1.0 - share) * math.log(low.speed_mm_s) + share * math.log(high.speed_mm_s)
            )
    for one in found:
        if math.isclose(one.force_n, force_n, rel_tol=0.03):
            return one.speed_mm_s
    return None
