"""What a careful reader asks of a fit: which points count, are there enough, does it fit, is the
choice clear, and where to measure next."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from rig.curves.likelihood import STUDENT_FREEDOM
from rig.curves.parameters import limit_is_open, pooled
from rig.curves.points import FEWEST_POINTS, USEFUL_POINTS, Threshold, different_forces
from rig.curves.posterior import Data, Fitted
from rig.curves.tables import flows_seen, mixture_flows
from rig.errors import TableError

if TYPE_CHECKING:
    from rig.bench import Bench
    from rig.curves.choice import Choice

MELT_LIMIT = "melt-limit"
_FLAT = 0.2
_NEAR_LIMIT = 0.97
_WORTH_TELLING = 0.02
_NOTHING = 1e-9
_NEAR_AICC = 2.0
_WILD = 4.5
"""Standardised residual of a threshold far off the curve."""
_FAR = 3.5
"""The same where the law was asked for, and may be the wrong one."""
_BELOW = 0.95
"""Share of the highest clean flow below which the end of a limit's interval is spoken of."""
_RARE = 0.01
_SIMULATED = 2000
_STUDENT_TELLS = 1.4
"""Inverse of the information in a t with 4 degrees of freedom: (4 + 3) / (4 + 1)."""
_LEFT = 4
"""Thresholds beyond the number of coordinates (effective) without which residuals tell nothing."""
_SAME_FORCE, _CONTRADICTS = 0.01, 0.05
"""Forces no further apart count as one; a flow that falls by less, relative, may be scatter."""
_MANY, _OUT_OF_ORDER, _MOST_TOLD = 10, 5.0, 3
"""From so many thresholds on their scatter is known, and flows out of order by less than so many
times that are none; so many are told one by one."""
_FEWEST_COPIED, _MOSTLY = 3, 0.8
"""At so many forces, and of so many thresholds, twins are copies and no repeats."""
_HARDLY = 0.3
"""A difference of two laws within the forces that were tried, in widths of the band there, that one
more threshold hardly shows."""


@dataclass(frozen=True, slots=True)
class Reach:
    """What can be measured next.

    Attributes:
        force_n: Least and greatest force, in N.
        flow_mm3_s: Greatest flow, in mm3/s; 0 where only what was tried is known.
        words: What sets the forces.
    """

    force_n: tuple[float, float]
    flow_mm3_s: float = 0.0
    words: str = "the forces that were tried"


def reach_of(group: Sequence[Threshold], bench: Bench | None) -> Reach:
    """Forces and flows that can be measured next: those of the thresholds, or of the bench.

    Args:
        group: Thresholds of one temperature, fitted or not.
        bench: Gives the greatest current and speed; the force is that at the highest speed tried.
    """
    tried = [point.force_n for point in group]
    if bench is None:
        return Reach((min(tried), max(tried)))
    speed = max(point.clean_mm_s or point.skip_mm_s or 0.0 for point in group)
    most_a = bench.limits.max_current_a
    if bench.driver.full_scale_a is not None:
        most_a = min(most_a, bench.driver.full_scale_a)
    try:
        most_n = bench.chain().force_n(most_a, speed)
    except ValueError:  # beyond what the motor's table tells
        return Reach((min(tried), max(tried)))
    if most_n <= min(tried):
        return Reach((min(tried), max(tried)))
    flow = bench.limits.max_speed_mm_s * group[0].area_mm2
    return Reach((min(tried), most_n), flow, f"the {most_n:.3g} N that the bench can give")


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
    and by less than the brackets tell apart. The lowest of the points at one flow may be the last
    on the curve or held back like the others; it is among them where enough are left without it.
    """
    closed = [point for point in points if point.closed]
    levels: list[list[Threshold]] = []
    for point in closed:
        if levels and point.force_n <= levels[-1][0].force_n * (1.0 + _SAME_FORCE):
            levels[-1].append(point)
        else:
            levels.append([point])
    if len(levels) < 4:
        return []
    force = np.log([level[0].force_n for level in levels])
    flow = np.log([_mean(point.middle_mm3_s for point in level) for level in levels])
    clean = [_mean(point.clean_mm3_s or _NOTHING for point in level) for level in levels]
    skip = [_mean(point.skip_mm3_s or _NOTHING for point in level) for level in levels]
    last = max(2, len(levels) // 2) - 1
    if flow[last] <= flow[0]:
        return []
    usual = (flow[last] - flow[0]) / (force[last] - force[0])
    top = len(levels) - 1
    while top > 0:
        more_force, more_flow = force[top] - force[top - 1], flow[top] - flow[top - 1]
        if more_force < 0.02 or more_flow > _FLAT * usual * more_force:
            break
        if clean[top] > skip[top - 1] * 1.02:
            break
        top -= 1
    if top == len(levels) - 1:
        return []
    if top < FEWEST_POINTS:
        top += 1
    return [point for level in levels[top:] for point in level]


def _mean(values: Iterable[float]) -> float:
    """Geometric mean."""
    return math.exp(float(np.mean([math.log(value) for value in values])))


def enough(used: Sequence[Threshold], temperature_c: float) -> None:
    """Refuse what is no curve.

    Raises:
        TableError: One line with what there is and what is needed.
    """
    told = [point for point in used if point.closed]
    if different_forces(told) >= FEWEST_POINTS:
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
    used: Sequence[Threshold],
    data: Data,
    reach: Reach,
    *,
    limited: Sequence[Threshold] = (),
    asked: bool = False,
) -> list[str]:
    """Sentences on a fit, the gravest first.

    Args:
        choice: Laws fitted.
        used: Thresholds fitted, shape (n,).
        data: The same as arrays.
        reach: Forces and flows that can be measured next.
        limited: Thresholds left out since they lie at the melt limit and the law has none.
        asked: Whether the law was asked for by name.
    """
    said = []
    best, temperature_c = choice.best, used[0].temperature_c
    if limited:
        said.append(
            f"{best.law.name} has no melt limit: {len(limited)} of {len(used) + len(limited)} "
            f"thresholds, at {_forces(limited)} N, are left out, since the flow no longer rises "
            "with the force there"
        )
    forces = different_forces(used)
    if forces < USEFUL_POINTS:
        said.append(
            f"only {forces} different forces at {temperature_c:g} C: the law cannot be checked, "
            "and between them the band rests on what laws are usual; measure at least "
            f"{USEFUL_POINTS}"
        )
    if not best.converged:
        said.append("the fit did not settle; look at the points, and use the band with caution")
    far = _FAR if asked else _WILD
    twins = copies(used)
    if twins is not None:
        said.append(twins)
    wild = [p for p, r in zip(used, best.residuals, strict=True) if abs(r) > far]
    if wild:
        what = f"repeat them, or try another law than {best.law.name}" if asked else "repeat them"
        said.append(
            f"{len(wild)} of {len(used)} thresholds lie far off the curve, at {_forces(wild)} N; "
            f"{what}"
        )
    if len(best.run_sd):
        said.append(_between_runs(best, data))
    said.extend(contradictions(used, best.residuals, scatter=best.scatter_value))
    bends = bend(choice, data)
    if bends is not None:
        said.append(bends)
    said.extend(_open_parameters(choice, data))
    undecided = _undecided(choice, data, reach)
    if undecided is not None:
        said.append(undecided)
    return said


def _forces(points: Iterable[Threshold]) -> str:
    return ", ".join(f"{force_n:.3g}" for force_n in sorted(point.force_n for point in points))


def _between_runs(best: Fitted, data: Data) -> str:
    assert data.run is not None
    runs = int(data.run.max()) + 1
    low, middle, high = np.quantile(best.run_sd, [0.025, 0.5, 0.975])
    return (
        f"{runs} runs, whose forces differ by {100 * middle:.2g} % from run to run (standard "
        f"deviation; 95 %: {100 * low:.2g} to {100 * high:.2g} %): the band is that of the mean "
        "over all such runs, of which few runs tell little"
    )


def contradictions(
    used: Sequence[Threshold], residuals: NDArray[np.float64], *, scatter: float = 0.0
) -> list[str]:
    """Sentences on thresholds at which more force pushed less, which no law allows.

    With few points an outlier widens the scatter so much that its residual stays small; that its
    bracket lies below one at less force is seen all the same. With many, two neighbours are out
    of order by what thresholds scatter, and that is none.

    Args:
        used: Thresholds, shape (n,).
        residuals: Of each from the curve, shape (n,).
        scatter: Of a threshold, relative in flow, as fitted.
    """
    less = _CONTRADICTS
    if len(used) >= _MANY:
        less = max(less, 1.0 - math.exp(-_OUT_OF_ORDER * scatter))
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
            if not more or high.skip_mm3_s >= low.clean_mm3_s * (1.0 - less):
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
    told = list(said.values())
    if len(told) > _MOST_TOLD:
        others = len(told) - _MOST_TOLD
        told[_MOST_TOLD:] = [
            f"{others} more such thresholds: repeat them, or look for what drifted"
        ]
    return told


def copies(group: Sequence[Threshold]) -> str | None:
    """The sentence where most thresholds stand in the table more than once, to the last digit.

    Repeats of a measurement share a bracket now and then; that most do is a file read twice.
    """
    rows = [(p.force_n, p.clean_mm_s, p.skip_mm_s, p.run, p.repeat) for p in group]
    twins = sum(rows.count(row) > 1 for row in rows)
    forces = len({row[0] for row in rows if rows.count(row) > 1})
    if forces < _FEWEST_COPIED or twins < _MOSTLY * len(rows):
        return None
    return (
        f"{twins} of {len(rows)} thresholds at {group[0].temperature_c:g} C stand in the table "
        "more than once, alike to the last digit; if they are copies of one measurement and no "
        "repeats, leave them out: they make the band too narrow"
    )


def trend(residuals: NDArray[np.float64]) -> bool:
    """Whether residuals along the curve hang together (von Neumann 1941, ratio below 1.6).

    The ratio of the mean square successive difference to the variance is 2 for independent ones.
    """
    return len(residuals) >= 6 and float(_ratio(residuals[None])[0]) < 1.6


def chance_of_trend(fitted: Fitted, data: Data) -> float:
    """How often residuals of a law that holds would hang together as much as these.

    Von Neumann's ratio against its distribution by simulation, with what the fit itself takes out
    of the residuals (Durbin & Watson 1950, Biometrika 37, 409, for a linear law): without that a
    law with many coordinates hides its misfit, since what it leaves changes sign often whatever
    the errors are. In a linear law with normal scatter the posterior covariance of the curve at
    the thresholds is the scatter's variance times the matrix that takes errors into the curve,
    priors and bounds included; from the draws this matrix is got for any law, with 1.4 for what a
    threshold under Student's t with 4 degrees of freedom tells less than under a normal scatter.

    Thresholds with both ends count, in the order of their force, at whichever temperature. 1 where
    the curve passes through all brackets, where too few thresholds are left to tell, and with
    several runs, whose thresholds at one force have no order.

    Args:
        fitted: The law.
        data: The thresholds.
    """
    law, closed = fitted.law, np.isfinite(data.low) & np.isfinite(data.high)
    if data.run is not None or passes_all(fitted, data):
        return 1.0
    width = (data.high - data.low)[closed]
    variance = fitted.scatter_value**2 + float((width**2).mean()) / 12.0
    draws = fitted.draws[:: max(1, len(fitted.draws) // _SIMULATED)]
    flows = law.log_flow(draws, data.log_force)[0][:, closed]
    values, axes = np.linalg.eigh(np.cov(flows, rowvar=False) / (_STUDENT_TELLS * variance))
    taken = np.clip(values, 0.0, 1.0)
    count = int(closed.sum())
    if count < taken.sum() + _LEFT:
        return 1.0
    along = np.argsort(data.log_force[closed], kind="stable")
    errors = np.random.default_rng(1).standard_t(STUDENT_FREEDOM, (_SIMULATED, count))
    errors -= (errors @ axes * taken) @ axes.T
    found = _ratio(fitted.residuals[None, closed][:, along])
    as_much = int((_ratio(errors[:, along]) <= found).sum())
    return (1 + as_much) / (_SIMULATED + 1)


def _ratio(residuals: NDArray[np.float64]) -> NDArray[np.float64]:
    """Von Neumann's ratio of each row, shape (batch,)."""
    r = np.clip(residuals, -4.0, 4.0)
    r = r - r.mean(axis=1, keepdims=True)
    return np.asarray((np.diff(r, axis=1) ** 2).sum(axis=1) / ((r**2).sum(axis=1) + 1e-300))


def bend(choice: Choice, data: Data) -> str | None:
    """The sentence where the law bends otherwise than the points."""
    best = choice.best
    if choice.chance is not None:
        return (
            "no law fits: the residuals of each hang together along the curve (by chance in "
            f"{100 * choice.chance:.1g} % of campaigns at most), so the smooth curve is given; it "
            "has no meaning beyond its table"
        )
    if best.law.name == "smooth":
        return None
    if passes_all(best, data):
        return None
    said = run_of_signs(best, data)
    if said is None and len(data.log_force) >= 6:
        chance = chance_of_trend(best, data)
        if chance < _RARE:
            said = (
                f"residuals hang together along the curve (by chance in {100 * chance:.1g} % of "
                "campaigns): the law bends otherwise than the data; try --model smooth"
            )
    return said


def passes_all(fitted: Fitted, data: Data) -> bool:
    """Whether a curve passes through all closed brackets: then nothing speaks against it."""
    closed = np.isfinite(data.low) & np.isfinite(data.high)
    curve = fitted.law.log_flow(fitted.theta[None], data.log_force)[0][0]
    return bool(((data.low <= curve) & (curve <= data.high))[closed].all())


def run_of_signs(best: Fitted, data: Data) -> str | None:
    """Whether residuals along the curve keep their sign too long (Wald & Wolfowitz 1940).

    Repeats at one force have no order among themselves, and count by their mean.
    """
    _, at = np.unique(np.round(data.log_force, 6), return_inverse=True)
    residuals = np.bincount(at, best.residuals) / np.bincount(at)
    signs = np.sign(residuals[np.abs(residuals) > 1e-9])
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


def _open_parameters(choice: Choice, data: Data) -> list[str]:
    said = []
    best = choice.best
    names = best.law.coordinates
    if "r" in names and limit_is_open(choice.mixture):
        limit = pooled("melt_limit_mm3_s", choice.mixture)
        said.append(
            f"these points do not bound a melt limit from above: if there is one, it lies above "
            f"{float(np.quantile(limit, 0.025)):.3g} mm3/s"
        )
    elif "r" in names:
        low = float(np.quantile(pooled("melt_limit_mm3_s", choice.mixture), 0.025))
        clean = math.exp(data.low.max())
        if low < _BELOW * clean:
            said.append(
                f"a flow of {clean:.3g} mm3/s ran clean, above the lower end of the melt limit's "
                f"interval ({low:.3g} mm3/s): thresholds scatter, and the limit is their mean"
            )
    if "n" in names:
        index = names.index("n")
        low, high = best.law.bounds[index]
        if min(best.theta[index] - low, high - best.theta[index]) < 1e-4:
            said.append(f"the exponent is at a bound, {best.theta[index]:.3g}")
    return said


def _undecided(choice: Choice, data: Data, reach: Reach) -> str | None:
    """The sentence for two laws that fit alike, with the place in reach where they differ most."""
    first, best = choice.candidates[0], choice.best
    same = None
    forces = np.linspace(math.log(reach.force_n[0]), math.log(reach.force_n[1]), 61)
    widths: NDArray[np.float64] | None = None
    for (fitted, _), candidate in zip(choice.ranked[1:], choice.candidates[1:], strict=False):
        both = candidate.aicc is not None and first.aicc is not None
        near = both and abs((candidate.aicc or 0.0) - (first.aicc or 0.0)) < _NEAR_AICC
        if near and candidate.weight > first.weight / 10.0:
            how = f"AICc {first.aicc:.1f} and {candidate.aicc:.1f}"
        elif candidate.weight > first.weight / 3.0:
            how = f"probabilities {first.weight:.2f} and {candidate.weight:.2f}"
        else:
            continue
        told = f"{first.model} and {candidate.model} cannot be told apart ({how})"
        one, other = (law.law.log_flow(law.theta[None], forces)[0][0] for law in (best, fitted))
        # Where either law is right, the threshold must lie at a speed that can be tried.
        most = max(flows_seen(data)[1], math.log(max(reach.flow_mm3_s, 1e-9)))
        gap = np.where(np.maximum(one, other) <= most + 1e-9, np.abs(one - other), -1.0)
        if widths is None:
            widths = _band_widths(choice, forces)
        # Where the band is narrow beside the difference one threshold tells most.
        at = int(np.argmax(np.where(gap < _WORTH_TELLING, -1.0, gap / (0.01 + widths))))
        if gap[at] < _WORTH_TELLING:
            same = same or (
                f"{told}; up to {reach.force_n[1]:.3g} N their flows differ by less than "
                f"{100 * _WORTH_TELLING:.0f} %, so that nothing there depends on which is right"
            )
            continue
        force, flow = math.exp(forces[at]), math.exp(0.5 * (one[at] + other[at]))
        place = (
            f"{told}; within {reach.words} they are told apart best at {force:.3g} N (about "
            f"{flow:.3g} mm3/s), where their flows differ by {_ratio_words(gap[at])}"
        )
        inside = data.log_force.min() - 1e-9 <= forces[at] <= data.log_force.max() + 1e-9
        if inside and gap[at] < _HARDLY * widths[at]:
            place += (
                f" and the band there is far wider ({_ratio_words(widths[at])}): more thresholds "
                "everywhere come before that"
            )
        elif gap[at] < widths[at]:
            place += (
                f": measure next there, several times, for the band there is wider "
                f"({_ratio_words(widths[at])})"
            )
        else:
            place += ": measure next there"
        return place
    return same


def _band_widths(choice: Choice, log_force: NDArray[np.float64]) -> NDArray[np.float64]:
    """Width of the 95 % band of log flow at forces; infinite where nothing bounds it."""
    flows = mixture_flows(choice.mixture, log_force)
    flows = np.where(np.isnan(flows), np.inf, flows)
    low, high = np.quantile(flows, [0.025, 0.975], axis=0, method="inverted_cdf")
    bounded = np.isfinite(low) & np.isfinite(high)
    widths = np.full(len(log_force), np.inf)
    np.subtract(high, low, out=widths, where=bounded)
    return widths


def _ratio_words(log_ratio: float) -> str:
    """A difference of logs as per cent, or as a factor where it is large."""
    if not log_ratio < math.log(100.0):
        return "a factor of a hundred and more"
    ratio = math.exp(log_ratio)
    return f"{100 * (ratio - 1):.0f} %" if ratio < 3.0 else f"a factor of {ratio:.2g}"
