"""Thresholds: what a search found for one force, and how a table of them is read.

A threshold is an interval: the motor still ran clean at ``clean_mm_s`` and already skipped at
``skip_mm_s``, so the speed at which the filament needs just the force that the motor can give lies
between. One end may be missing (censoring): no skip was reached, or nothing ran clean.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from rig.errors import TableError

if TYPE_CHECKING:
    from rig.bench import Bench

DEFAULT_DIAMETER_MM = 1.75
FEWEST_POINTS = 2
USEFUL_POINTS = 5
"""With fewer different forces a curve is left open, however well each threshold is known."""
_SAME_FORCE = 0.005
"""Two forces closer than this are one, rounded on its way through a file."""

_ALLOWED = {
    "temperature_c": (-50.0, 600.0),
    "force_n": (1e-3, 1e5),
    "current_a": (1e-4, 100.0),
    "clean_mm_s": (0.0, 1e4),
    "skip_mm_s": (1e-9, 1e4),
}
_OPTIONAL = ("excluded", "run", "repeat")


@dataclass(frozen=True, slots=True)
class Threshold:
    """The threshold speed found for one force at one temperature.

    Attributes:
        temperature_c: Nozzle temperature, in C.
        force_n: Force the motor could give at about the threshold speed, in N.
        clean_mm_s: Highest clean speed, in mm/s; None: nothing ran clean (left-censored).
        skip_mm_s: Lowest skipping speed, in mm/s; None: no skip was reached (right-censored).
        filament_diameter_mm: Diameter of the filament, in mm.
        current_a: Current asked of the driver, in its own unit, in A; None where not known.
        applied_a: RMS current applied, in A; None where not known.
        excluded: Why the point says nothing about the force ("slip", "start-speed", ...); such
            points are shown and not fitted. "melt-limit" is fitted where the model has a melt
            limit. None: fitted.
        run: Run the point comes from; points of one run share its random effect.
        repeat: Number of the repeat.
    """

    temperature_c: float
    force_n: float
    clean_mm_s: float | None
    skip_mm_s: float | None
    filament_diameter_mm: float = DEFAULT_DIAMETER_MM
    current_a: float | None = None
    applied_a: float | None = None
    excluded: str | None = None
    run: str = ""
    repeat: int = 0

    @property
    def area_mm2(self) -> float:
        """Cross-section of the filament, in mm2: pi d^2 / 4."""
        return math.pi * self.filament_diameter_mm**2 / 4.0

    @property
    def clean_mm3_s(self) -> float | None:
        """Highest clean flow, in mm3/s."""
        return None if self.clean_mm_s is None else self.clean_mm_s * self.area_mm2

    @property
    def skip_mm3_s(self) -> float | None:
        """Lowest skipping flow, in mm3/s."""
        return None if self.skip_mm_s is None else self.skip_mm_s * self.area_mm2

    @property
    def middle_mm3_s(self) -> float:
        """Geometric middle of the interval, or the one end that is known, in mm3/s."""
        ends = [end for end in (self.clean_mm3_s, self.skip_mm3_s) if end]
        return math.exp(sum(math.log(end) for end in ends) / len(ends))

    @property
    def closed(self) -> bool:
        """Whether both ends are known."""
        return self.clean_mm_s is not None and self.skip_mm_s is not None

    @property
    def log_width(self) -> float:
        """Log of the upper end over the lower one, where both are known."""
        assert self.clean_mm_s is not None
        assert self.skip_mm_s is not None
        return math.log(self.skip_mm_s / self.clean_mm_s)


def different_forces(points: Iterable[Threshold]) -> int:
    """How many different forces there are among thresholds."""
    return len({round(point.force_n, 6) for point in points})


def read_threshold_table(
    path: str | Path,
    bench: Bench | None = None,
    filament_diameter_mm: float | None = None,
    *,
    notes: list[str] | None = None,
) -> list[Threshold]:
    """Thresholds from a CSV file.

    Columns ``temperature_c``, ``clean_mm_s``, ``skip_mm_s`` and either ``current_a`` (with a bench)
    or ``force_n``. Where both are there the force is taken; the current stays with it where the
    bench makes that force of it, and is left out where not. Optional ``run``, ``repeat``,
    ``excluded``; in any order. Blank lines and lines that begin with ``#`` are passed over, other
    columns are left alone. Every line has a field for every column; where there is no value the
    field is empty.

    Args:
        path: The file, UTF-8, separated by commas (or by semicolons or tabs throughout).
        bench: Turns current into force, with the driver's steps and the derating at the speed.
        filament_diameter_mm: In mm; by default the bench's, else 1.75.
        notes: Gets one sentence for each thing that was tolerated.

    Raises:
        TableError: One line: file, line, column, value, what is allowed.
    """
    path = Path(path)
    said: list[str] = notes if notes is not None else []
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not UTF-8 text"
        raise TableError(f"{path}: cannot be read ({reason})") from error
    return parse_threshold_table(text, bench, filament_diameter_mm, name=str(path), notes=said)


def parse_threshold_table(
    text: str,
    bench: Bench | None = None,
    filament_diameter_mm: float | None = None,
    *,
    name: str = "table.csv",
    notes: list[str] | None = None,
) -> list[Threshold]:
    """Thresholds from the text of a CSV file; see `read_threshold_table`."""
    said: list[str] = notes if notes is not None else []
    rows = [
        (number, line)
        for number, line in enumerate(text.splitlines(), start=1)
        if line.strip(" \t,;") and not line.lstrip().startswith("#")
    ]
    if not rows:
        raise TableError(
            f"{name}: no table in it; wanted a header line "
            "temperature_c,current_a,clean_mm_s,skip_mm_s (or force_n for current_a)"
        )
    delimiter = next((d for d in (",", ";", "\t") if d in rows[0][1]), ",")
    header = [cell.strip().lower() for cell in _cells(rows[0][1], delimiter)]
    while header and not header[-1]:  # a separator at the end of the header names no column
        header.pop()
    force_known = _check_header(header, bench, name=name, line=rows[0][0], notes=said)
    diameter_mm = filament_diameter_mm
    if diameter_mm is None:
        diameter_mm = DEFAULT_DIAMETER_MM if bench is None else bench.filament.diameter_mm
    if not (math.isfinite(diameter_mm) and 0.5 <= diameter_mm <= 10.0):
        raise TableError(f"filament diameter {diameter_mm} mm is outside 0.5 to 10 mm")
    points = []
    for line, content in rows[1:]:
        cells = [cell.strip() for cell in _cells(content, delimiter)]
        if len(cells) > len(header) and any(cells[len(header) :]):
            raise TableError(
                f"{name}:{line}: {len(cells)} values for {len(header)} columns; "
                "a decimal comma? write decimals with a point"
            )
        if len(cells) < len(header):
            raise TableError(
                f"{name}:{line}: {len(cells)} fields of {len(header)}, {header[len(cells)]} is "
                "missing; is the line cut short? an empty field keeps its separator"
            )
        row = dict(zip(header, cells, strict=False))
        where = f"{name}:{line}"
        points.append(_point(row, bench, diameter_mm, force_known=force_known, where=where))
    if not points:
        raise TableError(f"{name}: a header and no thresholds; one line for each threshold wanted")
    if force_known and "current_a" in header and bench is not None:
        said.append(f"{name}: has force_n and current_a; {_both(points)}")
    return points


def _both(points: list[Threshold]) -> str:
    """Which of force and current was used, where a table has both."""
    own = sum(point.applied_a is not None for point in points)
    if own == len(points):
        return "by the bench file they are the same, so the forces count as its drive's"
    left = "current_a is left out" + (
        f" in {len(points) - own} of {len(points)} lines" if own else ""
    )
    return f"force_n is used, {left}: by the bench file it does not make that force"


def _cells(line: str, delimiter: str) -> list[str]:
    return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True))


def _check_header(
    header: list[str], bench: Bench | None, *, name: str, line: int, notes: list[str]
) -> bool:
    """Whether the force stands in the table; faults of the header raise."""
    repeated = {column for column in header if column and header.count(column) > 1}
    if repeated:
        raise TableError(f"{name}:{line}: column {sorted(repeated)[0]} stands there twice")
    for column in ("temperature_c", "clean_mm_s", "skip_mm_s"):
        if column not in header:
            raise TableError(
                f"{name}:{line}: no column {column}; wanted temperature_c, current_a or force_n, "
                f"clean_mm_s, skip_mm_s; found {', '.join(header)}"
            )
    force_known = "force_n" in header
    if not force_known and "current_a" not in header:
        raise TableError(
            f"{name}:{line}: neither a column force_n nor a column current_a; "
            f"found {', '.join(header)}"
        )
    if not force_known and bench is None:
        raise TableError(
            f"{name}: has current_a and no force_n, so a bench file is needed to turn current into "
            "force: add --bench FILE"
        )
    if force_known and "current_a" in header and bench is None:
        notes.append(f"{name}: has force_n and current_a; force_n is used, current_a is left out")
    extra = [c for c in header if c and c not in _ALLOWED and c not in _OPTIONAL]
    if extra:
        notes.append(f"{name}: columns not used: {', '.join(extra)}")
    return force_known


def _number(row: dict[str, str], column: str, where: str, *, empty: bool = False) -> float | None:
    """The value of a column; None where it is empty and may be."""
    text = row.get(column, "")
    low, high = _ALLOWED[column]
    allowed = f"allowed: a number from {low:g} to {high:g}" + (", or empty" if empty else "")
    if text == "":
        if empty:
            return None
        raise TableError(f"{where}: {column} is empty; {allowed}")
    try:
        # Python takes 1_0 for ten.
        value = float("" if "_" in text else text)
    except ValueError:
        raise TableError(f"{where}: {column} = {text!r} is not a number; {allowed}") from None
    if not (math.isfinite(value) and low <= value <= high):
        raise TableError(f"{where}: {column} = {text} is out of range; {allowed}")
    return value


def _point(
    row: dict[str, str],
    bench: Bench | None,
    diameter_mm: float,
    *,
    force_known: bool,
    where: str,
) -> Threshold:
    temperature_c = _number(row, "temperature_c", where)
    clean = _number(row, "clean_mm_s", where, empty=True) or None
    skip = _number(row, "skip_mm_s", where, empty=True)
    assert temperature_c is not None
    if clean is None and skip is None:
        raise TableError(f"{where}: clean_mm_s and skip_mm_s are both empty; give at least one")
    if clean is not None and skip is not None and skip <= clean:
        raise TableError(
            f"{where}: skip_mm_s = {skip:g} is not above clean_mm_s = {clean:g}; "
            "the lowest skipping speed lies above the highest clean one"
        )
    current_a = (
        None if force_known and not row.get("current_a") else _number(row, "current_a", where)
    )
    applied_a: float | None = None
    if force_known:
        force_n = _number(row, "force_n", where)
        if bench is not None and current_a is not None:
            applied_a = _same_force(bench, current_a, force_n, clean, skip)
            current_a = None if applied_a is None else current_a
    else:
        assert bench is not None
        assert current_a is not None
        speed = math.sqrt((clean or skip or 0.0) * (skip or clean or 0.0))
        try:
            chain = bench.chain()
            applied_a = chain.applied_rms_a(current_a)
            force_n = chain.force_n(current_a, speed)
        except ValueError as error:
            raise TableError(f"{where}: current_a = {row['current_a']}: {error}") from error
        if not force_n > 0:
            raise TableError(
                f"{where}: current_a = {current_a:g}: the bench's motor has no torque left at "
                f"{speed:.3g} mm/s (supply, inductance); check the bench file"
            )
    assert force_n is not None
    return Threshold(
        temperature_c=temperature_c,
        force_n=force_n,
        clean_mm_s=clean,
        skip_mm_s=skip,
        filament_diameter_mm=diameter_mm,
        current_a=current_a,
        applied_a=applied_a,
        excluded=row.get("excluded") or None,
        run=row.get("run", ""),
        repeat=int(row["repeat"]) if row.get("repeat", "").isdigit() else 0,
    )


def _same_force(
    bench: Bench, current_a: float, force_n: float | None, clean: float | None, skip: float | None
) -> float | None:
    """RMS current applied, in A, where the bench makes this very force of it; else None."""
    chain, speed = bench.chain(), math.sqrt((clean or skip or 0.0) * (skip or clean or 0.0))
    try:
        made = chain.force_n(current_a, speed)
        applied_a = chain.applied_rms_a(current_a)
    except ValueError:
        return None
    return applied_a if math.isclose(made, force_n or 0.0, rel_tol=_SAME_FORCE) else None
