"""Uncertainty of the force, in the language of the GUM (JCGM 100:2008, JCGM 101:2008).

Two kinds are kept apart. *Scale*: the torque constant of the one motor, the drive's efficiency and
its filament per turn, the driver's current reference and the filament's diameter are wrong by the
same share at every point; they move the whole curve, and cancel where two curves come from the same
drive. *Shape*: scatter, brackets, wrong verdicts and the choice of law differ from point to point;
the fit finds them from the points (type A) and its band holds them. Limits from data sheets are
taken as rectangular (type B).
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from rig.curves.likelihood import STRAY_SD
from rig.curves.points import USEFUL_POINTS, different_forces

if TYPE_CHECKING:
    from rig.bench import Bench
    from rig.curves.curveset import Curve

Kind = Literal["scale", "shape"]
COVERAGE_FACTOR = 2.0
_MARK = "drive-"
"""What the fingerprint of a force scale begins with; older ones have nothing there."""


@dataclass(frozen=True, slots=True)
class Component:
    """One source of uncertainty of the force.

    Attributes:
        name: What it is.
        standard: Standard uncertainty of the force from it, relative.
        kind: "scale": common to all points; "shape": independent from point to point.
        evaluation: "A" from the points, "B" from data sheets.
        basis: How the figure comes about.
        improve: What would reduce it.
    """

    name: str
    standard: float
    kind: Kind
    evaluation: Literal["A", "B"]
    basis: str
    improve: str


@dataclass(frozen=True, slots=True)
class Budget:
    """The components at one place of a curve.

    Attributes:
        components: Largest first.
        where: What the budget stands for.
        scale_known: Whether the errors of the drive that made the forces are among them. Where
            forces were given they are not, and only the filament's diameter may be.
    """

    components: tuple[Component, ...]
    where: str
    scale_known: bool = True

    def combined(self, kind: Kind | None = None) -> float:
        """Combined standard uncertainty, relative: root of the sum of squares."""
        return math.sqrt(
            sum(c.standard**2 for c in self.components if kind is None or c.kind == kind)
        )

    @property
    def scale(self) -> float:
        """Common to all forces, relative, standard."""
        return self.combined("scale")

    @property
    def shape(self) -> float:
        """Of the curve's shape, relative, standard."""
        return self.combined("shape")

    @property
    def expanded(self) -> float:
        """Expanded uncertainty of a force, relative, coverage factor 2."""
        return COVERAGE_FACTOR * self.combined()

    def share(self, component: Component) -> float:
        """Share of a component in the combined variance, 0 to 1."""
        total = self.combined() ** 2
        return component.standard**2 / total if total > 0 else 0.0

    def sentence(self) -> str:
        """What dominates and what to improve."""
        if not self.components or self.combined() == 0.0:
            return f"{self.where}: no uncertainty is stated"
        first = self.components[0]
        figure = f"{100 * COVERAGE_FACTOR * self.scale:.1f} %"
        scale = f"scale {figure}"
        if not self.scale_known:
            scale = "scale not known, for the forces were given"
            if any(c.kind == "scale" for c in self.components):
                scale += f" (from the filament's diameter alone {figure})"
        return (
            f"{self.where}: force to {100 * self.expanded:.1f} % (k = 2): {scale}, shape "
            f"{100 * COVERAGE_FACTOR * self.shape:.1f} %; of the variance "
            f"{100 * self.share(first):.0f} % come from the {first.name}: {first.improve}"
        )

    def to_document(self) -> dict[str, Any]:
        """As JSON types."""
        return {
            "where": self.where,
            "scale": self.scale,
            "scale_known": self.scale_known,
            "shape": self.shape,
            "combined": self.combined(),
            "expanded": self.expanded,
            "coverage_factor": COVERAGE_FACTOR,
            "sentence": self.sentence(),
            "components": [
                {
                    **{name: getattr(c, name) for name in Component.__slots__},
                    "share": self.share(c),
                }
                for c in self.components
            ],
        }


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a quantity known to lie within limits: half width / sqrt 3."""
    return half_width / math.sqrt(3.0)


def scale_components(bench: Bench) -> list[Component]:
    """What the bench file leaves open about the scale of all forces."""
    motor, driver, drive = bench.motor, bench.driver, bench.drive
    measured = motor.torque_table is not None
    return [
        Component(
            "torque of the motor",
            rectangular(motor.torque_tolerance),
            "scale",
            "B",
            f"motor.torque_tolerance {motor.torque_tolerance:g}, rectangular",
            "repeat the torque table with a better lever and scale"
            if measured
            else "measure the torque with a lever and give motor.torque_table",
        ),
        Component(
            "efficiency of the drive",
            rectangular(drive.efficiency_tolerance),
            "scale",
            "B",
            f"drive.efficiency_tolerance {drive.efficiency_tolerance:g}, rectangular",
            "hang a weight on the filament and find the current at which the drive just lifts it",
        ),
        Component(
            "filament per turn",
            rectangular(drive.filament_per_turn_tolerance),
            "scale",
            "B",
            f"drive.filament_per_turn_tolerance {drive.filament_per_turn_tolerance:g}, "
            "rectangular; the force goes with its inverse",
            "feed a metre under load, count the turns and give drive.filament_per_turn_mm",
        ),
        Component(
            "current of the driver",
            rectangular(driver.current_accuracy),
            "scale",
            "B",
            f"driver.current_accuracy {driver.current_accuracy:g}, rectangular",
            "measure the phase current at one setting",
        ),
    ]


def scale_uncertainty(bench: Bench) -> float:
    """Relative standard uncertainty common to all forces of a bench."""
    return math.sqrt(sum(c.standard**2 for c in scale_components(bench)))


def diameter_uncertainty(bench: Bench) -> float:
    """Relative standard uncertainty of the filament's diameter."""
    return rectangular(bench.filament.diameter_tolerance_mm) / bench.filament.diameter_mm


def force_scale_digest(bench: Bench) -> str:
    """Fingerprint of what makes a force of a current: benches that share it share its error.

    Only the numbers of that, to six digits: torque against current, what the driver makes of the
    current asked for, ratio, filament per turn, efficiency. A grip limit, another supply or another
    way to write the ratio leaves it as it is. Two motors of one type pass for one.
    """
    chain = bench.chain()
    torque, scale = chain.torque, chain.scale
    table = (
        list(zip(torque.currents_a[1:], torque.torques_nm[1:], strict=True))
        if torque.measured
        else [(1.0, torque.torque_nm(1.0))]
    )
    numbers: list[float | None] = [value for point in table for value in point]
    numbers += [chain.gear_ratio, chain.filament_per_turn_mm, chain.efficiency]
    numbers += [scale.rms_a(1.0), scale.full_scale_a, scale.low_scale_a]
    numbers.append(None if scale.full_scale_a is None else scale.levels)
    text = ",".join("-" if value is None else f"{value:.6g}" for value in numbers)
    return _MARK + hashlib.sha256(text.encode()).hexdigest()[:16]


def _older_digest(bench: Bench) -> str:
    """The fingerprint of older curve files: the whole tables, as they are written."""
    content = {
        name: getattr(bench, name).model_dump(mode="json") for name in ("motor", "driver", "drive")
    }
    content["drive"].pop("filament_per_turn_tolerance")
    text = json.dumps(content, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def shares_force_scale(mark: str, bench: Bench) -> bool:
    """Whether a bench has the force scale whose fingerprint a curve carries; an empty one: no."""
    if mark.startswith(_MARK):
        return mark == force_scale_digest(bench)
    return bool(mark) and mark == _older_digest(bench)


def why_not_shared(mark: str, curve: Curve) -> str:
    """Why the error of a curve's force scale does not cancel against a bench, in a sentence."""
    if not curve.scale_uncertainty:
        return "no error of the curve's force scale is known, so none is counted"
    if not mark:
        return (
            "of the curve's forces some were given, so its force scale is no drive's own: its "
            "error and that of this drive are both counted"
        )
    counted = "the errors of both force scales are counted in what is sure"
    if mark.startswith(_MARK):
        return (
            "the curve was measured with another drive than this one (torque, current steps, "
            f"ratio, filament per turn or efficiency differ): {counted}"
        )
    return (
        "the curve file is of an older kind, which takes any change of [motor], [driver] or "
        f"[drive] for another drive, and finds one here: {counted}; fit it anew if the drive is "
        "the same"
    )


def curve_budget(
    curve: Curve,
    bench: Bench | None = None,
    *,
    flow_mm3_s: float | None = None,
    wrong_rate: float = 0.0,
) -> Budget:
    """Budget of the force at one flow of a curve.

    The shape's part is the band of the fit. It is shared out among its sources in proportion to the
    variance that each gives a single threshold, so that the parts add up to the band.

    Args:
        curve: The curve.
        bench: Gives the scale; None: the forces were given and their scale is taken as exact.
        flow_mm3_s: Where; the geometric middle of the range by default.
        wrong_rate: Probability of a wrong verdict that the fit was told.

    Raises:
        RangeError: A flow outside the measured range.
    """
    low, high = curve.flow_range_mm3_s
    flow = math.sqrt(low * high) if flow_mm3_s is None else flow_mm3_s
    force = curve.force_n(flow)
    lower, upper = curve.band_n(flow)
    shape = math.log(upper / lower) / (2.0 * 1.96)
    exponent = curve.slope_n_s_mm3(flow) * flow / force
    # A curve from forces that were given bears no error of a drive, whatever the bench.
    driven = bench is not None and curve.scale_uncertainty > 0.0
    components = scale_components(bench) if bench is not None and driven else []
    if bench is not None:
        half = bench.filament.diameter_tolerance_mm
        components.append(
            Component(
                "diameter of the filament",
                exponent * 2.0 * diameter_uncertainty(bench),
                "scale",
                "B",
                f"+-{half:g} mm, rectangular; flow goes with the square, the force here with the "
                f"flow to the {exponent:.2f}",
                "measure the filament at several places and give filament.diameter_mm",
            )
        )
    components += _shape_components(curve, shape, exponent, wrong_rate)
    components.sort(key=lambda c: -c.standard)
    return Budget(
        tuple(components),
        f"{curve.temperature_c:g} C, {flow:.3g} mm3/s",
        scale_known=driven,
    )


def _shape_components(
    curve: Curve, shape: float, exponent: float, wrong_rate: float
) -> Iterable[Component]:
    closed = [p.threshold for p in curve.points if p.fitted and p.threshold.closed]
    widths = [t.log_width for t in closed]
    width = sorted(widths)[len(widths) // 2] if widths else 0.0
    # log of a weight ratio: laws that share the band add what they differ by; a rough share
    rival = sum(c.weight for c in curve.candidates if c.model != curve.model)
    variances = {
        "scatter of the thresholds": curve.scatter.value**2,
        "brackets of the search": width**2 / 12.0,
        "wrong verdicts": wrong_rate * STRAY_SD**2,
    }
    variances["choice of the law"] = min(rival, 0.9) * sum(variances.values())
    total = sum(variances.values()) or 1.0
    basis = {
        "scatter of the thresholds": f"{100 * curve.scatter.value:.2g} % in flow for one threshold",
        "brackets of the search": f"median width {100 * width:.2g} % in flow",
        "wrong verdicts": f"share {wrong_rate:g} of the thresholds",
        "choice of the law": f"probability {rival:.2f} of another law",
    }
    improve = {
        "scatter of the thresholds": "repeat thresholds, wait longer for steady temperature",
        "brackets of the search": "ask for a smaller plan.resolution",
        "wrong verdicts": "tune the detector on takes of this bench",
        "choice of the law": "measure more currents, first at the ends of the range",
    }
    forces = different_forces(closed)
    if forces < USEFUL_POINTS:
        # What so few places leave open no narrower bracket closes.
        improve = dict.fromkeys(improve, f"measure at more currents: {forces} leave it open")
    for name, variance in variances.items():
        if variance > 0:
            yield Component(
                name,
                shape * math.sqrt(variance / total),
                "shape",
                "A",
                basis[name] + f"; exponent {exponent:.2f} here",
                improve[name],
            )
