"""One law on one data set: its posterior, the mode and a sample of it.

The threshold of each force is where the law puts it, times a scatter. The scatter has a size ``s``
(in log flow, at a typical point) and a share ``w`` that comes from the force side: what varies the
torque moves a threshold along the curve, by ``dlnQ/dlnF`` times as much, what varies the melting
moves it in flow. On a plain power law the two cannot be told apart, and need not be; near a melt
limit they can: there a large ``w`` says that the limit itself hardly scatters. The prior of ``w``,
``5 (1 - w)^4``, leans to the flow's side, without which intervals of melt limits come out too
narrow (`tests/benchmarks/bench_fit.py`). The prior of ``s`` is ``1/(s + s0)``: scale-free as soon
as the scatter exceeds a fraction of the brackets' width, so that with normal scatter a band has the
exact Student-t coverage of regression; and proper where the brackets hide the scatter altogether.

Where there are several runs, each has a common shift of its force, normal about zero over all runs
that might be made. What is wanted is the curve of their mean, and few runs tell little of the
spread, so that its prior matters: half-Cauchy (Gelman 2006, Bayesian Analysis 1, 515, for few
groups), with a scale of 6 %, since what differs from run to run (the motor's warmth, another spool,
a nozzle mounted anew) moves forces by some per cent. The thresholds depend on the mean shift of
these runs and on the curve only together. So what is sampled is the curve of these runs' own mean,
their differences and the spread; given the spread, the mean shift of ``k`` runs is normal with
``spread / sqrt(k)``, whatever the thresholds are, and is drawn exactly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.curves import sampling
from rig.curves.laws import Law
from rig.curves.likelihood import Scatter, log_likelihood

Array = NDArray[np.float64]

_LOG_S = (math.log(2e-4), math.log(1.0))
_LOG_RUN = (math.log(1e-3), math.log(1.0))
_RUN_SCALE = 0.06
"""Median of the prior of the spread between runs, in log force."""
_SHARE_POWER = 5.0
_MOST_STEEP = 60.0
_WELL_MIXED, _MIXED = 0.12, 0.25
_CHAINS = 160
_ENOUGH, _WORTH_A_START = 700.0, 60.0
"""Effective draws of an importance sample that will do, and that make a start for chains."""


@dataclass(frozen=True, slots=True)
class Data:
    """Thresholds as arrays of shape (n,).

    Attributes:
        log_force: Log of the force, N.
        low: Log of the highest clean flow, mm3/s; minus infinity where none.
        high: Log of the lowest skipping flow; infinity where none.
        force_sd: Known independent standard uncertainty of each force, relative.
        run: Index of the run, or None where there is one run only.
    """

    log_force: Array
    low: Array
    high: Array
    force_sd: Array
    run: NDArray[np.int64] | None = None

    @property
    def middle(self) -> Array:
        """Middle of the interval, or the end that is known."""
        low = np.where(np.isfinite(self.low), self.low, self.high)
        high = np.where(np.isfinite(self.high), self.high, self.low)
        return np.asarray(0.5 * (low + high))

    @property
    def different_forces(self) -> int:
        """How many different forces there are."""
        return len(np.unique(np.round(self.log_force, 6)))


@dataclass(frozen=True, slots=True)
class Fitted:
    """A law fitted to data.

    Attributes:
        law: The law.
        theta: Coordinates of the law at the estimate (see `central`), shape (d,).
        draws: Coordinates of the law in each draw, shape (draws, d); of several runs, those of the
            curve of the mean over all runs that might be made.
        scatter: Scatter ``s`` in each draw, in log flow.
        scatter_value: Scatter at the estimate.
        log_likelihood: At the mode.
        count: Free parameters, the scatter included; the sharpness of a melt limit, which its
            prior holds, is not counted, and a penalised curve counts its effective ones.
        log_evidence: Log of the marginal likelihood.
        converged: Whether mode and sample settled.
        residuals: Standardised distance of each middle from the curve, shape (n,).
        run_sd: Draws of the spread between runs, in log force; empty where one run.
    """

    law: Law
    theta: Array
    draws: Array
    scatter: Array
    scatter_value: float
    log_likelihood: float
    count: float
    log_evidence: float
    converged: bool
    residuals: Array
    run_sd: Array


class Posterior:
    """Log-density of a law's coordinates and of the scatter, in batches."""

    def __init__(
        self, law: Law, data: Data, *, scatter: Scatter = "student", wrong_rate: float = 0.0
    ) -> None:
        self.law, self.data = law, data
        self.scatter: Scatter = scatter
        self.wrong_rate = wrong_rate
        self.d = len(law.coordinates)
        self.shared = law.name != "power"
        self.force_known = bool(np.any(data.force_sd > 0.0))
        bounds = [*law.bounds.tolist(), _LOG_S]
        if self.shared:
            bounds.append((0.0, 1.0))
        self.runs = 0 if data.run is None else int(data.run.max()) + 1
        if self.runs:
            bounds += [_LOG_RUN] + [(-1.5, 1.5)] * (self.runs - 1)
            self.contrasts = contrasts(self.runs)
        self.bounds = np.array(bounds, float)
        width = (data.high - data.low)[np.isfinite(data.high - data.low)]
        self.floor = max(0.6 * float(np.median(width)), 1e-3) if len(width) else 0.01

    def spread_and_centre(self, theta: Array) -> tuple[Array, Array]:
        """Scatter and position of each threshold, shape (batch, n)."""
        log_force = self.data.log_force
        if self.runs:
            assert self.data.run is not None
            shift = theta[:, -(self.runs - 1) :] @ self.contrasts.T
            log_force = log_force + shift[:, self.data.run]
        centre, steep = self.law.log_flow(theta[:, : self.d], log_force)
        steep = np.minimum(steep, _MOST_STEEP)
        s2 = np.exp(2.0 * theta[:, self.d, None])
        if self.shared:
            share = theta[:, self.d + 1, None]
            tilt = 2.0 * np.log(np.maximum(steep, 1e-3))
            tilt = np.exp(tilt - tilt.sum(axis=1, keepdims=True) / tilt.shape[1])
            s2 = s2 * (1.0 + share * (np.minimum(np.maximum(tilt, 1e-3), 100.0) - 1.0))
        if self.force_known:
            s2 = s2 + (self.data.force_sd * steep) ** 2
        return np.sqrt(s2), centre

    def log_likelihood(self, theta: Array) -> Array:
        """Log-likelihood, shape (batch,)."""
        spread, centre = self.spread_and_centre(theta)
        return log_likelihood(
            self.data.low,
            self.data.high,
            centre,
            spread,
            scatter=self.scatter,
            wrong_rate=self.wrong_rate,
        )

    def log_prior(self, theta: Array) -> Array:
        """Log of the prior, shape (batch,)."""
        s = np.exp(theta[:, self.d])
        total = self.law.log_prior(theta[:, : self.d])
        total = total + np.log(s / (s + self.floor)) - np.log1p((s / 0.4) ** 4)
        if self.shared:
            rest = np.maximum(1.0 - theta[:, self.d + 1], 1e-12)
            total = total + math.log(_SHARE_POWER) + (_SHARE_POWER - 1.0) * np.log(rest)
        if self.runs:
            log_size = theta[:, -self.runs]
            size = np.exp(log_size)
            apart = (theta[:, -(self.runs - 1) :] ** 2).sum(axis=1)
            total = total + log_size - np.log1p((size / _RUN_SCALE) ** 2)
            total = total - (self.runs - 1) * log_size - 0.5 * apart / size**2
        return np.asarray(total)

    def __call__(self, theta: Array) -> Array:
        with np.errstate(over="ignore", invalid="ignore", under="ignore"):
            value = self.log_likelihood(theta) + self.log_prior(theta)
        return np.where(np.isnan(value), -np.inf, value)

    def starts(self, rng: np.random.Generator, count: int) -> Array:
        """Starting points for the mode."""
        parts = [self.law.starts(rng, count), rng.uniform(-4.5, -1.5, (count, 1))]
        if self.shared:
            parts.append(rng.uniform(0.05, 0.95, (count, 1)))
        if self.runs:
            parts.append(rng.uniform(-4.5, -1.5, (count, 1)))
            parts.append(rng.normal(0.0, 0.04, (count, self.runs - 1)))
        return np.concatenate(parts, axis=1)


def contrasts(runs: int) -> Array:
    """Orthonormal directions in which runs differ without moving their mean, (runs, runs - 1)."""
    basis = np.linalg.qr(np.column_stack((np.ones(runs), np.eye(runs)[:, : runs - 1])))[0]
    return np.asarray(basis[:, 1:])


def central(law: Law, data: Data, draws: Array, d: int) -> Array:
    """The estimate: the mean of the draws whose curves lie nearest the median curve.

    Where the brackets are wider than the scatter the likelihood is flat over all curves that pass
    through them, and its mode is any of these; the middle one is meant.
    """
    flows, _ = law.log_flow(draws[:, :d], data.log_force)
    distance = ((flows - np.median(flows, axis=0)) ** 2).sum(axis=1)
    nearest = np.argsort(distance, kind="stable")[: max(8, len(draws) // 25)]
    return np.asarray(draws[nearest].mean(axis=0))


@dataclass(frozen=True, slots=True)
class Sighted:
    """A law whose mode is known and whose posterior is not yet sampled."""

    posterior: Posterior
    mode: sampling.Mode
    covariance: Array
    log_likelihood: float
    log_evidence: float

    @property
    def law(self) -> Law:
        """The law."""
        return self.posterior.law

    @property
    def count(self) -> float:
        """Free parameters as `Fitted.count` has them."""
        return float(self.posterior.d + 1 - ("p" in self.law.coordinates))


def sight(
    law: Law,
    data: Data,
    *,
    scatter: Scatter = "student",
    wrong_rate: float = 0.0,
    seed: int = 1,
) -> Sighted:
    """The mode of a law's posterior, and a first guess of its evidence from the curvature there.

    Args:
        law: The law.
        data: Thresholds.
        scatter: Distribution of the scatter.
        wrong_rate: Probability that a threshold comes from a wrong verdict.
        seed: Of the starting points.
    """
    rng = np.random.default_rng(seed)
    posterior = Posterior(law, data, scatter=scatter, wrong_rate=wrong_rate)
    mode = sampling.find_mode(posterior, posterior.starts(rng, 800), posterior.bounds)
    # Where the brackets are wider than the scatter the density is flat up to a cliff, and curvature
    # at the mode says nothing of its width; with a scatter of their size it does.
    blurred = mode.point.copy()
    blurred[posterior.d] = max(blurred[posterior.d], math.log(posterior.floor))
    covariance = sampling.curvature_covariance(posterior, blurred, posterior.bounds)
    return Sighted(
        posterior=posterior,
        mode=mode,
        covariance=covariance,
        log_likelihood=float(posterior.log_likelihood(mode.point[None])[0]),
        log_evidence=sampling.log_evidence(mode, covariance),
    )


def explore(sighted: Sighted, *, seed: int = 1) -> Fitted:
    """The posterior of a law, sampled.

    Args:
        sighted: The law with its mode.
        seed: Of the sample; the same seed gives the same result.
    """
    posterior, mode = sighted.posterior, sighted.mode
    law, data, d = posterior.law, posterior.data, posterior.d
    rng = np.random.default_rng(seed)
    bounds = posterior.bounds
    first = sampling.Mixture([(1.0, mode.point, 1.5 * sighted.covariance)])
    weighted = sampling.importance_sample(posterior, first, bounds, rng=rng, wanted=_ENOUGH)
    peak = weighted.peak
    missed = peak.log_density > mode.log_density + 0.1
    if weighted.effective >= _ENOUGH and not missed:
        draws, log_evidence, settled = weighted.draws, weighted.log_evidence, True
    else:
        chains = max(_CHAINS, 4 * len(mode.point) + 4) // 2 * 2
        start = weighted.draws[:chains]
        if weighted.effective < _WORTH_A_START:
            start = sampling.starts_about(
                posterior, mode, bounds, covariance=sighted.covariance, rng=rng, chains=chains
            )
        peak = max(mode, peak, key=lambda point: point.log_density)
        long = 1 if law.name != "smooth" else 3
        while True:
            sample = sampling.draw_sample(
                posterior,
                peak,
                bounds,
                start=start,
                rng=rng,
                burn=40 * long,
                steps=96 * long,
                thin=6 * long,
            )
            missed = sample.peak.log_density > peak.log_density + 0.1
            peak, start = sample.peak, sample.draws[-chains:]
            if long > 1 or (sample.mixing < _WELL_MIXED and not missed):
                break
            long = 4
        draws = sample.draws
        settled = sample.acceptance > 0.05 and sample.mixing < _MIXED and not missed
        about = sampling.Mixture.about(draws)
        log_evidence = sampling.importance_sample(
            posterior, about, bounds, rng=rng, rounds=(3000,)
        ).log_evidence
    if peak.log_density > mode.log_density:
        mode = sampling.ascend(posterior, peak.point[None], bounds)
    point = central(law, data, draws, d)
    best = float(posterior.log_likelihood(mode.point[None])[0])
    count = sighted.count
    if law.name == "smooth":
        # The mode of a penalised curve overfits; its centre does not. Effective number of
        # parameters after Spiegelhalter et al. 2002, J. R. Stat. Soc. B 64, 583.
        best = float(posterior.log_likelihood(point[None])[0])
        count = max(3.0, 2.0 * (best - float(posterior.log_likelihood(draws).mean())))
    spread, centre = posterior.spread_and_centre(point[None])
    width = np.where(np.isfinite(data.high - data.low), data.high - data.low, 0.0)
    spread = np.sqrt(spread**2 + width**2 / 12.0)  # a bracket's middle is uncertain by itself
    off = data.middle - centre
    off = np.where(np.isinf(data.high), np.maximum(off, 0.0), off)  # an open end fits all beyond
    off = np.where(np.isinf(data.low), np.minimum(off, 0.0), off)
    run_sd = np.exp(draws[:, -posterior.runs]) if posterior.runs else np.empty(0)
    own = draws[:, :d]
    if posterior.runs:  # from the mean of these runs to that of all runs
        mean_shift = rng.standard_normal(len(draws)) * run_sd / math.sqrt(posterior.runs)
        own = law.scaled(own, mean_shift)
    return Fitted(
        law=law,
        theta=point[:d],
        draws=own,
        scatter=np.exp(draws[:, d]),
        scatter_value=float(np.exp(point[d])),
        log_likelihood=best,
        count=count,
        log_evidence=log_evidence,
        converged=settled,
        residuals=np.asarray((off / spread)[0]),
        run_sd=run_sd,
    )


def aicc(log_likelihood: float, count: float, n: int) -> float:
    """Akaike's criterion with the small-sample term (Hurvich & Tsai 1989, Biometrika 76, 297).

    Infinite where there are too few thresholds for the number of parameters.
    """
    left = n - count - 1.0
    if left < 0.5:
        return math.inf
    return 2.0 * count - 2.0 * log_likelihood + 2.0 * count * (count + 1.0) / left
