"""``stallcurve export``: files for other tools."""

from __future__ import annotations

from pathlib import Path

import click

from rig.commands._out import say
from rig.errors import UsageError

FORMATS = ("csv", "json", "parquet", "spice", "modelica", "python", "c")


@click.command("export")
@click.argument("source", type=click.Path(path_type=Path))
@click.option("--to", required=True, help=f"Format: {', '.join(FORMATS)}.")
@click.option("--out", type=click.Path(path_type=Path), help="File or folder; default: here.")
@click.option("--bench", "bench_file", type=click.Path(path_type=Path), help="For a CSV table.")
def command(source: Path, to: str, out: Path | None, bench_file: Path | None) -> None:
    """Write the curves of SOURCE (a run folder, curve.json or a table) for another tool.

    Every file states its range, units and provenance; docs/exchange.md describes the formats.
    """
    from datetime import date

    from rig.commands._curves import curves_of, read_curve_file
    from rig.export import FORMATS as WRITERS
    from rig.export import export
    from rig.export.files import NAMES, main_file

    if to not in WRITERS:
        raise UsageError(f"--to {to}: no such format; there are {', '.join(WRITERS)}")
    main = main_file(out or Path(), NAMES[to])
    if main.exists() and source.exists() and main.samefile(source):
        raise UsageError(f"{main}: that is what is exported; give --out another name")
    bench = None
    if bench_file is not None:
        from rig.bench import load_bench

        bench = load_bench(bench_file)
    fitted = source / "curve.json"
    if bench is None and source.is_dir() and fitted.exists():
        curves = read_curve_file(fitted)
    else:
        curves = curves_of([source], bench=bench)
    for path in export(curves, to, out or Path(), made_on=date.today().isoformat()):
        say(f"wrote {path}")
