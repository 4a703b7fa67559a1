"""How often it was so, against how probable it was said to be."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rig.report.look import COLOURS, FAINT, INK, SOFT, label_axes, new_figure, our_look

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from detectors.scores import Bin

_BLUE = COLOURS["heat1"][0]


def draw_reliability(bins: Sequence[Bin], *, title: str = "", width_in: float = 4.6) -> Figure:
    """The reliability diagram of a detector's probabilities.

    On the diagonal the probabilities are honest: of all takes called 90 %, nine in ten skip. Bars
    are 95 % intervals (Clopper and Pearson), the numbers are takes.

    Args:
        bins: From `detectors.scores.reliability`.
        title: Heading.
        width_in: Width of the figure, in inches.
    """
    with our_look():
        figure = new_figure(width_in, 0.94 * width_in)
        axes = figure.subplots()
        axes.plot([0, 1], [0, 1], color=FAINT, linewidth=1.0, zorder=1)
        for one in bins:
            axes.plot(
                [one.said, one.said],
                [one.came.lower, one.came.upper],
                color=_BLUE,
                linewidth=1.4,
                zorder=2,
            )
            axes.plot(one.said, one.came.value, "o", color=_BLUE, markersize=5, zorder=3)
            # The number of takes stands at the free end of the bar, or beside one with neither.
            if one.came.upper < 0.93:
                place, offset, side = one.came.upper, (0, 3), "center"
            elif one.came.lower > 0.07:
                place, offset, side = one.came.lower, (0, -9), "center"
            else:
                place, offset, side = 0.5, (3, 0), "left"
            axes.annotate(
                str(one.came.total),
                (one.said, place),
                xytext=offset,
                textcoords="offset points",
                ha=side,
                fontsize=7,
                color=SOFT,
            )
        axes.set_xlim(-0.03, 1.03)
        axes.set_ylim(-0.03, 1.03)
        axes.set_aspect("equal")
        label_axes(axes, x="probability of a skip, as said", y="part that skipped")
        if title:
            figure.suptitle(title, x=0.01, ha="left", fontsize=10.5, fontweight="bold", color=INK)
        return figure
