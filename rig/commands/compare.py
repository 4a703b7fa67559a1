"""``stallcurve compare``: are two curves different, and by how much."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.commands._out import document, note, say
from rig.errors import UsageError

if TYPE_CHECKING:
    from rig.curves.compare import Comparison
    from rig.curves.curveset import Curve, CurveSet


@click.command("compare")
@click.argument("sources", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--temperature", "temperatures", type=float, multiple=True, help="Only these, in C; repeatable."
)
@click.option("--bench", "bench_file", type=click.Path(path_type=Path), help="For CSV tables.")
@click.option("--picture", type=click.Path(path_type=Path), help="Write this picture, PNG and SVG.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def command(
    sources: tuple[Path, ...],
    temperatures: tuple[float, ...],
    bench_file: Path | None,
    picture: Path | None,
    as_json: bool,
) -> None:
    """Compare the curves of SOURCES (runs, tables or curve.json) with those of the first.

    Several sources are compared temperature by temperature; one source, temperature against
    temperature. The test knows which errors are common: two curves measured with the same motor
    and drive share the error of the force scale. Forces that were given in newtons share nothing
    with a drive.
    """
    from rig.commands._curves import check_number, curves_of

    for temperature in temperatures:
        check_number("--temperature", temperature, "C", low=-273.15)
    bench = None
    if bench_file is not None:
        from rig.bench import load_bench

        bench = load_bench(bench_file)
    sets = [
        (name, curves_of([source], bench=bench))
        for name, source in zip(_names(sources), sources, strict=True)
    ]
    for _, curves in sets:
        for sentence in curves.notes:
            note(sentence)
    pairs = _pairs(sets, temperatures)
    results = [_compare(*pair) for pair in pairs]
    written = _draw(pairs, results, picture) if picture is not None else []
    if as_json:
        document({"comparisons": [result.to_document() for result in results]})
        return
    scales = {result.scale for result in results}
    # What holds for all is said once.
    once = len(results) > 1 and len(scales) == 1
    for result in results:
        say(result.answer if once else result.sentence)
    if once:
        say(f"in all of these, {scales.pop()}")
    for path in written:
        note(f"wrote {path}")


Named = tuple[str, "CurveSet", "Curve"]


def _names(sources: tuple[Path, ...]) -> list[str]:
    """What to call each source: its file's name, with its folder's and then its place among the
    sources where that is not enough."""
    stems = [source.stem or source.name for source in sources]
    names = [
        stem if stems.count(stem) == 1 or not source.parent.name else f"{source.parent.name}/{stem}"
        for stem, source in zip(stems, sources, strict=True)
    ]
    return [
        name if names.count(name) == 1 else f"{name} ({place})"
        for place, name in enumerate(names, 1)
    ]


def _pairs(
    sets: list[tuple[str, CurveSet]], temperatures: tuple[float, ...]
) -> list[tuple[Named, Named]]:
    """Which curves are compared.

    Raises:
        UsageError: Nothing to compare.
    """

    def chosen(curves: CurveSet) -> list[Curve]:
        return [c for c in curves.curves if not temperatures or _near(c, temperatures)]

    first_name, first = sets[0]
    if len(sets) == 1:
        own = chosen(first)
        if len(own) < 2:
            raise UsageError("one source with one curve: give a second source to compare with")
        named = [(f"{curve.temperature_c:g} C", first, curve) for curve in own]
        return [(named[0], other) for other in named[1:]]
    pairs: list[tuple[Named, Named]] = []
    for name, curves in sets[1:]:
        for curve in chosen(curves):
            for base in chosen(first):
                if abs(base.temperature_c - curve.temperature_c) <= 0.5:
                    at = f" at {curve.temperature_c:g} C"
                    pairs.append(((first_name + at, first, base), (name + at, curves, curve)))
    if pairs:
        return pairs
    singles = [(name, curves, chosen(curves)) for name, curves in sets]
    if all(len(own) == 1 for _, _, own in singles):
        named = [(f"{n} at {own[0].temperature_c:g} C", c, own[0]) for n, c, own in singles]
        return [(named[0], other) for other in named[1:]]
    asked = f" at {', '.join(f'{t:g}' for t in temperatures)} C" if temperatures else ""
    raise UsageError(
        f"no temperature is common to the sources{asked}: "
        + "; ".join(
            f"{name} has {', '.join(f'{c.temperature_c:g}' for c in curves.curves)} C"
            for name, curves in sets
        )
    )


def _near(curve: Curve, temperatures: tuple[float, ...]) -> bool:
    return any(abs(curve.temperature_c - wanted) <= 0.5 for wanted in temperatures)


def _compare(a: Named, b: Named) -> Comparison:
    from rig.curves.compare import compare, share_scale

    return compare(a[2], b[2], names=(a[0], b[0]), common_scale=share_scale(a[1], b[1]))


def _draw(pairs: list[tuple[Named, Named]], results: list[Comparison], picture: Path) -> list[Path]:
    from rig.report.comparison import Line, Ratio, draw_comparison
    from rig.report.look import save_picture

    lines: dict[str, Line] = {}
    for name, _, curve in [named for pair in pairs for named in pair]:
        rows = curve.table
        lines[name] = Line(
            name,
            [row.flow_mm3_s for row in rows],
            [row.force_n for row in rows],
            [row.lower_n for row in rows],
            [row.upper_n for row in rows],
        )
    ratios = [
        Ratio(
            result.names[1],
            [ratio.flow_mm3_s for ratio in result.ratios],
            [ratio.ratio for ratio in result.ratios],
            [ratio.lower for ratio in result.ratios],
            [ratio.upper for ratio in result.ratios],
        )
        for result in results
    ]
    sentence = results[0].sentence if len(results) == 1 else ""
    figure = draw_comparison(list(lines.values()), ratios, sentence=sentence)
    return save_picture(figure, picture.with_suffix(""))
