"""What a careful reader asks of a fit: which points count, are there enough, does it fit, is the
choice clear, and where to measure next."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from rig.curves.curveset import Row
from rig.curves.parameters import limit_is_open, pooled
from rig.curves.points import FEWEST_POINTS, Threshold
from rig.curves.posterior import Fitted
from rig.errors import TableError

if TYPE_CHECKING:
    from rig.curves.choice import Choice

MELT_LIMIT = "melt-limit"
_FLAT = 0.2
_NEAR_LIMIT = 0.97
_WORTH_TELLING = 0.02
_NEAR_AICC = 2.0
_WILD = 4.5
"""Standardised residual of a threshold far off the curve."""
_SAME_FORCE, _CONTRADICTS = 0.01, 0.05
"""Forces no further apart count as one; a flow that falls by less, relative, may be scatter."""


def usable(
    group: Sequence[Threshold], *, with_melt: bool
) -> tuple[list[Threshold], dict[int, str]]:
    """Thresholds to fit, and remarks by id on those that are left out.

    Points at a melt limit count where the law has one, and are left out elsewhere, whether the
    campaign marked them or the table shows them plainly.
    """
    left: dict[int, str] = {}
    for point in group:
        if point.excluded is not None and not (with_melt and point.excluded == MELT_LIMIT):
            left[id(point)] = point.excluded
    used = [point for point in group if id(point) not in left]
    if not with_melt:
        for point in plateau(used):
            left[id(point)] = "melt-limit: the flow no longer rises with the force"
        used = [point for point in used if id(point) not in left]
    return used, left


def plateau(points: Sequence[Threshold]) -> list[Threshold]:
    """Points of rising force, at the top, whose flow plainly no longer rises.

    From the top down: the flow rises by less than a fifth of what the points below would make it,
    and by less than the brackets tell apart.
    """
    closed = [point for point in points if point.closed]
    if len(closed) < 4:
        return []
    half = closed[: max(2, len(closed) // 2)]
    rise = math.log(half[-1].middle_mm3_s / half[0].middle_mm3_s)
    run = math.log(half[-1].force_n / half[0].force_n)
    if run <= 0 or rise <= 0:
        return []
    usual = rise / run
    found: list[Threshold] = []
    for below, point in zip(reversed(closed[:-1]), reversed(closed[1:]), strict=True):
        more_force = math.log(point.force_n / below.force_n)
        if more_force < 0.02:
            break
        more_flow = math.log(point.middle_mm3_s / below.middle_mm3_s)
        assert point.clean_mm3_s is not None
        assert below.skip_mm3_s is not None
        if more_flow > _FLAT * usual * more_force or point.clean_mm3_s > below.skip_mm3_s * 1.02:
            break
        found.append(point)
    return found


def enough(used: Sequence[Threshold], temperature_c: float) -> None:
    """Refuse what is no curve.

    Raises:
        TableError: One line with what there is and what is needed.
    """
    told = [point for point in used if point.closed]
    forces = {round(point.force_n, 6) for point in told}
    if len(forces) >= FEWEST_POINTS:
        log_force = np.log([point.force_n for point in told])
        log_flow = np.log([point.middle_mm3_s for point in told])
        if float(((log_force - log_force.mean()) * log_flow).sum()) <= 0.0:
            raise TableError(
                f"{temperature_c:g} C: the flow does not rise with the force over "
                f"{len(told)} thresholds: no curve; all beyond the melt limit, a temperature that "
                "was not steady, or columns mixed up"
            )
        return
    if not used:
        what = "no usable threshold"
    elif not told:
        what = f"{len(used)} thresholds, none with both a clean and a skipping speed"
    elif len(told) == 1:
        only = told[0]
        what = f"one threshold only ({only.force_n:.3g} N at {only.middle_mm3_s:.3g} mm3/s)"
    else:
        what = f"{len(told)} thresholds, all at one force"
    raise TableError(
        f"{temperature_c:g} C: {what}: no curve; at least {FEWEST_POINTS} different currents are "
        "needed, 5 or more make a useful band"
    )


def point_remark(point: Threshold, residual: float | None, best: Fitted) -> str | None:
    """What to say of one fitted point."""
    if residual is None:
        return None
    if "r" in best.law.coordinates and point.closed:
        limit = float(best.law.parameters(best.theta[None])["melt_limit_mm3_s"][0])
        die = float(best.law.log_flow(best.theta[None], np.log([point.force_n]))[0][0, 0])
        if math.exp(die) > _NEAR_LIMIT * limit:
            return "at the melt limit: more force buys no more flow"
    if abs(residual) > _WILD:
        return "outlier: kept, with little weight"
    return None


def remarks(
    choice: Choice,
    rows: Sequence[Row],
    used: Sequence[Threshold],
    temperature_c: float,
) -> list[str]:
    """Sentences on a fit, the gravest first."""
    said = []
    best = choice.best
    forces = len({round(point.force_n, 6) for point in used})
    if forces < 5:
        said.append(
            f"only {forces} different forces at {temperature_c:g} C: the band is wide and the law "
            "cannot be checked; measure at least 5"
        )
    if not best.converged:
        said.append("the fit did not settle; look at the points, and use the band with caution")
    wild = [p.force_n for p, r in zip(used, best.residuals, strict=True) if abs(r) > _WILD]
    if wild:
        at = ", ".join(f"{force_n:.3g}" for force_n in sorted(wild))
        said.append(
            f"{len(wild)} of {len(used)} thresholds lie far off the curve, at {at} N; repeat them"
        )
    said.extend(contradictions(used, best.residuals))
    trend = run_of_signs(best)
    if trend is not None:
        said.append(trend)
    said.extend(_open_parameters(choice))
    undecided = _undecided(choice, rows)
    if undecided is not None:
        said.append(undecided)
    return said


def contradictions(used: Sequence[Threshold], residuals: NDArray[np.float64]) -> list[str]:
    """Sentences on thresholds at which more force pushed less, which no law allows.

    With few points an outlier widens the scatter so much that its residual stays small; that its
    bracket lies below one at less force is seen all the same.

    Args:
        used: Thresholds, shape (n,).
        residuals: Of each from the curve, shape (n,).
    """
    closed = [
        (p, float(r)) for p, r in zip(used, residuals, strict=True) if p.closed and abs(r) <= _WILD
    ]
    closed.sort(key=lambda row: row[0].force_n)
    said: dict[int, str] = {}
    for number, (low, off) in enumerate(closed):
        for high, far in closed[number + 1 :]:
            assert low.clean_mm3_s is not None
            assert high.skip_mm3_s is not None
            more = high.force_n > low.force_n * (1.0 + _SAME_FORCE)
            if not more or high.skip_mm3_s >= low.clean_mm3_s * (1.0 - _CONTRADICTS):
                continue
            odd, other, where = (
                (high, low, "below") if abs(far) >= abs(off) else (low, high, "above")
            )
            said.setdefault(
                id(odd),
                f"the threshold at {odd.force_n:.3g} N ({odd.middle_mm3_s:.3g} mm3/s) lies "
                f"{where} that at {other.force_n:.3g} N ({other.middle_mm3_s:.3g} mm3/s), and more "
                "force cannot push less: repeat it",
            )
    return list(said.values())


def trend(residuals: NDArray[np.float64]) -> bool:
    """Whether residuals along the curve hang together (von Neumann 1941, ratio below 1.6).

    The ratio of the mean square successive difference to the variance is 2 for independent ones.
    """
    r = np.clip(residuals, -4.0, 4.0)
    r = r - r.mean()
    return len(r) >= 6 and float((np.diff(r) ** 2).sum()) < 1.6 * float((r**2).sum())


def run_of_signs(best: Fitted) -> str | None:
    """Whether residuals along the curve keep their sign too long (Wald & Wolfowitz 1940)."""
    signs = np.sign(best.residuals[np.abs(best.residuals) > 1e-9])
    plus, minus = int((signs > 0).sum()), int((signs < 0).sum())
    n = plus + minus
    if min(plus, minus) < 3:
        return None
    runs = 1 + int((np.diff(signs) != 0).sum())
    mean = 1 + 2 * plus * minus / n
    sd = math.sqrt((mean - 1) * (mean - 2) / (n - 1))
    if sd > 0 and (runs - mean) / sd < -2.2:
        return (
            f"residuals keep their sign along the curve ({runs} runs in {n} points): the law bends "
            "otherwise than the data; try --model smooth"
        )
    return None


def _open_parameters(choice: Choice) -> list[str]:
    said = []
    best = choice.best
    names = best.law.coordinates
    if "r" in names and limit_is_open(choice.mixture):
        limit = pooled("melt_limit_mm3_s", choice.mixture)
        said.append(
            f"the melt limit has no upper bound from these points; it lies above "
            f"{float(np.quantile(limit, 0.025)):.3g} mm3/s"
        )
    if "n" in names:
        index = names.index("n")
        low, high = best.law.bounds[index]
        if min(best.theta[index] - low, high - best.theta[index]) < 1e-4:
            said.append(f"the exponent is at a bound, {best.theta[index]:.3g}")
    return said


def _undecided(choice: Choice, rows: Sequence[Row]) -> str | None:
    """The sentence for two laws that fit alike, with the flow where they differ most."""
    first, best = choice.candidates[0], choice.best
    for (fitted, _), candidate in zip(choice.ranked[1:], choice.candidates[1:], strict=False):
        both = candidate.aicc is not None and first.aicc is not None
        near = both and abs((candidate.aicc or 0.0) - (first.aicc or 0.0)) < _NEAR_AICC
        if near and candidate.weight > first.weight / 10.0:
            how = f"AICc {first.aicc:.1f} and {candidate.aicc:.1f}"
        elif candidate.weight > first.weight / 3.0:
            how = f"probabilities {first.weight:.2f} and {candidate.weight:.2f}"
        else:
            continue
        low, high = math.log(rows[0].flow_mm3_s), math.log(rows[-1].flow_mm3_s)
        flows = np.linspace(low - math.log(2.0), high + math.log(1.3), 61)
        with np.errstate(all="ignore"):
            one = best.law.log_force_at(best.theta[None], flows)[0]
            other = fitted.law.log_force_at(fitted.theta[None], flows)[0]
            gap = np.abs(one - other)
        gap[~np.isfinite(gap)] = -1.0
        at = int(np.argmax(gap))
        if gap[at] < _WORTH_TELLING:
            continue
        force = math.exp(0.5 * (one[at] + other[at]))
        return (
            f"{first.model} and {candidate.model} cannot be told apart ({how}); they differ most, "
            f"by {100 * math.expm1(gap[at]):.0f} %, at {math.exp(flows[at]):.3g} mm3/s: measure "
            f"next at about {force:.3g} N"
        )
    return None
