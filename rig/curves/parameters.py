"""Parameters of a fit, with standard errors, intervals and covariance, from its draws."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rig.curves.curveset import Parameter
from rig.curves.laws import LEAST_RATIO
from rig.curves.posterior import Fitted

Array = NDArray[np.float64]

UNBOUNDED_RATIO = 0.2
"""Below this share of the melt limit, the greatest flow seen says nothing of it."""
_PHYSICAL = {
    "melt_limit_mm3_s",
    "melt_limit_per_k",
    "activation_kj_mol",
    "activation_at_constant_stress_kj_mol",
}
_COORDINATE = {
    "exponent": "n",
    "yield_n": "y",
    "melt_limit_mm3_s": "r",
    "sharpness": "p",
    "saturation": "p",
}


def interval_of(value: float, draws: Array, unit: str, *, at_bound: bool = False) -> Parameter:
    """A parameter from its draws; the interval is stretched to hold the value."""
    low, high = np.quantile(draws, [0.025, 0.975])
    return Parameter(
        value=value,
        standard_error=float(draws.std(ddof=1)),
        lower=min(float(low), value),
        upper=max(float(high), value),
        unit=unit,
        at_bound=at_bound,
    )


def parameters_of(
    fitted: Fitted, mixture: Sequence[tuple[Fitted, float]] = ()
) -> dict[str, Parameter]:
    """Parameters of a fit with their intervals.

    What has a meaning beyond one law (melt limit, activation energy) gets its interval from all
    laws that have it, by weight; the other parameters belong to their law. A melt limit that the
    data do not bound from above is open.
    """
    law = fitted.law
    values, draws = law.parameters(fitted.theta[None]), law.parameters(fitted.draws)
    stuck = {
        name
        for name, theta, (low, high) in zip(law.coordinates, fitted.theta, law.bounds, strict=True)
        if min(theta - low, high - theta) < 1e-6 * (high - low)
    }
    shared = [(fitted, 1.0)] if not mixture else list(mixture)
    found = {
        name: interval_of(
            float(values[name][0]),
            pooled(name, shared) if name in _PHYSICAL else draws[name],
            law.units.get(name, "1"),
            at_bound=_COORDINATE.get(name) in stuck,
        )
        for name in values
    }
    limit = found.get("melt_limit_mm3_s")
    if limit is not None and limit_is_open(shared):
        value = limit.value
        if fitted.theta[law.coordinates.index("r")] < 10 * LEAST_RATIO:
            value = float(np.median(draws["melt_limit_mm3_s"]))
        found["melt_limit_mm3_s"] = replace(
            limit, value=value, standard_error=None, upper=None, at_bound=True
        )
    return found


def limit_is_open(mixture: Sequence[tuple[Fitted, float]]) -> bool:
    """Whether the data set no upper bound to the melt limit, by all laws that have one."""
    ratios = [
        (fitted.draws[:, fitted.law.coordinates.index("r")], weight)
        for fitted, weight in mixture
        if "r" in fitted.law.coordinates
    ]
    return bool(np.quantile(_weighted(ratios), 0.025) < UNBOUNDED_RATIO)


def pooled(name: str, mixture: Sequence[tuple[Fitted, float]]) -> Array:
    """Draws of a parameter from all laws that have it, as many of each as its weight asks."""
    return _weighted(
        [
            (found[name], weight)
            for fitted, weight in mixture
            if name in (found := fitted.law.parameters(fitted.draws))
        ]
    )


def _weighted(held: Sequence[tuple[Array, float]]) -> Array:
    heaviest = max(weight for _, weight in held)
    parts = []
    for draws, weight in held:
        count = max(1, round(len(draws) * weight / heaviest))
        parts.append(draws[np.linspace(0, len(draws) - 1, count).astype(int)])
    return np.concatenate(parts)


def covariance_of(draws: dict[str, Array]) -> tuple[tuple[float, ...], ...]:
    """Covariance of the parameters over the draws."""
    matrix = np.atleast_2d(np.cov(np.array(list(draws.values()))))
    return tuple(tuple(float(value) for value in line) for line in matrix)
