"""``stallcurve replay``: the detector over recorded audio."""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands._out import document, note, say
from rig.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable


@click.command("replay")
@click.argument("takes", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--detector", type=click.Path(path_type=Path), help="Detector file made by tune or listen."
)
@click.option("--speed", type=float, help="Commanded mm/s, for sound files in no take list.")
@click.option(
    "--bench", "bench_file", type=click.Path(path_type=Path), help="Geometry, for the same."
)
@click.option("--jobs", type=int, default=-1, help="Processes; -1 is one a core (default).")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def command(
    takes: tuple[Path, ...],
    detector: Path | None,
    speed: float | None,
    bench_file: Path | None,
    jobs: int,
    as_json: bool,
) -> None:
    """Judge recorded TAKES: take sets, folders of them, past runs, or sound files.

    A take set is a folder with bench.toml, sound files and takes.csv (docs/detector.md). A sound
    file by itself needs --speed and --bench.
    """
    from detectors.replay import replay
    from detectors.settings import load_detector

    if jobs == 0 or jobs < -1:
        raise UsageError(f"--jobs {jobs}: allowed is -1 (one a core) or 1 and more")
    geometry = None
    if bench_file is not None:
        from rig.bench import load_bench

        geometry = load_bench(bench_file).geometry()
    settings = load_detector(detector) if detector is not None else None
    with _progress(hidden=as_json) as tell:
        result = replay(
            takes, settings, speed_mm_s=speed, geometry=geometry, jobs=jobs, progress=tell
        )
    if as_json:
        document(result)
        return
    _describe(result["takes"])


class _progress:  # noqa: N801 - used as a function
    """A progress bar on standard error where that is a terminal, else nothing."""

    def __init__(self, *, hidden: bool) -> None:
        self._hidden = hidden or not sys.stderr.isatty()
        self._bar: Any = None

    def __enter__(self) -> Callable[[int, int], None] | None:
        if self._hidden:
            return None
        from rich.console import Console
        from rich.progress import Progress

        self._bar = Progress(console=Console(stderr=True), transient=True)
        self._bar.start()
        self._task = self._bar.add_task("listening", total=None)
        return lambda done, total: self._bar.update(self._task, completed=done, total=total)

    def __exit__(self, *_: object) -> None:
        if self._bar is not None:
            self._bar.stop()


def _describe(takes: list[dict[str, Any]]) -> None:
    several = len({take["set"] for take in takes}) > 1
    names = [f"{take['set']}/{take['file']}" if several else take["file"] for take in takes]
    width = max(map(len, names), default=4)
    for name, take in zip(names, takes, strict=True):
        first = take["first_skip_s"]
        when = f"first skip at {first:.2f} s, {take['clicks']} clicks" if first is not None else ""
        label = f"  [labelled {take['label']}]" if take.get("label") else ""
        say(
            f"{name:<{width}}  {take['verdict']:<5}  p {take['p_skip']:.2f}  "
            f"{when or take['reason']}{label}"
        )
    counts = Counter(take["verdict"] for take in takes)
    note(
        f"{len(takes)} takes: "
        + ", ".join(f"{counts[word]} {word}" for word in ("clean", "skip", "slip", "void"))
    )
