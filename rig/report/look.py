"""The look of all pictures: one quiet palette, direct labels, and how a figure is kept.

Figures are made without pyplot, so that nothing global is touched and no window system is asked
for. Every colour has a name; in the HTML page the names become CSS variables, so that the pictures
follow the reader's light or dark setting. Verdicts differ in shape as well as in colour.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

#: name -> (on light paper, on dark paper)
COLOURS: dict[str, tuple[str, str]] = {
    "paper": ("#fdfcf9", "#171d22"),
    "ink": ("#20303b", "#dfe5e6"),
    "soft": ("#5a6a74", "#9dabb3"),
    "faint": ("#b9c3c7", "#4a5861"),
    "grid": ("#e6e9e8", "#2b353c"),
    "clean": ("#1d7f78", "#56bdb2"),
    "skip": ("#c2502a", "#ef8f66"),
    "slip": ("#96700f", "#d9b458"),
    "void": ("#8a979f", "#7f8d96"),
    "heat1": ("#2f5597", "#86a9e6"),
    "heat2": ("#17868c", "#52c0c4"),
    "heat3": ("#a97112", "#e0ad52"),
    "heat4": ("#b3432f", "#ee8a73"),
    "heat5": ("#76326f", "#d08acb"),
}
INK, SOFT, FAINT, GRID, PAPER = (COLOURS[n][0] for n in ("ink", "soft", "faint", "grid", "paper"))
VERDICT_COLOUR = {name: COLOURS[name][0] for name in ("clean", "skip", "slip", "void")}
VERDICT_MARK = {"clean": "o", "skip": "x", "slip": "^", "void": "."}
_HEAT = [COLOURS[f"heat{k}"][0] for k in range(1, 6)]
_FINE = 200
"""Places at which a smooth line is drawn."""
_PICK = {1: (1,), 2: (0, 3), 3: (0, 2, 3), 4: (0, 1, 2, 3), 5: (0, 1, 2, 3, 4)}

_RC: Any = {
    "font.family": ["DejaVu Sans"],
    "font.size": 9.0,
    "axes.titlesize": 10.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.titlepad": 9.0,
    "axes.edgecolor": FAINT,
    "axes.linewidth": 0.8,
    "axes.labelcolor": SOFT,
    "axes.titlecolor": INK,
    "axes.facecolor": "none",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": GRID,
    "grid.linewidth": 0.8,
    "text.color": INK,
    "xtick.color": FAINT,
    "ytick.color": FAINT,
    "xtick.labelcolor": SOFT,
    "ytick.labelcolor": SOFT,
    "lines.linewidth": 2.0,
    "lines.solid_capstyle": "round",
    "figure.facecolor": PAPER,
    "savefig.facecolor": PAPER,
    "svg.fonttype": "none",
    "svg.hashsalt": "stallcurve",
    "path.simplify": True,
}


@contextmanager
def our_look() -> Iterator[None]:
    """The settings of this module while a figure is drawn or written; all is put back after."""
    import matplotlib

    with matplotlib.rc_context(_RC):
        yield


def new_figure(width_in: float, height_in: float) -> Figure:
    """An empty figure without pyplot, in inches."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def heat_colours(temperatures_c: Sequence[float]) -> dict[float, str]:
    """A colour for each temperature, cool to hot; beyond five they are blended."""
    ordered = sorted(set(temperatures_c))
    if len(ordered) in _PICK:
        picked = [_HEAT[k] for k in _PICK[len(ordered)]]
        return dict(zip(ordered, picked, strict=True))
    from matplotlib.colors import LinearSegmentedColormap, to_hex

    blend = LinearSegmentedColormap.from_list("heat", _HEAT)
    return {t: to_hex(blend(k / (len(ordered) - 1))) for k, t in enumerate(ordered)}


def label_axes(axes: Axes, *, x: str, y: str, title: str = "") -> None:
    """Axis labels with units, and a title that says what is seen."""
    axes.set_xlabel(x)
    axes.set_ylabel(y)
    if title:
        axes.set_title(title)
    axes.tick_params(length=3)


def end_labels(axes: Axes, labels: Sequence[tuple[float, float, str, str]]) -> None:
    """Names above line ends: (x, y, text, colour); where two would touch, the later goes higher.

    The limits of the axes must stand already.
    """
    (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
    figure = axes.get_figure(root=True)
    assert figure is not None
    x_pt = 72.0 * figure.get_figwidth() * 0.85 / (right - left)
    y_pt = 72.0 * figure.get_figheight() * 0.75 / (high - low)
    placed: list[tuple[float, float, int]] = []
    for x, y, text, colour in sorted(labels):
        raise_pt = 9.0
        while any(
            abs(x - px) * x_pt < 3.4 * (len(text) + letters)
            and abs(y * y_pt + raise_pt - py) < 12.0
            for px, py, letters in placed
        ):
            raise_pt += 6.0
        placed.append((x, y * y_pt + raise_pt, len(text)))
        axes.annotate(
            text,
            (x, y),
            xytext=(0, raise_pt),
            textcoords="offset points",
            color=colour,
            ha="center",
            fontweight="bold",
            annotation_clip=False,
        )


def legend_below(figure: Figure, entries: Sequence[tuple[Any, str]]) -> None:
    """A legend under the picture, where no curve can lie; the picture grows by as much.

    Args:
        figure: A figure of `new_figure`.
        entries: Handle and words of each; a line with a "|" shows one at either end.
    """
    from matplotlib.legend_handler import HandlerLine2D
    from matplotlib.lines import Line2D

    width_in, height_in = figure.get_size_inches()
    # Letters of the longest entry, and its handle.
    wide_in = (4.3 * max(len(words) for _, words in entries) + 40.0) / 72.0
    columns = max(1, min(len(entries), int(width_in / wide_in)))
    figure.set_size_inches(width_in, height_in + 0.10 + 0.165 * -(-len(entries) // columns))
    figure.legend(
        [handle for handle, _ in entries],
        [words for _, words in entries],
        loc="outside lower left",
        ncols=columns,
        fontsize=7.8,
        labelcolor=SOFT,
        frameon=False,
        columnspacing=1.6,
        handler_map={
            handle: HandlerLine2D(numpoints=2)
            for handle, _ in entries
            if isinstance(handle, Line2D) and handle.get_marker() == "|"
        },
    )


def picture_words(text: str) -> str:
    """Words made for a terminal with the signs that pictures have: 210 °C, mm³/s."""
    return re.sub(r"(?<=\d) C\b", " °C", text.replace("mm3", "mm³"))


def dense(
    x: Sequence[float], *columns: Sequence[float]
) -> tuple[NDArray[np.float64], list[NDArray[np.float64]]]:
    """A table on many more x, for lines without kinks: through every row, monotone between two.

    Interpolated in logarithms (Fritsch and Carlson 1980, SIAM J. Numer. Anal. 17, 238), so that
    nothing is drawn beyond what two neighbouring rows say.

    Args:
        x: Rising and positive.
        columns: Positive values at each x.
    """
    import numpy as np
    from scipy.interpolate import PchipInterpolator

    place = np.asarray(x, dtype=float)
    values = [np.asarray(column, dtype=float) for column in columns]
    if any((v <= 0).any() for v in (place, *values)) or not (np.diff(place) > 0).all():
        return place, values
    if len(place) < 2:
        return place, values
    known = np.log(place)
    fine = np.unique(np.concatenate((known, np.linspace(known[0], known[-1], _FINE))))
    return np.exp(fine), [np.exp(PchipInterpolator(known, np.log(v))(fine)) for v in values]


def svg_text(figure: Figure, *, name: str) -> str:
    """The figure as an ``<svg>`` element for an HTML page.

    Colours become CSS variables, all ids start with ``name`` (two pictures in one page must not
    share clip paths), the background is left to the page, and nothing outside is referred to.
    """
    out = io.StringIO()
    with our_look():
        figure.savefig(out, format="svg", metadata={"Date": None}, transparent=True)
    svg = out.getvalue()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.S)
    svg = re.sub(r'\bid="', f'id="{name}-', svg)
    svg = svg.replace("url(#", f"url(#{name}-").replace('href="#', f'href="#{name}-')
    for key, (light, _) in COLOURS.items():
        svg = svg.replace(light, f"var(--{key})")
    head, rest = svg.split(">", 1)
    head = re.sub(r' (width|height)="[^"]*"', "", head)
    return f"{head}>{rest}"


def css_variables(*, dark: bool) -> str:
    """The palette as CSS custom properties."""
    return " ".join(f"--{name}: {pair[dark]};" for name, pair in COLOURS.items())


def save_picture(figure: Figure, stem: str | Path, *, dpi: int = 160) -> list[Path]:
    """Write ``stem.png`` and ``stem.svg``; the same figure gives the same bytes.

    Raises:
        UsageError: The files cannot be written there.
    """
    from rig.export.files import target, write_whole

    stem = Path(stem)
    written = []
    for kind in ("png", "svg"):
        out = io.BytesIO()
        metadata = {"Software": None} if kind == "png" else {"Date": None}
        with our_look():
            figure.savefig(out, format=kind, dpi=dpi, metadata=metadata)
        file = target(stem.with_name(f"{stem.name}.{kind}"), f"picture.{kind}")
        written.append(write_whole(file, out.getvalue()))
    return written
