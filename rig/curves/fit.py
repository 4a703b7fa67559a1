"""From thresholds to curves: which laws are tried, which is chosen, and what band it gets.

Every law is fitted by its posterior (`rig.curves.posterior`). AICc chooses the law that is named;
the band is drawn from all laws that the data leave possible, each with its posterior probability
(Hoeting et al. 1999, Statistical Science 14, 382), so that it does not pretend that the choice was
certain. AICc is harsh with few points: where the law it prefers has less than a quarter of the
probability of another, that other one is named. The curve without a law is tried where the
residuals of the best law hang together.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from rig.curves import checks, tables, uncertainty
from rig.curves.curveset import Candidate, Curve, CurveSet, Parameter, Point
from rig.curves.laws import LEAST_RATIO, Law, PowerLaw, Scale
from rig.curves.likelihood import Scatter
from rig.curves.points import Threshold
from rig.curves.posterior import Data, Fitted, Sighted, aicc, explore, sight
from rig.curves.smooth import SmoothCurve
from rig.errors import TableError

if TYPE_CHECKING:
    from rig.bench import Bench

Array = NDArray[np.float64]

LAWS = ("power", "power-yield", "power-melt", "power-yield-melt")
MODELS = ("auto", *LAWS, "smooth")
TEMPERATURE_STEP_C = 0.5
"""Thresholds whose temperatures differ by less belong to one curve."""
_LEAST_WEIGHT = 0.01
_OUT_OF_RACE = 9.0
_OVERRULED = 0.25
_SEED = 20


def fit_curves(
    thresholds: Iterable[Threshold],
    *,
    model: str = "auto",
    bench: Bench | None = None,
    joint: bool = True,
    scatter: Scatter = "student",
    wrong_rate: float = 0.0,
    force_sd: float = 0.0,
    notes: Sequence[str] = (),
    source: str = "",
    seed: int = _SEED,
) -> CurveSet:
    """Curves of force against flow, one a temperature.

    Args:
        thresholds: Thresholds of one hot end and filament, any number of temperatures.
        model: One of `MODELS`.
        bench: Gives the uncertainty of the force scale.
        joint: Whether to fit one law over all temperatures as well, where there are several.
        scatter: Distribution of the scatter: heavy-tailed "student", or "normal".
        wrong_rate: Probability that a threshold comes from a wrong verdict of the detector.
        force_sd: Known independent relative standard uncertainty of each force, besides what the
            scatter of the points shows.
        notes: Sentences to carry along.
        source: Where the thresholds come from.
        seed: Of the sampling; the same seed gives the same result.

    Raises:
        TableError: An unknown model, or too few thresholds everywhere for any curve.
    """
    if model not in MODELS:
        raise TableError(f"model {model!r} is not known; one of {', '.join(MODELS)}")
    if not 0.0 <= wrong_rate < 0.5:
        raise TableError(f"wrong rate {wrong_rate} of the detector is outside 0 to 0.5")
    points = list(thresholds)
    if not points:
        raise TableError("no thresholds to fit; one line for each current and temperature wanted")
    scale_u, force_scale = 0.0, ""
    if bench is not None:
        scale_u = uncertainty.scale_uncertainty(bench)
        force_scale = uncertainty.force_scale_digest(bench)
    said, curves, fits = list(notes), [], []
    for group in by_temperature(points):
        try:
            curve, used, fitted = _fit_temperature(
                group,
                model=model,
                scatter=scatter,
                wrong_rate=wrong_rate,
                force_sd=force_sd,
                scale_u=scale_u,
                seed=seed,
            )
        except TableError as error:
            said.append(str(error))
            continue
        curves.append(curve)
        fits.append((used, fitted))
    if not curves:
        raise TableError("; ".join(said[len(notes) :]))
    found = CurveSet(
        curves=tuple(curves),
        notes=tuple(said),
        bench_digest="" if bench is None else bench.digest(),
        budget={
            "scale": scale_u,
            "curves": [
                uncertainty.curve_budget(curve, bench, wrong_rate=wrong_rate).to_document()
                for curve in curves
            ],
        },
        provenance={
            "source": source,
            "simulated": bench is not None and bench.link.port.startswith("sim://"),
            "force_scale": force_scale,
            "thresholds": len(points),
            "fitted": sum(len(used) for used, _ in fits),
            "asked_model": model,
            "scatter": scatter,
            "wrong_rate": wrong_rate,
            "seed": seed,
        },
    )
    if joint and len(curves) > 1 and model != "smooth":
        from rig.curves.joint import fit_joint

        found = replace(
            found,
            joint=fit_joint(
                fits,
                model=model,
                scatter=scatter,
                wrong_rate=wrong_rate,
                force_sd=force_sd,
                scale_u=scale_u,
                seed=seed,
            ),
        )
    return found


def by_temperature(points: Iterable[Threshold]) -> list[list[Threshold]]:
    """Thresholds grouped by temperature, rising."""
    groups: list[list[Threshold]] = []
    for point in sorted(points, key=lambda p: (p.temperature_c, p.force_n)):
        if groups and point.temperature_c - groups[-1][0].temperature_c <= TEMPERATURE_STEP_C:
            groups[-1].append(point)
        else:
            groups.append([point])
    for group in groups:
        group.sort(key=lambda p: p.force_n)
    return groups


def as_data(points: Sequence[Threshold], force_sd: float) -> Data:
    """Thresholds as arrays."""
    runs = sorted({point.run for point in points})
    index = np.array([runs.index(point.run) for point in points])
    return Data(
        log_force=np.log([point.force_n for point in points]),
        low=np.array([math.log(q) if (q := p.clean_mm3_s) else -math.inf for p in points]),
        high=np.array([math.log(q) if (q := p.skip_mm3_s) else math.inf for p in points]),
        force_sd=np.full(len(points), force_sd),
        run=index if len(runs) > 1 else None,
    )


def scale_of(points: Sequence[Threshold], data: Data, **joint: Any) -> Scale:
    """Reference values of a data set."""
    flowed = np.isfinite(data.low) if np.isfinite(data.low).any() else np.ones(len(points), bool)
    return Scale(
        flow_mm3_s=float(np.exp(data.middle.mean())),
        force_n=float(np.exp(data.log_force.mean())),
        least_force_n=float(np.exp(data.log_force[flowed].min())),
        top_flow_mm3_s=float(np.exp(data.middle.max())),
        **joint,
    )


def candidate_names(model: str, forces: int) -> list[str]:
    """Laws worth trying with so many different forces."""
    if model != "auto":
        return [model]
    if forces < 4:
        return ["power"]
    if forces < 6:
        return ["power", "power-yield", "power-melt"]
    return list(LAWS)


def make_law(name: str, scale: Scale, data: Data) -> Law:
    """The law of a name."""
    if name == "smooth":
        forces = len(np.unique(np.round(data.log_force, 6)))
        return SmoothCurve(scale, data.log_force, pieces=int(np.clip(forces // 2, 2, 5)))
    return PowerLaw(scale, with_yield="yield" in name, with_melt="melt" in name)


@dataclass(frozen=True, slots=True)
class Choice:
    """Laws fitted to one data set.

    Attributes:
        ranked: Sampled laws with their weights, the chosen one first.
        candidates: All laws tried, in the same order, those never sampled last.
    """

    ranked: tuple[tuple[Fitted, float], ...]
    candidates: tuple[Candidate, ...]

    @property
    def best(self) -> Fitted:
        """The law that is named."""
        return self.ranked[0][0]

    @property
    def mixture(self) -> list[tuple[Fitted, float]]:
        """Laws from which the band is drawn; the named one always has a say."""
        return [
            (fitted, max(weight, _LEAST_WEIGHT))
            for fitted, weight in self.ranked
            if weight > _LEAST_WEIGHT or fitted is self.best
        ]


def try_laws(
    laws: Sequence[Law],
    data: Data,
    *,
    scatter: Scatter,
    wrong_rate: float,
    seed: int,
    spare: Callable[[], Law] | None = None,
) -> Choice:
    """Fit laws to data and choose.

    Laws that the curvature at their mode shows to be out of the race are not sampled. The spare,
    a curve without a law, is tried only where the residuals of the best law keep a trend.

    Args:
        laws: At least one.
        data: Thresholds.
        scatter: Distribution of the scatter.
        wrong_rate: Of the detector.
        seed: Of the sampling.
        spare: Makes the curve without a law.
    """
    n = len(data.log_force)
    sights = [sight(law, data, scatter=scatter, wrong_rate=wrong_rate, seed=seed) for law in laws]
    criterion = [aicc(s.log_likelihood, s.count, n) for s in sights]
    top = max(s.log_evidence for s in sights)
    first = int(np.argmin(criterion))
    fits: list[tuple[Fitted, float]] = []
    passed: list[Candidate] = []
    for index, (sighted, value) in enumerate(zip(sights, criterion, strict=True)):
        if index == first or sighted.log_evidence > top - _OUT_OF_RACE:
            fits.append((explore(sighted, seed=seed), value))
        else:
            passed.append(_candidate(sighted, value, 0.0))
    leader = max(fits, key=lambda row: row[0].log_evidence)[0]
    if spare is not None and checks.trend(leader.residuals):
        sighted = sight(spare(), data, scatter=scatter, wrong_rate=wrong_rate, seed=seed)
        fits.append((explore(sighted, seed=seed), math.inf))
    weight = np.exp([fitted.log_evidence - leader.log_evidence for fitted, _ in fits])
    weight /= weight.sum()
    rows = [(*row, float(share)) for row, share in zip(fits, weight, strict=True)]
    if any(math.isfinite(value) for _, value, _ in rows):
        rows.sort(key=lambda row: (row[1], -row[2]))
    else:
        rows.sort(key=lambda row: -row[2])
    probable = max(rows, key=lambda row: row[2])
    if rows[0][2] < _OVERRULED * probable[2]:
        rows.sort(key=lambda row: row is not probable)
    return Choice(
        ranked=tuple((fitted, share) for fitted, _, share in rows),
        candidates=(*(_candidate(*row) for row in rows), *passed),
    )


def _candidate(fitted: Fitted | Sighted, value: float, share: float) -> Candidate:
    return Candidate(
        model=fitted.law.name,
        aicc=value if math.isfinite(value) else None,
        weight=share,
        log_likelihood=fitted.log_likelihood,
        parameters=fitted.count,
    )


def _fit_temperature(
    group: list[Threshold],
    *,
    model: str,
    scatter: Scatter,
    wrong_rate: float,
    force_sd: float,
    scale_u: float,
    seed: int,
) -> tuple[Curve, list[Threshold], Fitted]:
    celsius = group[0].temperature_c
    with_melt = model == "auto" or "melt" in model or model == "smooth"
    used, remarks = checks.usable(group, with_melt=with_melt)
    checks.enough(used, celsius)
    data = as_data(used, force_sd)
    scale = scale_of(used, data)
    forces = len({round(point.force_n, 6) for point in used})
    names = candidate_names(model, forces)
    choice = try_laws(
        [make_law(name, scale, data) for name in names],
        data,
        scatter=scatter,
        wrong_rate=wrong_rate,
        seed=seed,
        spare=(lambda: make_law("smooth", scale, data)) if len(names) == len(LAWS) else None,
    )
    best = choice.best
    rows, modes, notes = tables.make_table(best, choice.mixture, data, scale_u=scale_u)
    notes = [*notes, *checks.remarks(choice, rows, used, celsius)]
    residual = {id(p): float(r) for p, r in zip(used, best.residuals, strict=True)}
    points = tuple(
        Point(
            threshold=point,
            fitted=id(point) in residual,
            residual=residual.get(id(point)),
            remark=checks.point_remark(point, residual.get(id(point)), best)
            or remarks.get(id(point)),
        )
        for point in group
    )
    curve = Curve(
        temperature_c=celsius,
        model=best.law.name,
        parameters=parameters_of(best),
        covariance=covariance_of(best.law.parameters(best.draws)),
        table=rows,
        points=points,
        candidates=choice.candidates,
        scatter=interval_of(best.scatter_value, best.scatter, "1"),
        scale_uncertainty=scale_u,
        shape_modes=modes,
        notes=tuple(notes),
        converged=best.converged,
    )
    return curve, used, best


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


def parameters_of(fitted: Fitted) -> dict[str, Parameter]:
    """Parameters of a fit with their intervals; a melt limit that the data do not bound is open."""
    values = fitted.law.parameters(fitted.theta[None])
    draws = fitted.law.parameters(fitted.draws)
    stuck = set()
    for name, theta, (low, high) in zip(
        fitted.law.coordinates, fitted.theta, fitted.law.bounds, strict=True
    ):
        if min(theta - low, high - theta) < 1e-6 * (high - low):
            stuck.add(name)
    names = {"exponent": "n", "yield_n": "y", "melt_limit_mm3_s": "r", "sharpness": "p"}
    found = {
        name: interval_of(
            float(values[name][0]),
            draws[name],
            fitted.law.units.get(name, "1"),
            at_bound=names.get(name) in stuck,
        )
        for name in values
    }
    limit = found.get("melt_limit_mm3_s")
    if limit is not None:
        ratio = fitted.draws[:, fitted.law.coordinates.index("r")]
        if np.quantile(ratio, 0.025) < 0.2:
            value = limit.value
            if fitted.theta[fitted.law.coordinates.index("r")] < 10 * LEAST_RATIO:
                value = float(np.median(draws["melt_limit_mm3_s"]))
            found["melt_limit_mm3_s"] = replace(
                limit, value=value, standard_error=None, upper=None, at_bound=True
            )
    return found


def covariance_of(draws: dict[str, Array]) -> tuple[tuple[float, ...], ...]:
    """Covariance of the parameters over the draws."""
    matrix = np.atleast_2d(np.cov(np.array(list(draws.values()))))
    return tuple(tuple(float(value) for value in line) for line in matrix)
