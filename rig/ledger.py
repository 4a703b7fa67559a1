"""What happened, kept so that a power cut loses nothing that was finished.

One SQLite file a run, write-ahead log, synchronous FULL: when `Ledger.add_trial` returns, the trial
is on the disk. A reader (a report, the live page) may open the file while a run writes it.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

from rig.errors import RunFolderError, StoppedSafelyError
from rig.ledger_rows import (
    SCHEMA,
    Event,
    RunRow,
    SearchRow,
    Session,
    now_text,
    plain_json,
    trial_record,
    trial_values,
)
from rig.records import TrialRecord

if TYPE_CHECKING:
    from rig.bench import Bench
    from rig.curves.points import Threshold

__all__ = ["FILE_NAME", "Event", "Ledger", "RunRow", "SearchRow", "Session", "now_text"]

FILE_NAME = "ledger.sqlite"
#: "stlc": says whose file this is.
APPLICATION_ID = 0x73746C63
SCHEMA_VERSION = 1


class Ledger:
    """The memory of one run. Make one with `create` or `open`."""

    def __init__(self, connection: sqlite3.Connection, path: Path, *, writable: bool) -> None:
        self.path = path
        self._db = connection
        self._writable = writable
        self._session: int | None = None

    # -- opening ----------------------------------------------------------------------------------

    @classmethod
    def create(
        cls,
        folder: str | Path,
        *,
        bench_text: str,
        bench_digest: str,
        versions: Mapping[str, str] | None = None,
        simulated: bool = False,
    ) -> Ledger:
        """A new ledger in a run folder.

        Raises:
            RunFolderError: There is one already, or the folder cannot be written.
        """
        path = Path(folder) / FILE_NAME
        if path.exists():
            raise RunFolderError(
                f"{path} is there already: continue it with --resume, or choose another --out"
            )
        # Built beside and moved into place: a ledger is whole or it is not there.
        draft = path.with_suffix(".new")
        try:
            draft.unlink(missing_ok=True)
            db = sqlite3.connect(draft, isolation_level=None)
            try:
                db.executescript(f"BEGIN; {SCHEMA}")
                db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                db.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
                db.execute(
                    "INSERT INTO run VALUES (1, ?, ?, ?, ?, ?)",
                    (now_text(), bench_digest, bench_text, json.dumps(versions or {}), simulated),
                )
                db.execute("COMMIT")
            finally:
                db.close()
            os.replace(draft, path)
        except (sqlite3.Error, OSError) as error:
            raise RunFolderError(f"{path}: cannot be written: {error}") from error
        return cls.open(folder)

    @classmethod
    def open(cls, folder: str | Path, *, read_only: bool = False) -> Ledger:
        """The ledger of a run folder (or of the path of the file itself).

        Raises:
            RunFolderError: There is none, it is no ledger, or a newer version wrote it.
        """
        path = Path(folder)
        if path.is_dir() or path.suffix != ".sqlite":
            path = path / FILE_NAME
        if not path.is_file():
            raise RunFolderError(f"{path}: no such ledger; a run folder holds {FILE_NAME}")
        try:
            with path.open("rb") as file:
                if file.read(15) != b"SQLite format 3":
                    raise RunFolderError(f"{path}: is no ledger (not an SQLite file)")
            mode = "ro" if read_only else "rw"
            uri = f"{path.resolve().as_uri()}?mode={mode}"
            db = sqlite3.connect(uri, uri=True, isolation_level=None, timeout=10.0)
        except (sqlite3.Error, OSError) as error:
            raise RunFolderError(f"{path}: cannot be opened: {error}") from error
        try:
            cls._check(db, path)
            if not read_only:
                db.execute("PRAGMA journal_mode = WAL")
                db.execute("PRAGMA synchronous = FULL")
                db.execute("PRAGMA foreign_keys = ON")
        except sqlite3.Error as error:
            db.close()
            raise RunFolderError(f"{path}: is damaged or no ledger: {error}") from error
        except RunFolderError:
            db.close()
            raise
        db.row_factory = sqlite3.Row
        return cls(db, path, writable=not read_only)

    @staticmethod
    def _check(db: sqlite3.Connection, path: Path) -> None:
        (application,) = db.execute("PRAGMA application_id").fetchone()
        (version,) = db.execute("PRAGMA user_version").fetchone()
        if application != APPLICATION_ID:
            raise RunFolderError(f"{path}: is another program's file, not a ledger")
        if version > SCHEMA_VERSION:
            raise RunFolderError(
                f"{path}: was written by a newer version (schema {version}; this one knows up to "
                f"{SCHEMA_VERSION}): update this program"
            )

    def close(self) -> None:
        """Close the file. Safe to call again."""
        self._db.close()

    def __enter__(self) -> Ledger:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction, on the disk when it is left."""
        try:
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
            except BaseException:
                self._db.execute("ROLLBACK")
                raise
            self._db.execute("COMMIT")
        except sqlite3.Error as error:
            raise StoppedSafelyError(
                f"{self.path}: cannot be written: {error}; make room on the disk (or close the "
                "other program) and continue with --resume"
            ) from error

    # -- writing ----------------------------------------------------------------------------------

    def begin_session(self) -> int:
        """A new stretch of the run begins."""
        with self._writing() as db:
            cursor = db.execute("INSERT INTO session (started) VALUES (?)", (now_text(),))
        self._session = cursor.lastrowid
        assert self._session is not None
        return self._session

    def end_session(self, *, outcome: str, message: str = "", elapsed_s: float = 0.0) -> None:
        """The stretch ends; ``elapsed_s`` is its length on the rig's clock."""
        with self._writing() as db:
            db.execute(
                "UPDATE session SET ended = ?, outcome = ?, message = ?, elapsed_s = ? "
                "WHERE id = ?",
                (now_text(), outcome, message, elapsed_s, self._session),
            )

    def add_event(self, kind: str, text: str, **data: Any) -> None:
        """Remember something besides the trials."""
        with self._writing() as db:
            db.execute(
                "INSERT INTO event (session, time, kind, text, data) VALUES (?, ?, ?, ?, ?)",
                (self._session, now_text(), kind, text, plain_json(data)),
            )

    def open_search(
        self,
        *,
        temperature_c: float,
        current_a: float,
        repeat: int,
        settings: Mapping[str, Any],
        applied_a: float | None,
    ) -> int:
        """A search begins; its settings are kept, so that a resume rebuilds the same search."""
        with self._writing() as db:
            cursor = db.execute(
                "INSERT INTO search (temperature_c, current_a, repeat, settings, applied_a) "
                "VALUES (?, ?, ?, ?, ?)",
                (temperature_c, current_a, repeat, plain_json(settings), applied_a),
            )
        assert cursor.lastrowid is not None
        return cursor.lastrowid

    def close_search(
        self,
        search: int,
        *,
        status: str,
        clean_mm_s: float | None = None,
        skip_mm_s: float | None = None,
        estimate_mm_s: float | None = None,
        lower_mm_s: float | None = None,
        upper_mm_s: float | None = None,
        confidence: float | None = None,
        trials: int = 0,
        outvoted: int = 0,
        force_n: float | None = None,
        excluded: str | None = None,
        note: str | None = None,
    ) -> None:
        """The outcome of a search."""
        with self._writing() as db:
            db.execute(
                "UPDATE search SET status = ?, clean_mm_s = ?, skip_mm_s = ?, estimate_mm_s = ?, "
                "lower_mm_s = ?, upper_mm_s = ?, confidence = ?, trials = ?, outvoted = ?, "
                "force_n = ?, excluded = ?, note = ? WHERE id = ?",
                (
                    status, clean_mm_s, skip_mm_s, estimate_mm_s, lower_mm_s, upper_mm_s,
                    confidence, trials, outvoted, force_n, excluded, note, search,
                ),
            )  # fmt: skip

    def exclude_search(self, search: int, excluded: str | None, note: str | None = None) -> None:
        """Mark a finished search as no evidence about the force (or take the mark off)."""
        with self._writing() as db:
            db.execute(
                "UPDATE search SET excluded = ?, note = coalesce(?, note) WHERE id = ?",
                (excluded, note, search),
            )

    def next_number(self) -> int:
        """The number that the next trial will get."""
        (last,) = self._db.execute("SELECT coalesce(max(number), 0) FROM trial").fetchone()
        return int(last) + 1

    def add_trial(self, record: TrialRecord, *, search: int | None = None) -> int:
        """Keep a finished trial; it is on the disk when this returns.

        Returns:
            Its number.
        """
        values = trial_values(record, session=self._session, search=search)
        names = ", ".join(values)
        marks = ", ".join(f":{name}" for name in values)
        with self._writing() as db:
            cursor = db.execute(f"INSERT INTO trial ({names}) VALUES ({marks})", values)
        assert cursor.lastrowid is not None
        return cursor.lastrowid

    # -- reading ----------------------------------------------------------------------------------

    def _rows(self, query: str, values: Sequence[Any] = ()) -> list[sqlite3.Row]:
        try:
            return self._db.execute(query, values).fetchall()
        except sqlite3.Error as error:
            raise RunFolderError(f"{self.path}: cannot be read: {error}") from error

    @property
    def run(self) -> RunRow:
        """The run itself."""
        rows = self._rows("SELECT * FROM run")
        if not rows:
            raise RunFolderError(f"{self.path}: holds no run")
        row = rows[0]
        return RunRow(
            started=row["started"],
            bench_digest=row["bench_digest"],
            bench_text=row["bench_text"],
            versions=json.loads(row["versions"]),
            simulated=bool(row["simulated"]),
        )

    def bench(self) -> Bench:
        """The bench file as it was when the run began."""
        from rig.bench import parse_bench

        return parse_bench(self.run.bench_text, name=str(self.path.with_name("bench.toml")))

    def sessions(self) -> list[Session]:
        """All stretches of the run, in order."""
        return [
            Session(
                number=r["id"],
                started=r["started"],
                ended=r["ended"],
                outcome=r["outcome"],
                message=r["message"],
                elapsed_s=r["elapsed_s"],
            )
            for r in self._rows("SELECT * FROM session ORDER BY id")
        ]

    def events(self, kind: str | None = None) -> list[Event]:
        """All events in order, or those of one kind."""
        rows = self._rows(
            "SELECT * FROM event WHERE ? IS NULL OR kind = ? ORDER BY id", (kind, kind)
        )
        return [Event(r["time"], r["kind"], r["text"], json.loads(r["data"])) for r in rows]

    def searches(self) -> list[SearchRow]:
        """All searches in order."""
        rows = self._rows("SELECT * FROM search ORDER BY id")
        return [SearchRow(**{**dict(r), "settings": json.loads(r["settings"])}) for r in rows]

    def trials(self, *, search: int | None = None) -> list[TrialRecord]:
        """All finished trials in order, or those of one search."""
        rows = self._rows(
            "SELECT * FROM trial WHERE ? IS NULL OR search = ? ORDER BY number", (search, search)
        )
        return [trial_record(row) for row in rows]

    def filament_mm(self) -> float:
        """Filament used by all trials together, in mm.

        What a restart of the firmware cut short counts in full: nobody knows how far it came.
        """
        (total,) = self._rows("SELECT coalesce(sum(filament_mm), 0) FROM trial")[0]
        cut_short = sum(float(e.data.get("filament_mm", 0.0)) for e in self.events("reset"))
        return float(total) + cut_short

    def elapsed_s(self) -> float:
        """Length of all ended sessions on the rig's clock, in s.

        A session that was killed has no end; the sum of its trials stands for it.
        """
        (total,) = self._rows(
            "SELECT coalesce(sum(CASE WHEN s.ended IS NOT NULL THEN s.elapsed_s ELSE "
            "(SELECT coalesce(sum(wall_s), 0) FROM trial WHERE session = s.id) END), 0) "
            "FROM session s"
        )[0]
        return float(total)

    def thresholds(self, *, run: str | None = None) -> list[Threshold]:
        """One row a finished search, by temperature, repeat and current, for the fit.

        Those without any known end are left out.

        Args:
            run: Name of the run in the rows; by default that of the folder.
        """
        rows = sorted(self.searches(), key=lambda s: (s.temperature_c, s.repeat, s.current_a))
        return self.as_thresholds((row for row in rows if row.status is not None), run=run)

    def as_thresholds(
        self, rows: Iterable[SearchRow], *, run: str | None = None
    ) -> list[Threshold]:
        """The thresholds of searches, finished or not; those without any known end are left out.

        Args:
            rows: The searches.
            run: Name of the run in the rows; by default that of the folder.
        """
        from rig.curves.points import Threshold

        diameter_mm = self.bench().filament.diameter_mm
        name = run if run is not None else self.path.resolve().parent.name
        return [
            Threshold(
                temperature_c=s.temperature_c,
                force_n=s.force_n,
                clean_mm_s=s.clean_mm_s,
                skip_mm_s=s.skip_mm_s,
                filament_diameter_mm=diameter_mm,
                current_a=s.current_a,
                applied_a=s.applied_a,
                excluded=s.excluded,
                run=name,
                repeat=s.repeat,
            )
            for s in rows
            if s.force_n is not None and (s.clean_mm_s is not None or s.skip_mm_s is not None)
        ]


def settings_document(settings: Any) -> dict[str, Any]:
    """A settings dataclass as plain data for `Ledger.open_search`."""
    return asdict(settings)
