"""A run folder as report data: the ledger's trials, the bench as it was, and the curves."""

from __future__ import annotations

import json
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from rig.errors import TableError
from rig.report.data import ReportData, TrialRow

if TYPE_CHECKING:
    from rig.curves.curveset import CurveSet
    from rig.curves.points import Threshold
    from rig.ledger import Event, Ledger, Session
    from rig.records import TrialRecord

#: Outcome of a session that worked through the whole plan.
DONE = "done"
_TOLD = ("warning", "remark", "reset", "interlock")
_MOST_EVENTS = 8


def read_run(folder: str | Path, *, curves: CurveSet | None = None) -> ReportData:
    """Everything that a report of a run needs.

    Args:
        folder: The run folder.
        curves: The curves, where they are at hand; else those of ``curve.json`` if they belong to
            the thresholds in the ledger, else a new fit.

    Raises:
        RunFolderError: No ledger there, or one that cannot be read.
        BenchFileError: The ledger's bench is not valid for this version.
    """
    from rig.ledger import Ledger

    folder = Path(folder)
    with Ledger.open(folder, read_only=True) as ledger:
        run, bench, sessions = ledger.run, ledger.bench(), ledger.sessions()
        thresholds = tuple(ledger.thresholds())
        warnings: list[str] = []
        if curves is None:
            curves = _curves(folder, ledger, thresholds, warnings)
        if sessions and sessions[-1].message:
            # Why it stopped, or, after a run that reached its end, what could not be put back.
            warnings.append(sessions[-1].message)
        warnings += [*bench.warnings(), *_told(ledger.events())]
        trials = tuple(_row(record, folder) for record in ledger.trials())
        return ReportData(
            bench=bench,
            curves=curves,
            trials=trials,
            thresholds=thresholds,
            simulated=run.simulated,
            started=when(run.started),
            ended=when(sessions[-1].ended or "") if sessions else "",
            finished=bool(sessions) and sessions[-1].outcome == DONE,
            warnings=tuple(dict.fromkeys(warnings)),
            name=folder.resolve().name,
            facts=tuple(_facts(sessions, ledger.elapsed_s())),
        )


def when(text: str) -> str:
    """A time of the ledger (ISO 8601, UTC) for a reader; text that is none stays as it is."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return text
    return f"{moment.day} {moment:%B %Y, %H:%M} UTC"


def _facts(sessions: list[Session], elapsed_s: float) -> Iterable[tuple[str, str]]:
    hours = elapsed_s / 3600.0
    if elapsed_s > 0:
        length = f"{hours:.1f} h" if hours >= 1 else f"{elapsed_s / 60:.0f} min"
        parts = len(sessions)
        yield "Bench time", length + (f", in {parts} parts" if parts > 1 else "")


def _told(events: Iterable[Event]) -> list[str]:
    """Events that a reader should know of; many of one kind are cut short."""
    texts = list(dict.fromkeys(event.text for event in events if event.kind in _TOLD))
    if len(texts) > _MOST_EVENTS:
        left = len(texts) - _MOST_EVENTS
        return [*texts[:_MOST_EVENTS], f"{left} more events of this kind are in the ledger"]
    return texts


def _curves(
    folder: Path, ledger: Ledger, thresholds: tuple[Threshold, ...], warnings: list[str]
) -> CurveSet | None:
    """The curves of ``curve.json`` where they are of these thresholds, else a new fit."""
    from rig.curves.curveset import CurveSet

    try:
        content = json.loads((folder / "curve.json").read_text(encoding="utf-8"))
        held = CurveSet.from_document(content)
        if held.provenance.get("thresholds") == len(thresholds):
            return held
    except (OSError, ValueError, TableError):
        pass  # not there, half written or of another version: the ledger has it all
    if not thresholds:
        return None
    from rig.curves.fit import fit_curves

    try:
        return fit_curves(thresholds, bench=ledger.bench(), source=folder.resolve().name)
    except TableError as error:
        warnings.append(str(error))
        return None


def _row(record: TrialRecord, folder: Path) -> TrialRow:
    order = record.order
    audio = (folder / record.audio).resolve() if record.audio else None
    if audio is not None and not audio.is_relative_to(folder.resolve()):
        audio = None  # a ledger from elsewhere must not make us open files of this machine
    start, end = record.motion_s
    explanation = record.explanation
    if record.anomalies:
        explanation = "; ".join([explanation, *record.anomalies]).strip("; ")
    return TrialRow(
        number=record.number,
        temperature_c=order.temperature_c,
        current_a=order.current_a,
        speed_mm_s=order.speed_mm_s,
        verdict=str(record.verdict),
        reason=str(record.reason),
        p_skip=record.p_skip,
        clicks=len(record.click_times_s),
        purpose=order.purpose,
        started=when(record.started),
        duration_s=record.measured_s,
        filament_mm=record.filament_mm,
        least_c=record.least_c,
        most_c=record.most_c,
        explanation=explanation,
        audio=audio,
        motion_s=(start, end) if end > start else None,
        click_times_s=record.click_times_s,
        first_skip_s=record.first_skip_s,
        decided_s=record.decided_s,
        step_rate_hz=record.step_rate_hz or None,
    )
