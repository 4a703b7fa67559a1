"""Mode and sample of a posterior over a box; all functions are evaluated in batches.

The log-density takes an array of shape (batch, parameters) and gives one of shape (batch,).

* Mode: many starts, the best few polished by a quasi-Newton ascent on central differences.
* Sample: differential-evolution Markov chain (ter Braak 2006, Statistics and Computing 16, 239) in
  two halves that propose from one another. It is invariant under linear maps of the parameters,
  and bounds are honoured by refusal, so parameters at a bound need no special care.
* Evidence: importance sampling from a Student-t fitted to the sample (Geweke 1989, Econometrica 57,
  1317); before there is a sample, Laplace's approximation.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
LogDensity = Callable[[Array], Array]


@dataclass(frozen=True, slots=True)
class Mode:
    """The highest point found.

    Attributes:
        point: Parameters, shape (d,).
        log_density: Log-density there.
    """

    point: Array
    log_density: float


@dataclass(frozen=True, slots=True)
class Sample:
    """Draws of a posterior.

    Attributes:
        draws: Shape (draws, d).
        acceptance: Share of accepted proposals.
        mixing: Greatest ratio of the variance between the two halves in time to the variance
            within, over parameters; near 0 where the chain has settled.
        peak: The highest point that the chain met.
    """

    draws: Array
    acceptance: float
    mixing: float
    peak: Mode


def gradient(density: LogDensity, point: Array, bounds: Array) -> tuple[float, Array]:
    """Value and central-difference gradient at a point, in one batch; one-sided at a bound."""
    width = bounds[:, 1] - bounds[:, 0]
    step = 1e-5 * np.minimum(width, 1.0)
    up = np.minimum(point + step, bounds[:, 1])
    down = np.maximum(point - step, bounds[:, 0])
    d = len(point)
    batch = np.tile(point, (2 * d + 1, 1))
    batch[np.arange(d), np.arange(d)] = up
    batch[d + np.arange(d), np.arange(d)] = down
    values = density(batch)
    return float(values[-1]), np.asarray((values[:d] - values[d : 2 * d]) / (up - down))


def find_mode(density: LogDensity, starts: Array, bounds: Array, *, polish: int = 2) -> Mode:
    """The highest point reached from many starts.

    Args:
        density: Log-density, in batches.
        starts: Starting points, shape (starts, d), clipped into the box; the first third may share
            one good guess, and only one of these is polished.
        bounds: Lower and upper bounds, shape (d, 2).
        polish: How many of the best starts to polish.
    """
    starts = np.clip(starts, bounds[:, 0], bounds[:, 1])
    values = density(starts)
    order = [int(np.argmax(values))]
    rest = len(starts) // 3  # the first third shares one least-squares start
    order += [rest + int(i) for i in np.argsort(-values[rest:])[: polish - 1]]
    return max((ascend(density, starts[i], bounds) for i in order), key=lambda m: m.log_density)


def ascend(density: LogDensity, start: Array, bounds: Array, *, steps: int = 100) -> Mode:
    """Climb from a start inside a box: projected BFGS whose line search is one batch a step.

    Written out here since the solvers of libraries run threaded linear algebra on matrices of this
    size, which costs far more than it gains on a machine that has other work.
    """
    low, high = bounds.T
    lengths = 2.0 ** np.arange(2.0, -17.0, -1.0)
    point = start.copy()
    value, slope = gradient(density, point, bounds)
    scale = np.minimum(0.1 * (high - low), 1.0)
    curvature = np.diag(scale**2)
    for _ in range(steps):
        free = ~(((point <= low) & (slope < 0)) | ((point >= high) & (slope > 0)))
        if not free.any() or np.abs(slope * scale)[free].max() < 1e-5:
            break
        masked = np.where(free, slope, 0.0)
        move = np.where(free, curvature @ masked, 0.0)
        if not np.isfinite(move).all() or move @ masked <= 0:
            curvature = np.diag(scale**2)
            move = np.where(free, scale**2 * slope, 0.0)
        move = move / max(1.0, float((np.abs(move) / (high - low)).max()) / 0.5)
        trial = np.clip(point + lengths[:, None] * move, low, high)
        values = density(trial)
        best = int(np.argmax(values))
        gain = float(values[best]) - value
        if not gain > 0:
            break
        new_value, new_slope = gradient(density, trial[best], bounds)
        step, change = trial[best] - point, slope - new_slope
        bend = float(step @ change)
        if bend > 1e-12 * float(np.linalg.norm(step) * np.linalg.norm(change)):
            part = np.eye(len(point)) - np.outer(step, change) / bend
            curvature = part @ curvature @ part.T + np.outer(step, step) / bend
        point, value, slope = trial[best], new_value, new_slope
        if gain < 1e-8:
            break
    return Mode(point, value)


def curvature_covariance(density: LogDensity, point: Array, bounds: Array) -> Array:
    """Covariance from the curvature at a mode, kept positive and inside the box's size."""
    d = len(point)
    width = bounds[:, 1] - bounds[:, 0]
    step = np.minimum(1e-3, 1e-3 * width)
    centre = np.clip(point, bounds[:, 0] + 2 * step, bounds[:, 1] - 2 * step)
    rows, signs = [], ((1, 1), (1, -1), (-1, 1), (-1, -1))
    for i in range(d):
        for j in range(i, d):
            for a, b in signs:
                trial = centre.copy()
                trial[i] += a * step[i]
                trial[j] += b * step[j]
                rows.append(trial)
    values = density(np.array(rows)).reshape(-1, 4)
    hessian = np.zeros((d, d))
    upper = np.triu_indices(d)
    hessian[upper] = (values @ np.array([1.0, -1.0, -1.0, 1.0])) / (
        4.0 * step[upper[0]] * step[upper[1]]
    )
    hessian = hessian + np.triu(hessian, 1).T
    scale = 0.2 * width
    scaled = -np.where(np.isfinite(hessian), hessian, 0.0) * np.outer(scale, scale)
    eigenvalues, vectors = np.linalg.eigh(scaled)
    eigenvalues = np.clip(eigenvalues, 1.0, 1e10)
    return np.asarray((vectors / eigenvalues) @ vectors.T * np.outer(scale, scale))


def draw_sample(
    density: LogDensity,
    mode: Mode,
    bounds: Array,
    *,
    covariance: Array,
    rng: np.random.Generator,
    chains: int = 160,
    burn: int = 50,
    steps: int = 96,
    thin: int = 6,
) -> Sample:
    """Draws of a posterior, started about its mode.

    Args:
        density: Log-density, in batches.
        mode: Where to start.
        bounds: Lower and upper bounds, shape (d, 2).
        covariance: About the mode, for the start.
        rng: Source of randomness.
        chains: Number of chains, even.
        burn: Steps thrown away.
        steps: Steps after that.
        thin: Every so many steps are kept.
    """
    d = len(mode.point)
    chains = max(chains, 4 * d + 4) // 2 * 2
    state = rng.multivariate_normal(mode.point, covariance, size=chains, method="eigh")
    state = bounds[:, 0] + np.abs(state - bounds[:, 0])  # folded back into the box
    state = bounds[:, 1] - np.abs(bounds[:, 1] - state)
    state = np.clip(state, bounds[:, 0], bounds[:, 1])
    value = density(state)
    lost = ~np.isfinite(value) | (value < mode.log_density - 15.0 - 2.0 * d)
    jitter = 1e-3 * (bounds[:, 1] - bounds[:, 0])
    state[lost] = np.clip(
        mode.point + jitter * rng.standard_normal((int(lost.sum()), d)), bounds[:, 0], bounds[:, 1]
    )
    value = density(state)
    half = chains // 2
    kept, accepted, peak = [], 0, mode
    gamma = 2.38 / math.sqrt(2.0 * d)
    tiny = 1e-5 * np.minimum(bounds[:, 1] - bounds[:, 0], 1.0)
    halves = (slice(0, half), slice(half, chains))
    low, high = bounds.T
    for step in range(burn + steps):
        first = rng.integers(0, half, (2, half))
        second = (first + rng.integers(1, half, (2, half))) % half
        factor = gamma * rng.uniform(0.4, 1.2, (2, half))
        factor[rng.random((2, half)) < 0.1] = 1.0
        noise = tiny * rng.standard_normal((2, half, d))
        log_u = np.log(rng.random((2, half)))
        for turn, (own, other) in enumerate((halves, halves[::-1])):
            partners, here = state[other], state[own]
            proposal = (
                here
                + factor[turn][:, None] * (partners[first[turn]] - partners[second[turn]])
                + noise[turn]
            )
            inside = ((proposal >= low) & (proposal <= high)).all(axis=1)
            proposal = np.where(inside[:, None], proposal, here)
            new = density(proposal)
            take = inside & (log_u[turn] < new - value[own])
            state[own] = np.where(take[:, None], proposal, here)
            value[own] = np.where(take, new, value[own])
            top = int(np.argmax(value))
            if value[top] > peak.log_density:
                peak = Mode(state[top].copy(), float(value[top]))
            if step >= burn:
                accepted += int(take.sum())
        if step >= burn and (step - burn) % thin == thin - 1:
            kept.append(state.copy())
    draws = np.array(kept)
    early, late = np.array_split(draws, 2)
    within = draws.reshape(-1, d).var(axis=0) + 1e-30
    between = (early.mean(axis=(0, 1)) - late.mean(axis=(0, 1))) ** 2 / within
    return Sample(draws.reshape(-1, d), accepted / (steps * chains), float(between.max()), peak)


def log_evidence(mode: Mode, covariance: Array) -> float:
    """Log of the integral of the density, by Laplace with the covariance at the mode."""
    d = len(mode.point)
    covariance = np.atleast_2d(covariance) + 1e-18 * np.eye(d)
    _, log_det = np.linalg.slogdet(covariance)
    return mode.log_density + 0.5 * d * math.log(2.0 * math.pi) + 0.5 * float(log_det)


def sampled_evidence(
    density: LogDensity, draws: Array, bounds: Array, *, rng: np.random.Generator, count: int = 3000
) -> float:
    """Log of the integral of the density, by importance sampling.

    The proposal is a Student-t with 5 degrees of freedom, mean and covariance of the draws; what
    falls outside the box counts as nothing, so that parameters at a bound do no harm.
    """
    d, freedom = draws.shape[1], 5.0
    mean = draws.mean(axis=0)
    covariance = np.cov(draws, rowvar=False) * 1.2 + 1e-14 * np.eye(d)
    values, vectors = np.linalg.eigh(covariance)
    values = np.maximum(values, 1e-16)
    normal = rng.standard_normal((count, d))
    stretch = np.sqrt(freedom / rng.chisquare(freedom, count))
    white = normal * stretch[:, None]
    points = mean + np.einsum("kj,ij->ki", white * np.sqrt(values), vectors)
    log_q = (
        math.lgamma((freedom + d) / 2)
        - math.lgamma(freedom / 2)
        - 0.5 * d * math.log(freedom * math.pi)
        - 0.5 * float(np.log(values).sum())
        - 0.5 * (freedom + d) * np.log1p((white**2).sum(axis=1) / freedom)
    )
    inside = ((points >= bounds[:, 0]) & (points <= bounds[:, 1])).all(axis=1)
    if not inside.any():
        return -math.inf
    log_weight = density(points[inside]) - log_q[inside]
    top = float(log_weight.max())
    return top + math.log(float(np.exp(log_weight - top).sum()) / count)
