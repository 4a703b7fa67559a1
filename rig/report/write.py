"""Everything a run or a fit leaves as pictures and pages, written into a folder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from rig.report.look import save_picture

if TYPE_CHECKING:
    from rig.curves.curveset import CurveSet
    from rig.report.data import ReportData


def write_curve_pictures(curves: CurveSet, folder: str | Path) -> list[Path]:
    """``force.png`` and ``.svg``; with several temperatures ``force-panels`` as well.

    Raises:
        UsageError: The files cannot be written there.
    """
    from rig.report.force import draw_force

    folder = Path(folder)
    several = len(curves.curves) > 1
    written = save_picture(draw_force(curves, panels=False), folder / "force")
    if several:
        written += save_picture(draw_force(curves, panels=True), folder / "force-panels")
    return written


def write_run_pictures(data: ReportData, folder: str | Path) -> list[Path]:
    """The pictures of a run: the pass and skip map, and those of its curves.

    Raises:
        UsageError: The files cannot be written there.
    """
    from rig.report.page import melt_speeds
    from rig.report.passmap import draw_map

    folder = Path(folder)
    written: list[Path] = []
    if data.trials:
        figure = draw_map(data.trials, data.brackets(), melt_limits_mm_s=melt_speeds(data))
        written += save_picture(figure, folder / "map")
    if data.curves is not None:
        written += write_curve_pictures(data.curves, folder)
    return written


def write_trial_picture(data: ReportData, number: int, folder: str | Path) -> list[Path]:
    """The spectrogram of one trial, ``trial-0017.png`` and ``.svg``.

    Raises:
        UsageError: No such trial, or its sound was not kept or cannot be read.
    """
    from rig.errors import UsageError
    from rig.report.spectrogram import draw_trial

    trial = next((t for t in data.trials if t.number == number), None)
    if trial is None:
        last = max((t.number for t in data.trials), default=0)
        raise UsageError(f"there is no trial {number}; the run has trials up to {last}")
    return save_picture(draw_trial(trial), Path(folder) / f"trial-{number:04d}")
