"""Labels in ``takes.csv``, changed one record at a time so that everything else stays as it was.

Records that are not edited keep their bytes: order, unknown columns, quoting, blank lines, line
ends and byte-order mark. A change is on disk, whole, before it is acknowledged; the file as it was
before the first change is kept beside it once, as ``takes.csv.orig``.
"""

from __future__ import annotations

import csv
import io
import math
import os
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from detectors.errors import TakeError
from detectors.evidence import Verdict
from detectors.takes import Take, read_take_list

BOM = "\ufeff"
EDITED = ("label", "first_skip_s", "note")
LONGEST_NOTE = 2000


class ChangedUnderneathError(TakeError):
    """The list on disk is not the one that was read: another program wrote it."""


@dataclass(frozen=True, slots=True)
class Mark:
    """What a person says about a take.

    Attributes:
        label: One of the four verdicts, or None where nobody has said.
        first_skip_s: Time of the first skip in the file, in s, or None.
        note: Free text, one line.
    """

    label: Verdict | None = None
    first_skip_s: float | None = None
    note: str = ""

    def checked(self) -> Mark:
        """The same, tidied.

        Raises:
            TakeError: The time is no number from 0 up, or the note is too long.
        """
        first = self.first_skip_s
        if first is not None and not (math.isfinite(first) and 0.0 <= first < 1e6):
            raise TakeError(f"first_skip_s = {first} must be a number of seconds from 0")
        note = " ".join("".join(c if c.isprintable() else " " for c in self.note).split())
        if len(note) > LONGEST_NOTE:
            raise TakeError(f"the note has {len(note)} characters; {LONGEST_NOTE} are allowed")
        return replace(self, first_skip_s=None if first is None else round(first, 4), note=note)


@dataclass(slots=True)
class _Record:
    """A record as it stands in the file: its text with the line end, and its cells."""

    text: str
    cells: list[str]

    @property
    def end(self) -> str:
        """The line end of the record; empty at the end of a file without one."""
        return self.text[len(self.text.rstrip("\r\n")) :]


def split_records(text: str) -> list[_Record]:
    """The records of a CSV text; their texts joined are the text again.

    Raises:
        csv.Error: It is no CSV.
    """
    taken: list[str] = []

    def lines() -> Iterator[str]:
        for line in io.StringIO(text, newline=""):
            taken.append(line)
            yield line

    records = []
    for cells in csv.reader(lines(), skipinitialspace=True):
        records.append(_Record("".join(taken), cells))
        taken.clear()
    if taken:
        records.append(_Record("".join(taken), []))
    return records


def join_cells(cells: list[str]) -> str:
    """One record without its line end; quoted where reading it back would change it."""

    def quoted(cell: str) -> str:
        plain = cell == cell.strip() and not any(c in cell for c in '",\r\n')
        return cell if plain else '"' + cell.replace('"', '""') + '"'

    return ",".join(map(quoted, cells))


def format_time(time_s: float | None) -> str:
    """Seconds with at most four decimals; empty where there is none."""
    return "" if time_s is None else f"{time_s:.4f}".rstrip("0").rstrip(".")


class TakeList:
    """One ``takes.csv`` and its takes.

    Args:
        path: The file.

    Raises:
        TakeError: The list or its bench file cannot be used.
    """

    def __init__(self, path: Path) -> None:
        self.path = path.resolve()
        self.takes: list[Take] = []
        self._content = b""
        self._stamp = (0, 0, 0)
        self._records: list[_Record] = []
        self._rows: list[int] = []
        self.load()

    def load(self) -> None:
        """Read the file anew.

        Raises:
            TakeError: It cannot be used any more.
        """
        content = self._on_disk()
        takes = read_take_list(self.path)
        records = split_records(content.decode("utf-8-sig"))
        if not records or content != self._on_disk():
            raise ChangedUnderneathError(f"{self.path}: changed while it was read; try again")
        width = len(records[0].cells)
        rows = [
            number
            for number, record in enumerate(records[1:], start=1)
            if any(record.cells) or len(record.cells) > width
        ]
        if len(rows) != len(takes):
            raise TakeError(f"{self.path}: {len(rows)} records, but {len(takes)} takes were read")
        self.takes, self._content, self._records, self._rows = takes, content, records, rows

    def _on_disk(self) -> bytes:
        try:
            return self.path.read_bytes()
        except OSError as error:
            raise TakeError(f"{self.path}: cannot be read: {error.strerror}") from error

    def changed_underneath(self) -> bool:
        """Whether the file on disk is another one than was read or written last."""
        try:
            return self._on_disk() != self._content
        except TakeError:
            return True

    def seems_changed(self) -> bool:
        """The same, cheap enough to ask all the time: reads only if the file's stamp is new."""
        try:
            stat = self.path.stat()
        except OSError:
            return True
        stamp = (stat.st_mtime_ns, stat.st_size, stat.st_ino)
        if stamp != self._stamp:
            if self.changed_underneath():
                return True
            self._stamp = stamp
        return False

    def mark(self, number: int) -> Mark:
        """What stands in the list about a take."""
        take = self.takes[number]
        return Mark(take.label, take.first_skip_s, take.note)

    def set_mark(self, number: int, mark: Mark) -> Mark:
        """Write what a person says about a take; on disk when this returns.

        Raises:
            ChangedUnderneathError: The file was changed by another program; nothing was written.
            TakeError: The mark is not allowed, or the file cannot be written.
        """
        mark = mark.checked()
        if self.changed_underneath():
            raise ChangedUnderneathError(
                f"{self.path.name} was changed by another program; nothing was overwritten"
            )
        if mark == self.mark(number):
            return mark
        records = [_Record(r.text, list(r.cells)) for r in self._records]
        names = [name.strip() for name in records[0].cells]
        _add_columns(records, names)
        record = records[self._rows[number]]
        cells = record.cells + [""] * (len(names) - len(record.cells))
        cells[names.index("label")] = mark.label.value if mark.label is not None else ""
        cells[names.index("first_skip_s")] = format_time(mark.first_skip_s)
        cells[names.index("note")] = mark.note
        records[self._rows[number]] = _Record(join_cells(cells) + record.end, cells)
        text = "".join(r.text for r in records)
        bom = BOM if self._content.startswith(BOM.encode()) else ""
        content = (bom + text).encode()
        self._keep_original()
        write_whole(self.path, content)
        self._content, self._records = content, records
        self.takes[number] = replace(
            self.takes[number], label=mark.label, first_skip_s=mark.first_skip_s, note=mark.note
        )
        return mark

    def _keep_original(self) -> None:
        backup = self.path.with_name(self.path.name + ".orig")
        if not backup.exists():
            write_whole(backup, self._content)


def _add_columns(records: list[_Record], names: list[str]) -> None:
    """Add the columns that labels need and the list lacks, at its right."""
    missing = [name for name in EDITED if name not in names]
    if not missing:
        return
    width = len(names)
    names += missing
    records[0] = _Record(join_cells(names) + (records[0].end or "\n"), list(names))
    for number, record in enumerate(records[1:], start=1):
        if record.cells:
            cells = record.cells + [""] * (width - len(record.cells))
            cells[width:width] = [""] * len(missing)
            records[number] = _Record(join_cells(cells) + record.end, cells)


def write_whole(path: Path, content: bytes) -> None:
    """Put a file in place whole: after a power cut there is the old one or the new one.

    Raises:
        TakeError: It cannot be written.
    """
    scratch = ""
    try:
        handle, scratch = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        with os.fdopen(handle, "wb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
        os.chmod(scratch, path.stat().st_mode & 0o777 if path.exists() else 0o644)
        os.replace(scratch, path)
        _sync_folder(path.parent)
    except OSError as error:
        if scratch and os.path.exists(scratch):
            os.unlink(scratch)
        raise TakeError(f"{path}: cannot be written ({error.strerror})") from error


def _sync_folder(folder: Path) -> None:
    """Make the new name durable, where the system lets a folder be synced."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:  # Windows: no such thing, the rename is journalled
        return
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
