"""Force against flow: curves with their bands, thresholds as intervals, and the residuals."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from rig.mechanics import filament_area_mm2
from rig.report.look import (
    FAINT,
    SOFT,
    dense,
    end_labels,
    heat_colours,
    label_axes,
    new_figure,
    our_look,
)
from rig.report.marks import LIMITED_OUT, draw_point, mark_legend, mark_of
from rig.report.words import melt_words, sig

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from rig.curves.curveset import Curve, CurveSet, Parameter, Point

_MANY = 6
"""More curves than this get a panel each when ``panels`` is not said."""

_NEAR = 1.15
"""A melt limit further than this from the end of its curve is left to the words, unless thresholds
stand beyond that end."""
_FARTHEST = 1.3
"""A bound further than this from all curves and brackets stands as a mark at the edge."""
_TALLEST = 1.6
"""Height that a band may take, in the greatest forces of curves and thresholds."""
_AGREES = 0.05
"""Residual, in standard deviations, of a one-sided threshold that the curve agrees with."""


def draw_force(
    curves: CurveSet,
    *,
    panels: bool | None = None,
    residuals: bool = True,
    width_in: float = 7.2,
) -> Figure:
    """Force against flow of all temperatures.

    Args:
        curves: What was fitted.
        panels: One panel a temperature; by default where there are more than six.
        residuals: Whether to add the strip of residuals (not with panels).
        width_in: Width of the figure, in inches; below 5 the parts stand below one another.
    """
    split = len(curves.curves) > _MANY if panels is None else panels
    colours = heat_colours([curve.temperature_c for curve in curves.curves])
    with our_look():
        if split:
            return _panels(curves, colours, width_in)
        narrow = width_in < 5
        height = width_in * (0.95 if narrow else 0.62) + (1.3 if residuals else 0.0)
        figure = new_figure(width_in, height)
        strip: Axes | None = None
        if residuals:
            axes, strip = figure.subplots(
                2, 1, sharex=True, gridspec_kw={"height_ratios": [height - 1.3, 1.1]}
            )
        else:
            axes = figure.subplots()
        _set_limits(axes, curves.curves)
        for curve in curves.curves:
            _curve(axes, curve, colours[curve.temperature_c])
        _melt_limits(axes, curves.curves, colours)
        _reasons(axes, [p for curve in curves.curves for p in curve.points])
        if len(curves.curves) == 1:
            _label_below(axes, curves.curves[0], colours[curves.curves[0].temperature_c])
            _why_it_ends(axes, curves.curves[0], colours[curves.curves[0].temperature_c])
        else:
            end_labels(
                axes,
                [
                    (*_top_of(curve), f"{curve.temperature_c:g} °C", colours[curve.temperature_c])
                    for curve in curves.curves
                ],
            )
        label_axes(axes, x="" if residuals else "flow, mm³/s", y="force, N")
        _speed_axis(axes, curves)
        if strip is not None:
            silent = [_residuals(strip, c, colours[c.temperature_c]) for c in curves.curves]
            if any(silent):
                _silent_words(strip)
            label_axes(strip, x="flow, mm³/s", y="residual, σ")
        alone = colours[curves.curves[0].temperature_c] if len(curves.curves) == 1 else SOFT
        mark_legend(figure, curves.curves, colour=alone)
        return figure


def _panels(curves: CurveSet, colours: dict[float, str], width_in: float) -> Figure:
    columns = 1 if width_in < 5 else min(3, math.ceil(math.sqrt(len(curves.curves))))
    rows = math.ceil(len(curves.curves) / columns)
    figure = new_figure(width_in, rows * width_in / columns * 0.95)
    grid = figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False)
    for axes in grid.flat[len(curves.curves) :]:
        axes.set_axis_off()
    _set_limits(grid.flat[0], curves.curves)
    for number, (axes, curve) in enumerate(zip(grid.flat, curves.curves, strict=False)):
        for other in curves.curves:
            # The other temperatures stay visible, faintly, so that panels can be compared.
            if other is not curve:
                flows, (forces,) = dense(
                    [row.flow_mm3_s for row in other.table], [row.force_n for row in other.table]
                )
                axes.plot(flows, forces, color=FAINT, lw=0.9)
        colour = colours[curve.temperature_c]
        _curve(axes, curve, colour, size=0.7)
        _melt_limits(axes, [curve], colours, brief=columns > 2)
        _reasons(axes, curve.points)
        axes.set_title(f"{curve.temperature_c:g} °C", color=colour)
        # Where no panel stands below, the flows are written here.
        lowest = number + columns >= len(curves.curves)
        label_axes(
            axes,
            x="flow, mm³/s" if lowest else "",
            y="" if number % columns else "force, N",
        )
        axes.tick_params(labelbottom=lowest)
    mark_legend(figure, curves.curves, others=len(curves.curves) > 1)
    return figure


def _curve(axes: Axes, curve: Curve, colour: str, *, size: float = 1.0) -> None:
    """A curve, its bands and its thresholds; the limits of the axes must stand already."""
    names = ("force_n", "lower_n", "upper_n", "total_lower_n", "total_upper_n")
    flows, (force, low, high, total_low, total_high) = dense(
        [row.flow_mm3_s for row in curve.table],
        *([getattr(row, name) for row in curve.table] for name in names),
    )
    if curve.scale_uncertainty > 0:
        axes.fill_between(flows, total_low, total_high, color=colour, alpha=0.10, linewidth=0)
    axes.fill_between(flows, low, high, color=colour, alpha=0.24, linewidth=0)
    axes.plot(flows, force, color=colour, lw=2.0 * size)
    top = axes.get_ylim()[1]
    if total_high[-1] > top:
        _goes_on(axes, curve, colour)
    for point in curve.points:
        draw_point(axes, point, colour, size=size)


def _goes_on(axes: Axes, curve: Curve, colour: str) -> None:
    """An arrow where a band leaves the picture at the top, and how far it goes."""
    words = f"to {curve.table[-1].total_upper_n:.3g} N ▲"
    _at_end(axes, curve, words, force_n=axes.get_ylim()[1], below_pt=3.0, colour=colour)


def _at_end(
    axes: Axes, curve: Curve, words: str, *, force_n: float, below_pt: float, colour: str
) -> None:
    """Words left of where a curve ends, below a force."""
    axes.annotate(
        words,
        (curve.table[-1].flow_mm3_s, force_n),
        xytext=(0, -below_pt),
        textcoords="offset points",
        ha="right",
        va="top",
        fontsize=7.8,
        color=colour,
    )


def _set_limits(axes: Axes, curves: Sequence[Curve]) -> None:
    points = [p for curve in curves for p in curve.points]
    ends = [curve.table[-1].flow_mm3_s for curve in curves]
    ends += [_end(p) for p in points if p.fitted and p.threshold.clean_mm_s is not None]
    # A bound from above or a point left out may lie anywhere: it must not squeeze the curves.
    others = [_end(p) for p in points if not (p.fitted and p.threshold.clean_mm_s is not None)]
    right = max(ends)
    right = max([right, *(end for end in others if end < _FARTHEST * right)])
    # Towards a melt limit the band goes up without end: it may leave the picture, the points not.
    most = max([c.table[-1].force_n for c in curves] + [p.threshold.force_n for p in points])
    band = max(curve.table[-1].total_upper_n for curve in curves)
    axes.set_xlim(0.0, 1.10 * right)
    axes.set_ylim(0.0, max(1.12 * most, 1.05 * min(band, _TALLEST * most)))


def _end(point: Point) -> float:
    """The highest flow that a threshold names, in mm3/s."""
    return point.threshold.skip_mm3_s or point.threshold.clean_mm3_s or 0.0


def _top_of(curve: Curve) -> tuple[float, float]:
    """Flow and force of the curve's end, or of a threshold above it: a name goes over neither."""
    ends = [(curve.table[-1].flow_mm3_s, curve.table[-1].force_n)]
    ends += [
        (point.threshold.middle_mm3_s, point.threshold.force_n)
        for point in curve.points
        if point.threshold.closed
    ]
    return max(ends, key=lambda end: end[1])


def _label_below(axes: Axes, curve: Curve, colour: str) -> None:
    """The temperature under the middle of the only curve, where no threshold lies."""
    row = curve.table[len(curve.table) // 2]
    axes.annotate(
        f"{curve.temperature_c:g} °C",
        (row.flow_mm3_s, row.lower_n),
        xytext=(14, -22),
        textcoords="offset points",
        fontweight="bold",
        color=colour,
    )


def _why_it_ends(axes: Axes, curve: Curve, colour: str) -> None:
    """Why a curve without a melt limit ends before its last threshold."""
    if not _beyond(curve) or curve.melt_limit is not None:
        return
    if not any(
        note.startswith("the table ends") and "no upper bound" in note for note in curve.notes
    ):
        return
    words = "ends here: beyond,\nthe force has no\nupper bound"
    _at_end(axes, curve, words, force_n=curve.table[-1].lower_n, below_pt=5.0, colour=colour)


def _melt_limits(
    axes: Axes, curves: Sequence[Curve], colours: dict[float, str], *, brief: bool = False
) -> None:
    """A melt limit where its curve comes near it, or where thresholds stand beyond the curve's end.

    Dashed where the limit is, dotted at the least that it may be where nothing bounds it above;
    shaded over its interval.
    """
    right = axes.get_xlim()[1]
    for curve in curves:
        limit = curve.melt_limit
        if limit is None or limit.lower is None:
            continue
        end = curve.table[-1].flow_mm3_s
        bounded = limit.upper is not None
        colour = colours[curve.temperature_c]
        near = bounded and limit.value < min(right, _NEAR * end)
        if not near and not (_beyond(curve) and limit.lower < right):
            continue
        if len(curves) == 1:
            shaded = min(right, limit.upper or right)
            axes.axvspan(limit.lower, shaded, color=colour, alpha=0.07, lw=0, zorder=0)
        seen = bounded and limit.value < right
        place = limit.value if seen else limit.lower
        axes.axvline(place, color=colour, lw=1.0, ls=(0, (5, 3)) if seen else ":", zorder=1)
        words = "melt limit"
        if not brief:
            words += f" {melt_words(curve) if seen else _interval_words(limit)}"
        if len(curves) > 1:
            words = f"{curve.temperature_c:g} °C: {words}"
        left = place > 0.93 * right
        axes.annotate(
            words,
            (place, 0.0),
            xytext=(-4 if left else 4, 5),
            textcoords="offset points",
            rotation=90,
            ha="right" if left else "left",
            va="bottom",
            fontsize=7.8,
            color=colour,
        )


def _interval_words(limit: Parameter) -> str:
    """The interval of a melt limit alone, where its estimate stands outside the picture."""
    if limit.upper is None:
        return f"at least {sig(limit.lower)} mm³/s"
    return f"{sig(limit.lower)} to {sig(limit.upper)} mm³/s"


def _beyond(curve: Curve) -> bool:
    """Whether thresholds that were fitted stand beyond the end of their curve, brackets and all."""
    end = curve.table[-1].flow_mm3_s
    held = [p.threshold for p in curve.points if p.fitted and p.threshold.closed]
    return any((threshold.clean_mm3_s or 0.0) > end for threshold in held)


def _reasons(axes: Axes, points: Sequence[Point]) -> None:
    """The reason above each point left out, but for those whose mark says it."""
    right = axes.get_xlim()[1]
    for point in points:
        if point.fitted or mark_of(point) is LIMITED_OUT:
            continue
        reason = point.threshold.excluded or (point.remark or "left out").partition(":")[0]
        x = min(right, point.threshold.middle_mm3_s)
        at_left, at_right = x < 0.10 * right, x > 0.93 * right
        axes.annotate(
            reason,
            (x, point.threshold.force_n),
            xytext=(-4 if at_left else 4 if at_right else 0, 7),
            textcoords="offset points",
            ha="left" if at_left else "right" if at_right else "center",
            fontsize=7.8,
            color=SOFT,
        )


def _residuals(axes: Axes, curve: Curve, colour: str) -> bool:
    """The residuals of a curve; whether any were left out.

    A one-sided threshold that the curve agrees with has none: it says nothing of how far off it is.
    """
    axes.axhline(0.0, color=FAINT, lw=0.9)
    silent = False
    reach = max(3.0, axes.get_ylim()[1])
    for point in curve.points:
        if point.residual is None:
            continue
        if not point.threshold.closed and abs(point.residual) < _AGREES:
            silent = True
            continue
        flow, mark = min(axes.get_xlim()[1], point.threshold.middle_mm3_s), mark_of(point)
        axes.plot([flow, flow], [0.0, point.residual], color=colour, lw=1.0, alpha=0.6)
        axes.plot([flow], [point.residual], mark.shape, ms=max(4.0, mark.size_pt), color=colour)
        reach = max(reach, 1.15 * abs(point.residual))
    axes.set_ylim(-reach, reach)
    return silent


def _silent_words(strip: Axes) -> None:
    """That one-sided thresholds are left out of the residuals."""
    strip.annotate(
        "no residual of one-sided thresholds that agree",
        (1.0, 1.0),
        xycoords="axes fraction",
        xytext=(0, 1),
        textcoords="offset points",
        ha="right",
        va="bottom",
        fontsize=7.0,
        color=SOFT,
    )


def _speed_axis(axes: Axes, curves: CurveSet) -> None:
    """Filament speed along the top, where all points share one diameter."""
    diameters = {p.threshold.filament_diameter_mm for curve in curves.curves for p in curve.points}
    if len(diameters) != 1:
        return
    area = filament_area_mm2(diameters.pop())

    def speed(flow: Any) -> Any:
        return np.asarray(flow) / area

    def flow(speed: Any) -> Any:
        return np.asarray(speed) * area

    top = axes.secondary_xaxis("top", functions=(speed, flow))
    top.set_xlabel("filament speed, mm/s", fontsize=8, color=SOFT)
    top.tick_params(length=2, labelsize=8)
    top.spines["top"].set_visible(False)
