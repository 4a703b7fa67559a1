"""``stallcurve replay``: the detector over recorded audio."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands._out import document, note, progress_bar, say
from rig.errors import UsageError
from rig.past_takes import is_run_folder, takes_of_run

if TYPE_CHECKING:
    from detectors.takes import Take


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
    """Judge recorded TAKES: take sets, folders of them, run folders, or sound files.

    A take set is a folder with bench.toml, sound files and takes.csv (docs/detector.md). A sound
    file by itself needs --speed and --bench. Of a run folder every trial with sound is judged
    again, and what the run said then stands beside it ("was").
    """
    from detectors.replay import replay_takes
    from detectors.settings import load_detector
    from detectors.takes import collect_takes

    if jobs == 0 or jobs < -1:
        raise UsageError(f"--jobs {jobs}: allowed is -1 (one a core) or 1 and more")
    geometry = None
    if bench_file is not None:
        from rig.bench import load_bench

        geometry = load_bench(bench_file).geometry()
    settings = load_detector(detector) if detector is not None else None
    found: list[Take] = []
    was: dict[int, str] = {}
    for path in takes:
        if is_run_folder(path):
            for take, verdict in takes_of_run(path):
                was[len(found)] = verdict.value
                found.append(take)
        else:
            found += collect_takes([path], speed_mm_s=speed, geometry=geometry).takes
    with progress_bar("listening", hidden=as_json) as tell:
        result = replay_takes(found, settings, jobs=jobs, progress=tell)
    for index, word in was.items():
        result["takes"][index]["was"] = word
    if as_json:
        document(result)
        return
    _describe(result["takes"])


def _describe(takes: list[dict[str, Any]]) -> None:
    several = len({take["set"] for take in takes}) > 1
    names = [f"{take['set']}/{take['file']}" if several else take["file"] for take in takes]
    width = max(map(len, names), default=4)
    for name, take in zip(names, takes, strict=True):
        first = take["first_skip_s"]
        when = f"first skip at {first:.2f} s, {take['clicks']} clicks" if first is not None else ""
        label = f"  [labelled {take['label']}]" if take.get("label") else ""
        if "was" in take:
            label = "" if take["was"] == take["verdict"] else f"  [was {take['was']}]"
        say(
            f"{name:<{width}}  {take['verdict']:<5}  p {take['p_skip']:.2f}  "
            f"{when or take['reason']}{label}"
        )
    counts = Counter(take["verdict"] for take in takes)
    note(
        f"{len(takes)} takes: "
        + ", ".join(f"{counts[word]} {word}" for word in ("clean", "skip", "slip", "void"))
    )
    past = [take for take in takes if "was" in take]
    if past:
        same = sum(take["was"] == take["verdict"] for take in past)
        note(f"{same} of {len(past)} as the run judged them")
