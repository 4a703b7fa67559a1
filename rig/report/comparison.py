"""Two curves beside each other, and the ratio of their forces with its band."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from rig.report.look import (
    COLOURS,
    FAINT,
    INK,
    SOFT,
    dense,
    label_axes,
    legend_below,
    new_figure,
    our_look,
    picture_words,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_TWO = (COLOURS["heat1"][0], COLOURS["heat4"][0], COLOURS["heat2"][0], COLOURS["heat5"][0])
_DASHES = ("-", "--", ":")
"""Of the first four curves, the next four, and so on."""
_TALLEST = 1.6
"""Height that a band may take, in the greatest force of all curves."""
_WRAP = 24
"""Letters of a line beside the ratios."""


@dataclass(frozen=True, slots=True)
class Line:
    """A curve as it is drawn: equal lengths, in mm3/s and N."""

    name: str
    flow_mm3_s: Sequence[float]
    force_n: Sequence[float]
    lower_n: Sequence[float]
    upper_n: Sequence[float]


@dataclass(frozen=True, slots=True)
class Ratio:
    """Force of one curve over that of the reference on their common flows, with its band."""

    name: str
    flow_mm3_s: Sequence[float]
    value: Sequence[float]
    lower: Sequence[float]
    upper: Sequence[float]


def draw_comparison(
    lines: Sequence[Line], ratios: Sequence[Ratio], *, sentence: str = "", width_in: float = 7.2
) -> Figure:
    """Curves above, ratios of force below.

    Args:
        lines: The curves; the first is the reference.
        ratios: Force over that of the reference.
        sentence: What is concluded, as the heading.
        width_in: Width of the figure, in inches.
    """
    import textwrap

    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    looks = {
        line.name: (_TWO[k % len(_TWO)], _DASHES[k // len(_TWO) % len(_DASHES)])
        for k, line in enumerate(lines)
    }
    with our_look():
        figure = new_figure(width_in, 0.62 * width_in + 1.9)
        axes, below = figure.subplots(
            2, 1, sharex=True, gridspec_kw={"height_ratios": [0.62 * width_in, 1.7]}
        )
        for line in lines:
            _banded(
                axes, line.flow_mm3_s, line.force_n, line.lower_n, line.upper_n, looks[line.name]
            )
        axes.set_xlim(0.0, 1.10 * max(max(line.flow_mm3_s) for line in lines))
        # Towards a melt limit the band goes up without end: it may leave the picture.
        most = max(max(line.force_n) for line in lines)
        tops = [min(max(line.upper_n), _TALLEST * most) for line in lines]
        axes.set_ylim(0.0, 1.06 * max(tops))
        label_axes(axes, x="", y="force, N")
        if sentence:
            words = textwrap.fill(picture_words(sentence), int(12 * width_in))
            axes.set_title(words, fontsize=9.5, fontweight="normal")
        below.axhline(1.0, color=FAINT, lw=1.0)
        for ratio in ratios:
            look = looks.get(ratio.name, (INK, "-"))
            _banded(below, ratio.flow_mm3_s, ratio.value, ratio.lower, ratio.upper, look)
        alone = len(ratios) == len(lines) - 1
        reference = picture_words(lines[0].name) if alone else "the reference"
        ends = [v for ratio in ratios for v in (*ratio.lower, *ratio.upper)] + [1.0]
        pad = 0.12 * max(max(ends) - min(ends), 0.06)
        below.set_ylim(min(ends) - pad, max(ends) + pad)
        label_axes(below, x="flow, mm³/s", y=f"force over\n{textwrap.fill(reference, _WRAP)}")
        entries: list[tuple[Any, str]] = [
            (Line2D([], [], color=colour, ls=dashes), picture_words(name))
            for name, (colour, dashes) in looks.items()
        ]
        legend_below(figure, [*entries, (Patch(color=SOFT, alpha=0.2, lw=0), "95 % band")])
        return figure


def _banded(
    axes: Axes,
    flow_mm3_s: Sequence[float],
    value: Sequence[float],
    lower: Sequence[float],
    upper: Sequence[float],
    look: tuple[str, str],
) -> None:
    """A line with its band."""
    flows, (middle, low, high) = dense(flow_mm3_s, value, lower, upper)
    axes.fill_between(flows, low, high, color=look[0], alpha=0.2, linewidth=0)
    axes.plot(flows, middle, color=look[0], ls=look[1])
