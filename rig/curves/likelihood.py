"""Probability of censored thresholds, and distributions of their scatter.

A threshold lies between two ends on a logarithmic axis; its probability is the difference of the
scatter's distribution function at the two ends (Turnbull 1976, J. R. Stat. Soc. B 38, 290, for the
censoring in general). Either end may be infinite.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Scatter = Literal["student", "normal"]

STUDENT_FREEDOM = 4
"""Degrees of freedom of the heavy tail (Lange, Little & Taylor 1989, JASA 84, 881: 4 serves)."""
STRAY_SD = 0.5
"""Scatter, in log flow, of a threshold that came from a wrong verdict of the detector."""
TINY = 1e-300


def student4_tail(z: Array) -> Array:
    """Upper tail ``P(Z > z)`` of Student's t with 4 degrees of freedom, exact in the far tail.

    ``P = (1 - c)^2 (2 + c) / 4`` with ``c = z / sqrt(4 + z^2)``; ``1 - c`` is formed without
    cancellation, as ``4 / (4 + z^2 + z sqrt(4 + z^2))``.
    """
    far = np.abs(z)
    square = far * far
    square += 4.0
    far *= np.sqrt(square)
    far += square
    one_minus = np.divide(4.0, far, out=far)
    tail = 0.75 - 0.25 * one_minus
    tail *= one_minus
    tail *= one_minus
    return np.asarray(np.where(z < 0.0, 1.0 - tail, tail))


def normal_tail(z: Array) -> Array:
    """Upper tail ``P(Z > z)`` of the standard normal."""
    from scipy.special import ndtr

    return np.asarray(ndtr(-z))


def interval_probability(low: Array, high: Array, scatter: Scatter = "student") -> Array:
    """Probability of a standardised interval; ends may be infinite; without cancellation.

    Both ends are mirrored where the interval lies below zero, so that the difference is always one
    of small upper tails.
    """
    tail = student4_tail if scatter == "student" else normal_tail
    flip = np.abs(low) > np.abs(high)
    ends = np.array((np.where(flip, -high, low), np.where(flip, -low, high)))
    near, far = tail(ends)
    return np.asarray(np.maximum(near - far, TINY))


def log_likelihood(
    low: Array,
    high: Array,
    centre: Array,
    spread: Array,
    *,
    scatter: Scatter = "student",
    wrong_rate: float = 0.0,
) -> Array:
    """Log-likelihood of censored observations, summed over the last axis.

    Args:
        low: Lower ends, shape (n,); minus infinity where left-censored.
        high: Upper ends, shape (n,); infinity where right-censored.
        centre: Where the law puts the threshold, shape (..., n).
        spread: Standard scatter, shape (..., n).
        scatter: Distribution of the scatter.
        wrong_rate: Probability that a threshold comes from a wrong verdict; it is then taken from a
            broad distribution about the law.
    """
    p = interval_probability((low - centre) / spread, (high - centre) / spread, scatter)
    if wrong_rate > 0.0:
        broad = np.hypot(spread, STRAY_SD)
        stray = interval_probability((low - centre) / broad, (high - centre) / broad, scatter)
        p = (1.0 - wrong_rate) * p + wrong_rate * stray
    return np.asarray(np.log(p).sum(axis=-1))
