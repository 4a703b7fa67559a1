"""Curves from whatever a person points at: a run folder, a table of thresholds, a curve file."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from rig.commands._out import note
from rig.errors import TableError, UsageError
from rig.export.sheet import SIMULATED, VIRTUAL_DRIVE

if TYPE_CHECKING:
    from rig.bench import Bench
    from rig.curves.curveset import Curve, CurveSet
    from rig.curves.points import Threshold


def check_number(
    option: str, value: float | None, what: str, *, low: float = 0.0, high: float = math.inf
) -> None:
    """Refuses an option's value that is no number above ``low`` and up to ``high``.

    Raises:
        UsageError: Such a value, infinity and not-a-number among them.
    """
    if value is not None and not (math.isfinite(value) and low < value <= high):
        most = f" and up to {high:g}" if math.isfinite(high) else ""
        raise UsageError(f"{option} {value:g}: allowed is a number above {low:g}{most} ({what})")


def thresholds_of(
    source: Path, *, bench: Bench | None, diameter_mm: float | None, notes: list[str]
) -> tuple[list[Threshold], Bench | None]:
    """Thresholds of a run folder or a CSV table, and the bench that belongs to them.

    Raises:
        UsageError: Neither a run folder nor a table.
    """
    if source.is_dir():
        from rig.ledger import Ledger

        with Ledger.open(source, read_only=True) as ledger:
            return list(ledger.thresholds()), bench or ledger.bench()
    from rig.curves.points import read_threshold_table

    return read_threshold_table(source, bench, diameter_mm, notes=notes), bench


def comes_from(source: Path, points: Sequence[Threshold], bench: Bench | None) -> dict[str, bool]:
    """What of a source's thresholds is simulated, for the provenance.

    A run folder of a virtual bench was measured on it, and so was a table whose head says so, as
    those that are exported do. Any other table was measured who knows where; of a virtual
    bench it has the drive at most, with which its currents were turned into forces.
    """
    if source.is_dir():
        from rig.ledger import Ledger

        with Ledger.open(source, read_only=True) as ledger:
            return {"simulated": ledger.run.simulated, "virtual_drive": False}
    virtual = bench is not None and bench.link.port.startswith("sim://")
    head = [line.lstrip("# ") for line in _lines(source) if line.startswith("#")]
    if any(line.startswith(SIMULATED) for line in head):
        return {"simulated": True, "virtual_drive": False}
    own = virtual and any(point.applied_a is not None for point in points)
    own |= any(line.startswith(VIRTUAL_DRIVE) for line in head)
    return {"simulated": False, "virtual_drive": own}


def _lines(source: Path) -> list[str]:
    try:
        return source.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError):
        return []  # whoever reads it for good says what is wrong


def has_currents_only(source: Path) -> bool:
    """Whether a source is a threshold table that gives currents and no forces."""
    if source.is_dir() or source.suffix.lower() == ".json":
        return False
    header = next((line.lower() for line in _lines(source) if line.strip() and line[0] != "#"), "")
    return "current_a" in header and "force_n" not in header


def curves_of(
    sources: Sequence[Path],
    *,
    bench: Bench | None = None,
    diameter_mm: float | None = None,
    model: str = "auto",
    joint: bool = True,
) -> CurveSet:
    """The curves of one or several sources; several run folders or tables are fitted together.

    Raises:
        UsageError: A source that is none, or curve files mixed with others.
        TableError: Something in a source cannot be used.
    """
    for source in sources:
        if not source.exists():
            raise UsageError(f"{source}: no such file or folder; wanted a run, a CSV or curve.json")
    finished = [source for source in sources if source.suffix.lower() == ".json"]
    if finished:
        if len(sources) > 1:
            raise UsageError(
                f"{finished[0]} is a curve that is fitted already and stands alone; "
                "fit run folders or tables together instead"
            )
        if model != "auto" or not joint:
            asked = f"--model {model}" if model != "auto" else "--no-joint"
            raise UsageError(
                f"{finished[0]} is a curve that is fitted already, and {asked} fits anew: give the "
                "run folder or the table"
            )
        return read_curve_file(finished[0])
    from rig.curves.fit import fit_curves

    notes: list[str] = []
    points: list[Threshold] = []
    owner: Bench | None = None
    origin: dict[str, bool] = {}
    for source in sources:
        found, its_bench = thresholds_of(source, bench=bench, diameter_mm=diameter_mm, notes=notes)
        if owner is not None and its_bench is not None and owner.digest() != its_bench.digest():
            notes.append(f"{source}: made with another bench file than {sources[0]}")
        for name, told in comes_from(source, found, its_bench).items():
            origin[name] = origin.get(name, False) or told
        owner = owner or its_bench
        points.extend(found)
    try:
        curves = fit_curves(
            points,
            model=model,
            bench=owner,
            joint=joint,
            notes=notes,
            source=", ".join(source.name for source in sources),
        )
        return replace(curves, provenance={**curves.provenance, **origin})
    except TableError as error:
        # A curve carries its notes; where there is none, what was tolerated may be the reason.
        for sentence in notes:
            note(sentence)
        raise TableError(f"{', '.join(str(source) for source in sources)}: {error}") from error


def read_curve_file(path: Path) -> CurveSet:
    """The curves of a ``curve.json``.

    Raises:
        TableError: Unreadable, or not a curve document.
    """
    from rig.curves.curveset import CurveSet

    try:
        content = json.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, json.JSONDecodeError) as error:
        raise TableError(f"{path}: not a readable JSON file ({error})") from error
    if not isinstance(content, dict):
        raise TableError(f"{path}: not a curve document; `stallcurve fit --out` writes them")
    return CurveSet.from_document(content, name=str(path))


def one_curve(curves: CurveSet, temperature_c: float | None) -> Curve:
    """The curve asked for, or the only one there is.

    Raises:
        UsageError: Several curves and no temperature given.
    """
    if temperature_c is not None:
        return curves.at(temperature_c)
    if len(curves.curves) == 1:
        return curves.curves[0]
    there = ", ".join(f"{curve.temperature_c:g}" for curve in curves.curves)
    raise UsageError(f"there are curves at {there} C; choose one with --temperature")
