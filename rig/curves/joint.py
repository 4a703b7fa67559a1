"""One law over all temperatures: Arrhenius resistance, and a melt limit that moves.

The resistance shifts by ``exp(E/R (1/T - 1/Tref))`` at constant rate; of a law with a Newtonian
plateau the rate does at constant stress, so that the plateau's end moves along (time-temperature
superposition). Exponent and yield force are common to all temperatures, and the log of the melt
limit moves in proportion to the temperature (over the few tens of kelvin of a campaign any smooth
dependence does).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rig.curves import checks, tables
from rig.curves.choice import LAWS, try_laws
from rig.curves.curveset import Joint, Row
from rig.curves.laws import PowerLaw
from rig.curves.likelihood import Scatter
from rig.curves.parameters import parameters_of
from rig.curves.points import Threshold
from rig.curves.posterior import Data, Fitted, aicc

_CLEAR, _BY_CHANCE = 4.0, 0.01


class _Slice:
    """A joint law held at one temperature."""

    def __init__(self, law: PowerLaw, temperature_c: float) -> None:
        self.law, self.temperature_c = law, temperature_c
        self.name, self.coordinates = law.name, law.coordinates
        self.bounds, self.units = law.bounds, law.units
        self.log_prior, self.starts, self.scaled = law.log_prior, law.starts, law.scaled

    def log_flow(
        self, theta: tables.Array, log_force: tables.Array
    ) -> tuple[tables.Array, tables.Array]:
        return self.law.log_flow(theta, log_force, self.temperature_c)

    def log_force_at(self, theta: tables.Array, log_flow: tables.Array) -> tables.Array:
        return self.law.log_force_at(theta, log_flow, self.temperature_c)

    def parameters(self, theta: tables.Array) -> dict[str, tables.Array]:
        return self.law.parameters(theta, self.temperature_c)


def fit_joint(
    groups: Sequence[tuple[list[Threshold], Fitted]],
    *,
    model: str,
    scatter: Scatter,
    wrong_rate: float,
    force_sd: float,
    scale_u: float,
    diameter_u: float,
    seed: int,
) -> Joint:
    """One law over several temperatures.

    Args:
        groups: Thresholds fitted at each temperature, and the fit of each.
        model: Name of a law, or "auto".
        scatter: Distribution of the scatter.
        wrong_rate: Of the detector.
        force_sd: Independent relative standard uncertainty of each force.
        scale_u: Common relative standard uncertainty of the forces.
        diameter_u: The same of the filament's diameter.
        seed: Of the sampling.
    """
    from rig.curves.fit import as_data, log_top_flow, scale_of

    points = [point for used, _ in groups for point in used]
    celsius = np.array([point.temperature_c for point in points])
    data = as_data(points, force_sd)
    reference_c = float(np.round(celsius.mean()))
    # A melt limit at the middle temperature lies above all flows of the coldest, not above those
    # of the hottest, whose own limit is higher: the lowest of the top flows sets its scale.
    ends = np.cumsum([len(used) for used, _ in groups])[:-1]
    log_top = min(log_top_flow(part) for part in np.split(data.middle, ends))
    scale = scale_of(points, data, log_top=log_top, temperature_c=celsius, reference_c=reference_c)
    names: tuple[str, ...] = LAWS if model == "auto" else (model,)
    thinning = {fitted.law.name for _, fitted in groups if fitted.law.name.startswith("cross")}
    if model == "auto":
        names = (*names, *sorted(thinning))
    if len(points) < 8 and model == "auto":
        names = ("power",)

    def make(name: str) -> PowerLaw:
        return PowerLaw(name, scale, joint=True)

    choice = try_laws(
        names, make, data, scatter=scatter, wrong_rate=wrong_rate, seed=seed, spares=False
    )
    best = choice.best
    n = len(points)
    together = aicc(best.log_likelihood, best.count, n)
    separate = aicc(
        sum(fitted.log_likelihood for _, fitted in groups),
        sum(fitted.count for _, fitted in groups),
        n,
    )
    chance = checks.chance_of_trend(best, data)
    agrees = together <= separate + _CLEAR and chance >= _BY_CHANCE
    notes = [
        "the activation energy at constant stress is one for the whole curve; that at constant "
        "rate is it times the local exponent, less at more flow, and given for "
        f"{scale.flow_mm3_s:.3g} mm3/s"
        if best.law.name.startswith("cross")
        else "the activation energy is at constant rate; at constant stress, as rheometers quote "
        "it, it is the other figure, E/n"
    ]
    if chance < _BY_CHANCE:
        notes.append(
            "residuals from the law over all temperatures hang together along the curve (by chance "
            f"in {100 * chance:.1g} % of campaigns): trust the single curves"
        )
    elif not agrees:
        notes.append(
            f"one law over all temperatures fits worse than a law for each (AICc {together:.1f} "
            f"against {separate:.1f}): trust the single curves"
        )
    tables_by: dict[float, tuple[Row, ...]] = {}
    start = 0
    for used, _ in groups:
        part = slice(start, start + len(used))
        start += len(used)
        own = Data(data.log_force[part], data.low[part], data.high[part], data.force_sd[part])
        celsius_here = used[0].temperature_c
        held = [
            (replace(fitted, law=_Slice(fitted.law, celsius_here)), weight)
            for fitted, weight in choice.mixture
            if isinstance(fitted.law, PowerLaw)
        ]
        tables_by[celsius_here] = tables.make_table(
            held[0][0], held, own, scale_u=scale_u, diameter_u=diameter_u
        )[0]
    return Joint(
        model=best.law.name,
        reference_c=reference_c,
        parameters=parameters_of(best, choice.mixture),
        temperatures_c=(float(celsius.min()), float(celsius.max())),
        agrees=agrees,
        tables=tables_by,
        notes=tuple(notes),
    )


def shift_factor(activation_kj_mol: float, *, from_c: float, to_c: float) -> float:
    """Factor on the force at constant rate from one temperature to another (Arrhenius)."""
    from rig.curves.models import arrhenius_factor

    factor = float(arrhenius_factor(to_c, reference_c=from_c, activation_kj_mol=activation_kj_mol))
    assert math.isfinite(factor)
    return factor
