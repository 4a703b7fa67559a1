"""Are two curves different, by how much, and how sure is that?"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.curves.curveset import Curve, CurveSet
from rig.curves.tables import Z95
from rig.errors import RangeError

Array = NDArray[np.float64]
_FLOWS = 15
_TESTED = 3
_FEWEST, _NEAR = 6, 1.05
"""Fewer thresholds of either curve tell too little by themselves; they count a little beyond the
common range too."""
_SILENT = 0.10
"""From this p on the thresholds see no difference, and the interval of the mean holds none too."""
_ROUNDS, _DRAWN_IN = 2, 3.0
"""How often thresholds further off than so many standard deviations are drawn in."""


@dataclass(frozen=True, slots=True)
class Ratio:
    """Force of B over force of A at one flow, with its 95 % band."""

    flow_mm3_s: float
    ratio: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class Comparison:
    """Curve B against curve A.

    Attributes:
        names: Of A and B.
        ratios: Over the common range of flows.
        mean_ratio: Geometric mean of the ratio over the range, with its interval.
        p_value: That both are one curve, after what they have in common is taken out: the smaller
            of that of the mean ratio and that of the whole course.
        differ: Whether the forces speak against that at 5 %; so they do wherever the interval of
            the mean ratio leaves out 1.
        common_scale: Whether both share the drive, so that its scale error cancels.
        melt_limits: Difference B - A of the melt limits in mm3/s with its interval, where both are
            bounded; else None.
        melt_limits_differ: Whether that interval leaves out 0; None where there is none. The
            forces over the common flows may tell nothing apart and the limits still differ.
        scale_uncertainties: Relative standard uncertainty of the force scales of A and B; 0: none
            is known.
        answer: The answer in one sentence.
        scale: What of the force scales is counted, in words.
    """

    names: tuple[str, str]
    ratios: tuple[Ratio, ...]
    mean_ratio: tuple[float, float, float]
    p_value: float
    differ: bool
    common_scale: bool
    melt_limits: tuple[float, float, float] | None
    melt_limits_differ: bool | None
    scale_uncertainties: tuple[float, float]
    answer: str
    scale: str

    @property
    def sentence(self) -> str:
        """The answer, and what of the force scales is counted."""
        return f"{self.answer}; {self.scale}"

    def to_document(self) -> dict[str, Any]:
        """As JSON types."""
        return {
            "a": self.names[0],
            "b": self.names[1],
            "ratios": [{n: getattr(r, n) for n in Ratio.__slots__} for r in self.ratios],
            "mean_ratio": dict(zip(("value", "lower", "upper"), self.mean_ratio, strict=True)),
            "p_value": self.p_value,
            "differ": self.differ,
            "common_scale": self.common_scale,
            "melt_limit_difference_mm3_s": None
            if self.melt_limits is None
            else dict(zip(("value", "lower", "upper"), self.melt_limits, strict=True)),
            "melt_limits_differ": self.melt_limits_differ,
            "scale_uncertainty": dict(zip(("a", "b"), self.scale_uncertainties, strict=True)),
            "sentence": self.sentence,
        }


def share_scale(a: CurveSet, b: CurveSet) -> bool:
    """Whether two sets were measured with the same motor, driver and drive."""
    one, other = a.provenance.get("force_scale"), b.provenance.get("force_scale")
    return bool(one) and one == other


def _log_covariance(curve: Curve, log_flow: Array) -> Array:
    """Covariance of the log force at flows, from the shape modes."""
    x = np.log([row.flow_mm3_s for row in curve.table])
    modes = np.array([np.interp(log_flow, x, mode) for mode in curve.shape_modes])
    if not len(modes):
        return np.zeros((len(log_flow), len(log_flow)))
    return np.asarray(modes.T @ modes)


def compare(
    a: Curve,
    b: Curve,
    *,
    names: tuple[str, str] = ("A", "B"),
    common_scale: bool = False,
) -> Comparison:
    """Compare two curves over the flows that both were measured at.

    Two questions are asked of the log ratio of forces and its covariance, that of both shapes:
    whether its mean is off zero, by its interval, and whether it is off zero at three flows
    together, by a chi-square. Where the two do not share a drive, the error of both scales is
    added, so that two motors that differ within their tolerance do not count as two different hot
    ends. The smaller p of both questions is told: bands from few points are so wide that the two
    together call alike curves different less often than in 5 % (`tests/benchmarks/bench_fit.py`).

    A law that follows neither of two alike curves errs differently on each by chance, and its band
    knows nothing of that. So where no error of scale counts the thresholds themselves are asked too
    (`thresholds_differ`): of the course the larger p counts, and where they see nothing the
    interval of the mean is drawn out until it holds 1.

    Args:
        a: The reference.
        b: The other one.
        names: For the sentence.
        common_scale: Whether both share motor, driver and drive (`share_scale`).

    Raises:
        RangeError: No common range of flows.
    """
    from scipy.stats import chi2, norm

    low = max(a.flow_range_mm3_s[0], b.flow_range_mm3_s[0])
    high = min(a.flow_range_mm3_s[1], b.flow_range_mm3_s[1])
    if not high > low * 1.02:
        raise RangeError(
            f"{names[0]} was measured from {a.flow_range_mm3_s[0]:.3g} to "
            f"{a.flow_range_mm3_s[1]:.3g} mm3/s and {names[1]} from {b.flow_range_mm3_s[0]:.3g} to "
            f"{b.flow_range_mm3_s[1]:.3g}: no common flows to compare at"
        )
    flows = np.linspace(math.log(low), math.log(high), _FLOWS)
    inside = np.exp(flows).clip(low, high)
    gap = np.log([b.force_n(q) for q in inside]) - np.log([a.force_n(q) for q in inside])
    scale = 0.0 if common_scale else math.hypot(a.scale_uncertainty, b.scale_uncertainty)
    covariance = _log_covariance(a, flows) + _log_covariance(b, flows) + scale**2
    half = Z95 * np.sqrt(np.diag(covariance))
    at = np.linspace(0, _FLOWS - 1, _TESTED).round().astype(int)
    tested = covariance[np.ix_(at, at)]
    tested = tested + np.eye(_TESTED) * (1e-8 + 1e-4 * np.diag(tested).mean())
    p_course = float(chi2.sf(float(gap[at] @ np.linalg.solve(tested, gap[at])), _TESTED))
    own = None if scale else thresholds_differ(a, b, (low, high))
    p_course = max(p_course, own or 0.0)
    weights = np.full(_FLOWS, 1.0 / _FLOWS)
    mean, spread = float(weights @ gap), math.sqrt(float(weights @ covariance @ weights))
    ends = [mean - Z95 * spread, mean + Z95 * spread]
    p_mean = float(2.0 * norm.sf(abs(mean) / spread)) if spread > 0 else float(mean == 0.0)
    if own is not None and own >= _SILENT:
        # The laws see a difference that the thresholds do not: it may be their own misfit.
        ends = [min(ends[0], 0.0), max(ends[1], 0.0)]
        p_mean = max(p_mean, own)
    p_value = min(p_course, p_mean)
    ratios = tuple(
        Ratio(float(q), math.exp(g), math.exp(g - h), math.exp(g + h))
        for q, g, h in zip(inside, gap, half, strict=True)
    )
    mean_ratio = (math.exp(mean), math.exp(ends[0]), math.exp(ends[1]))
    bent = differ_in_shape(gap[at], tested)
    differ, limits = p_value < 0.05, _limit_difference(a, b)
    limits_differ = None if limits is None else not limits[1] <= 0.0 <= limits[2]
    scales = (a.scale_uncertainty, b.scale_uncertainty)
    return Comparison(
        names=names,
        ratios=ratios,
        mean_ratio=mean_ratio,
        p_value=p_value,
        differ=differ,
        common_scale=common_scale,
        melt_limits=limits,
        melt_limits_differ=limits_differ,
        scale_uncertainties=scales,
        answer="; ".join(
            (
                _force_words(names, ratios, mean_ratio, p_value, apart=differ, bent=bent),
                *_limit_words(names, limits, differ=bool(limits_differ), forces_differ=differ),
            )
        ),
        scale=_scale_words(names, scales, common_scale),
    )


def thresholds_differ(a: Curve, b: Curve, flows_mm3_s: tuple[float, float]) -> float | None:
    """p of no difference from the thresholds of two curves, without any law; None: too few.

    Log flow against log force is a polynomial common to both, and one of lower degree times which
    of the two it is; whether the latter is needed is asked of its sum of squares (F test: Draper
    and Smith 1998, Applied Regression Analysis, 3rd ed., ch. 6 and 14). Both have the misfit of the
    former in common. Thresholds far off are drawn in first.

    Args:
        a: One curve.
        b: The other.
        flows_mm3_s: Range of flows that both have.
    """
    from scipy.stats import f as f_distribution

    least, most = flows_mm3_s
    rows = [
        (math.log(t.force_n), math.log(t.middle_mm3_s), float(which), t.log_width)
        for which, curve in enumerate((a, b))
        for point in curve.points
        if point.fitted and (t := point.threshold).closed
        if least / _NEAR <= t.middle_mm3_s <= most * _NEAR
    ]
    if not rows:
        return None
    force, flow, which, width = np.array(rows).T
    count = min(int(which.sum()), int((1.0 - which).sum()))
    if count < _FEWEST or np.ptp(force) < 1e-6:
        return None
    x = 2.0 * (force - force.min()) / np.ptp(force) - 1.0
    degree = 4 if count >= 8 else 3
    common = np.polynomial.legendre.legvander(x, degree)
    both = np.column_stack([common, which[:, None] * common[:, :_TESTED]])
    free = len(rows) - both.shape[1]
    for _ in range(_ROUNDS):
        fitted = both @ np.linalg.lstsq(both, flow, rcond=None)[0]
        off = flow - fitted
        spread = max(1.4826 * float(np.median(np.abs(off))), float(width.mean()) / math.sqrt(12.0))
        flow = fitted + np.clip(off, -_DRAWN_IN * spread, _DRAWN_IN * spread)
    left = [
        float(((flow - matrix @ np.linalg.lstsq(matrix, flow, rcond=None)[0]) ** 2).sum())
        for matrix in (common, both)
    ]
    variance = max(left[1] / free, float((width**2).mean()) / 12.0)
    return float(f_distribution.sf((left[0] - left[1]) / _TESTED / variance, _TESTED, free))


def differ_in_shape(gap: Array, covariance: Array) -> bool:
    """Whether the ratio changes along the curve: its differences from place to place are tested.

    Args:
        gap: Log ratios, shape (n,).
        covariance: Of these, shape (n, n); what is common to all drops out.
    """
    from scipy.stats import chi2

    step = np.diff(np.eye(len(gap)), axis=0)
    change, spread = step @ gap, step @ covariance @ step.T
    return bool(chi2.sf(float(change @ np.linalg.solve(spread, change)), len(change)) < 0.05)


def _limit_difference(a: Curve, b: Curve) -> tuple[float, float, float] | None:
    """Difference of two bounded melt limits, errors of both added in quadrature end by end."""
    one, other = a.melt_limit, b.melt_limit
    if one is None or other is None or one.upper is None or other.upper is None:
        return None
    assert one.lower is not None
    assert other.lower is not None
    value = other.value - one.value
    return (
        value,
        value - math.hypot(other.value - other.lower, one.upper - one.value),
        value + math.hypot(other.upper - other.value, one.value - one.lower),
    )


def _scale_words(names: tuple[str, str], scales: tuple[float, float], common: bool) -> str:
    """What of the force scales is counted."""
    known = [name for name, scale in zip(names, scales, strict=True) if scale > 0]
    if not known:
        return "no error of either force scale is known"
    if common:
        return "both share the drive, so the error of its force scale cancels"
    if len(known) == 1:
        other = names[1 - names.index(known[0])]
        return f"the error of the force scale of {known[0]} is counted, none is known of {other}"
    return "the error of both force scales is counted"


def _force_words(
    names: tuple[str, str],
    ratios: tuple[Ratio, ...],
    mean: tuple[float, float, float],
    p_value: float,
    *,
    apart: bool,
    bent: bool,
) -> str:
    """What the test of the forces says."""
    low, high = ratios[0].flow_mm3_s, ratios[-1].flow_mm3_s
    where = f"from {low:.3g} to {high:.3g} mm3/s"
    p = f"p = {p_value:.2g}" if p_value >= 1e-6 else "p below 0.000001"
    if not apart:
        return (
            f"the forces of {names[1]} and {names[0]} cannot be told apart {where} ({p}): the mean "
            f"ratio is {mean[0]:.3f}, 95 % interval {mean[1]:.3f} to {mean[2]:.3f}"
        )
    if mean[1] > 1 or mean[2] < 1:
        way = "more" if mean[0] >= 1 else "less"
        change = f"; the ratio is not the same throughout: {_course(ratios)}" if bent else ""
        return (
            f"{names[1]} needs {100 * abs(mean[0] - 1):.1f} % {way} force than {names[0]} on "
            f"average {where}, ratio {mean[0]:.3f} ({mean[1]:.3f} to {mean[2]:.3f}; {p}){change}"
        )
    return (
        f"{names[1]} and {names[0]} differ in shape {where}: the force ratio is "
        f"{_course(ratios)} ({p})"
    )


def _course(ratios: tuple[Ratio, ...]) -> str:
    """The ratio at both ends, and at its least and greatest where these lie between."""
    chosen = {0, len(ratios) - 1}
    for pick in (min, max):
        at = pick(range(len(ratios)), key=lambda i: ratios[i].ratio)
        far = min(abs(math.log(ratios[at].ratio / ratios[i].ratio)) for i in (0, -1))
        if far > 0.01:
            chosen.add(at)
    told = [f"{ratios[i].ratio:.3f} at {ratios[i].flow_mm3_s:.3g} mm3/s" for i in sorted(chosen)]
    return ", ".join(told[:-1]) + f" and {told[-1]}"


def _limit_words(
    names: tuple[str, str],
    limits: tuple[float, float, float] | None,
    *,
    differ: bool,
    forces_differ: bool,
) -> list[str]:
    """What the melt limits say, where both are bounded."""
    if limits is None:
        return []
    value, least, most = limits
    word = "and" if differ == forces_differ else "but"
    if not differ:
        return [
            f"{word} the melt limits cannot be told apart: difference {value:+.3g} mm3/s "
            f"({least:+.3g} to {most:+.3g})"
        ]
    way = "higher" if value > 0 else "lower"
    least, most = sorted((abs(least), abs(most)))
    return [
        f"{word} the melt limits differ: that of {names[1]} is {abs(value):.3g} mm3/s {way} "
        f"({least:.3g} to {most:.3g})"
    ]
