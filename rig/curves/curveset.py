"""Fitted curves: frozen results that know their range, their band and where they come from.

The document form (`CurveSet.to_document`) is what ``curve.json`` holds; its JSON Schema ships
beside this module as ``curve.schema.json``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from rig.curves import models
from rig.curves.points import Threshold
from rig.errors import RangeError, TableError

SCHEMA = "stallcurve/curve/1"
LEVEL = 0.95
UNITS = {
    "flow_mm3_s": "mm3/s",
    "force_n": "N",
    "lower_n": "N",
    "upper_n": "N",
    "total_lower_n": "N",
    "total_upper_n": "N",
    "slope_n_s_mm3": "N s/mm3",
    "temperature_c": "C",
    "current_a": "A (driver's own unit)",
    "applied_a": "A (RMS)",
}


@dataclass(frozen=True, slots=True)
class Parameter:
    """A fitted parameter.

    Attributes:
        value: Estimate.
        standard_error: Standard uncertainty.
        lower: Lower end of the 95 % interval.
        upper: Upper end; None where the data set no upper bound.
        unit: Unit.
        at_bound: Whether the estimate lies at a bound of what is allowed.
    """

    value: float
    standard_error: float | None
    lower: float | None
    upper: float | None
    unit: str
    at_bound: bool = False


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table of a curve; the band is the shape's (see `Curve`)."""

    flow_mm3_s: float
    force_n: float
    lower_n: float
    upper_n: float
    total_lower_n: float
    total_upper_n: float
    slope_n_s_mm3: float


@dataclass(frozen=True, slots=True)
class Candidate:
    """A model that was tried.

    Attributes:
        model: Name.
        aicc: Akaike's criterion with the small-sample term; None where there are too few points.
        weight: Posterior probability among the models tried, each equally likely beforehand.
        log_likelihood: At the estimate.
        parameters: Number of (effective) free parameters, the scatter included.
    """

    model: str
    aicc: float | None
    weight: float
    log_likelihood: float
    parameters: float


@dataclass(frozen=True, slots=True)
class Point:
    """A threshold beside the curve: fitted or not, and how far off."""

    threshold: Threshold
    fitted: bool
    residual: float | None
    remark: str | None = None


@dataclass(frozen=True, slots=True)
class Curve:
    """Force against flow at one temperature.

    ``lower_n`` to ``upper_n`` of the table is the 95 % band of the curve's shape: what scatter,
    brackets, few points and the choice of model leave open, with the force scale taken as the bench
    file has it. ``total_lower_n`` to ``total_upper_n`` adds the error common to all points (torque
    constant, efficiency, current), which moves the whole curve up or down.

    Attributes:
        temperature_c: In C.
        model: Name of the model.
        parameters: By name.
        covariance: Of the parameters, in the order of `parameters`.
        table: Rising flows.
        points: All thresholds of this temperature, fitted or not.
        candidates: Models tried, best first.
        scatter: Scatter of a single threshold, relative, in flow: value and interval.
        scale_uncertainty: Relative standard uncertainty common to all forces.
        shape_modes: Independent ways in which the curve may be off: log force along the table for
            one standard deviation each; their squares sum to the variance.
        notes: Sentences a reader should see.
        converged: Whether the fit settled.
    """

    temperature_c: float
    model: str
    parameters: Mapping[str, Parameter]
    covariance: tuple[tuple[float, ...], ...]
    table: tuple[Row, ...]
    points: tuple[Point, ...]
    candidates: tuple[Candidate, ...]
    scatter: Parameter
    scale_uncertainty: float = 0.0
    shape_modes: tuple[tuple[float, ...], ...] = ()
    notes: tuple[str, ...] = ()
    converged: bool = True

    @property
    def flow_range_mm3_s(self) -> tuple[float, float]:
        """Flows that were measured: least and greatest of the table, in mm3/s."""
        return self.table[0].flow_mm3_s, self.table[-1].flow_mm3_s

    @property
    def force_range_n(self) -> tuple[float, float]:
        """Forces at the ends of the flow range, in N."""
        return self.table[0].force_n, self.table[-1].force_n

    @property
    def melt_limit(self) -> Parameter | None:
        """The melt limit, in mm3/s, where the model has one."""
        return self.parameters.get("melt_limit_mm3_s")

    def holds(self, flow_mm3_s: float) -> bool:
        """Whether a flow lies within the measured range."""
        low, high = self.flow_range_mm3_s
        return low * (1 - 1e-9) <= flow_mm3_s <= high * (1 + 1e-9)

    def _within(self, flow_mm3_s: float) -> None:
        if not self.holds(flow_mm3_s):
            low, high = self.flow_range_mm3_s
            raise RangeError(
                f"flow {flow_mm3_s:.4g} mm3/s is outside the measured {low:.4g} to {high:.4g} "
                f"mm3/s at {self.temperature_c:g} C; measure there, a curve is not stretched"
            )

    def _column(self, name: str, flow_mm3_s: float, *, logarithmic: bool = True) -> float:
        x = np.log([row.flow_mm3_s for row in self.table])
        y = np.array([getattr(row, name) for row in self.table])
        value = np.interp(math.log(flow_mm3_s), x, np.log(y) if logarithmic else y)
        return float(np.exp(value) if logarithmic else value)

    def _law(self) -> dict[str, float]:
        return {name: parameter.value for name, parameter in self.parameters.items()}

    def force_n(self, flow_mm3_s: float) -> float:
        """Force that a flow needs, in N.

        Raises:
            RangeError: A flow outside the measured range.
        """
        self._within(flow_mm3_s)
        if self.model == "smooth":
            return self._column("force_n", flow_mm3_s)
        return float(models.force_of(flow_mm3_s, self._law()))

    def band_n(self, flow_mm3_s: float, *, total: bool = False) -> tuple[float, float]:
        """Lower and upper end of the 95 % band at a flow, in N.

        Args:
            flow_mm3_s: Flow.
            total: With the common error of the force scale.

        Raises:
            RangeError: A flow outside the measured range.
        """
        self._within(flow_mm3_s)
        names = ("total_lower_n", "total_upper_n") if total else ("lower_n", "upper_n")
        low, high = (self._column(name, flow_mm3_s) for name in names)
        return low, high

    def slope_n_s_mm3(self, flow_mm3_s: float) -> float:
        """Local slope dF/dQ at a flow, in N s/mm3.

        Raises:
            RangeError: A flow outside the measured range.
        """
        self._within(flow_mm3_s)
        if self.model == "smooth":
            return self._column("slope_n_s_mm3", flow_mm3_s)
        return float(models.slope_of(flow_mm3_s, self._law()))

    def flow_mm3_s(self, force_n: float, *, column: str = "force_n") -> float:
        """Flow at which the curve (or an end of its band, by ``column``) needs a force, in mm3/s.

        Raises:
            RangeError: A force that the curve does not reach within the measured range.
        """
        y = np.log([getattr(row, column) for row in self.table])
        x = np.log([row.flow_mm3_s for row in self.table])
        y = np.maximum.accumulate(y)
        wanted = math.log(force_n) if force_n > 0 else -math.inf
        if not y[0] - 1e-9 <= wanted <= y[-1] + 1e-9:
            raise RangeError(
                f"force {force_n:.4g} N is outside the {math.exp(y[0]):.4g} to "
                f"{math.exp(y[-1]):.4g} N of the curve at {self.temperature_c:g} C"
            )
        return float(np.exp(np.interp(wanted, y, x)))


@dataclass(frozen=True, slots=True)
class Joint:
    """One law over all temperatures.

    Attributes:
        model: Name of the law.
        reference_c: Temperature at which the parameters stand.
        parameters: By name; ``activation_kj_mol`` is at constant rate (it shifts the force at one
            flow), ``activation_at_constant_stress_kj_mol`` is that divided by the exponent.
        temperatures_c: Least and greatest temperature.
        agrees: Whether one law describes all temperatures as well as a law for each.
        tables: By temperature, the joint law's own table.
        notes: Sentences a reader should see.
    """

    model: str
    reference_c: float
    parameters: Mapping[str, Parameter]
    temperatures_c: tuple[float, float]
    agrees: bool
    tables: Mapping[float, tuple[Row, ...]] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class CurveSet:
    """Curves of one hot end and filament, one a temperature.

    Attributes:
        curves: By rising temperature.
        joint: One law over all temperatures, where there are several.
        notes: Sentences about the whole.
        bench_digest: Fingerprint of the bench file; "" where the forces were given.
        budget: Uncertainty budget as a document, or None.
        provenance: Where the numbers come from.
    """

    curves: tuple[Curve, ...]
    joint: Joint | None = None
    notes: tuple[str, ...] = ()
    bench_digest: str = ""
    budget: Mapping[str, Any] | None = None
    provenance: Mapping[str, Any] = field(default_factory=dict)

    def at(self, temperature_c: float) -> Curve:
        """The curve at a temperature (within 0.5 K).

        Raises:
            RangeError: No curve was measured there.
        """
        for curve in self.curves:
            if abs(curve.temperature_c - temperature_c) <= 0.5:
                return curve
        there = ", ".join(f"{curve.temperature_c:g}" for curve in self.curves)
        raise RangeError(f"no curve at {temperature_c:g} C; there are curves at {there} C")

    def to_document(self) -> dict[str, Any]:
        """The whole as JSON types, as the schema has it."""
        from rig.curves import document

        return document.write(self)

    @classmethod
    def from_document(cls, content: Mapping[str, Any], *, name: str = "curve.json") -> CurveSet:
        """The curves of a document; inverse of `to_document`.

        Raises:
            TableError: Not a curve document.
        """
        from rig.curves import document

        try:
            return document.read(content)
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise TableError(f"{name}: not a curve document of schema {SCHEMA}: {error}") from error
