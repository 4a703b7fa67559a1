"""``stallcurve page``: the live page of a run."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.commands._out import note, say

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.applications import Starlette


@click.command("page")
@click.argument("bench_or_run", type=click.Path(path_type=Path))
@click.option(
    "--run",
    type=click.Path(path_type=Path, file_okay=False),
    help="Run folder, where a bench file is given and its newest run is not meant.",
)
@click.option(
    "--port", type=click.IntRange(0, 65535), default=0, help="Port on 127.0.0.1; any free one."
)
@click.option("--no-browser", is_flag=True, help="Only print the address.")
def command(bench_or_run: Path, run: Path | None, port: int, no_browser: bool) -> None:
    """Show a run while it goes on, or after: BENCH_OR_RUN is a run folder or a bench file.

    With a bench file its newest run is shown, also one that begins later. The page only reads the
    run folder; it never talks to the printer. Ctrl-C ends the page, not the run.
    """
    from rig.page.live_app import LiveRun
    from rig.page.run_folder import RunFinder
    from rig.page.server import serve

    finder = RunFinder(bench_or_run, run)
    live = LiveRun(finder)

    def make(token: str, number: int, ended: Callable[[], bool]) -> Starlette:
        from rig.page.live_app import make_live_app

        return make_live_app(live, token=token, port=number, ended=ended)

    def announce(address: str) -> None:
        folder = finder.find()
        say(f"showing {folder if folder is not None else 'the next run'} at {address}")
        note("Ctrl-C ends the page; a run goes on without it")

    serve(make, port=port, browser=not no_browser, announce=announce)
    note("ended the page")
