"""The pass and skip map: every trial at its current and speed, and the brackets they closed."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from rig.report.look import (
    COLOURS,
    FAINT,
    INK,
    PAPER,
    SOFT,
    VERDICT_COLOUR,
    heat_colours,
    new_figure,
    our_look,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from rig.curves.points import Threshold
    from rig.report.data import TrialRow

_SAME_C = 0.6
_STYLE: dict[str, dict[str, Any]] = {
    "clean": {"marker": "o", "ms": 4.6, "mew": 0.0},
    "skip": {"marker": "x", "ms": 5.4, "mew": 1.6},
    "slip": {"marker": "^", "ms": 6.0, "mew": 1.3, "mfc": PAPER},
    "void": {"marker": "o", "ms": 3.8, "mew": 1.0, "mfc": PAPER},
}
_ORDER = ("void", "clean", "slip", "skip")
_WORDS = {"clean": "clean", "skip": "skip", "slip": "slip (grip lost)", "void": "void"}


def draw_map(
    trials: Sequence[TrialRow],
    thresholds: Iterable[Threshold] = (),
    *,
    melt_limits_mm_s: Mapping[float, float] | None = None,
    width_in: float = 7.2,
) -> Figure:
    """Current against speed, one panel a temperature.

    Args:
        trials: What was tried, with verdicts.
        thresholds: Brackets to draw between the highest clean and lowest skipping speed.
        melt_limits_mm_s: Temperature in C -> filament speed of the melt limit, in mm/s.
        width_in: Width of the figure, in inches; below 5 the panels stand below one another.
    """
    brackets = list(thresholds)
    temperatures = sorted(
        {t.temperature_c for t in trials} | {b.temperature_c for b in brackets if b.current_a}
    )
    columns = 1 if width_in < 5 else min(3, max(1, len(temperatures)))
    rows = max(1, math.ceil(len(temperatures) / columns))
    height = width_in / columns * {1: 0.62, 2: 0.95}.get(columns, 1.15)
    if width_in < 5:
        height = width_in * 0.8
    colours = heat_colours(temperatures)
    with our_look():
        figure = new_figure(width_in, rows * height + 0.35)
        grid = figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False)
        for axes in grid.flat[len(temperatures) :]:
            axes.set_axis_off()
        for axes, temperature_c in zip(grid.flat, temperatures, strict=False):
            here = [t for t in trials if abs(t.temperature_c - temperature_c) < _SAME_C]
            own = [b for b in brackets if abs(b.temperature_c - temperature_c) < _SAME_C]
            _panel(axes, here, own)
            axes.set_title(f"{temperature_c:g} °C", color=colours[temperature_c])
            axes.tick_params(length=3)
        _limits(grid.flat[0], trials, brackets)
        for axes, temperature_c in zip(grid.flat, temperatures, strict=False):
            _melt(axes, temperature_c, melt_limits_mm_s or {})
        _key(figure, [t.verdict for t in trials], any(b.closed for b in brackets))
        figure.supxlabel("run current, A", fontsize=9, color=SOFT)
        figure.supylabel("filament speed, mm/s", fontsize=9, color=SOFT)
        return figure


def _panel(axes: Axes, trials: Sequence[TrialRow], brackets: Sequence[Threshold]) -> None:
    for verdict in _ORDER:
        own = [t for t in trials if t.verdict == verdict]
        axes.plot(
            [t.current_a for t in own],
            [t.speed_mm_s for t in own],
            ls="none",
            color=VERDICT_COLOUR[verdict],
            alpha=0.9,
            **_STYLE[verdict],
        )
    step = _step([b.current_a for b in brackets if b.current_a is not None])
    for bracket in brackets:
        if bracket.current_a is None:
            continue
        x, half = bracket.current_a, 0.30 * step
        left_out = bracket.excluded is not None
        colour = SOFT if left_out else INK
        low, high = bracket.clean_mm_s, bracket.skip_mm_s
        for speed in (low, high):
            if speed is not None:
                axes.plot([x - half, x + half], [speed, speed], color=colour, lw=1.2)
        if low is not None and high is not None:
            axes.fill_between(
                [x - half, x + half], low, high, color=colour, alpha=0.22, linewidth=0
            )
        if left_out:
            axes.annotate(
                str(bracket.excluded),
                (x, high or low or 0.0),
                xytext=(0, 6),
                textcoords="offset points",
                ha="center",
                fontsize=7.5,
                color=SOFT,
            )


def _step(currents: Sequence[float]) -> float:
    ordered = sorted(set(currents))
    if len(ordered) < 2:
        return 0.08
    return min(b - a for a, b in itertools.pairwise(ordered))


def _limits(axes: Axes, trials: Sequence[TrialRow], brackets: Sequence[Threshold]) -> None:
    currents = [t.current_a for t in trials] + [b.current_a for b in brackets if b.current_a]
    speeds = [t.speed_mm_s for t in trials]
    speeds += [s for b in brackets for s in (b.clean_mm_s, b.skip_mm_s) if s]
    if not currents or not speeds:
        return
    pad = 0.6 * _step(currents)
    axes.set_xlim(min(currents) - pad, max(currents) + pad)
    axes.set_ylim(0.0, 1.12 * max(speeds))


def _melt(axes: Axes, temperature_c: float, limits: Mapping[float, float]) -> None:
    for at_c, speed in limits.items():
        if abs(at_c - temperature_c) > _SAME_C:
            continue
        top = axes.get_ylim()[1]
        if speed > top:
            continue
        axes.axhline(speed, color=COLOURS["skip"][0], lw=1.1, ls=(0, (5, 3)))
        axes.annotate(
            "melt limit",
            (axes.get_xlim()[0], speed),
            xytext=(5, 3),
            textcoords="offset points",
            fontsize=8,
            color=COLOURS["skip"][0],
        )


def _key(figure: Figure, verdicts: Sequence[str], bracketed: bool) -> None:
    """The marks in words, with their counts, along the top."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    marks: list[Line2D | Patch] = []
    for verdict in ("clean", "skip", "slip", "void"):
        count = verdicts.count(verdict)
        if count:
            style = dict(_STYLE[verdict])
            marks.append(
                Line2D(
                    [],
                    [],
                    ls="none",
                    color=VERDICT_COLOUR[verdict],
                    label=f"{count} {_WORDS[verdict]}",
                    **style,
                )
            )
    if bracketed:
        marks.append(Patch(facecolor=FAINT, edgecolor=INK, lw=0.8, label="bracket"))
    if marks:
        figure.legend(
            handles=marks,
            loc="outside upper left",
            ncols=min(len(marks), 5 if figure.get_figwidth() >= 5 else 3),
            frameon=False,
            fontsize=8.5,
            handletextpad=0.3,
            columnspacing=1.4,
        )
