"""Mode and sample of a posterior over a box; all functions are evaluated in batches.

The log-density takes an array of shape (batch, parameters) and gives one of shape (batch,).

* Mode: many starts, the best few polished together by quasi-Newton ascents on central differences.
* Sample: adaptive importance sampling (Cornuet et al. 2012, Scandinavian Journal of Statistics 39,
  798). Where its weights are uneven, a differential-evolution Markov chain (ter Braak 2006,
  Statistics and Computing 16, 239) in two halves that propose from one another, started from it.
  It is invariant under linear maps of the parameters, and bounds are honoured by refusal, so
  parameters at a bound need no special care.
* Evidence: the mean weight of importance sampling (Geweke 1989, Econometrica 57, 1317); before
  there is a sample, Laplace's approximation.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
LogDensity = Callable[[Array], Array]

_TRIM = 0.02
"""Share of the weight that trimming may take."""


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


def gradients(density: LogDensity, points: Array, bounds: Array) -> Array:
    """Central-difference gradients at points (batch, d), in one batch; one-sided at a bound."""
    batch, d = points.shape
    step = 1e-5 * np.minimum(bounds[:, 1] - bounds[:, 0], 1.0)
    up = np.minimum(points + step, bounds[:, 1])
    down = np.maximum(points - step, bounds[:, 0])
    moved = np.repeat(points[:, None, None, :], 2, axis=1).repeat(d, axis=2)
    at = np.arange(d)
    moved[:, 0, at, at] = up
    moved[:, 1, at, at] = down
    values = density(moved.reshape(-1, d)).reshape(batch, 2, d)
    return np.asarray((values[:, 0] - values[:, 1]) / (up - down))


def find_mode(density: LogDensity, starts: Array, bounds: Array, *, polish: int = 4) -> Mode:
    """The highest point reached from many starts.

    Args:
        density: Log-density, in batches.
        starts: Starting points, shape (starts, d), clipped into the box.
        bounds: Lower and upper bounds, shape (d, 2).
        polish: How many of the best starts to polish.
    """
    starts = np.clip(starts, bounds[:, 0], bounds[:, 1])
    best = np.argsort(-density(starts), kind="stable")[:polish]
    return ascend(density, starts[best], bounds)


def ascend(density: LogDensity, starts: Array, bounds: Array, *, steps: int = 100) -> Mode:
    """Climb from several starts inside a box at once; the highest end.

    Projected BFGS whose gradients and line searches are one batch each for all starts. Written out
    here since the solvers of libraries climb from one start at a time, a call for each point.

    Args:
        density: Log-density, in batches.
        starts: Starting points, shape (starts, d).
        bounds: Lower and upper bounds, shape (d, 2).
        steps: Most steps of one climb.
    """
    low, high = bounds.T
    width = high - low
    lengths = 4.0 * 10.0 ** np.arange(0.0, -5.5, -0.5)
    points = starts.copy()
    values = density(points)
    top = Mode(points[0], -math.inf)
    slopes = gradients(density, points, bounds)
    d = points.shape[1]
    scale = np.minimum(0.1 * width, 1.0)
    plain = np.diag(scale**2)
    curvature = np.repeat(plain[None], len(points), axis=0)
    for _ in range(steps):
        free = ~(((points <= low) & (slopes < 0)) | ((points >= high) & (slopes > 0)))
        masked = np.where(free, slopes, 0.0)
        move = np.where(free, np.einsum("bij,bj->bi", _held(curvature, free), masked), 0.0)
        astray = ~(np.isfinite(move).all(axis=1) & ((move * masked).sum(axis=1) > 0))
        curvature[astray] = plain
        move[astray] = (scale**2 * masked)[astray]
        move /= np.maximum(1.0, 2.0 * (np.abs(move) / width).max(axis=1))[:, None]
        trials = np.clip(points[:, None] + lengths[:, None] * move[:, None], low, high)
        found = density(trials.reshape(-1, d)).reshape(len(points), -1)
        best = found.argmax(axis=1)
        rows = np.arange(len(points))
        gains = found[rows, best] - values
        rises = gains > 0
        settled = ~(np.abs(masked * scale).max(axis=1) >= 1e-4) | ~(gains >= 1e-4)
        step = np.where(rises[:, None], trials[rows, best] - points, 0.0)
        points = points + step
        values = np.where(rises, found[rows, best], values)
        high_end = int(np.argmax(values))
        if values[high_end] > top.log_density:
            top = Mode(points[high_end].copy(), float(values[high_end]))
        # What climbs too slowly to reach the highest end in a quarter of all steps is let go.
        hopeless = values + gains * (steps / 4) < top.log_density
        going = ~settled & ~hopeless
        if not going.any():
            break
        points, values, step = points[going], values[going], step[going]
        before, curvature = slopes[going], curvature[going]
        slopes = gradients(density, points, bounds)
        change = before - slopes
        bend = (step * change).sum(axis=1)
        firm = bend > 1e-12 * np.sqrt((step**2).sum(axis=1) * (change**2).sum(axis=1))
        bend = np.where(firm, bend, 1.0)[:, None, None]
        outer = step[:, :, None] * step[:, None, :] / bend
        part = np.eye(d) - step[:, :, None] * change[:, None, :] / bend
        updated = part @ curvature @ part.transpose(0, 2, 1) + outer
        curvature = np.where(firm[:, None, None], updated, curvature)
    return top


def _held(inverse: Array, free: NDArray[np.bool_]) -> Array:
    """Inverse Hessians, shape (batch, d, d), with the coordinates at a bound held fast.

    The inverse over the free ones alone is not the part of the whole inverse that belongs to them
    but its Schur complement, here by elimination of one coordinate after the other.
    """
    if free.all():
        return inverse
    inverse = inverse.copy()
    for k in np.flatnonzero(~free.all(axis=0)):
        rows = ~free[:, k]
        column = inverse[rows, :, k]
        inverse[rows] -= column[:, :, None] * column[:, None, :] / column[:, k, None, None]
    return inverse


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


def starts_about(
    density: LogDensity,
    mode: Mode,
    bounds: Array,
    *,
    covariance: Array,
    rng: np.random.Generator,
    chains: int,
) -> Array:
    """Starting points for `draw_sample` about a mode, shape (chains, d)."""
    d = len(mode.point)
    state = rng.multivariate_normal(mode.point, covariance, size=chains, method="eigh")
    state = bounds[:, 0] + np.abs(state - bounds[:, 0])  # folded back into the box
    state = bounds[:, 1] - np.abs(bounds[:, 1] - state)
    state = np.clip(state, bounds[:, 0], bounds[:, 1])
    value = density(state)
    lost = ~np.isfinite(value) | (value < mode.log_density - 15.0 - 2.0 * d)
    jitter = 1e-3 * (bounds[:, 1] - bounds[:, 0])
    near = mode.point + jitter * rng.standard_normal((int(lost.sum()), d))
    state[lost] = np.clip(near, bounds[:, 0], bounds[:, 1])
    return np.asarray(state)


def draw_sample(
    density: LogDensity,
    mode: Mode,
    bounds: Array,
    *,
    start: Array,
    rng: np.random.Generator,
    burn: int = 50,
    steps: int = 96,
    thin: int = 6,
) -> Sample:
    """Draws of a posterior, started about its mode.

    Args:
        density: Log-density, in batches.
        mode: The highest point known.
        bounds: Lower and upper bounds, shape (d, 2).
        start: Where the chains start, shape (chains, d), an even number of them.
        rng: Source of randomness.
        burn: Steps thrown away.
        steps: Steps after that.
        thin: Every so many steps are kept.
    """
    state = start.copy()
    chains, d = state.shape
    value = density(state)
    half = chains // 2
    kept, accepted, peak = [], 0, mode
    low, high = bounds.T
    tiny = 1e-5 * np.minimum(high - low, 1.0)
    total = burn + steps
    first = rng.integers(0, half, (total, 2, half))
    second = (first + rng.integers(1, half, (total, 2, half))) % half
    factor = 2.38 / math.sqrt(2.0 * d) * rng.uniform(0.4, 1.2, (total, 2, half, 1))
    factor[rng.random((total, 2, half, 1)) < 0.1] = 1.0
    log_u = np.log(rng.random((total, 2, half)))
    halves = (slice(0, half), slice(half, chains))
    for step in range(total):
        noise = tiny * rng.standard_normal((2, half, d))
        for turn, (own, other) in enumerate((halves, halves[::-1])):
            partners, here = state[other], state[own]
            proposal = partners[first[step, turn]] - partners[second[step, turn]]
            proposal *= factor[step, turn]
            proposal += here
            proposal += noise[turn]
            inside = ((proposal >= low) & (proposal <= high)).all(axis=1)
            proposal = np.where(inside[:, None], proposal, here)
            new = density(proposal)
            take = inside & (log_u[step, turn] < new - value[own])
            state[own] = np.where(take[:, None], proposal, here)
            value[own] = np.where(take, new, value[own])
            if step >= burn:
                accepted += int(np.count_nonzero(take))
        top = int(value.argmax())
        if value[top] > peak.log_density:
            peak = Mode(state[top].copy(), float(value[top]))
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


@dataclass(frozen=True, slots=True)
class Weighted:
    """An importance sample.

    Attributes:
        draws: Draws of equal weight, shape (draws, d).
        effective: How many independent draws the weights are worth (Kong 1992).
        log_evidence: Log of the integral of the density.
        peak: The highest point met.
    """

    draws: Array
    effective: float
    log_evidence: float
    peak: Mode


class Mixture:
    """A mixture of Student-t distributions with 5 degrees of freedom, to propose from."""

    freedom = 5.0

    def __init__(self, parts: Sequence[tuple[float, Array, Array]]) -> None:
        """Weight, mean of shape (d,) and covariance of shape (d, d) of each part."""
        total = sum(weight for weight, _, _ in parts)
        self.parts = []
        for weight, mean, covariance in parts:
            values, vectors = np.linalg.eigh(covariance)
            self.parts.append((weight / total, mean, np.maximum(values, 1e-16), vectors))

    @classmethod
    def about(cls, draws: Array, *, slices: int = 3) -> Mixture:
        """Parts about slices of draws across their longest axis, and a wide one about them all."""
        d = draws.shape[1]
        white = (draws - draws.mean(axis=0)) / (draws.std(axis=0) + 1e-12)
        axis = np.linalg.eigh(white.T @ white)[1][:, -1]
        order = np.argsort(white @ axis, kind="stable")
        whole = np.cov(draws, rowvar=False).reshape(d, d) + 1e-14 * np.eye(d)
        parts = [(0.15, draws.mean(axis=0), 1.5 * whole)]
        for rows in np.array_split(order, slices):
            own = draws[rows]
            spread = 1.1 * np.cov(own, rowvar=False).reshape(d, d) + 0.02 * whole
            parts.append((0.85 / slices, own.mean(axis=0), spread))
        return cls(parts)

    def draw(self, count: int, rng: np.random.Generator) -> Array:
        """Draws, shape (about count, d)."""
        found = []
        for weight, mean, values, vectors in self.parts:
            size = max(1, round(count * weight))
            normal = rng.standard_normal((size, len(mean)))
            stretch = np.sqrt(self.freedom / rng.chisquare(self.freedom, size))[:, None]
            found.append(mean + (normal * stretch * np.sqrt(values)) @ vectors.T)
        return np.concatenate(found)

    def log_density(self, points: Array) -> Array:
        """Log of the density, shape (points,)."""
        d, f = points.shape[1], self.freedom
        constant = math.lgamma((f + d) / 2) - math.lgamma(f / 2) - 0.5 * d * math.log(f * math.pi)
        rows = []
        for weight, mean, values, vectors in self.parts:
            white = ((points - mean) @ vectors) / np.sqrt(values)
            log_size = math.log(weight) + constant - 0.5 * float(np.log(values).sum())
            rows.append(log_size - 0.5 * (f + d) * np.log1p((white**2).sum(axis=1) / f))
        return np.asarray(np.logaddexp.reduce(np.array(rows), axis=0))


def _trimmed(weight: Array) -> Array:
    """Weights no greater than the root of their number times their mean, if that takes little."""
    most = math.sqrt(len(weight)) * float(weight.mean())
    trimmed = np.minimum(weight, most)
    return trimmed if trimmed.sum() > (1.0 - _TRIM) * weight.sum() else weight


def importance_sample(
    density: LogDensity,
    proposal: Mixture,
    bounds: Array,
    *,
    rng: np.random.Generator,
    rounds: Sequence[int] = (1200, 1500, 2500, 2500, 2500, 2500, 2500),
    wanted: float = math.inf,
    draws: int = 2400,
) -> Weighted:
    """Adaptive importance sampling: each round proposes about what the rounds before it found.

    Weights are trimmed where little is lost by it (Ionides 2008, Journal of Computational and
    Graphical Statistics 17, 295): a lucky point or two in a tail are no reason to begin anew.

    All points are weighed against the mixture of all proposals (Cornuet et al. 2012, Scandinavian
    Journal of Statistics 39, 798). What falls outside the box counts as nothing, so that parameters
    at a bound do no harm.

    Args:
        density: Log-density, in batches.
        proposal: Of the first round.
        bounds: Lower and upper bounds, shape (d, 2).
        rng: Source of randomness.
        rounds: Points of each round.
        wanted: Stop as soon as the points are worth so many independent draws.
        draws: How many draws of equal weight to give.
    """
    low, high = bounds.T
    points, values, sums = np.empty((0, len(low))), np.empty(0), np.empty(0)
    mixtures: list[tuple[float, Mixture]] = []
    tried = 0
    weight = np.empty(0)
    top, effective = -math.inf, 0.0
    for size in rounds:
        if tried:
            held = np.minimum(weight / weight.sum(), 0.02)  # one lucky point is no cluster
            chosen = rng.choice(len(points), size=800, p=held / held.sum())
            proposal = Mixture.about(points[chosen])
        new = proposal.draw(size, rng)
        new = new[((new >= low) & (new <= high)).all(axis=1)]
        # All proposals at each point: one more at the old points, all of them at the new ones.
        sums = np.logaddexp(sums, math.log(size) + proposal.log_density(points))
        mixtures.append((math.log(size), proposal))
        fresh = [share + mixture.log_density(new) for share, mixture in mixtures]
        sums = np.concatenate((sums, np.logaddexp.reduce(fresh, axis=0)))
        points, values = np.concatenate((points, new)), np.concatenate((values, density(new)))
        tried += size
        log_weight = values - sums + math.log(tried)
        top = float(log_weight.max(initial=-math.inf))
        if not math.isfinite(top):
            break
        weight = _trimmed(np.exp(log_weight - top))
        effective = float(weight.sum()) ** 2 / float((weight**2).sum())
        if effective >= wanted:
            break
    if not math.isfinite(top):
        return Weighted(np.empty((0, len(low))), 0.0, -math.inf, Mode(bounds[:, 0], -math.inf))
    total = float(weight.sum())
    ladder = (rng.random() + np.arange(draws)) / draws  # systematic resampling
    chosen = np.searchsorted(np.cumsum(weight / total), ladder).clip(max=len(points) - 1)
    best = int(values.argmax())
    return Weighted(
        draws=rng.permutation(points[chosen]),
        effective=effective,
        log_evidence=top + math.log(total / tried),
        peak=Mode(points[best].copy(), float(values[best])),
    )
