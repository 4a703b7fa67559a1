"""``stallcurve replay``: the detector over recorded audio."""

from __future__ import annotations

import math
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands._out import document, note, progress_bar, say
from rig.errors import UsageError
from rig.past_takes import run_folders, takes_of_run

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from detectors.evidence import MotorGeometry, Verdict
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

    A take set is a folder with bench.toml, sound files and takes.csv (docs/listen-and-tune.md).
    Sound files without a list need --speed and --bench. Of a run folder every trial with sound is
    judged again, and what the run said then stands beside it ("was").
    """
    from detectors.replay import judge_takes, take_document
    from detectors.settings import load_detector

    if jobs == 0 or jobs < -1:
        raise UsageError(f"--jobs {jobs}: allowed is -1 (one a core) or 1 and more")
    if speed is not None and not 0 < speed < math.inf:
        raise UsageError(f"--speed {speed:g}: allowed are speeds above 0 mm/s")
    geometry = None
    if bench_file is not None:
        from rig.bench import load_bench

        geometry = load_bench(bench_file).geometry()
    settings = load_detector(detector) if detector is not None else None
    found = list(_found(takes, speed_mm_s=speed, geometry=geometry))
    names = _names([take for take, _ in found])
    width = max(map(len, names))
    entries: list[dict[str, Any]] = []
    with progress_bar("listening", hidden=as_json) as tell:
        step = (lambda done: tell(done, len(found))) if tell is not None else None
        judged = judge_takes([take for take, _ in found], settings, jobs=jobs, progress=step)
        for (take, was), judgement in zip(found, judged, strict=True):
            entry = take_document(take, judgement)
            if was is not None:
                entry["was"] = was.value
            entries.append(entry)
            if tell is None and not as_json:
                say(_line(names[len(entries) - 1], entry, width=width))
    if as_json:
        document({"takes": entries})
        return
    if tell is not None:  # the bar had the terminal until now
        for name, entry in zip(names, entries, strict=True):
            say(_line(name, entry, width=width))
    _sum_up(entries)


def _found(
    paths: Sequence[Path], *, speed_mm_s: float | None, geometry: MotorGeometry | None
) -> Iterator[tuple[Take, Verdict | None]]:
    """All takes, each with what a run said of it then."""
    from detectors.takes import collect_takes, files_below

    for path in paths:
        runs = run_folders(path)
        for run in runs:
            yield from takes_of_run(run)
        if not runs:
            bare = path.is_dir() and not any(files_below(path, "takes.csv"))
            if bare and (speed_mm_s is None or geometry is None):
                raise UsageError(
                    f"{path}: holds no takes.csv and no run; sound files in no list need --speed "
                    "and --bench"
                )
            for take in collect_takes([path], speed_mm_s=speed_mm_s, geometry=geometry):
                yield take, None


def _names(takes: Sequence[Take]) -> list[str]:
    """What to call the takes: with their set where there are several."""
    if not takes:
        raise UsageError("there is no take in what was given")
    several = len({take.bench for take in takes}) > 1
    return [str(Path(take.bench) / take.file) if several else take.file for take in takes]


def _line(name: str, entry: dict[str, Any], *, width: int) -> str:
    first = entry["first_skip_s"]
    when = ""
    if first is not None:
        count = entry["clicks"]
        when = f"first skip at {first:.2f} s, {count} {'click' if count == 1 else 'clicks'}"
    elif entry["verdict"] == "void":
        when = f"{entry['reason']}: {entry['explanation']}"
    beside = ""
    if entry["label"]:
        beside = f"  [labelled {entry['label']}]"
    elif entry.get("was", entry["verdict"]) != entry["verdict"]:
        beside = f"  [was {entry['was']}]"
    return (
        f"{name:<{width}}  {entry['verdict']:<5}  p {entry['p_skip']:.2f}  "
        f"{when or entry['reason']}{beside}"
    )


def _sum_up(entries: Sequence[dict[str, Any]]) -> None:
    counts = Counter(entry["verdict"] for entry in entries)
    note(
        f"{len(entries)} {'take' if len(entries) == 1 else 'takes'}: "
        + ", ".join(f"{counts[word]} {word}" for word in ("clean", "skip", "slip", "void"))
    )
    for key, words in (("label", "as labelled"), ("was", "as the run judged them")):
        known = [entry for entry in entries if entry.get(key)]
        if known:
            same = sum(entry[key] == entry["verdict"] for entry in known)
            note(f"{same} of {len(known)} {words}")
