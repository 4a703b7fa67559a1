"""Maximum likelihood for plain censored samples: location and scale, no law.

The same interval probabilities as in the fit of curves, for a sample with one location. Used to
check the likelihood against other programs, and to describe the scatter of repeats at one force.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Distribution = Literal["normal", "student", "weibull"]


@dataclass(frozen=True, slots=True)
class LocationScale:
    """A fitted location and scale.

    Attributes:
        location: Linear predictor's coefficients, shape (k,); one for a plain sample.
        log_scale: Log of the scale.
        standard_errors: Of the coefficients and of the log scale, shape (k + 1,).
        covariance: Shape (k + 1, k + 1).
        log_likelihood: At the maximum.
        converged: Whether the gradient vanishes there.
    """

    location: Array
    log_scale: float
    standard_errors: Array
    covariance: Array
    log_likelihood: float
    converged: bool

    @property
    def scale(self) -> float:
        """The scale."""
        return float(np.exp(self.log_scale))


def _log_probability(low: Array, high: Array, distribution: Distribution) -> Array:
    """Log probability of standardised intervals."""
    if distribution == "weibull":  # log of a Weibull time: least extreme value, S = exp(-exp(z))
        with np.errstate(over="ignore"):
            above, beyond = np.exp(low), np.exp(high)
        return np.asarray(-above + np.log(-np.expm1(np.minimum(above - beyond, -1e-300))))
    from rig.curves.likelihood import interval_probability

    return np.asarray(np.log(interval_probability(low, high, distribution)))


def fit_location_scale(
    low: Array,
    high: Array,
    *,
    design: Array | None = None,
    distribution: Distribution = "normal",
) -> LocationScale:
    """Maximum likelihood of a location (linear in a design) and a scale.

    Args:
        low: Lower ends, shape (n,); minus infinity where left-censored.
        high: Upper ends; infinity where right-censored.
        design: Columns of the linear predictor, shape (n, k); a column of ones by default.
        distribution: Of the standardised distance; "weibull" takes log times.
    """
    from scipy.optimize import minimize

    n = len(low)
    x = np.ones((n, 1)) if design is None else np.asarray(design, float)
    k = x.shape[1]

    def cost(theta: Array) -> float:
        scale = np.exp(theta[k])
        centre = x @ theta[:k]
        with np.errstate(invalid="ignore"):
            z = (low - centre) / scale, (high - centre) / scale
        return -float(_log_probability(*z, distribution).sum())

    ends = np.where(np.isfinite(low), low, high)
    middle = 0.5 * (ends + np.where(np.isfinite(high), high, ends))
    start = np.append(np.linalg.lstsq(x, middle, rcond=None)[0], np.log(middle.std() + 1e-3))
    theta = np.asarray(minimize(cost, start, method="Nelder-Mead", options={"maxiter": 4000}).x)
    for _ in range(8):  # Newton on central differences, to full accuracy
        slope, curvature = derivatives(cost, theta)
        step = np.linalg.lstsq(curvature, slope, rcond=None)[0]
        theta = theta - step
        if np.abs(step).max() < 1e-10:
            break
    slope, curvature = derivatives(cost, theta)
    covariance: Array = np.asarray(np.linalg.inv(curvature), float)
    return LocationScale(
        location=theta[:k],
        log_scale=float(theta[k]),
        standard_errors=np.sqrt(np.diag(covariance)),
        covariance=covariance,
        log_likelihood=-cost(theta),
        converged=bool(np.abs(slope).max() < 1e-4),
    )


def derivatives(function: object, point: Array, *, step: float = 1e-3) -> tuple[Array, Array]:
    """Gradient and Hessian by fourth-order central differences."""
    assert callable(function)
    d = len(point)
    stencil = ((1, 8.0), (-1, -8.0), (2, -1.0), (-2, 1.0))

    def slope(at: Array) -> Array:
        found = np.zeros(d)
        for i in range(d):
            for multiple, weight in stencil:
                moved = at.copy()
                moved[i] += multiple * step
                found[i] += weight * float(function(moved)) / (12.0 * step)
        return found

    hessian = np.zeros((d, d))
    for i in range(d):
        for multiple, weight in stencil:
            moved = point.copy()
            moved[i] += multiple * step
            hessian[i] += weight * slope(moved) / (12.0 * step)
    return slope(point), 0.5 * (hessian + hessian.T)
