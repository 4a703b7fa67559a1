"""A run as the live page shows it: read from its folder, never written to."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.budget import filament_limit_mm
from rig.ledger import Ledger
from rig.mechanics import flow_mm3_s
from rig.page.now import read_now

if TYPE_CHECKING:
    from rig.bench import Bench
    from rig.ledger import Event, SearchRow, Session
    from rig.records import TrialRecord

#: A running campaign that says nothing for this long is said to be silent, in s: with the file of
#: the moment, which is written about every second, and without it, when heating is not heard of.
SILENT_S, SILENT_WITHOUT_NOW_S = 180.0, 900.0
MOST_EVENTS = 40


def parse_time(text: str | None) -> datetime | None:
    """A time of the ledger; None where it is none."""
    try:
        found = datetime.fromisoformat(text) if text else None
    except ValueError:
        return None
    return found if found is None or found.tzinfo else found.replace(tzinfo=UTC)


def read_run(folder: Path) -> dict[str, Any]:
    """Everything that changes only when the ledger does.

    Raises:
        RunFolderError: The ledger cannot be read.
    """
    with Ledger.open(folder, read_only=True) as ledger:
        run, bench = ledger.run, ledger.bench()
        sessions, events = ledger.sessions(), ledger.events()
        searches, trials = ledger.searches(), ledger.trials()
        filament_mm, elapsed_s = ledger.filament_mm(), ledger.elapsed_s()
    last = sessions[-1] if sessions else None
    return {
        "name": f"{bench.hot_end.name}, {bench.filament.name}",
        "folder": folder.resolve().name,
        "simulated": run.simulated,
        "started": run.started,
        "sessions": len(sessions),
        "state": _state(last),
        "ended": last.ended if last else None,
        "message": (last.message if last else None) or "",
        "temperatures_c": list(bench.plan.temperatures_c),
        "currents_a": list(bench.plan.currents_a),
        "searches_planned": len(bench.plan.temperatures_c)
        * len(bench.plan.currents_a)
        * bench.plan.repeats,
        "hours": elapsed_s / 3600.0,
        "max_hours": bench.limits.max_hours,
        "filament_m": filament_mm / 1000.0,
        "max_filament_m": filament_limit_mm(bench) / 1000.0,
        "max_temperature_c": bench.hot_end.max_temperature_c,
        "trials": [_trial(trial) for trial in trials],
        "searches": [_search(search, bench) for search in searches],
        "events": _events(events, trials, sessions),
        "curves": _curves(folder),
        "last_word": _last_word(run.started, sessions, events, trials),
    }


def read_moment(folder: Path, run: Mapping[str, Any], *, now: datetime) -> dict[str, Any]:
    """What changes by the second: the moment's file, and how long nothing was heard.

    Args:
        folder: The run folder.
        run: As `read_run` gave it.
        now: The time now.
    """
    moment = read_now(folder) if run["state"] == "running" else None
    words = [parse_time(run["last_word"]), parse_time((moment or {}).get("time"))]
    last = max((word for word in words if word is not None), default=None)
    quiet_s = max(0.0, (now - last).total_seconds()) if last is not None else 0.0
    limit_s = SILENT_S if moment is not None else SILENT_WITHOUT_NOW_S
    silent = run["state"] == "running" and quiet_s > limit_s
    return {
        "silent": silent,
        "last_word": last.isoformat() if last is not None else None,
        "phase": None if moment is None or silent else moment.get("phase"),
        "trial": None if moment is None or silent else moment.get("trial"),
        "progress": None if moment is None else moment.get("progress"),
        "actual_c": None if moment is None else moment.get("actual_c"),
        "target_c": None if moment is None else moment.get("target_c"),
        "told": moment is not None,
    }


def _state(last: Session | None) -> str:
    if last is None or last.ended is None:
        return "running"
    return "done" if last.outcome == "done" else "stopped"


def _last_word(
    started: str,
    sessions: Sequence[Session],
    events: Sequence[Event],
    trials: Sequence[TrialRecord],
) -> str:
    """When the ledger was last added to."""
    times = [parse_time(started)]
    times += [parse_time(s.ended or s.started) for s in sessions[-1:]]
    times += [parse_time(event.time) for event in events[-1:]]
    times += [parse_time(trial.started) for trial in trials[-1:]]
    return max(time for time in times if time is not None).isoformat()


def _trial(trial: TrialRecord) -> dict[str, Any]:
    order = trial.order
    return {
        "number": trial.number,
        "temperature_c": order.temperature_c,
        "current_a": order.current_a,
        "speed_mm_s": order.speed_mm_s,
        "verdict": str(trial.verdict),
        "reason": str(trial.reason),
        "p_skip": trial.p_skip,
        "purpose": order.purpose,
        "started": trial.started,
        "least_c": _finite(trial.least_c),
        "most_c": _finite(trial.most_c),
        "explanation": trial.explanation,
    }


def _search(search: SearchRow, bench: Bench) -> dict[str, Any]:
    diameter_mm = bench.filament.diameter_mm

    def flow(speed_mm_s: float | None) -> float | None:
        return None if speed_mm_s is None else flow_mm3_s(speed_mm_s, diameter_mm)

    return {
        "temperature_c": search.temperature_c,
        "current_a": search.current_a,
        "repeat": search.repeat,
        "status": search.status,
        "clean_mm_s": search.clean_mm_s,
        "skip_mm_s": search.skip_mm_s,
        "clean_mm3_s": flow(search.clean_mm_s),
        "skip_mm3_s": flow(search.skip_mm_s),
        "force_n": search.force_n,
        "excluded": search.excluded,
        "note": search.note or "",
        "trials": search.trials,
    }


def _events(
    events: Sequence[Event], trials: Sequence[TrialRecord], sessions: Sequence[Session]
) -> list[dict[str, str]]:
    """The newest events, void trials and ends of sessions among them, newest first."""
    found = [{"time": e.time, "kind": e.kind, "text": e.text} for e in events]
    for trial in trials:
        doubts = "; ".join(trial.anomalies)
        if trial.verdict in ("void", "slip") or doubts:
            text = trial.explanation or str(trial.reason)
            found.append(
                {
                    "time": trial.started,
                    "kind": str(trial.verdict),
                    "text": f"trial {trial.number} is {trial.verdict}: {text}"
                    + (f" ({doubts})" if doubts else ""),
                }
            )
    for session in sessions:
        word = "begun" if session.number == sessions[0].number else "resumed"
        found.append({"time": session.started, "kind": "session", "text": f"run {word}"})
        if session.ended is not None:
            done = session.outcome == "done"
            text = "run done" if done else f"run stopped: {session.message or session.outcome}"
            found.append({"time": session.ended, "kind": "session", "text": text})
    found.sort(key=lambda event: event["time"], reverse=True)
    return found[:MOST_EVENTS]


def _curves(folder: Path) -> list[dict[str, Any]]:
    """Fitted curves, where the run is so far: flow, force and band."""
    try:
        content = json.loads((folder / "curve.json").read_text(encoding="utf-8"))
        return [
            {
                "temperature_c": float(curve["temperature_c"]),
                "table": [
                    [float(row[key]) for key in ("flow_mm3_s", "force_n", "lower_n", "upper_n")]
                    for row in curve["table"]
                ],
            }
            for curve in content["curves"]
        ]
    except (OSError, ValueError, KeyError, TypeError):
        return []


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None
