"""Curves to JSON types and back."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

from rig.curves.curveset import (
    LEVEL,
    SCHEMA,
    UNITS,
    Candidate,
    Curve,
    CurveSet,
    Joint,
    Parameter,
    Point,
    Row,
)
from rig.curves.points import Threshold


def _plain(value: float | None, digits: int = 10) -> float | None:
    """A JSON number; None for what JSON cannot hold."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.{digits}g}")


def _parameter(parameter: Parameter) -> dict[str, Any]:
    return {
        "value": _plain(parameter.value),
        "standard_error": _plain(parameter.standard_error),
        "lower": _plain(parameter.lower),
        "upper": _plain(parameter.upper),
        "unit": parameter.unit,
        "at_bound": parameter.at_bound,
    }


def _parameters(parameters: Mapping[str, Parameter]) -> dict[str, Any]:
    return {name: _parameter(parameter) for name, parameter in parameters.items()}


def _table(rows: Iterable[Row]) -> list[dict[str, Any]]:
    return [{name: _plain(getattr(row, name)) for name in Row.__slots__} for row in rows]


def _point(point: Point) -> dict[str, Any]:
    threshold = point.threshold
    return {
        **{name: getattr(threshold, name) for name in Threshold.__slots__},
        "clean_mm3_s": _plain(threshold.clean_mm3_s),
        "skip_mm3_s": _plain(threshold.skip_mm3_s),
        "fitted": point.fitted,
        "residual": _plain(point.residual, 6),
        "remark": point.remark,
    }


def _curve(curve: Curve) -> dict[str, Any]:
    flows, forces = curve.flow_range_mm3_s, curve.force_range_n
    return {
        "temperature_c": curve.temperature_c,
        "model": curve.model,
        "parameters": _parameters(curve.parameters),
        "covariance": {
            "names": list(curve.parameters),
            "matrix": [[_plain(value) for value in line] for line in curve.covariance],
        },
        "scatter": _parameter(curve.scatter),
        "scale_uncertainty": _plain(curve.scale_uncertainty),
        "range": {
            "flow_mm3_s": [_plain(value) for value in flows],
            "force_n": [_plain(value) for value in forces],
        },
        "table": _table(curve.table),
        "shape_modes": [[_plain(value, 6) for value in mode] for mode in curve.shape_modes],
        "points": [_point(point) for point in curve.points],
        "candidates": [
            {
                "model": candidate.model,
                "aicc": _plain(candidate.aicc),
                "weight": _plain(candidate.weight),
                "log_likelihood": _plain(candidate.log_likelihood),
                "parameters": _plain(candidate.parameters),
            }
            for candidate in curve.candidates
        ],
        "converged": curve.converged,
        "notes": list(curve.notes),
    }


def write(curves: CurveSet) -> dict[str, Any]:
    """The document of a set of curves."""
    joint = curves.joint
    return {
        "schema": SCHEMA,
        "level": LEVEL,
        "units": dict(UNITS),
        "curves": [_curve(curve) for curve in curves.curves],
        "joint": None
        if joint is None
        else {
            "model": joint.model,
            "reference_c": joint.reference_c,
            "temperatures_c": list(joint.temperatures_c),
            "parameters": _parameters(joint.parameters),
            "agrees": joint.agrees,
            "tables": [
                {"temperature_c": temperature_c, "table": _table(rows)}
                for temperature_c, rows in joint.tables.items()
            ],
            "notes": list(joint.notes),
        },
        "notes": list(curves.notes),
        "bench_digest": curves.bench_digest,
        "budget": None if curves.budget is None else dict(curves.budget),
        "provenance": dict(curves.provenance),
    }


def _read_parameters(content: Mapping[str, Any]) -> dict[str, Parameter]:
    return {name: Parameter(**held) for name, held in content.items()}


def _read_table(rows: Iterable[Mapping[str, Any]]) -> tuple[Row, ...]:
    return tuple(Row(**{name: float(row[name]) for name in Row.__slots__}) for row in rows)


def _read_curve(content: Mapping[str, Any]) -> Curve:
    return Curve(
        temperature_c=float(content["temperature_c"]),
        model=str(content["model"]),
        parameters=_read_parameters(content["parameters"]),
        covariance=tuple(tuple(line) for line in content["covariance"]["matrix"]),
        table=_read_table(content["table"]),
        points=tuple(
            Point(
                threshold=Threshold(**{name: held[name] for name in Threshold.__slots__}),
                fitted=bool(held["fitted"]),
                residual=held["residual"],
                remark=held["remark"],
            )
            for held in content["points"]
        ),
        candidates=tuple(Candidate(**held) for held in content["candidates"]),
        scatter=Parameter(**content["scatter"]),
        scale_uncertainty=float(content["scale_uncertainty"]),
        shape_modes=tuple(tuple(mode) for mode in content["shape_modes"]),
        notes=tuple(content["notes"]),
        converged=bool(content["converged"]),
    )


def read(content: Mapping[str, Any]) -> CurveSet:
    """The set of curves of a document.

    Raises:
        KeyError, TypeError, ValueError: Not such a document.
    """
    if content.get("schema") != SCHEMA:
        raise ValueError(f"schema is {content.get('schema')!r}")
    joint = content["joint"]
    return CurveSet(
        curves=tuple(_read_curve(held) for held in content["curves"]),
        joint=None
        if joint is None
        else Joint(
            model=joint["model"],
            reference_c=joint["reference_c"],
            parameters=_read_parameters(joint["parameters"]),
            temperatures_c=(joint["temperatures_c"][0], joint["temperatures_c"][1]),
            agrees=joint["agrees"],
            tables={held["temperature_c"]: _read_table(held["table"]) for held in joint["tables"]},
            notes=tuple(joint["notes"]),
        ),
        notes=tuple(content["notes"]),
        bench_digest=content["bench_digest"],
        budget=content["budget"],
        provenance=content["provenance"],
    )


def schema() -> dict[str, Any]:
    """The JSON Schema of the document, from the file that ships with the package."""
    import json
    from importlib import resources

    text = resources.files("rig.curves").joinpath("curve.schema.json").read_text(encoding="utf-8")
    content: dict[str, Any] = json.loads(text)
    return content
