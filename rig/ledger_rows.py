"""The ledger's tables, their rows as plain records, and the way between the two."""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from detectors.evidence import Reason, Verdict
from rig.records import TrialOrder, TrialRecord

SCHEMA = """
CREATE TABLE run (
  id INTEGER PRIMARY KEY CHECK (id = 1), started TEXT NOT NULL, bench_digest TEXT NOT NULL,
  bench_text TEXT NOT NULL, versions TEXT NOT NULL, simulated INTEGER NOT NULL
);
CREATE TABLE session (
  id INTEGER PRIMARY KEY, started TEXT NOT NULL, ended TEXT, outcome TEXT, message TEXT,
  elapsed_s REAL NOT NULL DEFAULT 0
);
CREATE TABLE search (
  id INTEGER PRIMARY KEY, temperature_c REAL NOT NULL, current_a REAL NOT NULL,
  repeat INTEGER NOT NULL, settings TEXT NOT NULL, applied_a REAL, status TEXT, clean_mm_s REAL,
  skip_mm_s REAL, estimate_mm_s REAL, lower_mm_s REAL, upper_mm_s REAL, confidence REAL,
  trials INTEGER, outvoted INTEGER, force_n REAL, excluded TEXT, note TEXT,
  UNIQUE (temperature_c, current_a, repeat)
);
CREATE TABLE trial (
  number INTEGER PRIMARY KEY, session INTEGER NOT NULL REFERENCES session(id),
  search INTEGER REFERENCES search(id), started TEXT NOT NULL, temperature_c REAL NOT NULL,
  current_a REAL NOT NULL, applied_a REAL, read_back_a REAL, speed_mm_s REAL NOT NULL,
  length_mm REAL NOT NULL, settle_s REAL NOT NULL, prime_mm REAL NOT NULL,
  prime_speed_mm_s REAL NOT NULL, purpose TEXT NOT NULL, repeat INTEGER NOT NULL,
  attempt INTEGER NOT NULL, least_c REAL, most_c REAL, measured_s REAL, expected_s REAL,
  filament_mm REAL NOT NULL, broken_off INTEGER NOT NULL, verdict TEXT NOT NULL,
  reason TEXT NOT NULL, p_skip REAL NOT NULL, explanation TEXT NOT NULL, evidence TEXT NOT NULL,
  audio TEXT NOT NULL, wall_s REAL NOT NULL
);
CREATE TABLE event (
  id INTEGER PRIMARY KEY, session INTEGER REFERENCES session(id), time TEXT NOT NULL,
  kind TEXT NOT NULL, text TEXT NOT NULL, data TEXT NOT NULL
);
CREATE INDEX trial_search ON trial(search);
"""


@dataclass(frozen=True, slots=True)
class RunRow:
    """The run itself."""

    started: str
    bench_digest: str
    bench_text: str
    versions: Mapping[str, str]
    simulated: bool


@dataclass(frozen=True, slots=True)
class Session:
    """One stretch of the run, from a start or a resume to its end."""

    number: int
    started: str
    ended: str | None
    outcome: str | None
    message: str | None
    elapsed_s: float


@dataclass(frozen=True, slots=True)
class Event:
    """Something worth remembering besides the trials."""

    time: str
    kind: str
    text: str
    data: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class SearchRow:
    """One search for one threshold; ``status`` is None while it goes on."""

    id: int
    temperature_c: float
    current_a: float
    repeat: int
    settings: Mapping[str, Any]
    applied_a: float | None
    status: str | None
    clean_mm_s: float | None
    skip_mm_s: float | None
    estimate_mm_s: float | None
    lower_mm_s: float | None
    upper_mm_s: float | None
    confidence: float | None
    trials: int | None
    outvoted: int | None
    force_n: float | None
    excluded: str | None
    note: str | None


def now_text() -> str:
    """Now in UTC, ISO 8601 to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def trial_values(record: TrialRecord, *, session: int | None, search: int | None) -> dict[str, Any]:
    """The columns of a finished trial."""
    order = record.order
    evidence = {
        "anomalies": list(record.anomalies),
        "motion_s": list(record.motion_s),
        "first_skip_s": record.first_skip_s,
        "decided_s": record.decided_s,
        "click_times_s": list(record.click_times_s),
        "heard": record.heard,
        "lost_mm": record.lost_mm,
        "step_rate_hz": record.step_rate_hz,
        "prime_current_a": record.prime_current_a,
        "rested_s": record.rested_s,
        "details": dict(record.details),
    }
    return {
        "number": order.number or None, "session": session, "search": search,
        "started": record.started or now_text(), "temperature_c": order.temperature_c,
        "current_a": order.current_a, "applied_a": record.applied_a,
        "read_back_a": record.read_back_a, "speed_mm_s": order.speed_mm_s,
        "length_mm": order.length_mm, "settle_s": order.settle_s, "prime_mm": order.prime_mm,
        "prime_speed_mm_s": order.prime_speed_mm_s, "purpose": order.purpose,
        "repeat": order.repeat, "attempt": order.attempt, "least_c": record.least_c,
        "most_c": record.most_c, "measured_s": _finite(record.measured_s),
        "expected_s": record.expected_s, "filament_mm": record.filament_mm,
        "broken_off": record.broken_off, "verdict": str(record.verdict),
        "reason": str(record.reason), "p_skip": record.p_skip,
        "explanation": record.explanation, "evidence": plain_json(evidence),
        "audio": record.audio, "wall_s": record.wall_s,
    }  # fmt: skip


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def plain_json(data: Any) -> str:
    """JSON without not-a-number: what is not finite becomes null."""

    def clean(value: Any) -> Any:
        if isinstance(value, float):
            return _finite(value)
        if isinstance(value, Mapping):
            return {str(k): clean(v) for k, v in value.items()}
        if isinstance(value, list | tuple):
            return [clean(v) for v in value]
        if isinstance(value, bool | int | str) or value is None:
            return value
        try:
            return _finite(float(value))
        except (TypeError, ValueError):
            return str(value)

    return json.dumps(clean(data), separators=(",", ":"), allow_nan=False)


def trial_record(row: sqlite3.Row) -> TrialRecord:
    names = (
        "temperature_c", "current_a", "speed_mm_s", "length_mm", "settle_s", "prime_mm",
        "prime_speed_mm_s", "purpose", "repeat", "attempt", "number",
    )  # fmt: skip
    evidence = json.loads(row["evidence"])
    first, last = evidence["motion_s"]
    return TrialRecord(
        order=TrialOrder(**{name: row[name] for name in names}),
        verdict=Verdict(row["verdict"]),
        reason=Reason(row["reason"]),
        p_skip=row["p_skip"],
        explanation=row["explanation"],
        started=row["started"],
        applied_a=row["applied_a"],
        read_back_a=row["read_back_a"],
        least_c=row["least_c"],
        most_c=row["most_c"],
        measured_s=row["measured_s"],
        expected_s=row["expected_s"],
        filament_mm=row["filament_mm"],
        broken_off=bool(row["broken_off"]),
        anomalies=tuple(evidence["anomalies"]),
        motion_s=(first, last),
        first_skip_s=evidence["first_skip_s"],
        decided_s=evidence["decided_s"],
        click_times_s=tuple(evidence["click_times_s"]),
        heard=evidence["heard"],
        lost_mm=evidence["lost_mm"],
        details=evidence["details"],
        # Runs of earlier versions have neither.
        prime_current_a=evidence.get("prime_current_a"),
        rested_s=evidence.get("rested_s", 0.0),
        audio=row["audio"],
        step_rate_hz=evidence["step_rate_hz"],
        wall_s=row["wall_s"],
        number=row["number"],
    )
