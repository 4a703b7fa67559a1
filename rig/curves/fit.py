"""From thresholds to curves: which laws are tried, which is chosen, and what band it gets.

Every law is fitted by its posterior (`rig.curves.posterior`). AICc chooses the law that is named;
the band is drawn from all laws that the data leave possible, by their posterior probability
(Hoeting et al. 1999, Statistical Science 14, 382), so that it does not pretend that the choice was
certain. AICc is harsh with few points: where the law it prefers has less than a quarter of the
probability of another, that other one is named. The curve without a law is tried where the
residuals of the best law hang together.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from rig.curves import checks, tables, uncertainty
from rig.curves.choice import MODELS, candidate_names, make_law, try_laws
from rig.curves.curveset import Curve, CurveSet, Point
from rig.curves.laws import Law, Scale
from rig.curves.likelihood import Scatter
from rig.curves.parameters import covariance_of, interval_of, parameters_of
from rig.curves.points import Threshold, different_forces
from rig.curves.posterior import Data, Fitted
from rig.errors import TableError

if TYPE_CHECKING:
    from rig.bench import Bench

Array = NDArray[np.float64]

TEMPERATURE_STEP_C = 0.5
"""Thresholds whose temperatures differ by less belong to one curve."""
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
        bench: Gives the uncertainty of the force scale of thresholds whose force came from its
            drive (``current_a`` is known); forces that were given have none of it.
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
    scale_u, diameter_u, force_scale = 0.0, 0.0, ""
    driven = [point.current_a is not None for point in points]
    said, curves, fits = list(notes), [], []
    if bench is not None and any(driven):
        scale_u = uncertainty.scale_uncertainty(bench)
        diameter_u = uncertainty.diameter_uncertainty(bench)
        if all(driven):
            force_scale = uncertainty.force_scale_digest(bench)
        else:
            said.append(
                "forces that were given and forces from currents are fitted together: the error of "
                "the drive's force scale is counted for all"
            )
    for group in by_temperature(points):
        try:
            curve, used, fitted = _fit_temperature(
                group,
                model=model,
                scatter=scatter,
                wrong_rate=wrong_rate,
                force_sd=force_sd,
                scale_u=scale_u,
                diameter_u=diameter_u,
                seed=seed,
                bench=bench,
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

        try:
            law = fit_joint(
                fits,
                model=model,
                scatter=scatter,
                wrong_rate=wrong_rate,
                force_sd=force_sd,
                scale_u=scale_u,
                diameter_u=diameter_u,
                seed=seed,
            )
        except TableError as error:
            return replace(found, notes=(*found.notes, f"no law over all temperatures: {error}"))
        found = replace(found, joint=law)
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


def scale_of(
    points: Sequence[Threshold], data: Data, *, log_top: float | None = None, **joint: Any
) -> Scale:
    """Reference values of a data set; the log of the top flow may be given."""
    flowed = np.isfinite(data.low) if np.isfinite(data.low).any() else np.ones(len(points), bool)
    return Scale(
        flow_mm3_s=float(np.exp(data.middle.mean())),
        force_n=float(np.exp(data.log_force.mean())),
        least_force_n=float(np.exp(data.log_force[flowed].min())),
        top_flow_mm3_s=float(np.exp(log_top_flow(data.middle) if log_top is None else log_top)),
        **joint,
    )


def log_top_flow(log_flow: Array) -> float:
    """Log of the greatest flow, or less where that may have strayed: a melt limit may lie below it.

    On a curve of force the steps from flow to flow grow smaller towards a limit. So the highest is
    believed to lie no further above the second than that does above the third.

    Args:
        log_flow: Logs of the middles of the brackets, in any order.
    """
    highest = np.sort(log_flow)[::-1][:3]
    if len(highest) < 3:
        return float(highest[0])
    return float(min(highest[0], 2.0 * highest[1] - highest[2]))


def _fit_temperature(
    group: list[Threshold],
    *,
    model: str,
    scatter: Scatter,
    wrong_rate: float,
    force_sd: float,
    scale_u: float,
    diameter_u: float,
    seed: int,
    bench: Bench | None,
) -> tuple[Curve, list[Threshold], Fitted]:
    celsius = group[0].temperature_c
    with_melt = model == "auto" or "melt" in model or model == "smooth"
    used, remarks = checks.usable(group, with_melt=with_melt)
    checks.enough(used, celsius)
    data = as_data(used, force_sd)
    scale = scale_of(used, data)
    names = candidate_names(model, different_forces(used))

    def make(name: str) -> Law:
        return make_law(name, scale, data)

    choice = try_laws(
        names, make, data, scatter=scatter, wrong_rate=wrong_rate, seed=seed, spares=True
    )
    best = choice.best
    try:
        rows, modes, notes = tables.make_table(
            best, choice.mixture, data, scale_u=scale_u, diameter_u=diameter_u
        )
    except TableError as error:
        raise TableError(f"{celsius:g} C: {error}") from error
    notes += checks.remarks(
        choice,
        used,
        data,
        checks.reach_of(group, bench),
        limited=[p for p in group if remarks.get(id(p), "").startswith(checks.MELT_LIMIT)],
        asked=model != "auto",
    )
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
        parameters=parameters_of(best, choice.mixture),
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
