"""A monotone smooth curve without a law, for lookup.

Log flow is a cubic spline of log force with rising coefficients, hence monotone (Ramsay 1988,
Statistical Science 3, 425). The log of its slope goes from knot to knot as a random walk with a
step ``tau`` that the data choose: ``tau`` towards 0 gives a straight line, which is a power law,
and a larger one lets the curve bend either way (a penalised spline, Eilers & Marx 1996, Statistical
Science 11, 89). Flow as a function of force stays well behaved at a melt limit, where the force as
a function of flow does not.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rig.curves.laws import Scale

Array = NDArray[np.float64]

_LEAST_TAU, _MOST_TAU = 0.02, 3.0


class SmoothCurve:
    """Monotone spline over the range of forces of one temperature.

    Coordinates: ``c``, log flow at the least force; ``d``, log of the first slope; ``u1`` ...,
    standard normal steps of the log slope; ``t``, log of their size ``tau``.
    """

    name = "smooth"

    def __init__(self, scale: Scale, log_force: Array, *, pieces: int) -> None:
        self.scale = scale
        self.low, self.high = float(log_force.min()), float(log_force.max())
        self.count = pieces + 3
        inner = np.linspace(self.low, self.high, pieces + 1)
        self.knots = np.concatenate(([self.low] * 3, inner, [self.high] * 3))
        self.sites = np.array([self.knots[k + 1 : k + 4].mean() for k in range(self.count)])
        self.gaps = np.diff(self.sites)
        middle = math.log(scale.flow_mm3_s)
        self.coordinates = ("c", "d", *(f"u{k}" for k in range(1, self.count - 1)), "t")
        self.bounds = np.array(
            [(middle - 6.0, middle + 4.0), (-4.0, 4.0)]
            + [(-5.0, 5.0)] * (self.count - 2)
            + [(math.log(_LEAST_TAU), math.log(_MOST_TAU))]
        )
        self.units = {f"log_flow_{k}": "log(mm3/s)" for k in range(self.count)}
        self._cache: tuple[bytes, Array, Array] | None = None

    def _basis(self, log_force: Array) -> tuple[Array, Array]:
        """Spline basis and its derivative at sites, shape (n, count); straight beyond the ends."""
        from scipy.interpolate import BSpline

        key = log_force.tobytes()
        if self._cache is not None and self._cache[0] == key:
            return self._cache[1], self._cache[2]
        inside = np.clip(log_force, self.low, self.high)
        spline = BSpline(self.knots, np.eye(self.count), 3)
        slope = np.asarray(spline.derivative()(inside))
        value = np.asarray(spline(inside)) + slope * (log_force - inside)[:, None]
        self._cache = (key, value, slope)
        return value, slope

    def coefficients(self, theta: Array) -> Array:
        """Rising spline coefficients, shape (batch, count)."""
        steps = theta[:, 2:-1] * np.exp(theta[:, -1:])
        log_slope = theta[:, 1:2] + np.concatenate(
            (np.zeros((len(theta), 1)), np.cumsum(steps, axis=1)), axis=1
        )
        rise = np.exp(np.clip(log_slope, -12.0, 8.0)) * self.gaps
        return np.asarray(
            theta[:, :1]
            + np.concatenate((np.zeros((len(theta), 1)), np.cumsum(rise, axis=1)), axis=1)
        )

    def log_prior(self, theta: Array) -> Array:
        steps = -0.5 * (theta[:, 2:-1] ** 2).sum(axis=1)
        constant = -0.5 * (self.count - 2) * math.log(2.0 * math.pi)
        constant -= math.log(10.0) + math.log(self.bounds[-1, 1] - self.bounds[-1, 0])
        slope = -0.5 * ((theta[:, 1] - math.log(2.2)) / 0.8) ** 2
        constant -= 0.5 * math.log(2.0 * math.pi) + math.log(0.8)
        return np.asarray(steps + slope + constant)

    def log_flow(self, theta: Array, log_force: Array) -> tuple[Array, Array]:
        if log_force.ndim == 2:  # shifted forces, one row a draw: the plain basis of each
            flat_value, flat_slope = self._basis(np.ascontiguousarray(log_force.ravel()))
            shape = (*log_force.shape, self.count)
            held = self.coefficients(theta)
            return (
                np.einsum("bnk,bk->bn", flat_value.reshape(shape), held),
                np.einsum("bnk,bk->bn", flat_slope.reshape(shape), held),
            )
        value, slope = self._basis(log_force)
        held = self.coefficients(theta)
        return held @ value.T, held @ slope.T

    def log_force_at(self, theta: Array, log_flow: Array) -> Array:
        span = self.high - self.low
        grid = np.linspace(self.low - 0.5 * span, self.high + 0.5 * span, 321)
        keep, self._cache = self._cache, None
        flows, _ = self.log_flow(theta, grid)
        self._cache = keep
        wanted = np.broadcast_to(log_flow, (len(theta), np.shape(log_flow)[-1]))
        found = np.empty(wanted.shape)
        for row in range(len(theta)):
            found[row] = np.interp(wanted[row], flows[row], grid, left=-np.inf, right=np.inf)
        return found

    def parameters(self, theta: Array) -> dict[str, Array]:
        held = self.coefficients(theta)
        return {f"log_flow_{k}": held[:, k] for k in range(self.count)}

    def scaled(self, theta: Array, log_factor: Array) -> Array:
        """The spline through the moved curve at the sites of its coefficients."""
        basis, _ = self._basis(self.sites)
        self._cache = None
        moved, _ = self.log_flow(theta, self.sites[None] - np.asarray(log_factor)[:, None])
        self._cache = None
        held = np.linalg.solve(basis, moved.T).T
        log_slope = np.log(np.maximum(np.diff(held, axis=1), 1e-9) / self.gaps)
        steps = np.diff(log_slope, axis=1) / np.exp(theta[:, -1:])
        return np.concatenate((held[:, :1], log_slope[:, :1], steps, theta[:, -1:]), axis=1)

    def starts(self, rng: np.random.Generator, count: int) -> Array:
        draws = rng.normal(0.0, 0.7, (count, len(self.coordinates)))
        middle = math.log(self.scale.flow_mm3_s)
        slope = np.exp(rng.normal(math.log(2.2), 0.5, count))
        draws[:, 0] = middle - slope * (math.log(self.scale.force_n) - self.low)
        draws[:, 0] += rng.normal(0.0, 0.2, count)
        draws[:, 1] = np.log(slope)
        draws[:, -1] = rng.uniform(math.log(_LEAST_TAU), math.log(1.0), count)
        return np.asarray(draws)
