"""``stallcurve report``: pictures and the page of a run."""

from __future__ import annotations

from pathlib import Path

import click

from rig.commands._out import say


@click.command("report")
@click.argument("run", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="Folder; default: the run folder.")
@click.option("--trial", "trials", type=int, multiple=True, help="Spectrogram of a trial's sound.")
def command(run: Path, out: Path | None, trials: tuple[int, ...]) -> None:
    """Write the pictures and the self-contained page of a RUN folder.

    The page, report.html, needs no network and no other file. --trial N writes the spectrogram of
    trial N with its clicks marked, and nothing else.
    """
    from rig.report.page import write_report
    from rig.report.run_folder import read_run
    from rig.report.write import write_run_pictures, write_trial_picture

    data = read_run(run)
    folder = out or run
    if out is not None:
        out.mkdir(parents=True, exist_ok=True)
    if trials:
        written = [path for number in trials for path in write_trial_picture(data, number, folder)]
    else:
        written = [write_report(data, folder), *write_run_pictures(data, folder)]
    for path in written:
        say(f"wrote {path}")
