"""Nonlinear least squares with its errors: the start of every fit, and the fit of plain data."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LeastSquares:
    """Result of a least-squares fit.

    Attributes:
        values: Parameters, shape (d,).
        standard_errors: Of the parameters, from the residual variance with n - d degrees of
            freedom.
        covariance: Shape (d, d).
        residual_sum: Sum of squared residuals.
        converged: Whether the minimum was reached.
        at_bound: Which parameters lie at a bound.
    """

    values: Array
    standard_errors: Array
    covariance: Array
    residual_sum: float
    converged: bool
    at_bound: tuple[bool, ...]


def least_squares(
    residuals: Callable[[Array], Array],
    start: Array,
    *,
    bounds: tuple[Array, Array] | None = None,
    evaluations: int | None = None,
) -> LeastSquares:
    """Parameters that make the sum of squared residuals least.

    Trust-region Gauss-Newton on central differences, scaled by the Jacobian, so that parameters may
    differ by many orders of magnitude. Covariance ``s^2 (J'J)^-1`` (any text on regression, such as
    Bates & Watts 1988).

    Args:
        residuals: Of the parameters, shape (d,) to (n,).
        start: Starting point, shape (d,).
        bounds: Lower and upper bounds, each of shape (d,).
        evaluations: Greatest number of evaluations; None for the solver's own.
    """
    from scipy import optimize

    low, high = bounds if bounds is not None else (np.full(len(start), -np.inf),) * 2
    if bounds is None:
        high = -low
    start = np.asarray(start, float)
    unit = np.where(start != 0.0, np.abs(start), 1.0)  # differences in proportion to each one
    result = optimize.least_squares(
        lambda scaled: residuals(scaled * unit),
        start / unit,
        bounds=(low / unit, high / unit),
        jac="3-point",
        x_scale="jac",
        ftol=1e-14,
        xtol=1e-14,
        gtol=1e-14,
        max_nfev=evaluations,
    )
    n, d = result.jac.shape
    residual_sum = float(2.0 * result.cost)
    variance = residual_sum / (n - d) if n > d else float("nan")
    scale = np.maximum(np.linalg.norm(result.jac, axis=0), 1e-100)
    inverse = np.linalg.pinv(result.jac / scale)  # never J'J, which squares the condition
    covariance = variance * (inverse @ inverse.T) / np.outer(scale / unit, scale / unit)
    return LeastSquares(
        values=np.asarray(result.x * unit, float),
        standard_errors=np.sqrt(np.diag(covariance)),
        covariance=covariance,
        residual_sum=residual_sum,
        converged=bool(result.status > 0),
        at_bound=tuple(bool(mask) for mask in result.active_mask),
    )
