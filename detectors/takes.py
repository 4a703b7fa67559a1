"""Sets of recorded takes on disk: a folder with ``bench.toml``, sound files and ``takes.csv``.

Columns: ``file, speed_mm_s, current_a, start_s, end_s, label, first_skip_s, note``. Start and end
are those of the commanded motion, in the file's own seconds; label is one of the four verdicts or
empty. Further columns are allowed and ignored.
"""

from __future__ import annotations

import csv
import fnmatch
import math
import os
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from detectors.errors import TakeError
from detectors.evidence import CommandedMotion, MotorGeometry, Verdict

COLUMNS = (
    "file",
    "speed_mm_s",
    "current_a",
    "start_s",
    "end_s",
    "label",
    "first_skip_s",
    "note",
)
REQUIRED = ("file", "speed_mm_s", "start_s", "end_s")
SOUND_SUFFIXES = frozenset(
    {".wav", ".flac", ".ogg", ".aif", ".aiff", ".w64", ".caf", ".opus", ".mp3"}
)


@dataclass(frozen=True, slots=True)
class Take:
    """One recorded move.

    Attributes:
        path: Of the sound file.
        file: As the list names it.
        motion: As commanded, on the file's own time.
        geometry: Of the bench.
        bench: What tells one bench from another (the folder of the set).
        label: What a person or the maker says it is; None where nobody has.
        first_skip_s: Time of the first skip, where known.
        note: Free text.
        session: Takes of one session follow each other on one bench, and are judged in order with
            what the room did before; empty for takes that stand alone.
    """

    path: Path
    file: str
    motion: CommandedMotion
    geometry: MotorGeometry
    bench: str = ""
    label: Verdict | None = None
    first_skip_s: float | None = None
    note: str = ""
    session: str = ""


@dataclass(frozen=True, slots=True)
class TakeSet:
    """Takes of one or many benches, in the order of their lists."""

    takes: tuple[Take, ...]

    def __iter__(self) -> Iterator[Take]:
        return iter(self.takes)

    def __len__(self) -> int:
        return len(self.takes)

    @property
    def benches(self) -> tuple[str, ...]:
        """The benches, each once, in order."""
        return tuple(dict.fromkeys(take.bench for take in self.takes))

    def labelled(self) -> TakeSet:
        """The takes that have a label."""
        return TakeSet(tuple(take for take in self.takes if take.label is not None))


def _positive(table: Mapping[str, object], key: str, where: str) -> float | None:
    value = table.get(key)
    if value is None:
        return None
    good = isinstance(value, int | float) and not isinstance(value, bool)
    if not good or not 0 < float(value) < math.inf:  # type: ignore[arg-type]
        raise TakeError(f"{where}.{key} = {value!r} must be a number above 0")
    return float(value)  # type: ignore[arg-type]


def _gear_ratio(value: object, where: str) -> float:
    if isinstance(value, int | float) and not isinstance(value, bool) and value > 0:
        return float(value)
    if isinstance(value, str):
        ratio = 1.0
        try:
            for stage in value.split():
                driven, _, driving = stage.partition(":")
                ratio *= float(driven) / float(driving or 1.0)
            if value.split() and 0 < ratio < math.inf:
                return ratio
        except (ValueError, ZeroDivisionError):
            pass
    raise TakeError(
        f"{where}.gear_ratio = {value!r} must be driven:driving, as in '50:17', or a number"
    )


def read_geometry(path: Path) -> MotorGeometry:
    """The part of a bench file that the detectors need: motor steps and filament per turn.

    Raises:
        TakeError: The file is missing, no TOML, or lacks a key.
    """
    try:
        document = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as problem:
        raise TakeError(
            f"{path}: cannot be read ({problem.strerror}); a take set needs its bench file"
        ) from problem
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as problem:
        raise TakeError(f"{path}: is no bench file (TOML): {problem}") from problem
    motor, drive = document.get("motor", {}), document.get("drive", {})
    if not isinstance(motor, dict) or not isinstance(drive, dict):
        raise TakeError(f"{path}: [motor] and [drive] must be tables")
    steps = _positive(motor, "steps_per_turn", f"{path}: motor") or 200.0
    if steps % 4 or not 20 <= steps <= 1000:
        raise TakeError(
            f"{path}: motor.steps_per_turn = {steps:g} must be a multiple of 4 from 20 to 1000: "
            "200 for a 1.8 degree motor, 400 for 0.9 degree"
        )
    ratio = _gear_ratio(drive.get("gear_ratio", 1.0), f"{path}: drive")
    per_turn = _positive(drive, "filament_per_turn_mm", f"{path}: drive")
    diameter = _positive(drive, "effective_diameter_mm", f"{path}: drive")
    if per_turn is None:
        if diameter is None:
            raise TakeError(
                f"{path}: drive.filament_per_turn_mm (or drive.effective_diameter_mm) is missing"
            )
        per_turn = math.pi * diameter
    return MotorGeometry(
        steps_per_turn=int(steps), filament_per_motor_turn_mm=per_turn / ratio, gear_ratio=ratio
    )


def _number(row: Mapping[str, str], key: str, where: str, *, least: float) -> float:
    text = (row.get(key) or "").strip()
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or value < least:
        raise TakeError(f"{where}: {key} = {text!r} must be a number from {least:g}")
    return value


def _optional(row: Mapping[str, str], key: str, where: str) -> float | None:
    return _number(row, key, where, least=0.0) if (row.get(key) or "").strip() else None


def _take(row: Mapping[str, str], where: str, folder: Path, geometry: MotorGeometry) -> Take:
    file = (row.get("file") or "").strip()
    if not file:
        raise TakeError(f"{where}: file is empty")
    speed = _number(row, "speed_mm_s", where, least=1e-3)
    start = _number(row, "start_s", where, least=0.0)
    end = _number(row, "end_s", where, least=0.0)
    if end <= start:
        raise TakeError(f"{where}: end_s = {end:g} must be after start_s = {start:g}")
    text = (row.get("label") or "").strip()
    try:
        label = Verdict(text.lower()) if text else None
    except ValueError:
        raise TakeError(
            f"{where}: label = {text!r} must be empty or one of {', '.join(Verdict)}"
        ) from None
    current = _optional(row, "current_a", where)
    return Take(
        path=folder / file,
        file=file,
        motion=CommandedMotion(speed_mm_s=speed, start_s=start, end_s=end, current_a=current),
        geometry=geometry,
        bench=str(folder),
        label=label,
        first_skip_s=_optional(row, "first_skip_s", where),
        note=(row.get("note") or "").strip(),
    )


def read_take_list(path: Path) -> list[Take]:
    """The takes of one ``takes.csv``, with the bench file beside it.

    Raises:
        TakeError: Naming file, row, key, value and what is allowed.
    """
    try:
        with path.open(newline="", encoding="utf-8-sig") as stream:
            reader = csv.DictReader(stream, skipinitialspace=True)
            names = [name.strip() for name in reader.fieldnames or ()]
            reader.fieldnames = names
            missing = [key for key in REQUIRED if key not in names]
            if missing:
                raise TakeError(
                    f"{path}: column {missing[0]} is missing; needed are {', '.join(REQUIRED)}"
                )
            rows = [(reader.line_num, row) for row in reader if any(row.values())]
    except OSError as problem:
        raise TakeError(f"{path}: cannot be read: {problem.strerror}") from problem
    except UnicodeDecodeError as problem:
        raise TakeError(f"{path}: is no list of takes (CSV): it is not UTF-8 text") from problem
    except csv.Error as problem:
        raise TakeError(f"{path}: is no list of takes (CSV): {problem}") from problem
    folder = path.parent
    geometry = read_geometry(folder / "bench.toml")
    return [_take(row, f"{path}: row {line}", folder, geometry) for line, row in rows]


def files_below(folder: Path, name: str = "*") -> Iterator[Path]:
    """Files below a folder, as they are found; links are followed, each folder entered once.

    Args:
        folder: Where to look.
        name: Pattern that their names match.
    """
    entered: set[Path] = set()
    for here, folders, files in os.walk(folder, followlinks=True):
        real = Path(here).resolve()
        if real in entered:
            folders.clear()
            continue
        entered.add(real)
        folders.sort()
        yield from (Path(here) / file for file in fnmatch.filter(files, name))


def load_take_set(path: Path | str) -> TakeSet:
    """A take set: a ``takes.csv``, its folder, or a folder of such folders.

    Raises:
        TakeError: There is none, or one of its lists is wrong.
    """
    path = Path(path)
    if path.is_file() and path.suffix.lower() != ".csv":
        raise TakeError(
            f"{path}: is neither a folder, a takes.csv nor a sound file "
            f"({', '.join(sorted(SOUND_SUFFIXES))})"
        )
    if path.is_file():
        return TakeSet(tuple(read_take_list(path)))
    if not path.is_dir():
        raise TakeError(f"{path}: no such file or folder")
    lists = sorted(files_below(path, "takes.csv"))
    if not lists:
        raise TakeError(f"{path}: holds no takes.csv (columns {', '.join(COLUMNS)})")
    return TakeSet(tuple(take for found in lists for take in read_take_list(found)))


def take_of_file(
    path: Path,
    *,
    speed_mm_s: float | None,
    geometry: MotorGeometry | None,
    lists: dict[Path, dict[Path, Take]] | None = None,
) -> Take:
    """A single sound file as a take: from the list beside it, or from a speed and a geometry.

    Without a list the whole file but its first and last half second is taken as the move.

    Args:
        path: Of the sound file.
        speed_mm_s: Commanded speed, for a file in no list.
        geometry: For the same.
        lists: Lists that were read already; filled with those that are read now.

    Raises:
        TakeError: The file is in no list, and speed or geometry is not given.
    """
    lists = lists if lists is not None else {}
    beside = path.parent / "takes.csv"
    if beside not in lists:
        listed = read_take_list(beside) if beside.exists() else []
        lists[beside] = {take.path.resolve(): take for take in listed}
    known = lists[beside].get(path.resolve())
    if known is not None:
        return known
    if speed_mm_s is None or geometry is None:
        raise TakeError(
            f"{path}: is in no takes.csv beside it; give --speed and --bench, or list it there"
        )
    from detectors.sources import FileSource

    try:
        with FileSource(path) as source:
            length = source.duration_s
    except TakeError:
        length = 0.0  # whoever judges it finds it unreadable, and says so
    margin = min(0.5, length / 4)
    motion = CommandedMotion(
        speed_mm_s=speed_mm_s, start_s=margin, end_s=max(length - margin, margin + 1e-3)
    )
    return Take(path=path, file=str(path), motion=motion, geometry=geometry, bench="")


def _bare_sounds(path: Path) -> list[Path]:
    """The sound files in a folder that holds no list, in order of their names."""
    if not path.is_dir() or any(files_below(path, "takes.csv")):
        return []
    return sorted(p for p in files_below(path) if p.suffix.lower() in SOUND_SUFFIXES)


def collect_takes(
    paths: Iterable[Path | str],
    *,
    speed_mm_s: float | None = None,
    geometry: MotorGeometry | None = None,
) -> TakeSet:
    """The takes of any mix of take sets, folders of them, lists and sound files.

    A folder without any list stands for the sound files in it, where speed and geometry are given.

    Raises:
        TakeError: One of them cannot be used.
    """
    takes: list[Take] = []
    lists: dict[Path, dict[Path, Take]] = {}
    for given in paths:
        path = Path(given)
        if path.is_file() and path.suffix.lower() in SOUND_SUFFIXES:
            sounds = [path]
        else:
            sounds = [] if speed_mm_s is None or geometry is None else _bare_sounds(path)
        if sounds:
            takes += [
                take_of_file(sound, speed_mm_s=speed_mm_s, geometry=geometry, lists=lists)
                for sound in sounds
            ]
        else:
            takes += load_take_set(path).takes
    return TakeSet(tuple(takes))
