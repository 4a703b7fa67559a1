"""``stallcurve advise``: which flow a motor, ratio and current can push."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.commands._out import document, note, say
from rig.errors import UsageError

if TYPE_CHECKING:
    from rig.curves.advise import Advice
    from rig.curves.curveset import Curve
    from rig.curves.supply import Supply


@click.command("advise")
@click.argument("curve", type=click.Path(path_type=Path))
@click.argument("benches", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--temperature", type=float, help="One of the curve's, in C; default: each.")
@click.option(
    "--margin", type=float, default=20.0, show_default=True, help="Force to spare, in per cent."
)
@click.option("--flow", type=float, help="A flow to hold, in mm3/s: its margin, and least current.")
@click.option("--current", "currents", type=float, multiple=True, help="In the driver's own unit.")
@click.option("--picture", type=click.Path(path_type=Path), help="Write this chart, PNG and SVG.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def command(
    curve: Path,
    benches: tuple[Path, ...],
    temperature: float | None,
    margin: float,
    flow: float | None,
    currents: tuple[float, ...],
    picture: Path | None,
    as_json: bool,
) -> None:
    """What the motors of BENCHES can push through what CURVE was measured on, and what limits it.

    CURVE is a run folder, a curve.json or a threshold table (one with currents is taken as measured
    on the first of BENCHES). A bench file for each candidate motor and ratio; --current, repeated,
    tries several currents with each. Without it the greatest that motor, driver and bench file
    allow is taken.
    """
    if not 0.0 <= margin <= 1000.0:
        raise UsageError(f"--margin {margin:g}: allowed is 0 to 1000 (per cent of force to spare)")
    from rig.bench import load_bench
    from rig.commands._curves import check_number, curves_of, has_currents_only
    from rig.curves.advise import advise_many

    check_number("--temperature", temperature, "C", low=-273.15)
    check_number("--flow", flow, "mm3/s")
    for current_a in currents:
        check_number("--current", current_a, "A, in the driver's own unit")
    candidates = {path.stem: load_bench(path) for path in benches}
    if len(candidates) < len(benches):
        candidates = {str(path): load_bench(path) for path in benches}
    fitted = curve / "curve.json"
    source = fitted if fitted.exists() else curve
    owner = next(iter(candidates)) if has_currents_only(source) else None
    curves = curves_of([source], bench=candidates[owner] if owner is not None else None)
    chosen = [curves.at(temperature)] if temperature is not None else list(curves.curves)
    if owner is not None:
        note(
            f"the currents of {source} are taken as measured on {owner}, the first bench: its "
            "motor, driver and drive make the forces of the curve"
        )
    for sentence in curves.notes:
        note(sentence)
    scale = str(curves.provenance.get("force_scale") or "")
    answers: list[tuple[Curve, list[Advice]]] = []
    for one in chosen:
        if flow is not None and not one.holds(flow) and len(chosen) > 1:
            low, high = one.flow_range_mm3_s
            note(
                f"{one.temperature_c:g} C is left out: {flow:g} mm3/s is outside the measured "
                f"{low:.3g} to {high:.3g} mm3/s"
            )
            continue
        found = advise_many(
            one,
            candidates,
            margin=margin / 100.0,
            currents_a=currents,
            wanted_mm3_s=flow,
            force_scale=scale,
            left_out=lambda why: note(f"{why}; left out"),
        )
        answers.append((one, found))
    if not answers:
        raise UsageError(f"--flow {flow:g}: outside what was measured at every temperature")
    written = _draw(answers, picture, flow) if picture is not None else []
    if as_json:
        said = [advice.to_document() for _, some in answers for advice in some]
        document({"advice": said, "curve_bench": owner})
        return
    for _, some in answers:
        _describe(some)
    for path in written:
        note(f"wrote {path}")


def _describe(answers: list[Advice]) -> None:
    from rig.curves.supply import amperes

    for advice in answers:
        say(advice.sentence())
    say()
    for advice in answers:
        say(f"{advice.name}, {advice.temperature_c:g} C, {amperes(advice.current_a)} A")
        for limit in advice.limits:
            say(f"  {limit.name:<28} {limit.where}: {limit.text}")
        if advice.wanted_supply is not None:
            say("  " + _wanted(advice, advice.wanted_supply))
        rows = advice.table
        say("   flow mm3/s speed mm/s  needed N available N  margin  held by")
        for row in [rows[round(k * (len(rows) - 1) / 6)] for k in range(7)]:
            say(
                f"  {row.flow_mm3_s:>10.3g} {row.speed_mm_s:>10.3g} {row.needed_n:>9.3g} "
                f"{row.available_n:>11.3g} {_percent(row.margin):>5} %  {row.by}"
            )
        for sentence in advice.notes:
            say(f"  - {sentence}")
        say()


def _percent(ratio: float) -> str:
    """Whole per cent, without the sign of a zero."""
    return str(round(100 * ratio))


def _wanted(advice: Advice, there: Supply) -> str:
    """What is said of the flow that was asked about."""
    assert advice.wanted_margin is not None
    value, low, high = map(_percent, advice.wanted_margin)
    said = (
        f"at {there.flow_mm3_s:g} mm3/s {there.needed_n:.3g} N are needed and "
        f"{there.available_n:.3g} N available ({there.by}): the margin is {value} % "
        f"({low} to {high} %, 95 %)"
    )
    if advice.least_current_a is None:
        return f"{said}; {advice.no_current_why}"
    return (
        f"{said}; the lowest current that holds it with {100 * advice.margin:.0f} % to spare is "
        f"{advice.least_current} A"
    )


def _draw(
    answers: list[tuple[Curve, list[Advice]]], picture: Path, wanted: float | None
) -> list[Path]:
    from rig.curves.supply import amperes
    from rig.report.advice import Available, draw_advice
    from rig.report.comparison import Line
    from rig.report.look import save_picture

    written: list[Path] = []
    for curve, some in answers:
        rows = curve.table
        needed = Line(
            f"needed at {curve.temperature_c:g} °C",
            [row.flow_mm3_s for row in rows],
            [row.force_n for row in rows],
            [row.lower_n for row in rows],
            [row.upper_n for row in rows],
        )
        available = [
            Available(
                f"{advice.name}, {amperes(advice.current_a)} A",
                [row.flow_mm3_s for row in advice.table],
                [row.available_n for row in advice.table],
                [row.available_n / (1.0 + advice.margin) for row in advice.table],
                advice.flow_mm3_s,
                advice.ends,
                advice.at_least,
            )
            for advice in some
        ]
        melt = curve.melt_limit
        figure = draw_advice(
            needed,
            available,
            melt_limit_mm3_s=melt.value if melt is not None and melt.upper is not None else None,
            wanted_mm3_s=wanted,
            sentence=some[0].sentence() if len(some) == 1 else "",
        )
        stem = picture.with_suffix("")
        if len(answers) > 1:
            stem = stem.with_name(f"{stem.name}-{curve.temperature_c:g}C")
        written.extend(save_picture(figure, stem))
    return written
