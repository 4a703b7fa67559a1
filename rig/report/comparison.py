"""Two curves beside each other, and the ratio of their forces with its band."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rig.report.look import COLOURS, FAINT, INK, end_labels, label_axes, new_figure, our_look

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_TWO = (COLOURS["heat1"][0], COLOURS["heat4"][0], COLOURS["heat2"][0], COLOURS["heat5"][0])


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

    colours = {line.name: _TWO[k % len(_TWO)] for k, line in enumerate(lines)}
    with our_look():
        figure = new_figure(width_in, 0.62 * width_in + 1.9)
        axes, below = figure.subplots(
            2, 1, sharex=True, gridspec_kw={"height_ratios": [0.62 * width_in, 1.7]}
        )
        for line in lines:
            colour = colours[line.name]
            axes.fill_between(
                line.flow_mm3_s, line.lower_n, line.upper_n, color=colour, alpha=0.2, linewidth=0
            )
            axes.plot(line.flow_mm3_s, line.force_n, color=colour)
        axes.set_xlim(0.0, 1.10 * max(max(line.flow_mm3_s) for line in lines))
        # Towards a melt limit the band goes up without end: it may leave the picture.
        tops = [min(max(line.upper_n), 1.2 * max(line.force_n)) for line in lines]
        axes.set_ylim(0.0, 1.14 * max(tops))
        end_labels(
            axes,
            [
                (line.flow_mm3_s[-1], line.force_n[-1], line.name, colours[line.name])
                for line in lines
            ],
        )
        label_axes(axes, x="", y="force, N")
        if sentence:
            words = textwrap.fill(sentence, int(12 * width_in))
            axes.set_title(words, fontsize=9.5, fontweight="normal")
        below.axhline(1.0, color=FAINT, lw=1.0)
        for ratio in ratios:
            colour = colours.get(ratio.name, INK)
            below.fill_between(
                ratio.flow_mm3_s, ratio.lower, ratio.upper, color=colour, alpha=0.2, linewidth=0
            )
            below.plot(ratio.flow_mm3_s, ratio.value, color=colour)
        reference = lines[0].name if len(ratios) == len(lines) - 1 else "the reference"
        ends = [v for ratio in ratios for v in (*ratio.lower, *ratio.upper)] + [1.0]
        pad = 0.12 * max(max(ends) - min(ends), 0.06)
        below.set_ylim(min(ends) - pad, max(ends) + pad)
        label_axes(below, x="flow, mm³/s", y=f"force over\n{reference}")
        return figure
