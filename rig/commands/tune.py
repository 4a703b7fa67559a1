"""``stallcurve tune``: fit the detector to labelled takes, and say how well it then does."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands._out import document, note, progress_bar, say
from rig.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from detectors.scores import Scores
    from detectors.settings import DetectorSettings
    from detectors.takes import Take, TakeSet


@click.command("tune")
@click.argument("takes", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--out", required=True, type=click.Path(path_type=Path), help="Detector file to write."
)
@click.option(
    "--held-out",
    multiple=True,
    type=click.Path(path_type=Path),
    help="Take sets of other benches: only scored, never fitted to.",
)
@click.option("--detector", type=click.Path(path_type=Path), help="Detector file to start from.")
@click.option("--folds", type=int, default=5, help="Parts of the cross-validation [5].")
@click.option(
    "--pictures", type=click.Path(path_type=Path), help="Folder for pictures [beside --out]."
)
@click.option("--worst", type=int, default=8, help="Takes that went wrong to draw [8].")
@click.option("--jobs", type=int, default=-1, help="Processes; -1 is one a core (default).")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def command(
    takes: tuple[Path, ...],
    out: Path,
    held_out: tuple[Path, ...],
    detector: Path | None,
    folds: int,
    pictures: Path | None,
    worst: int,
    jobs: int,
    as_json: bool,
) -> None:
    """Fit the detector's numbers to labelled TAKES and write the detector file --out.

    The scores are of benches left out: all takes of a bench are put aside together, judged by a
    detector that was fitted to the others. A picture shows whether its probabilities are honest,
    and one each the takes it got wrong, worst first. `run` and `replay` take the file.
    """
    from detectors.settings import DetectorSettings, load_detector, save_detector
    from detectors.takes import collect_takes
    from detectors.tuning import tune

    for name, value, least in (("--folds", folds, 2), ("--worst", worst, 0)):
        if value < least:
            raise UsageError(f"{name} {value}: allowed is {least} and more")
    if jobs == 0 or jobs < -1:
        raise UsageError(f"--jobs {jobs}: allowed is -1 (one a core) or 1 and more")
    if not out.resolve().parent.is_dir():
        raise UsageError(f"--out {out}: there is no folder {out.parent}")
    _keep_others(out)
    folder = pictures or out.resolve().parent / f"{out.stem}-pictures"
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"--pictures {folder}: is there already, and is no folder")
    start = load_detector(detector) if detector is not None else DetectorSettings()
    given = collect_takes(takes)
    others = collect_takes(held_out)
    _keep_apart(given, others)
    with (
        progress_bar("listening", hidden=as_json) as tell,
        progress_bar("fitting", hidden=as_json) as fitting,
    ):
        result = tune(given, settings=start, folds=folds, jobs=jobs, progress=tell, fitting=fitting)
    scores: dict[str, Scores] = {"cross_validated": result.held_out, "before": result.before}
    if others.takes:
        with progress_bar("scoring", hidden=as_json) as tell:
            scores["held_out"] = _score(others, result.settings, jobs=jobs, tell=tell)
    save_detector(
        out,
        result.settings,
        note=f"Fitted by 'stallcurve tune' to {result.takes} takes of {result.benches} benches.",
    )
    shown = scores.get("held_out", result.held_out)
    drawn = _draw(
        shown,
        [*given.takes, *others.takes],
        result.settings,
        folder=folder,
        most=worst,
    )
    if as_json:
        content: dict[str, Any] = {
            "detector": str(out),
            "takes": result.takes,
            "benches": result.benches,
            "pictures": [str(path) for path in drawn],
        }
        document(content | {name: one.to_document() for name, one in scores.items()})
        return
    say(f"{result.takes} labelled takes of {result.benches} benches")
    _describe("each bench judged by a detector that never saw it:", result.held_out)
    _describe("for comparison, the detector it started from:", result.before)
    if "held_out" in scores:
        _describe(f"{len(others.takes)} takes held out, of other benches:", scores["held_out"])
    if any(take.label == "slip" for take in (*given.takes, *others.takes)):
        note("a slip makes no sound of its own: only an encoder tells it from a clean move")
    if result.benches < 2:
        note("all takes are of one bench: how it does on another one is not known")
    for wrong in shown.worst[:worst]:
        say(f"  wrong: {wrong.file}: {wrong.label}, called {wrong.verdict} ({wrong.reason})")
    say(f"The detector: {out}; name it in the bench file (microphone.detector)")
    say(f"The pictures: {drawn[0].parent}")


def _keep_others(out: Path) -> None:
    """An earlier detector file is written anew, any other file is left alone."""
    from detectors.errors import DetectorFileError
    from detectors.settings import load_detector

    if not out.exists():
        return
    try:
        load_detector(out)
    except DetectorFileError as error:
        raise UsageError(f"--out {out}: is there already, and is no detector file") from error


def _describe(heading: str, scores: Scores) -> None:
    say()
    say(heading)
    for line in scores.lines():
        say(f"  {line}")


def _keep_apart(given: TakeSet, others: TakeSet) -> None:
    """A take that was fitted to is not held out."""
    known = {take.path.resolve() for take in given.takes}
    for take in others.takes:
        if take.path.resolve() in known:
            raise UsageError(f"--held-out: {take.path} is among the takes that are fitted to")


def _score(takes: TakeSet, settings: DetectorSettings, *, jobs: int, tell: Any) -> Scores:
    from detectors.replay import judge_takes
    from detectors.scores import score_takes

    chosen = takes.labelled().takes
    count = len(chosen)
    step = (lambda done: tell(done, count)) if tell is not None else None
    return score_takes(chosen, list(judge_takes(chosen, settings, jobs=jobs, progress=step)))


def _draw(
    scores: Scores,
    takes: Sequence[Take],
    settings: DetectorSettings,
    *,
    folder: Path,
    most: int,
) -> list[Path]:
    """The reliability diagram, and the takes that went wrong, worst first."""
    from detectors.replay import judge_take
    from rig.report.look import save_picture
    from rig.report.reliability import draw_reliability
    from rig.report.spectrogram import draw_spectrogram, read_sound

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"{folder}: pictures cannot be kept there: {error.strerror}") from error
    figure = draw_reliability(
        [p for p, _ in scores.stated],
        [skipped for _, skipped in scores.stated],
        title="How honest the probabilities are",
    )
    drawn = save_picture(figure, folder / "reliability")
    by_path = {str(take.path): take for take in takes}
    for number, wrong in enumerate(scores.worst[:most], 1):
        take = by_path[wrong.file]
        try:
            samples, rate = read_sound(take.path)
        except UsageError:
            continue  # an unreadable take is void, and there is nothing to see
        judgement = judge_take(take, settings)
        motion = take.motion
        figure = draw_spectrogram(
            samples,
            rate,
            motion_s=(motion.start_s, motion.end_s),
            click_times_s=judgement.click_times_s,
            first_skip_s=take.first_skip_s,
            verdict=wrong.verdict,
            title=f"Labelled {wrong.label}, called {wrong.verdict}: {take.file}",
            note=f"{wrong.reason}; probability of a skip {wrong.p_skip:.2f}; {take.note}".rstrip(
                "; "
            ),
        )
        name = re.sub(r"[^A-Za-z0-9-]+", "-", f"{Path(take.bench).name}-{Path(take.file).stem}")
        drawn += save_picture(figure, folder / f"wrong-{number:02d}-{name}")
    return drawn
