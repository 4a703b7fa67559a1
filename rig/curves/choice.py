"""Which laws are tried on one data set, and which one is named."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from rig.curves import checks
from rig.curves.curveset import Candidate
from rig.curves.laws import Law, PowerLaw, Scale
from rig.curves.likelihood import Scatter
from rig.curves.posterior import Data, Fitted, Sighted, aicc, explore, sight
from rig.curves.smooth import SmoothCurve

LAWS = ("power", "power-yield", "power-melt", "power-yield-melt")
POLE = "power-yield-melt-pole"
MODELS = ("auto", *LAWS, POLE, "cross", "cross-melt", "smooth")
_LEAST_WEIGHT = 0.01
_OUT_OF_RACE = 6.5
_POLE_OUT = 4.0
"""The law with a pole is out of the race sooner: its only use is where the knee is not plain."""
_OVERRULED = 0.25


def candidate_names(model: str, forces: int) -> list[str]:
    """Laws worth trying with so many different forces."""
    if model != "auto":
        return [model]
    if forces < 4:
        return ["power"]
    if forces < 6:
        return ["power", "power-yield", "power-melt"]
    return [*LAWS, "cross"]


def make_law(name: str, scale: Scale, data: Data) -> Law:
    """The law of a name."""
    if name == "smooth":
        forces = len(np.unique(np.round(data.log_force, 6)))
        return SmoothCurve(scale, data.log_force, pieces=int(np.clip(forces // 2, 2, 5)))
    return PowerLaw(name, scale)


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
        """Laws from which the band is drawn, by the square root of their probability.

        The plain probability favours the simplest law so strongly that bands from few points cover
        too seldom where a richer law holds (`tests/benchmarks/bench_coverage.py`).
        """
        softened = [(fitted, math.sqrt(weight)) for fitted, weight in self.ranked]
        total = sum(weight for _, weight in softened)
        return [
            (fitted, max(weight / total, _LEAST_WEIGHT))
            for fitted, weight in softened
            if weight / total > _LEAST_WEIGHT or fitted is self.best
        ]


def try_laws(
    laws: Sequence[Law],
    data: Data,
    *,
    scatter: Scatter,
    wrong_rate: float,
    seed: int,
    spare: Callable[[str], Law] | None = None,
    pole: Callable[[str], Law] | None = None,
) -> Choice:
    """Fit laws to data and choose.

    Laws that the curvature at their mode shows to be out of the race are not sampled. Spares (the
    curve without a law, and the Cross law with a melt limit) are tried only where the residuals of
    the best law keep a trend. Where a law with a melt limit leads, the one with a pole is tried:
    how far the limit lies above the flows that were seen depends on the law.

    Args:
        laws: At least one.
        data: Thresholds.
        scatter: Distribution of the scatter.
        wrong_rate: Of the detector.
        seed: Of the sampling.
        spare: Makes a law of a name that is tried only where residuals show a trend.
        pole: Makes the law with a pole; None: not tried.
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
            fitted = explore(sighted, seed=seed)
            fits.append((fitted, aicc(fitted.log_likelihood, fitted.count, n)))
        else:
            passed.append(_candidate(sighted, value, 0.0))
    leader = max(fits, key=lambda row: row[0].log_evidence)[0]
    if spare is not None and checks.trend(leader.residuals):
        for name in ("smooth", "cross-melt") if "melt" in leader.law.name else ("smooth",):
            sighted = sight(spare(name), data, scatter=scatter, wrong_rate=wrong_rate, seed=seed)
            fitted = explore(sighted, seed=seed)
            value = math.inf if name == "smooth" else aicc(fitted.log_likelihood, fitted.count, n)
            fits.append((fitted, value))
    leads = leader.law.name, min(fits, key=lambda row: row[1])[0].law.name
    if pole is not None and any("melt" in name for name in leads):
        sighted = sight(pole(POLE), data, scatter=scatter, wrong_rate=wrong_rate, seed=seed)
        if sighted.log_evidence > leader.log_evidence - _POLE_OUT:
            fitted = explore(sighted, seed=seed)
            fits.append((fitted, aicc(fitted.log_likelihood, fitted.count, n)))
            leader = max(leader, fitted, key=lambda one: one.log_evidence)
        else:
            value = aicc(sighted.log_likelihood, sighted.count, n)
            passed.append(_candidate(sighted, value, 0.0))
    weight = np.exp([fitted.log_evidence - leader.log_evidence for fitted, _ in fits])
    weight /= weight.sum()
    rows = [(*row, float(share)) for row, share in zip(fits, weight, strict=True)]
    if any(math.isfinite(value) for _, value, _ in rows):
        rows.sort(key=lambda row: (row[1], -row[2]))
    else:
        rows.sort(key=lambda row: -row[2])
    probable = max(rows, key=lambda row: row[2])
    lawless = probable[0].law.name == "smooth"
    if rows[0][2] < _OVERRULED * probable[2] and (not lawless or probable[2] > 0.5):
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
