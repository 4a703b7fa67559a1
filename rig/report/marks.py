"""How a threshold is drawn: its bracket, a mark for what became of it, and the legend of these."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from rig.report.look import FAINT, PAPER, SOFT, legend_below

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from rig.curves.curveset import Curve, Point


@dataclass(frozen=True, slots=True)
class Mark:
    """A mark of a threshold; a hollow one is not fitted, and nothing else is hollow."""

    shape: str
    size_pt: float
    words: str
    filled: bool = True


FITTED = Mark("o", 3.4, "fitted")
LIMITED = Mark("s", 4.8, "fitted, at the melt limit")
FAR_OFF = Mark("D", 4.8, "fitted, far off the curve")
CLEAN_ONLY = Mark(">", 5.5, "ran clean, no skip reached")
SKIP_ONLY = Mark("<", 5.5, "skipped, nothing ran clean")
LEFT_OUT = Mark("o", 5.5, "left out", filled=False)
LIMITED_OUT = Mark("s", 5.0, "left out, at the melt limit", filled=False)
CLEAN_ONLY_OUT = Mark(">", 5.5, "left out, no skip reached", filled=False)
SKIP_ONLY_OUT = Mark("<", 5.5, "left out, nothing ran clean", filled=False)
_ALL = (
    FITTED,
    LIMITED,
    FAR_OFF,
    CLEAN_ONLY,
    SKIP_ONLY,
    LEFT_OUT,
    LIMITED_OUT,
    CLEAN_ONLY_OUT,
    SKIP_ONLY_OUT,
)


def mark_of(point: Point) -> Mark:
    """The mark of a threshold."""
    threshold, remark = point.threshold, point.remark or ""
    if not threshold.closed:
        clean = threshold.skip_mm_s is None
        if point.fitted:
            return CLEAN_ONLY if clean else SKIP_ONLY
        return CLEAN_ONLY_OUT if clean else SKIP_ONLY_OUT
    if not point.fitted:
        why = threshold.excluded or remark
        return LIMITED_OUT if why.startswith("melt-limit") else LEFT_OUT
    if remark.startswith("at the melt limit"):
        return LIMITED
    return FAR_OFF if remark else FITTED


def draw_point(axes: Axes, point: Point, colour: str, *, size: float = 1.0) -> None:
    """A threshold: a bar over its bracket and its mark; at the right edge where it lies beyond.

    The limits of the axes must stand already.
    """
    threshold, mark = point.threshold, mark_of(point)
    force, right = threshold.force_n, axes.get_xlim()[1]
    low, high = threshold.clean_mm3_s, threshold.skip_mm3_s
    colour = colour if point.fitted else SOFT
    if low is not None and high is not None:
        axes.plot([low, high], [force, force], color=colour, lw=1.2, solid_capstyle="butt")
        axes.plot([low, high], [force, force], "|", color=colour, ms=7 * size, mew=1.2)
    axes.plot(
        [min(threshold.middle_mm3_s, right)],
        [force],
        mark.shape,
        ms=size * mark.size_pt,
        mfc=colour if mark.filled else PAPER,
        mec=colour,
        mew=1.2,
        clip_on=False,
    )
    if threshold.middle_mm3_s > right:
        verb = "skipped at" if low is None else "at"
        axes.annotate(
            f"{verb} {threshold.middle_mm3_s:.3g} mm³/s →",
            (right, force),
            xytext=(-6, 0),
            textcoords="offset points",
            ha="right",
            va="center",
            fontsize=7.8,
            color=SOFT,
        )


def mark_legend(
    figure: Figure, curves: Sequence[Curve], *, colour: str = SOFT, others: bool = False
) -> None:
    """What the marks, bands and lines mean, below the picture; only what occurs is named.

    Args:
        figure: The picture.
        curves: What is drawn.
        colour: Of the marks.
        others: Whether the curves of other temperatures are drawn faintly.
    """
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    entries: list[tuple[Any, str]] = []
    points = [point for curve in curves for point in curve.points]
    if any(point.threshold.closed for point in points):
        bar = Line2D([], [], color=colour, lw=1.2, marker="|", ms=7, mew=1.2)
        entries.append((bar, "from clean to skip"))
    for mark in _occurring(points):
        line = Line2D(
            [],
            [],
            ls="none",
            marker=mark.shape,
            ms=mark.size_pt,
            mfc=colour if mark.filled else PAPER,
            mec=colour if mark.filled else SOFT,
            mew=1.2,
        )
        entries.append((line, mark.words))
    if any(curve.scale_uncertainty > 0 for curve in curves):
        entries.append((Patch(color=colour, alpha=0.32, lw=0), "95 % band of the shape"))
        entries.append((Patch(color=colour, alpha=0.10, lw=0), "and with the force scale"))
    else:
        entries.append((Patch(color=colour, alpha=0.24, lw=0), "95 % band"))
    if others:
        entries.append((Line2D([], [], color=FAINT, lw=0.9), "other temperatures"))
    legend_below(figure, entries)


def _occurring(points: Iterable[Point]) -> list[Mark]:
    there = {mark_of(point) for point in points}
    return [mark for mark in _ALL if mark in there]
