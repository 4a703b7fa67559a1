"""Force needed against force available over flow, and the limit that binds first."""

from __future__ import annotations

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
_LOW = 0.08
"""Share of the height below which there is no room for words beneath a line."""


@dataclass(frozen=True, slots=True)
class Available:
    """What a motor, ratio and current can push.

    Attributes:
        name: The candidate.
        flow_mm3_s: Rising flows, in mm3/s.
        force_n: Force at each, in N.
        usable_n: The same less the stated margin, in N; empty where no margin was asked for.
        holds_mm3_s: Flow that can be held with the margin, in mm3/s; None where there is none.
        binds: What limits it, in a word or two.
        at_least: Whether nothing limits it within the flows shown.
    """

    name: str
    flow_mm3_s: Sequence[float]
    force_n: Sequence[float]
    usable_n: Sequence[float] = ()
    holds_mm3_s: float | None = None
    binds: str = ""
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
        # Under its low end the curve has nothing beside it, unless that lies at the bottom.
        start = min(needed.lower_n[0], needed.force_n[0])
        low = start < _LOW * top
        axes.annotate(
            needed.name or "needed",
            (needed.flow_mm3_s[0], max(needed.upper_n[0], needed.force_n[0]) if low else start),
            xytext=(-6, 7 if low else -14),
            textcoords="offset points",
            fontweight="bold",
            color=INK,
            path_effects=[withStroke(linewidth=2.5, foreground=PAPER)],
        )
        for index, one in enumerate(available):
            _candidate(axes, one, _AVAILABLE[index % len(_AVAILABLE)])
        _line_labels(axes, available, right)
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
    from matplotlib.patheffects import withStroke

    axes.plot(one.flow_mm3_s, one.force_n, color=colour)
    if len(one.usable_n):
        axes.plot(one.flow_mm3_s, one.usable_n, color=colour, lw=1.2, ls=(0, (2, 2)))
    if one.holds_mm3_s is None:
        return
    line = one.usable_n if len(one.usable_n) else one.force_n
    force = min(_at(one.flow_mm3_s, line, one.holds_mm3_s), 0.97 * axes.get_ylim()[1])
    axes.plot([one.holds_mm3_s], [force], "o", ms=7, mfc=PAPER, mec=colour, mew=1.8)
    left = one.holds_mm3_s > 0.7 * axes.get_xlim()[1]
    low = force < 1.5 * _LOW * axes.get_ylim()[1]
    words = f"{one.holds_mm3_s:.3g} mm³/s"
    if one.at_least:
        words = f"at least {words}"
    elif one.binds:
        words += f"\nbinds: {one.binds}"
    axes.annotate(
        words,
        (one.holds_mm3_s, force),
        xytext=(-9 if left else 9, 8 if low else -8),
        ha="right" if left else "left",
        textcoords="offset points",
        va="bottom" if low else "top",
        color=INK,
        fontsize=8.5,
        path_effects=[withStroke(linewidth=2.5, foreground=PAPER)],
    )


def _line_labels(axes: Axes, available: Sequence[Available], right: float) -> None:
    """Names of the lines right of the axes, none closer than a line of text to the next."""
    wanted: list[tuple[float, str, str, str]] = []
    for index, one in enumerate(available):
        colour = _AVAILABLE[index % len(_AVAILABLE)]
        end = min(right, one.flow_mm3_s[-1])
        wanted.append((_at(one.flow_mm3_s, one.force_n, end), one.name, colour, "bold"))
        if len(one.usable_n) and len(available) == 1:
            force = _at(one.flow_mm3_s, one.usable_n, end)
            wanted.append((force, "less margin", colour, "normal"))
    figure = axes.get_figure(root=True)
    assert figure is not None
    gap = axes.get_ylim()[1] * 12.5 / (72.0 * figure.get_figheight() * 0.8)
    top, lowest = axes.get_ylim()[1], -gap
    beyond = sorted((label for label in wanted if label[0] > top), reverse=True)
    wanted = [label for label in wanted if label[0] <= top] + [
        (top - gap * number, f"{words}: {force:.0f} N", colour, weight)
        for number, (force, words, colour, weight) in enumerate(beyond)
    ]
    for force, words, colour, weight in sorted(wanted):
        lowest = max(force, lowest + gap)
        axes.annotate(
            words,
            (right, lowest),
            xytext=(6, 0),
            textcoords="offset points",
            va="center",
            fontweight=weight,
            fontsize=9 if weight == "bold" else 8,
            color=colour,
            annotation_clip=False,
        )


def _at(xs: Sequence[float], ys: Sequence[float], x: float) -> float:
    import numpy as np

    return float(np.interp(x, xs, ys))
