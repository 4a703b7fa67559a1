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
RIVALS = ("power-yield-melt-pole", "power-yield-melt-saturating")
"""Other ways to come to a melt limit than by a knee."""
MODELS = ("auto", *LAWS, *RIVALS, "cross", "cross-melt", "smooth")
_LEAST_WEIGHT = 0.01
_OUT_OF_RACE = 6.5
_RIVAL_OUT = 4.0
"""A rival is out of the race sooner: its only use is where the knee is not plain."""
_OVERRULED = 0.25
_FEW, _MANY, _FREE_PART = 6, 12, 0.25
"""With so many different forces the curve without a law makes no less than this part of the band:
scatter is so small beside them that what the laws get slightly wrong is most of the error. So it is
with less than a few, each repeated: repeats tell nothing of the bend between two forces."""
_FOLLOWS, _BY_CHANCE = 10.0, 0.02
"""The curve without a law is named against all odds where it follows the points so much better
(twice the log-likelihood less the parameters) and residuals of every law hang together so rarely by
chance."""


def candidate_names(model: str, forces: int) -> list[str]:
    """Laws worth trying with so many different forces."""
    if model != "auto":
        return [model]
    if forces < _FEW:
        return ["power", "power-yield", "power-melt", "cross"]
    return [*LAWS, "cross"]


def make_law(name: str, scale: Scale, data: Data) -> Law:
    """The law of a name."""
    if name == "smooth":
        pieces = int(np.clip(data.different_forces // 2, 2, 5))
        return SmoothCurve(scale, data.log_force, pieces=pieces)
    return PowerLaw(name, scale)


@dataclass(frozen=True, slots=True)
class Choice:
    """Laws fitted to one data set.

    Attributes:
        ranked: Sampled laws with their weights, the chosen one first.
        candidates: All laws tried, in the same order, those never sampled last.
        free_part: The least part of the band that the curve without a law makes.
        chance: Where no law fits, and the curve without a law stands alone: how often residuals
            of the law that fits best would hang together so by chance; else None.
    """

    ranked: tuple[tuple[Fitted, float], ...]
    candidates: tuple[Candidate, ...]
    free_part: float = 0.0
    chance: float | None = None

    @property
    def best(self) -> Fitted:
        """The law that is named."""
        return self.ranked[0][0]

    @property
    def mixture(self) -> list[tuple[Fitted, float]]:
        """Laws from which the band is drawn, by the square root of their probability.

        The plain probability favours the simplest law so strongly that bands from few points cover
        too seldom where a richer law holds (`tests/benchmarks/bench_coverage.py`). The root must
        not raise the dead: a law with less than a hundredth of the greatest probability is left
        out.
        """
        least_weight = _LEAST_WEIGHT * max(weight for _, weight in self.ranked)
        softened = [
            (fitted, math.sqrt(weight))
            for fitted, weight in self.ranked
            if weight >= least_weight
            or fitted is self.best
            or (self.free_part and fitted.law.name == "smooth")
        ]
        total = sum(weight for _, weight in softened)
        if self.free_part:
            least = self.free_part / (1.0 - self.free_part) * total
            softened = [
                (fitted, max(weight, least) if fitted.law.name == "smooth" else weight)
                for fitted, weight in softened
            ]
            total = sum(weight for _, weight in softened)
        return [
            (fitted, max(weight / total, _LEAST_WEIGHT))
            for fitted, weight in softened
            if weight / total > _LEAST_WEIGHT or fitted is self.best
        ]


def try_laws(
    names: Sequence[str],
    make: Callable[[str], Law],
    data: Data,
    *,
    scatter: Scatter,
    wrong_rate: float,
    seed: int,
    spares: bool,
) -> Choice:
    """Fit laws to data and choose.

    Laws that the curvature at their mode shows to be out of the race are not sampled. Where all
    laws run, others may join them: spares (the curve without a law, and the Cross law with a melt
    limit) where the residuals of the best law keep a trend, the former with many forces too, and
    laws that come to a melt limit otherwise where one with a limit leads: how far the limit lies
    above the flows that were seen depends on the law.

    Args:
        names: Of the laws, at least one.
        make: Makes a law of a name.
        data: Thresholds.
        scatter: Distribution of the scatter.
        wrong_rate: Of the detector.
        seed: Of the sampling.
        spares: Whether spares may be tried.
    """
    n = len(data.log_force)
    fits: list[tuple[Fitted, float]] = []
    passed: list[Candidate] = []

    def sighted(name: str) -> Sighted:
        return sight(make(name), data, scatter=scatter, wrong_rate=wrong_rate, seed=seed)

    def enter(one: Sighted, least: float) -> None:
        """Sample a law, unless its evidence is below the least."""
        if one.log_evidence > least:
            fitted = explore(one, seed=seed)
            fits.append((fitted, aicc(fitted.log_likelihood, fitted.count, n)))
        else:
            passed.append(_candidate(one, aicc(one.log_likelihood, one.count, n), 0.0))

    sights = [sighted(name) for name in names]
    first = int(np.argmin([aicc(s.log_likelihood, s.count, n) for s in sights]))
    top = max(s.log_evidence for s in sights)
    for index, one in enumerate(sights):
        enter(one, -math.inf if index == first else top - _OUT_OF_RACE)
    leader = max(fits, key=lambda row: row[0].log_evidence)[0]
    all_run = set(names) >= set(LAWS)
    # The forces of several runs differ without telling more of the curve's shape.
    many = all_run and data.run is None and data.different_forces >= _MANY
    repeated = len(names) > 1 and n > data.different_forces < _FEW
    bent = all_run and checks.trend(leader.residuals)
    free_part = _FREE_PART if many or repeated else 0.0
    if spares and (bent or free_part):
        enter(sighted("smooth"), -math.inf)
        fits[-1] = fits[-1][0], math.inf  # a penalised curve has no count of parameters to compare
        if bent and "melt" in leader.law.name:
            enter(sighted("cross-melt"), -math.inf)
    leads = leader.law.name, min(fits, key=lambda row: row[1])[0].law.name
    if all_run and any("melt" in name for name in leads):
        for name in RIVALS:
            enter(sighted(name), leader.log_evidence - _RIVAL_OUT)
    leader = max((fitted for fitted, _ in fits), key=lambda one: one.log_evidence)
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
    chance = _no_law_fits([fitted for fitted, _ in fits], data)
    if chance is not None:
        rows.sort(key=lambda row: row[0].law.name != "smooth")
    candidates = (*(_candidate(*row) for row in rows), *passed)
    ranked = tuple((fitted, share) for fitted, _, share in rows)
    if chance is not None:
        ranked = ((ranked[0][0], 1.0),)
    return Choice(ranked=ranked, candidates=candidates, free_part=free_part, chance=chance)


def _no_law_fits(fits: Sequence[Fitted], data: Data) -> float | None:
    """How seldom residuals of the best law hang together so by chance; None where a law fits.

    The evidence alone does not see it: a law may call a bend that it cannot follow scatter, and
    the curve without a law pays in evidence for its many coefficients.
    """
    free = [fitted for fitted in fits if fitted.law.name == "smooth"]
    laws = [fitted for fitted in fits if fitted.law.name != "smooth"]
    if not free or not laws:
        return None
    nearest = max(fitted.log_likelihood - fitted.count for fitted in laws)
    if 2.0 * (free[0].log_likelihood - free[0].count - nearest) < _FOLLOWS:
        return None
    chance = max(checks.chance_of_trend(fitted, data) for fitted in laws)
    return chance if chance < _BY_CHANCE else None


def _candidate(fitted: Fitted | Sighted, value: float, share: float) -> Candidate:
    return Candidate(
        model=fitted.law.name,
        aicc=value if math.isfinite(value) else None,
        weight=share,
        log_likelihood=fitted.log_likelihood,
        parameters=fitted.count,
    )
