"""``stallcurve label``: label takes in a page of the browser."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.commands._out import note, say

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.applications import Starlette


@click.command("label")
@click.argument("takes", type=click.Path(path_type=Path))
@click.option(
    "--port", type=click.IntRange(0, 65535), default=0, help="Port on 127.0.0.1; any free one."
)
@click.option("--no-browser", is_flag=True, help="Only print the address.")
@click.option(
    "--detector", type=click.Path(path_type=Path), help="Detector file for the proposals."
)
def command(takes: Path, port: int, no_browser: bool, detector: Path | None) -> None:
    """Label the take set TAKES: a folder with takes.csv, or a folder of such folders.

    Every change is saved at once in takes.csv; as it was before the first change it stays beside
    it as takes.csv.orig. Ctrl-C ends.
    """
    from detectors.settings import load_detector
    from rig.page.labelling import Labelling, Proposals, find_lists
    from rig.page.server import serve

    settings = load_detector(detector) if detector is not None else None
    root = takes if takes.is_dir() else takes.parent
    session = Labelling(find_lists(takes), root)
    proposals = Proposals(session, settings=settings)

    def make(token: str, number: int, ended: Callable[[], bool]) -> Starlette:
        from rig.page.label_app import make_label_app

        name = root.resolve().name
        return make_label_app(session, proposals, token=token, port=number, ended=ended, name=name)

    def announce(address: str) -> None:
        say(f"labelling {len(session)} takes at {address}")
        note("Ctrl-C ends; every change is saved at once")

    proposals.start()
    serve(make, port=port, browser=not no_browser, announce=announce)
    note(f"ended; {session.labelled} of {len(session)} takes have a label")
