"""Force needed against force available over flow, and the limit that binds first."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rig.report.comparison import Line
from rig.report.look import COLOURS, INK, PAPER, label_axes, new_figure, our_look, picture_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_AVAILABLE = tuple(COLOURS[f"heat{k}"][0] for k in (2, 3, 5, 1, 4))

_FAR = 1.6
_ABOVE = 2.5
"""Height of the chart in greatest forces needed, at most."""


@dataclass(frozen=True, slots=True)
class Available:
    """What a motor, ratio and current can push.

    Attributes:
        name: The candidate.
        flow_mm3_s: Rising flows, in mm3/s.
        force_n: Force at each, in N.
        usable_n: The same less the stated margin, in N; empty where no margin was asked for.
        holds_mm3_s: Flow that can be held with the margin, in mm3/s; None where there is none.
        ends: What ends the flow there, in a word or two.
        at_least: Whether nothing limits it within the flows shown.
    """

    name: str
    flow_mm3_s: Sequence[float]
    force_n: Sequence[float]
    usable_n: Sequence[float] = ()
    holds_mm3_s: float | None = None
    ends: str = ""
    at_least: bool = False


def draw_advice(
    needed: Line,
    available: Sequence[Available],
    *,
    melt_limit_mm3_s: float | None = None,
    wanted_mm3_s: float | None = None,
    sentence: str = "",
    width_in: float = 7.2,
) -> Figure:
    """The chart of an advice.

    Args:
        needed: Force that the hot end needs, with its band.
        available: One entry a candidate, the best first; five are drawn at most.
        melt_limit_mm3_s: Greatest flow that melts, in mm3/s; left out where it lies far beyond
            the flows shown, which it would squeeze into a corner.
        wanted_mm3_s: Flow that was asked for, in mm3/s.
        sentence: What is concluded, as the heading.
        width_in: Width of the figure, in inches.
    """
    import textwrap

    from matplotlib.patheffects import withStroke

    if melt_limit_mm3_s is not None and melt_limit_mm3_s > _FAR * max(needed.flow_mm3_s):
        melt_limit_mm3_s = None
    left_out = len(available) - len(_AVAILABLE)
    available = available[: len(_AVAILABLE)]
    if left_out > 0:
        sentence = f"{sentence} ({left_out} more candidates are not drawn)".strip()
    if len(available) > 1 and any(len(one.usable_n) for one in available):
        sentence = f"{sentence} (dotted: less the margin)".strip()
    with our_look():
        figure = new_figure(width_in, 0.62 * width_in + 0.4)
        axes = figure.subplots()
        axes.fill_between(
            needed.flow_mm3_s, needed.lower_n, needed.upper_n, color=INK, alpha=0.15, linewidth=0
        )
        axes.plot(needed.flow_mm3_s, needed.force_n, color=INK)
        right = 1.12 * max(
            [needed.flow_mm3_s[-1], wanted_mm3_s or 0.0, melt_limit_mm3_s or 0.0]
            + [one.holds_mm3_s or 0.0 for one in available]
        )
        most = min(max(needed.upper_n), 1.2 * max(needed.force_n))
        top = 1.18 * max([most, *(f for one in available for f in one.force_n[:1])])
        # A motor far beyond the need would press all the rest to the bottom.
        top = min(top, _ABOVE * most)
        axes.set_xlim(0.0, right)
        axes.set_ylim(0.0, top)
        for index, one in enumerate(available):
            _candidate(axes, one, _AVAILABLE[index % len(_AVAILABLE)])
        _line_labels(axes, needed, available, right)
        for flow, words, name in (
            (melt_limit_mm3_s, "melt limit", "skip"),
            (wanted_mm3_s, "wanted", "soft"),
        ):
            if flow is not None:
                colour = COLOURS[name][0]
                axes.axvline(flow, color=colour, lw=1.1, ls=(0, (5, 3)))
                axes.annotate(
                    words,
                    (flow, top),
                    xytext=(-4, -5),
                    textcoords="offset points",
                    rotation=90,
                    ha="right",
                    va="top",
                    fontsize=8,
                    color=colour,
                    path_effects=[withStroke(linewidth=2.5, foreground=PAPER)],
                )
        label_axes(axes, x="flow, mm³/s", y="force, N")
        if sentence:
            axes.set_title(
                textwrap.fill(picture_words(sentence), int(12 * width_in)),
                fontsize=9.5,
                fontweight="normal",
            )
        return figure


def _candidate(axes: Axes, one: Available, colour: str) -> None:
    axes.plot(one.flow_mm3_s, one.force_n, color=colour)
    if len(one.usable_n):
        axes.plot(one.flow_mm3_s, one.usable_n, color=colour, lw=1.2, ls=(0, (2, 2)))
    if one.holds_mm3_s is None:
        return
    line = one.usable_n if len(one.usable_n) else one.force_n
    force = min(_at(one.flow_mm3_s, line, one.holds_mm3_s), 0.97 * axes.get_ylim()[1])
    # Above all lines: where two candidates cross the need at almost one place both rings are seen.
    axes.plot([one.holds_mm3_s], [force], "o", ms=7, mfc=PAPER, mec=colour, mew=1.8, zorder=4)


def _held(one: Available) -> str:
    """What a candidate holds and what ends it, in a few words."""
    since = f": {one.ends}" if one.ends else ""
    if one.holds_mm3_s is None:
        return f"holds nothing shown{since}"
    held = f"{one.holds_mm3_s:.3g} mm³/s"
    return f"at least {held}" if one.at_least else held + since


@dataclass(slots=True)
class _Label:
    """Words beside the end of a line, wanted at its force."""

    end_mm3_s: float
    force_n: float
    words: str
    colour: str
    under: str = ""
    bold: bool = False

    @property
    def height_pt(self) -> float:
        """Room that the words take."""
        return 25.0 if self.under else 12.5


def _line_labels(axes: Axes, needed: Line, available: Sequence[Available], right: float) -> None:
    """Names of the lines, and what they hold, right of the axes, where no curve runs through them
    and none lies on the next."""
    name = needed.name or "needed"
    labels = [_Label(needed.flow_mm3_s[-1], needed.force_n[-1], name, INK, bold=True)]
    top = axes.get_ylim()[1]
    for index, one in enumerate(available):
        colour = _AVAILABLE[index % len(_AVAILABLE)]
        end = min(right, one.flow_mm3_s[-1])
        force = _at(one.flow_mm3_s, one.force_n, end)
        name = one.name if force <= top else f"{one.name}: {force:.0f} N"
        labels.append(_Label(end, force, name, colour, _held(one), bold=True))
        if len(one.usable_n) and len(available) == 1:
            usable = _at(one.flow_mm3_s, one.usable_n, end)
            if usable <= top:
                labels.append(_Label(end, usable, "less margin", colour))
    figure = axes.get_figure(root=True)
    assert figure is not None
    newton_per_pt = top / (72.0 * figure.get_figheight() * 0.8)
    labels.sort(key=lambda label: label.force_n)
    heights = [label.height_pt * newton_per_pt for label in labels]
    middles = _apart([min(label.force_n, top) for label in labels], heights, top)
    for label, middle in zip(labels, middles, strict=True):
        # From the end of the line to its words, which may not stand beside it; pale, so that it is
        # not taken for more of the line.
        axes.plot(
            [label.end_mm3_s, right],
            [min(label.force_n, top), middle],
            color=label.colour,
            lw=0.7,
            alpha=0.45,
            clip_on=False,
        )
        lines = [(label.words, label.colour, label.bold)]
        if label.under:
            lines.append((label.under, INK, False))
        for number, (words, colour, bold) in enumerate(lines):
            axes.annotate(
                words,
                (right, middle),
                xytext=(6, 6.0 * (len(lines) - 1) - 12.0 * number),
                textcoords="offset points",
                va="center",
                fontweight="bold" if bold else "normal",
                fontsize=9.0 if bold else 8.0,
                color=colour,
                annotation_clip=False,
            )


def _apart(wanted: Sequence[float], heights: Sequence[float], top: float) -> list[float]:
    """Middles of labels of some heights, as near as may be to rising places, none on the next and
    none above the top or below zero.

    Less the heights of those before it each place must not fall: neighbours in conflict meet at
    their mean (isotonic regression by pooling; common practice).
    """
    offsets = [0.0]
    for low, high in itertools.pairwise(heights):
        offsets.append(offsets[-1] + 0.5 * (low + high))
    pools: list[tuple[float, int]] = []
    for place, offset in zip(wanted, offsets, strict=True):
        mean, count = place - offset, 1
        while pools and pools[-1][0] > mean:
            other, of = pools.pop()
            mean, count = (mean * count + other * of) / (count + of), count + of
        pools.append((mean, count))
    least, most = 0.5 * heights[0], top - offsets[-1]
    bases = [max(least, min(mean, most)) for mean, count in pools for _ in range(count)]
    return [base + offset for base, offset in zip(bases, offsets, strict=True)]


def _at(xs: Sequence[float], ys: Sequence[float], x: float) -> float:
    import numpy as np

    return float(np.interp(x, xs, ys))
