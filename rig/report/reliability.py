"""Are the detector's probabilities to be believed? Stated against observed, with intervals."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from rig.report.look import COLOURS, FAINT, SOFT, label_axes, new_figure, our_look

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def wilson(hits: int, of: int, *, z: float = 1.96) -> tuple[float, float]:
    """Interval of a proportion (Wilson 1927), lower and upper, for ``of`` of one or more."""
    share = hits / of
    centre = share + z * z / (2 * of)
    half = z * math.sqrt(share * (1 - share) / of + z * z / (4 * of * of))
    scale = 1 + z * z / of
    return (centre - half) / scale, (centre + half) / scale


def draw_reliability(
    p_skip: Sequence[float],
    skipped: Sequence[bool],
    *,
    bins: int = 10,
    title: str = "",
    width_in: float = 5.2,
) -> Figure:
    """Reliability diagram of a set of judged takes with known truth.

    Args:
        p_skip: Stated probability of skipping of each take, 0 to 1.
        skipped: Whether it did.
        bins: Number of classes of equal width.
        title: Heading.
        width_in: Width of the figure, in inches.
    """
    groups: list[list[tuple[float, bool]]] = [[] for _ in range(bins)]
    for p, truth in zip(p_skip, skipped, strict=True):
        groups[min(bins - 1, int(p * bins))].append((p, bool(truth)))
    with our_look():
        figure = new_figure(width_in, width_in * 1.12)
        axes, below = figure.subplots(2, 1, sharex=True, gridspec_kw={"height_ratios": [1.0, 0.24]})
        axes.plot([0, 1], [0, 1], color=FAINT, lw=1.2, label="as stated")
        axes.legend(loc="upper left", frameon=False, fontsize=8, labelcolor=SOFT)
        colour = COLOURS["heat2"][0]
        xs, ys = [], []
        for group in groups:
            if not group:
                continue
            x = sum(p for p, _ in group) / len(group)
            hits = sum(truth for _, truth in group)
            low, high = wilson(hits, len(group))
            axes.plot([x, x], [low, high], color=colour, lw=1.4)
            xs.append(x)
            ys.append(hits / len(group))
        axes.plot(xs, ys, "o", color=colour, ms=5)  # no line: sparse classes would zigzag
        axes.set_xlim(-0.03, 1.03)
        axes.set_ylim(-0.03, 1.03)
        label_axes(axes, x="", y="share that skipped", title=title)
        below.bar(
            [(k + 0.5) / bins for k in range(bins)],
            [len(group) for group in groups],
            width=0.86 / bins,
            color=FAINT,
        )
        below.set_yscale("symlog", linthresh=1)
        label_axes(below, x="stated probability of skipping", y="takes")
        return figure
