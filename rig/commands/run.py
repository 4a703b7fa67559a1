"""``stallcurve run``: the campaign of a bench file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.commands._out import VIRTUAL, confirm_caution, note, say

if TYPE_CHECKING:
    from rig.curves.curveset import CurveSet


@click.command("run")
@click.argument("bench_file", metavar="BENCH", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="Run folder [stallcurve-run].")
@click.option("--resume", is_flag=True, help="Go on with the run that is in the folder.")
@click.option("--unattended", is_flag=True, help="Nobody stays in the room; read docs/safety.md.")
@click.option("--yes", is_flag=True, help="Agree to the cautions beforehand (for scripts).")
@click.option("--no-audio", is_flag=True, help="Keep no sound files.")
@click.option("--plain", is_flag=True, help="Plain lines, even on a terminal.")
def command(
    bench_file: Path,
    out: Path | None,
    resume: bool,
    unattended: bool,
    yes: bool,
    no_audio: bool,
    plain: bool,
) -> int:
    """Measure: heat, search the threshold speed at each current and temperature, fit, report.

    CAUTION: it heats a nozzle and drives a motor until it skips, for hours. The cautions are shown
    and have to be agreed to before anything heats.

    However it ends, heaters go off and settings go back. A run that stopped early goes on with
    --resume; every finished trial is kept. A run that is done and yet has no curve, though its plan
    asks for one, ends with exit code 4.
    """
    from rig.bench import load_bench
    from rig.curves.points import FEWEST_POINTS
    from rig.errors import UnfitBenchError

    bench = load_bench(bench_file)
    if not bench.link.port.startswith("sim://"):
        from rig.guard import caution_text

        confirm_caution(caution_text(unattended=False), yes=yes, question="Begin the run?")
        if unattended:
            confirm_caution(
                caution_text(unattended=True),
                yes=yes,
                question="Is all of that so, and may the rig be left alone?",
            )
    else:
        note(VIRTUAL)
    folder = out or Path("stallcurve-run")
    curves, _ = measure(
        bench_file,
        folder,
        resume=resume,
        unattended=unattended,
        keep_audio=not no_audio,
        plain=plain,
    )
    if curves is None and len(bench.plan.currents_a) >= FEWEST_POINTS:
        note(
            "The run is done and there is no curve: the report shows what was found at each current"
        )
        return UnfitBenchError.exit_code
    return 0


def measure(
    bench_file: Path,
    folder: Path,
    *,
    resume: bool = False,
    unattended: bool = False,
    keep_audio: bool = True,
    plain: bool = False,
    quiet_results: bool = False,
) -> tuple[CurveSet | None, object]:
    """Run the campaign, then fit and write the results; returns the curves and the result."""
    from rig.bench import load_bench
    from rig.campaign import run_campaign
    from rig.page.now import NowView
    from rig.view import Views, open_view

    bench = load_bench(bench_file)
    result = run_campaign(
        bench,
        folder,
        resume=resume,
        unattended=unattended,
        view=Views(open_view(plain=plain), NowView(folder)),
        bench_text=bench_file.read_text(encoding="utf-8-sig"),
        keep_audio=keep_audio,
    )
    for remark in result.remarks:
        note(f"- {remark}")
    for undone in result.undone:
        note(f"NOT PUT BACK: {undone}")
    curves = write_results(folder)
    if not quiet_results:
        describe_results(folder, curves)
    return curves, result


def write_results(folder: Path) -> CurveSet | None:
    """``curve.json``, tables, pictures and the page of a run folder; None where nothing fits."""
    from rig.commands._curves import curves_of
    from rig.errors import TableError
    from rig.export import export
    from rig.report.page import write_report
    from rig.report.run_folder import read_run
    from rig.report.write import write_run_pictures

    curves: CurveSet | None = None
    try:
        curves = curves_of([folder])
    except TableError as error:
        text = str(error)
        note(text if "no curve" in text else f"no curve: {text}")
    if curves is not None:
        export(curves, "json", folder)
        export(curves, "csv", folder)
    data = read_run(folder, curves=curves)
    write_report(data, folder)
    write_run_pictures(data, folder)
    return curves


def describe_results(folder: Path, curves: CurveSet | None) -> None:
    """Where the results are, and the curves in words."""
    from rig.commands.fit import describe

    if curves is not None:
        describe(curves)
    say(f"The report: {folder / 'report.html'}")
    if curves is not None and curves.curves:
        say(f"The curve:  {folder / 'curve.json'}, and as CSV and pictures beside it")
