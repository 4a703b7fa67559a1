"""The trials of a past run as takes: to try a detector on what a bench really gave."""

from __future__ import annotations

from pathlib import Path

from detectors.evidence import CommandedMotion, Verdict
from detectors.takes import Take, files_below
from rig.errors import RunFolderError


def run_folders(path: Path) -> list[Path]:
    """The run folders that a path stands for: itself, or those in it; none where it is no such."""
    if (path / "ledger.sqlite").is_file():
        return [path]
    if not path.is_dir() or any(files_below(path, "takes.csv")):
        return []
    return sorted(ledger.parent for ledger in files_below(path, "ledger.sqlite"))


def takes_of_run(folder: Path | str) -> list[tuple[Take, Verdict]]:
    """The trials with sound, in order, each with the verdict that it got then.

    The take's label stays empty: a verdict of the rig is no label of a person.

    Args:
        folder: A run folder.

    Raises:
        RunFolderError: No ledger there, or no trial in it has sound.
        BenchFileError: The ledger's bench is not valid for this version.
    """
    from rig.ledger import Ledger

    folder = Path(folder)
    with Ledger.open(folder, read_only=True) as ledger:
        geometry = ledger.bench().geometry()
        trials = ledger.trials()
    found: list[tuple[Take, Verdict]] = []
    for trial in trials:
        start_s, end_s = trial.motion_s
        path = (folder / trial.audio).resolve()
        inside = path.is_relative_to(folder.resolve())  # a ledger from elsewhere names no others
        if not trial.audio or not inside or not end_s > start_s:
            continue
        motion = CommandedMotion(
            speed_mm_s=trial.order.speed_mm_s,
            start_s=start_s,
            end_s=end_s,
            ramp_s=trial_ramp_s(trial.expected_s, trial.order.length_mm, trial.order.speed_mm_s),
            settle_s=trial.order.settle_s,
        )
        take = Take(
            path=path,
            file=trial.audio,
            motion=motion,
            geometry=geometry,
            bench=str(folder),
            session=str(folder),
        )
        found.append((take, trial.verdict))
    if not found:
        raise RunFolderError(
            f"{folder}: none of its {len(trials)} trials has sound; run without --no-audio"
        )
    return found


def trial_ramp_s(expected_s: float, length_mm: float, speed_mm_s: float) -> float:
    """Length of a ramp: what the expected time has over the length at full speed, in s."""
    return min(1.0, max(0.0, expected_s - length_mm / speed_mm_s))
