"""The self-contained page: one HTML file without scripts and without anything from outside."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.errors import UsageError
from rig.report import words
from rig.report.data import ReportData, TrialRow
from rig.report.force import draw_force
from rig.report.look import css_variables, heat_colours, our_look, picture_words, svg_text
from rig.report.passmap import draw_map
from rig.report.words import sig

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from rig.curves.curveset import Curve, Point

_VERDICTS = ("clean", "skip", "slip", "void")
_WIDE_IN, _NARROW_IN = 8.6, 3.7


def write_report(source: ReportData | str | Path, out_path: str | Path) -> Path:
    """Write the page of a run.

    Args:
        source: The data, or a run folder.
        out_path: The file to write.

    Raises:
        RunFolderError: No run folder there.
        UsageError: The file cannot be written.
    """
    from rig.export.files import target, write_whole

    data = source if isinstance(source, ReportData) else _read(source)
    return write_whole(target(out_path, "report.html"), report_html(data))


def _read(folder: str | Path) -> ReportData:
    from rig.report.run_folder import read_run

    return read_run(folder)


def report_html(data: ReportData, *, sounds: int = 2) -> str:
    """The page as text.

    Args:
        data: What is reported.
        sounds: Up to how many trials are shown as spectrograms.
    """
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("rig.report", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("report.html.j2").render(_content(data, sounds))


def _content(data: ReportData, sounds: int) -> dict[str, Any]:
    curves = data.curves.curves if data.curves is not None else ()
    bench = data.bench
    heading = "Force against flow"
    if bench is not None:
        heading = f"{bench.hot_end.name}, {bench.filament.name}: force against flow"
    elif data.name:
        heading = f"{data.name}: force against flow"
    parts = [data.name if bench is not None else "", data.started]
    parts += [f"{len(data.trials)} trials" if data.trials else ""]
    flows = words.round_flows(curves) if curves else [0.0]
    middle = flows[(len(flows) - 1) // 2]
    scale = any(curve.scale_uncertainty > 0 for curve in curves)
    return {
        "title": heading,
        "heading": heading,
        "subtitle": " · ".join(part for part in parts if part) or "from a table of thresholds",
        "light": _safe(css_variables(dark=False)),
        "dark": _safe(css_variables(dark=True)),
        "simulated": data.simulated,
        "finished": data.finished,
        "answers": [words.answer(curve, middle) for curve in curves],
        "why_no_curve": (
            "no trial has closed a bracket yet." if not data.thresholds else "too few thresholds."
        ),
        "summary": _summary(curves),
        "band_words": (
            "shape and common force scale together" if scale else "of the shape of the curve"
        ),
        "pictures": _pictures(data),
        "sureness": words.sureness(data.curves) if data.curves is not None else [],
        "budget": _budget(data),
        "cautions": words.cautions(data),
        "sounds": _sounds(data.trials, sounds),
        "points": [_point(point) for curve in curves for point in curve.points],
        "facts": _facts(data),
        "trials": [_trial(trial) for trial in data.trials],
        "footer": _footer(data),
    }


def _safe(text: str) -> Any:
    """Markup of our own making; everything else is escaped by the template."""
    from markupsafe import Markup

    return Markup(text)


def _colour(name: str) -> Any:
    """A colour of the palette as a CSS variable, where it has one."""
    from rig.report.look import COLOURS

    for key, (light, _) in COLOURS.items():
        if light == name:
            return f"var(--{key})"
    return name


def _summary(curves: Sequence[Curve]) -> dict[str, Any]:
    if not curves:
        return {"flows": [], "rows": []}
    flows = words.round_flows(curves)
    colours = heat_colours([curve.temperature_c for curve in curves])
    rows = []
    for curve in curves:
        cells: list[dict[str, str] | None] = []
        for flow in flows:
            if not curve.holds(flow):
                cells.append(None)
                continue
            low, high = curve.band_n(flow, total=True)
            cells.append({"force": sig(curve.force_n(flow)), "band": f"{sig(low)} – {sig(high)}"})
        low_q, high_q = curve.flow_range_mm3_s
        rows.append(
            {
                "temperature": f"{curve.temperature_c:g}",
                "colour": _colour(colours[curve.temperature_c]),
                "cells": cells,
                "range": f"{sig(low_q, 2)} – {sig(high_q, 2)}",
                "melt": words.melt_words(curve),
            }
        )
    return {"flows": [f"{flow:g}" for flow in flows], "rows": rows}


def _both(wide: Figure, narrow: Figure, *, name: str, alt: str, caption: str) -> dict[str, Any]:
    return {
        "wide": _safe(svg_text(wide, name=f"{name}-wide")),
        "narrow": _safe(svg_text(narrow, name=f"{name}-narrow")),
        "alt": alt,
        "caption": caption,
    }


def _pictures(data: ReportData) -> dict[str, Any]:
    pictures: dict[str, Any] = {"force": None, "map": None}
    if data.curves is not None:
        pictures["force"] = _both(
            draw_force(data.curves, width_in=_WIDE_IN),
            draw_force(data.curves, width_in=_NARROW_IN),
            name="force",
            alt="Force in N against flow in mm3/s, one curve a temperature",
            caption=(
                "Each bar is a threshold: from the highest speed that ran clean to the lowest that "
                "skipped, at the force the motor could give. Hollow marks are left out of the fit. "
                "Dark band: 95 % for the shape; light band: with the common error of the force "
                "scale. Below: how far each threshold lies off, in standard deviations."
            ),
        )
    if data.trials:
        thresholds = data.brackets()
        limits = melt_speeds(data)
        pictures["map"] = _both(
            draw_map(data.trials, thresholds, melt_limits_mm_s=limits, width_in=_WIDE_IN),
            draw_map(data.trials, thresholds, melt_limits_mm_s=limits, width_in=_NARROW_IN),
            name="map",
            alt="Run current against filament speed: which trials ran clean and which skipped",
            caption="Every trial at its current and speed. The threshold lies inside the bracket.",
        )
    return pictures


def melt_speeds(data: ReportData) -> dict[float, float]:
    """Temperature in C -> filament speed of the melt limit in mm/s, where it is bounded and near.

    A limit far beyond what was measured is a guess of the law: it stays in the table.
    """
    limits = {}
    for curve in data.curves.curves if data.curves is not None else ():
        limit = curve.melt_limit
        if limit is None or limit.upper is None or not curve.points:
            continue
        if limit.value < words.NEAR_LIMIT * curve.flow_range_mm3_s[1]:
            limits[curve.temperature_c] = limit.value / curve.points[0].threshold.area_mm2
    return limits


def _budget(data: ReportData) -> dict[str, Any] | None:
    """The uncertainty budget of the first curve, by falling share of the variance."""
    document = data.curves.budget if data.curves is not None else None
    held = (document or {}).get("curves") or ()
    if not held or not held[0].get("components"):
        return None
    components = sorted(held[0]["components"], key=lambda part: -float(part["standard"]))
    rows = [
        {
            "name": str(part["name"]),
            "standard": words.percent(float(part["standard"])),
            "share": f"{100 * float(part['share']):.0f} %",
            "width": f"{5 * float(part['share']):.2f}",
            "kind": "scale" if part["kind"] == "scale" else "shape",
            "moves": "all together" if part["kind"] == "scale" else "each by itself",
            "improve": str(part.get("improve", "")),
        }
        for part in components
    ]
    return {"where": picture_words(str(held[0].get("where", ""))), "rows": rows}


def _sounds(trials: Sequence[TrialRow], wanted: int) -> list[dict[str, str]]:
    """Spectrograms of the last skip and the last clean trial whose sound was kept."""
    from rig.report.spectrogram import draw_trial

    shown = []
    for verdict in ("skip", "clean", "void")[: max(0, wanted)]:
        kept = [t for t in trials if t.verdict == verdict and t.audio and t.audio.is_file()]
        for trial in reversed(kept[-3:]):
            try:
                wide, narrow = (
                    _png(draw_trial(trial, width_in=width_in)) for width_in in (8.0, _NARROW_IN)
                )
            except UsageError:
                continue  # a sound file that cannot be read must not cost the report
            heading = f"Trial {trial.number}, {trial.verdict}"
            shown.append(
                {
                    "alt": f"Spectrogram of trial {trial.number}, verdict {trial.verdict}",
                    "wide": wide,
                    "narrow": narrow,
                    "caption": f"{heading}: {trial.explanation or trial.reason}.",
                }
            )
            break
    return shown


def _png(figure: Figure) -> str:
    """A PNG in base64, in a palette: a spectrogram has one hue, and this halves its size."""
    from PIL import Image

    out = io.BytesIO()
    with our_look():
        figure.savefig(out, format="png", dpi=120)
    small = io.BytesIO()
    with Image.open(out) as image:
        image.convert("RGB").quantize(128, Image.Quantize.MAXCOVERAGE).save(
            small, format="png", optimize=True
        )
    return base64.b64encode(small.getvalue()).decode("ascii")


def _point(point: Point) -> dict[str, Any]:
    threshold = point.threshold
    ends = [e for e in (threshold.clean_mm3_s, threshold.skip_mm3_s) if e is not None]
    remark = ""
    if threshold.excluded:
        remark = words.REASON_WORDS.get(threshold.excluded, f"not trusted: {threshold.excluded}")
    elif point.remark:
        remark = point.remark
    elif threshold.skip_mm_s is None:
        remark = "no skip was reached"
    elif threshold.clean_mm_s is None:
        remark = "nothing ran clean"
    return {
        "fitted": point.fitted,
        "temperature": f"{threshold.temperature_c:g}",
        "current": "–" if threshold.current_a is None else f"{threshold.current_a:g} A",
        "force": sig(threshold.force_n),
        "clean": sig(threshold.clean_mm_s),
        "skip": sig(threshold.skip_mm_s),
        "flow": " – ".join(sig(end) for end in ends),
        "residual": "–" if point.residual is None else f"{point.residual:+.1f} σ",
        "remark": picture_words(remark),
    }


def _trial(trial: TrialRow) -> dict[str, Any]:
    p = trial.p_skip
    p_text = "–" if p is None else "< 0.001" if p < 0.001 else "> 0.999" if p > 0.999 else sig(p, 2)
    lasted = "–" if trial.duration_s is None else f"{trial.duration_s:.1f} s"
    temperature = f"{trial.temperature_c:g} °C"
    if trial.least_c is not None and trial.most_c is not None:
        temperature = f"{trial.least_c:.1f} – {trial.most_c:.1f} °C"
    why = trial.explanation or trial.reason
    return {
        "number": trial.number,
        "verdict": trial.verdict,
        "kind": trial.verdict if trial.verdict in _VERDICTS else "void",
        "temperature": temperature,
        "current": f"{trial.current_a:g}",
        "speed": sig(trial.speed_mm_s),
        "p_skip": p_text,
        "clicks": trial.clicks or "–",
        "lasted": lasted,
        "why": f"{trial.purpose}: {why}" if trial.purpose and why else why or trial.purpose,
    }


def _facts(data: ReportData) -> list[tuple[str, str]]:
    facts = words.bench_facts(data.bench) if data.bench is not None else []
    when = words.span(data.started, data.ended)
    if when:
        facts.append(("When", when))
    if data.trials:
        counts = ", ".join(
            f"{data.count(verdict)} {verdict}" for verdict in _VERDICTS if data.count(verdict)
        )
        used = f"; {sig(data.filament_mm / 1000, 2)} m of filament" if data.filament_mm else ""
        facts.append(("Trials", f"{len(data.trials)}: {counts}{used}"))
    facts += list(data.facts)
    if data.curves is not None and data.curves.bench_digest:
        facts.append(("Bench digest", data.curves.bench_digest))
    elif data.bench is not None:
        facts.append(("Bench digest", data.bench.digest()))
    return facts


def _footer(data: ReportData) -> str:
    from importlib import metadata

    try:
        version = metadata.version("stallcurve")
    except metadata.PackageNotFoundError:
        version = "(not installed)"
    text = f"stallcurve {version}"
    if data.simulated:
        text += " · simulated"
    return text
