"""Force against flow: curves with their bands, thresholds as intervals, and the residuals."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from rig.mechanics import filament_area_mm2
from rig.report.look import (
    FAINT,
    PAPER,
    SOFT,
    end_labels,
    heat_colours,
    label_axes,
    new_figure,
    our_look,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from rig.curves.curveset import Curve, CurveSet, Point

_MANY = 6
"""More curves than this get a panel each when ``panels`` is not said."""

_NEAR = 1.15
"""A melt limit further than this from the end of its curve is left to the words."""


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
        for curve in curves.curves:
            _curve(axes, curve, colours[curve.temperature_c])
        _limits(axes, curves.curves)
        _melt_limits(axes, curves.curves, colours)
        _reasons(axes, [p for curve in curves.curves for p in curve.points])
        if len(curves.curves) == 1:
            _label_below(axes, curves.curves[0], colours[curves.curves[0].temperature_c])
        else:
            end_labels(
                axes,
                [
                    (
                        curve.table[-1].flow_mm3_s,
                        curve.table[-1].force_n,
                        f"{curve.temperature_c:g} °C",
                        colours[curve.temperature_c],
                    )
                    for curve in curves.curves
                ],
            )
        label_axes(axes, x="" if residuals else "flow, mm³/s", y="force, N")
        _speed_axis(axes, curves)
        if strip is not None:
            for curve in curves.curves:
                _residuals(strip, curve, colours[curve.temperature_c])
            label_axes(strip, x="flow, mm³/s", y="residual, σ")
        return figure


def _panels(curves: CurveSet, colours: dict[float, str], width_in: float) -> Figure:
    columns = 1 if width_in < 5 else min(3, math.ceil(math.sqrt(len(curves.curves))))
    rows = math.ceil(len(curves.curves) / columns)
    figure = new_figure(width_in, rows * width_in / columns * 0.95)
    grid = figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False)
    for axes in grid.flat[len(curves.curves) :]:
        axes.set_axis_off()
    for axes, curve in zip(grid.flat, curves.curves, strict=False):
        for other in curves.curves:
            # The other temperatures stay visible, faintly, so that panels can be compared.
            if other is not curve:
                flows = [row.flow_mm3_s for row in other.table]
                axes.plot(flows, [row.force_n for row in other.table], color=FAINT, lw=0.9)
        colour = colours[curve.temperature_c]
        _curve(axes, curve, colour, size=0.7)
        axes.set_title(f"{curve.temperature_c:g} °C", color=colour)
        axes.tick_params(length=3)
    _limits(grid.flat[0], curves.curves)
    for axes, curve in zip(grid.flat, curves.curves, strict=False):
        _reasons(axes, curve.points)
    figure.supxlabel("flow, mm³/s", fontsize=9, color=SOFT)
    figure.supylabel("force, N", fontsize=9, color=SOFT)
    return figure


def _curve(axes: Axes, curve: Curve, colour: str, *, size: float = 1.0) -> None:
    flows = [row.flow_mm3_s for row in curve.table]
    for low, high, alpha in (
        ("total_lower_n", "total_upper_n", 0.10),
        ("lower_n", "upper_n", 0.24),
    ):
        axes.fill_between(
            flows,
            [getattr(row, low) for row in curve.table],
            [getattr(row, high) for row in curve.table],
            color=colour,
            alpha=alpha,
            linewidth=0,
        )
    axes.plot(flows, [row.force_n for row in curve.table], color=colour, lw=2.0 * size)
    for point in curve.points:
        _point(axes, point, colour, size=size)


def _point(axes: Axes, point: Point, colour: str, *, size: float) -> None:
    """A threshold: a bar over its interval, an arrow where one end is not known."""
    threshold = point.threshold
    flow, force = threshold.middle_mm3_s, threshold.force_n
    low, high = threshold.clean_mm3_s, threshold.skip_mm3_s
    colour = colour if point.fitted else SOFT
    if low is not None and high is not None:
        axes.plot([low, high], [force, force], color=colour, lw=1.2, solid_capstyle="butt")
        axes.plot([low, high], [force, force], "|", color=colour, ms=7 * size, mew=1.2)
        mark, dot = "o", 3.2
    else:
        mark, dot = (">" if high is None else "<"), 5.5
    solid = point.fitted and not point.remark
    axes.plot(
        [flow],
        [force],
        mark,
        ms=size * (dot if solid else 5.5),
        mfc=colour if solid else PAPER,
        mec=colour,
        mew=1.2,
    )


def _limits(axes: Axes, curves: Iterable[Curve]) -> None:
    curves = list(curves)
    points = [p.threshold for curve in curves for p in curve.points]
    flows = [row.flow_mm3_s for curve in curves for row in curve.table[-1:]]
    flows += [point.skip_mm3_s or point.clean_mm3_s or 0.0 for point in points]
    # Towards a melt limit the band goes up without end: it may leave the picture, the points not.
    forces = [min(c.table[-1].total_upper_n, 1.2 * c.table[-1].force_n) for c in curves]
    forces += [point.force_n for point in points]
    axes.set_xlim(0.0, 1.10 * max(flows))
    axes.set_ylim(0.0, 1.12 * max(forces))


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


def _melt_limits(axes: Axes, curves: Iterable[Curve], colours: dict[float, str]) -> None:
    """A dashed line at each melt limit that is bounded and near the end of its curve."""
    curves = list(curves)
    right = axes.get_xlim()[1]
    for curve in curves:
        limit = curve.melt_limit
        end = curve.table[-1].flow_mm3_s
        if limit is None or limit.upper is None or limit.value >= min(right, _NEAR * end):
            continue
        colour = colours[curve.temperature_c]
        left = limit.value > 0.93 * right
        axes.axvline(limit.value, color=colour, lw=1.0, ls=(0, (5, 3)), zorder=1)
        axes.annotate(
            "melt limit" if len(curves) == 1 else f"melt limit, {curve.temperature_c:g} °C",
            (limit.value, 0.0),
            xytext=(-4 if left else 4, 5),
            textcoords="offset points",
            rotation=90,
            ha="right" if left else "left",
            va="bottom",
            fontsize=7.8,
            color=colour,
        )


def _reasons(axes: Axes, points: Sequence[Point]) -> None:
    """The reason above each hollow point."""
    right = axes.get_xlim()[1]
    for point in points:
        reason = point.threshold.excluded or (None if point.fitted else "left out")
        if not reason:
            continue
        x = point.threshold.middle_mm3_s
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


def _residuals(axes: Axes, curve: Curve, colour: str) -> None:
    axes.axhline(0.0, color=FAINT, lw=0.9)
    fitted = [p for p in curve.points if p.residual is not None]
    for point in fitted:
        assert point.residual is not None
        flow = point.threshold.middle_mm3_s
        axes.plot([flow, flow], [0.0, point.residual], color=colour, lw=1.0, alpha=0.6)
        hollow = bool(point.remark)
        axes.plot([flow], [point.residual], "o", ms=4, mfc=PAPER if hollow else colour, mec=colour)
    reach = max([3.0, *(1.15 * abs(p.residual or 0.0) for p in fitted), axes.get_ylim()[1]])
    axes.set_ylim(-reach, reach)


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
