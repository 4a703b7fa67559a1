"""``stallcurve fit``: from thresholds to curves."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands._out import document, note, say

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rig.curves.curveset import Curve, CurveSet, Parameter

MODELS = (
    "auto",
    "power",
    "power-yield",
    "power-melt",
    "power-yield-melt",
    "power-yield-melt-pole",
    "power-yield-melt-saturating",
    "cross",
    "cross-melt",
    "smooth",
)

#: Share of the variance below which a source of uncertainty is not told.
_LEAST_SHARE = 0.005


@click.command("fit")
@click.argument("sources", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--model", type=click.Choice(MODELS), default="auto", show_default=True)
@click.option(
    "--bench", "bench_file", type=click.Path(path_type=Path), help="Bench file for currents."
)
@click.option("--filament-diameter", type=float, help="In mm; 1.75 where there is no bench.")
@click.option("--no-joint", is_flag=True, help="No law over all temperatures together.")
@click.option("--out", type=click.Path(path_type=Path), help="Folder for curve.json and plots.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def command(
    sources: tuple[Path, ...],
    model: str,
    bench_file: Path | None,
    filament_diameter: float | None,
    no_joint: bool,
    out: Path | None,
    as_json: bool,
) -> None:
    """Curve of force against flow from SOURCES.

    A source is a run folder, or a CSV table with the columns temperature_c, current_a, clean_mm_s,
    skip_mm_s (and --bench FILE), or with force_n in place of current_a. Several are fitted
    together.
    """
    from rig.commands._curves import check_number, curves_of

    check_number("--filament-diameter", filament_diameter, "mm", high=10.0)
    bench = None
    if bench_file is not None:
        from rig.bench import load_bench

        bench = load_bench(bench_file)
    curves = curves_of(
        sources,
        bench=bench,
        diameter_mm=filament_diameter,
        model=model,
        joint=not no_joint,
    )
    written: list[Path] = []
    if out is not None:
        written = write_results(curves, out)
    if as_json:
        document(curves.to_document())
        return
    describe(curves)
    for path in written:
        note(f"wrote {path}")


def write_results(curves: CurveSet, folder: Path) -> list[Path]:
    """``curve.json``, CSV files and plots of curves, into a folder."""
    from rig.errors import UsageError
    from rig.export import export
    from rig.report.write import write_curve_pictures

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"{folder}: cannot be made ({error.strerror})") from error
    return [
        *export(curves, "json", folder),
        *export(curves, "csv", folder),
        *write_curve_pictures(curves, folder),
    ]


def describe(curves: CurveSet) -> None:
    """The curves in words, for a terminal."""
    budgets = (curves.budget or {}).get("curves") or ()
    for index, curve in enumerate(curves.curves):
        _describe_curve(curve)
        if index < len(budgets):
            _describe_budget(budgets[index])
        say()
    joint = curves.joint
    if joint is not None:
        say(f"All temperatures together ({joint.model}, at {joint.reference_c:g} C):")
        for name, parameter in joint.parameters.items():
            say(f"  {name:<38} {_interval(parameter)}")
        for sentence in joint.notes:
            say(f"  - {sentence}")
    for sentence in curves.notes:
        say(f"- {sentence}")


def _describe_curve(curve: Curve) -> None:
    low, high = curve.flow_range_mm3_s
    say(
        f"{curve.temperature_c:g} C: {curve.model}, measured from {low:.3g} to {high:.3g} mm3/s, "
        f"{sum(point.fitted for point in curve.points)} of {len(curve.points)} points"
    )
    for name, parameter in curve.parameters.items():
        say(f"  {name:<38} {_interval(parameter)}")
    say(f"  {'flow mm3/s':>10} {'force N':>10} {'95 % band N':>19} {'slope N s/mm3':>15}")
    rows = curve.table
    for row in [rows[round(k * (len(rows) - 1) / 6)] for k in range(7)]:
        band = f"{row.lower_n:.2f} to {row.upper_n:.2f}"
        say(f"  {row.flow_mm3_s:>10.3f} {row.force_n:>10.2f} {band:>19} {row.slope_n_s_mm3:>15.3f}")
    if curve.scale_uncertainty:
        say(
            f"  common to all forces, on top: +-{196 * curve.scale_uncertainty:.1f} % (95 %), "
            "which moves the whole curve up or down"
        )
    for sentence in [*curve.notes, *_of_points(curve)]:
        say(f"  - {sentence}")


def _of_points(curve: Curve) -> list[str]:
    """What is remarked of single thresholds, those of one remark in one sentence."""
    forces: dict[str, list[float]] = {}
    for point in curve.points:
        # Those far off, and those that the law has no place for, have their note already.
        if point.remark and not point.remark.startswith(("outlier", "melt-limit:")):
            words = point.remark if point.fitted else f"left out ({point.remark})"
            forces.setdefault(words, []).append(point.threshold.force_n)
    return [
        f"at {', '.join(f'{force:.3g}' for force in sorted(set(group)))} N: {words}"
        for words, group in forces.items()
    ]


def _describe_budget(budget: Mapping[str, Any]) -> None:
    """The uncertainty budget, what dominates first."""
    say(f"  Uncertainty, {budget['sentence']}")
    for part in budget["components"]:
        if part["share"] >= _LEAST_SHARE:
            say(
                f"    {part['name']:<28} {100 * part['standard']:>6.2f} % standard "
                f"{100 * part['share']:>4.0f} %  {part['kind']}, type {part['evaluation']}"
            )


def _interval(parameter: Parameter) -> str:
    lower = "?" if parameter.lower is None else f"{parameter.lower:.4g}"
    upper = "no bound" if parameter.upper is None else f"{parameter.upper:.4g}"
    unit = "" if parameter.unit == "1" else f" {parameter.unit}"
    return f"{parameter.value:.4g}{unit} (95 %: {lower} to {upper})"
