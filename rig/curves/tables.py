"""The table of a curve: force, band and slope over the measured flows."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rig.curves.curveset import Row
from rig.curves.posterior import Data, Fitted
from rig.errors import TableError

Array = NDArray[np.float64]

ROWS = 24
_MOST_DRAWS = 2400
Z95 = 1.959963984540054
_SHORT = 0.03
"""How far, in log force, a range may end below the highest force before that is said."""
_LITTLE = 0.05
"""How far, in log force, it may end above it."""

_FAR_BELOW = 30.0
"""The band ends no lower than this part of the least force that was tried."""


def flows_seen(data: Data) -> tuple[float, float]:
    """Log of the lowest flow that was tried and of the highest that ran clean or was bracketed."""
    low, high = np.isfinite(data.low), np.isfinite(data.high)
    tried = np.concatenate((data.low[low], data.high[high]))
    reached = np.concatenate((data.low[low], data.high[low & high]))
    return float(tried.min()), float(reached.max() if len(reached) else tried.max())


def measured_flows(best: Fitted, data: Data) -> tuple[Array, str | None]:
    """Log flows of the table, and a sentence where they end below the highest force.

    Even in log flow and even in log force, over the forces that were measured, and never beyond
    the flows that were: a force that ran clean to the end of what was tried, or one that the curve
    passes far from, says nothing of the flow at which the curve would reach it. A flow that ran
    clean though the curve asks for a little more than the highest force is held.
    """
    ends = np.array([data.log_force.min(), data.log_force.max()])
    grid = np.linspace(ends[0], ends[1], ROWS)
    flows = best.law.log_flow(best.theta[None], grid)[0][0]
    least, most = flows_seen(data)
    # A yield force that the least force hardly exceeds sends the first flow towards zero.
    low = max(float(flows[0]), least)
    beyond = best.law.log_flow(best.theta[None], ends[1:] + _LITTLE)[0][0, 0]
    clean = float(data.low.max())
    high = min(max(float(flows[-1]), min(clean, float(beyond))), most)
    if high - low < 1e-6:
        high = low + 1e-6
    merged = np.sort(
        np.concatenate((np.linspace(low, high, ROWS), flows[(flows > low) & (flows < high)]))
    )
    keep = np.concatenate(([True], np.diff(merged) > 1e-3))
    merged = merged[keep]
    merged[-1] = high
    return np.asarray(merged), _short_of(best, data, high)


def _short_of(best: Fitted, data: Data, end: float) -> str | None:
    """The sentence on forces higher than that at the end of the range, a log flow."""
    force = float(best.law.log_force_at(best.theta[None], np.array([end]))[0, 0])
    if not force < data.log_force.max() - _SHORT:
        return None
    place = (
        f"the table ends at {math.exp(end):.3g} mm3/s ({math.exp(force):.3g} N), the highest flow "
        "at which a threshold of the fit ran clean or was bracketed"
    )
    top = math.exp(data.log_force.max())
    clean = (data.log_force > force) & np.isfinite(data.low) & np.isinf(data.high)
    if clean.any():
        highest = math.exp(data.log_force[clean].max())
        reached = math.exp(data.low[clean].max())
        return (
            f"{place}: higher forces, up to {highest:.3g} N, were clean to {reached:.3g} mm3/s, "
            "and nothing is known beyond"
        )
    return f"{place}: higher forces, up to {top:.3g} N, pushed no more than that"


def mixture_forces(mixture: Sequence[tuple[Fitted, float]], log_flow: Array) -> Array:
    """Log forces at flows, one row a draw, drawn from several laws by weight."""
    with np.errstate(all="ignore"):
        return np.concatenate(
            [fitted.law.log_force_at(draws, log_flow) for fitted, draws in _shared(mixture)]
        )


def _shared(mixture: Sequence[tuple[Fitted, float]]) -> list[tuple[Fitted, Array]]:
    """Draws of each law, as many as its weight asks."""
    total = sum(weight for _, weight in mixture)
    parts = []
    for fitted, weight in mixture:
        count = max(1, round(_MOST_DRAWS * weight / total))
        index = np.linspace(0, len(fitted.draws) - 1, min(count, len(fitted.draws))).astype(int)
        if count > len(fitted.draws):
            index = np.arange(count) % len(fitted.draws)
        parts.append((fitted, fitted.draws[index]))
    return parts


def mixture_flows(mixture: Sequence[tuple[Fitted, float]], log_force: Array) -> Array:
    """Log flows at forces, one row a draw, drawn from several laws by weight."""
    with np.errstate(all="ignore"):
        return np.concatenate(
            [fitted.law.log_flow(draws, log_force)[0] for fitted, draws in _shared(mixture)]
        )


def make_table(
    best: Fitted,
    mixture: Sequence[tuple[Fitted, float]],
    data: Data,
    *,
    scale_u: float,
    diameter_u: float = 0.0,
) -> tuple[tuple[Row, ...], tuple[tuple[float, ...], ...], list[str]]:
    """Table, shape modes and notes of a curve.

    Args:
        best: The law that is named.
        mixture: Laws and weights from which the band is drawn.
        data: Thresholds.
        scale_u: Relative standard uncertainty common to all forces.
        diameter_u: The same of the filament's diameter: the flow goes with its square, and the
            force at one flow with the local exponent.

    Raises:
        TableError: The thresholds bound no curve.
    """
    log_flow, short = measured_flows(best, data)
    # Where a law cannot reach a flow at all, no force is enough.
    draws = mixture_forces(mixture, log_flow)
    draws = np.where(np.isnan(draws), np.inf, draws)
    force = best.law.log_force_at(best.theta[None], log_flow)[0]
    lower, upper = np.quantile(draws, [0.025, 0.975], axis=0, method="inverted_cdf")
    # A flow that some laws ascribe to no force at all has a band from far below what was tried.
    lower = np.maximum(lower, data.log_force.min() - math.log(_FAR_BELOW))
    notes = []
    most = data.log_force.max() + math.log(3.0)
    sound = np.isfinite(force) & np.isfinite(upper) & (upper < most)
    sound |= np.arange(len(force)) < 2
    last = len(sound) if sound.all() else int(np.argmin(sound))
    if last < len(sound):
        notes.append(
            f"the table ends at {math.exp(log_flow[last - 1]):.3g} mm3/s: beyond it the force has "
            f"no upper bound ({_why_unbounded(best, mixture)})"
        )
    elif short is not None:
        notes.append(short)
    log_flow, force, lower, upper = (a[:last] for a in (log_flow, force, lower, upper))
    draws = draws[:, :last]
    upper = np.minimum(upper, most)
    if not ((force <= most) & np.isfinite(force) & np.isfinite(lower)).all():
        raise TableError(
            "the thresholds bound no curve: brackets too wide, or forces too much alike, to say "
            "which force goes with which flow"
        )
    lower, upper = np.minimum(lower, force), np.maximum(upper, force)
    lower, upper = np.maximum.accumulate(lower), np.maximum.accumulate(upper)
    slope = slopes(best, log_flow, force)
    exponent = np.array(slope) * np.exp(log_flow - force)
    diameter = np.minimum(2.0 * Z95 * diameter_u * exponent, math.log(3.0))
    common = np.hypot(Z95 * scale_u, diameter)
    rows = tuple(
        Row(
            flow_mm3_s=math.exp(q),
            force_n=math.exp(f),
            lower_n=math.exp(a),
            upper_n=math.exp(b),
            total_lower_n=math.exp(f - math.hypot(f - a, c)),
            total_upper_n=math.exp(f + math.hypot(b - f, c)),
            slope_n_s_mm3=s,
        )
        for q, f, a, b, c, s in zip(log_flow, force, lower, upper, common, slope, strict=True)
    )
    return rows, shape_modes(draws, force, lower, upper), notes


def _why_unbounded(best: Fitted, mixture: Sequence[tuple[Fitted, float]]) -> str:
    if "r" in best.law.coordinates:
        return "melt limit"
    if any("r" in fitted.law.coordinates for fitted, _ in mixture):
        return f"{best.law.name} has no melt limit, and the points do not rule one out"
    return "no threshold bounds it"


def slopes(best: Fitted, log_flow: Array, log_force: Array) -> list[float]:
    """Local slopes dF/dQ, in N s/mm3: ``(F/Q) / (dlnQ/dlnF)``."""
    steep = best.law.log_flow(best.theta[None], log_force)[1][0]
    return [float(s) for s in np.exp(log_force - log_flow) / np.maximum(steep, 1e-9)]


def shape_modes(
    draws: Array, force: Array, lower: Array, upper: Array, *, most: int = 6
) -> tuple[tuple[float, ...], ...]:
    """Principal ways in which the curve may be off, in log force along the table.

    The standard deviation at each flow is taken from the band, which a few stray draws cannot
    stretch; the correlation from the draws.
    """
    wide = np.maximum(upper - lower, 1e-9)
    clipped = np.clip(draws, force - 2 * wide, force + 2 * wide) - force
    clipped = clipped - clipped.mean(axis=0)
    size = clipped.std(axis=0) + 1e-12
    correlated = clipped / size * (wide / (2 * Z95))
    values, vectors = np.linalg.eigh(np.einsum("ki,kj->ij", correlated, correlated) / len(draws))
    largest = np.argsort(-values)[:most]
    largest = largest[values[largest] > 1e-6 * values.max()]
    modes = np.sqrt(values[largest])[:, None] * vectors[:, largest].T
    return tuple(tuple(float(v) for v in mode) for mode in modes)
