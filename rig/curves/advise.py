"""From a curve to a decision: what flow a motor, ratio and current can hold, and what limits it.

The margin is the force to spare over the force needed: with a margin of 20 % the motor can give 1.2
times what the filament needs. Everything is read off the measured range; where the motor could do
more than was measured, the answer says "at least", and no more.

Where the curve was measured with the very motor, driver and drive that are asked about, the error
of the force scale cancels, since need and supply were gauged by the same motor; else the errors of
both scales are counted.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from rig import mechanics
from rig.curves import uncertainty
from rig.curves.curveset import Curve, Parameter
from rig.errors import RangeError, TableError

if TYPE_CHECKING:
    from rig.bench import Bench

CLASS_LIMIT_C = {"A": 105.0, "E": 120.0, "B": 130.0, "F": 155.0, "H": 180.0}
"""Greatest winding temperature by thermal class, in C (IEC 60085)."""
RATED_RISE_K = 80.0
"""Rise at the rated current that makers commonly rate for, where no thermal resistance is given."""
AMBIENT_C = 40.0
COPPER_PER_K = 0.00393
"""Temperature coefficient of the resistance of copper at 20 C, 1/K."""
_DERATING_TOLD = 0.99
_STEEP = 2.0
Z95 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class Limit:
    """One thing that ends the flow.

    Attributes:
        name: "motor torque", "driver current", "current limit of the bench", "supply voltage",
            "melt limit", "filament grip" or "measured range".
        flow_mm3_s: Flow at which it binds, with the margin; None: not below the measured range's
            end.
        text: In words, with the figures.
    """

    name: str
    flow_mm3_s: float | None
    text: str


@dataclass(frozen=True, slots=True)
class Supply:
    """Force needed against force available at one flow."""

    flow_mm3_s: float
    speed_mm_s: float
    needed_n: float
    needed_lower_n: float
    needed_upper_n: float
    available_n: float
    margin: float


@dataclass(frozen=True, slots=True)
class Advice:
    """The answer for one motor, ratio and current.

    Attributes:
        name: Of the candidate.
        temperature_c: Of the curve.
        current_a: Current asked of the driver, own unit; the most that every limit allows unless
            one was given.
        applied_a: RMS current applied.
        margin: Margin asked for.
        flow_mm3_s: Highest flow held with the margin; None where not even the least measured flow
            is.
        sure_flow_mm3_s: The same with the upper end of the band as the need: held with 97.5 %
            confidence.
        at_least: Whether the motor could do more than the measured range shows.
        binds: Name of the limit that binds first.
        limits: All limits, the first to bind first.
        wanted_mm3_s: Flow that was asked about, or None.
        wanted_margin: Margin there, with its interval; None where nothing was asked.
        least_current_a: Lowest current that holds the wanted flow with the margin, own unit; None
            where nothing was asked, or none does.
        winding_c: Expected winding temperature, in C.
        common_scale: Whether the error of the force scale cancels.
        table: Need and supply over the measured range.
        notes: Cautions.
    """

    name: str
    temperature_c: float
    current_a: float
    applied_a: float
    margin: float
    flow_mm3_s: float | None
    sure_flow_mm3_s: float | None
    at_least: bool
    binds: str
    limits: tuple[Limit, ...]
    wanted_mm3_s: float | None
    wanted_margin: tuple[float, float, float] | None
    least_current_a: float | None
    winding_c: float | None
    common_scale: bool
    table: tuple[Supply, ...]
    notes: tuple[str, ...]

    def to_document(self) -> dict[str, Any]:
        """As JSON types."""
        found = {name: getattr(self, name) for name in Advice.__slots__}
        found["limits"] = [{n: getattr(x, n) for n in Limit.__slots__} for x in self.limits]
        found["table"] = [{n: getattr(x, n) for n in Supply.__slots__} for x in self.table]
        found["wanted_margin"] = (
            None
            if self.wanted_margin is None
            else dict(zip(("value", "lower", "upper"), self.wanted_margin, strict=True))
        )
        found["notes"] = list(self.notes)
        found["sentence"] = self.sentence()
        return found

    def sentence(self) -> str:
        """The answer in a sentence."""
        at = f"{self.name} at {self.current_a:.3g} A, {self.temperature_c:g} C"
        if self.flow_mm3_s is None:
            return (
                f"{at}: not even the least measured flow is held with a margin of "
                f"{100 * self.margin:.0f} %; {self.binds} binds"
            )
        least = "at least " if self.at_least else ""
        sure = (
            "not sure of any flow in the measured range"
            if self.sure_flow_mm3_s is None
            else f"surely {self.sure_flow_mm3_s:.3g}"
        )
        return (
            f"{at}: holds {least}{self.flow_mm3_s:.3g} mm3/s with a margin of "
            f"{100 * self.margin:.0f} % ({sure}); {self.binds} binds first"
        )


def greatest_current_a(bench: Bench) -> tuple[float, str]:
    """Greatest current that motor, driver and bench allow, in the driver's own unit, and which."""
    chain = bench.chain()
    ends = [(chain.scale.own_unit_a(bench.motor.rated_current_a), "motor torque")]
    if math.isfinite(chain.torque.greatest_current_a):
        ends.append((chain.scale.own_unit_a(chain.torque.greatest_current_a), "motor torque"))
    if chain.scale.full_scale_a is not None:
        ends.append((chain.scale.full_scale_a, "driver current"))
    ends.append((bench.limits.max_current_a, "current limit of the bench"))
    return min(ends, key=lambda end: end[0])


def winding_temperature_c(bench: Bench, current_rms_a: float) -> float:
    """Expected steady winding temperature, in C, from the copper loss alone.

    With both phases carrying a sine of RMS value I the loss is ``2 I^2 R``, R at the temperature
    reached. With a thermal resistance in the bench file the rise is that times the loss; without,
    it is 80 K at the rated current, as motors are commonly rated, and goes with the square of the
    current.
    """
    motor = bench.motor
    if motor.thermal_resistance_k_w is None or motor.resistance_ohm is None:
        return AMBIENT_C + RATED_RISE_K * (current_rms_a / motor.rated_current_a) ** 2
    cold = 2.0 * current_rms_a**2 * motor.resistance_ohm * motor.thermal_resistance_k_w
    left = 1.0 - cold * COPPER_PER_K  # rise = cold (1 + a (ambient - 20 + rise))
    if left <= 0.05:
        return math.inf
    return AMBIENT_C + cold * (1.0 + COPPER_PER_K * (AMBIENT_C - 20.0)) / left


def _last_held(
    curve: Curve, column: str, supply: Callable[[float], float], margin: float
) -> tuple[float | None, bool]:
    """Highest flow up to which supply covers need, and whether the range ends before they cross."""

    def spare(flow: float) -> float:
        need = curve.force_n(flow) if column == "force_n" else curve._column(column, flow)
        return supply(flow) - (1.0 + margin) * need

    flows = [row.flow_mm3_s for row in curve.table]
    if spare(flows[0]) < 0:
        return None, False
    for low, high in itertools.pairwise(flows):
        if spare(high) < 0:
            for _ in range(60):
                middle = math.sqrt(low * high)
                low, high = (middle, high) if spare(middle) >= 0 else (low, middle)
            return low, False
    return flows[-1], True


def advise(
    curve: Curve,
    bench: Bench,
    *,
    margin: float = 0.2,
    current_a: float | None = None,
    wanted_mm3_s: float | None = None,
    name: str = "this bench",
    force_scale: str = "",
) -> Advice:
    """What one motor, ratio and current can push.

    Args:
        curve: Force that the hot end and filament need.
        bench: Motor, driver and drive that are asked about.
        margin: Force to spare over the force needed, 0 to 10.
        current_a: Current in the driver's own unit; by default the most that every limit allows.
        wanted_mm3_s: Flow to hold.
        name: Of the candidate.
        force_scale: Fingerprint of the force scale that the curve was measured with.

    Raises:
        RangeError: A wanted flow outside the measured range.
        TableError: A margin or current that makes no sense.
    """
    if not (math.isfinite(margin) and 0.0 <= margin <= 10.0):
        raise TableError(f"margin {margin} is outside 0 to 10 (0.2 means 20 % force to spare)")
    chain, diameter_mm = bench.chain(), bench.filament.diameter_mm
    most_a, end = greatest_current_a(bench)
    notes: list[str] = []
    if current_a is None:
        current_a = most_a
    else:
        end = "motor torque"
        if current_a > most_a * (1 + 1e-9):
            what = greatest_current_a(bench)[1]
            notes.append(f"{current_a:.3g} A is above the {most_a:.3g} A that {what} allows")
    try:
        applied_a = chain.applied_rms_a(current_a)
        chain.force_rms_n(applied_a)
    except ValueError as error:
        raise TableError(f"current_a = {current_a:g}: {error}") from error
    common = bool(force_scale) and force_scale == uncertainty.force_scale_digest(bench)
    scale_u = (
        0.0 if common else math.hypot(curve.scale_uncertainty, uncertainty.scale_uncertainty(bench))
    )

    def available(flow: float) -> float:
        return chain.force_rms_n(applied_a, mechanics.speed_mm_s(flow, diameter_mm))

    def surely(flow: float) -> float:
        """Supply, less what the error of the scales may take from it beyond the band."""
        need, upper = curve.force_n(flow), curve.band_n(flow)[1]
        shape = math.log(upper / need)
        return available(flow) * math.exp(shape - math.hypot(shape, Z95 * scale_u))

    flow, at_least = _last_held(curve, "force_n", available, margin)
    sure_flow, _ = _last_held(curve, "upper_n", surely, margin)
    limits = _limits(curve, bench, available, applied_a, margin=margin, end=end)
    if at_least and not any(limit.flow_mm3_s is not None for limit in limits):
        limits = [
            Limit(
                "measured range",
                None,
                f"the motor could do more than the {curve.flow_range_mm3_s[1]:.3g} mm3/s that were "
                "measured",
            ),
            *limits,
        ]
    binding = limits[0]
    if binding.flow_mm3_s is not None and flow is not None and binding.flow_mm3_s < flow:
        flow, at_least = max(binding.flow_mm3_s, curve.flow_range_mm3_s[0]), False
        sure_flow = None if sure_flow is None else min(sure_flow, flow)
    wanted_margin, least_a = None, None
    if wanted_mm3_s is not None:
        wanted_margin = _margin_at(curve, wanted_mm3_s, available(wanted_mm3_s), scale_u)
        least_a = least_current_a(curve, bench, wanted_mm3_s=wanted_mm3_s, margin=margin)
        if least_a is None:
            notes.append(
                f"no current up to {most_a:.3g} A holds {wanted_mm3_s:.3g} mm3/s with a margin of "
                f"{100 * margin:.0f} %"
            )
    winding = winding_temperature_c(bench, applied_a)
    notes.extend(_temperature_notes(bench, winding))
    if curve.notes:
        notes.append("of the curve: " + "; ".join(curve.notes))
    return Advice(
        name=name,
        temperature_c=curve.temperature_c,
        current_a=current_a,
        applied_a=applied_a,
        margin=margin,
        flow_mm3_s=flow,
        sure_flow_mm3_s=sure_flow,
        at_least=at_least,
        binds=binding.name,
        limits=tuple(limits),
        wanted_mm3_s=wanted_mm3_s,
        wanted_margin=wanted_margin,
        least_current_a=least_a,
        winding_c=winding if math.isfinite(winding) else None,
        common_scale=common,
        table=_table(curve, available, diameter_mm, scale_u),
        notes=tuple(notes),
    )


def _limits(
    curve: Curve,
    bench: Bench,
    available: Callable[[float], float],
    applied_a: float,
    *,
    margin: float,
    end: str,
) -> list[Limit]:
    """Limits with the flow at which each binds, first to bind first."""
    chain = bench.chain()
    standing = chain.force_rms_n(applied_a)
    by_torque, open_torque = _last_held(curve, "force_n", lambda _: standing, margin)
    by_supply, open_supply = _last_held(curve, "force_n", available, margin)
    low, high = curve.flow_range_mm3_s
    found = []
    torque_flow = None if open_torque else (low if by_torque is None else by_torque)
    supply_flow = None if open_supply else (low if by_supply is None else by_supply)
    found.append(
        Limit(
            end,
            torque_flow,
            f"{standing:.3g} N at {applied_a:.3g} A RMS"
            + ("" if torque_flow is not None else f", enough for the {high:.3g} mm3/s measured"),
        )
    )
    if chain.winding is not None:
        at = supply_flow if supply_flow is not None else high
        left = chain.derating(applied_a, mechanics.speed_mm_s(at, bench.filament.diameter_mm))
        costs = supply_flow is not None and left < _DERATING_TOLD
        found.append(
            Limit(
                "supply voltage",
                supply_flow if costs else None,
                f"{100 * left:.0f} % of the torque is left at {at:.3g} mm3/s with "
                f"{bench.driver.supply_v:g} V",
            )
        )
    grip = bench.drive.grip_limit_n
    if grip is not None:
        by_grip, open_grip = _last_held(curve, "force_n", lambda _: grip, margin)
        found.append(
            Limit(
                "filament grip",
                None if open_grip else (low if by_grip is None else by_grip),
                f"the gear starts to grind at {grip:.3g} N",
            )
        )
    melt = curve.melt_limit
    if melt is not None and melt.upper is not None:
        found.append(_melt(curve, torque_flow if supply_flow is None else supply_flow, melt))
    return sorted(found, key=lambda x: math.inf if x.flow_mm3_s is None else x.flow_mm3_s)


def _melt(curve: Curve, held: float | None, melt: Parameter) -> Limit:
    """The melt limit: binds where the curve has become so steep that force buys no flow."""
    limit = melt.value
    steep = [
        row.flow_mm3_s
        for row in curve.table
        if row.slope_n_s_mm3 * row.flow_mm3_s / row.force_n > _STEEP
    ]
    knee = steep[0] if steep else limit
    binds = held is None or held >= knee
    at = min(limit, curve.flow_range_mm3_s[1]) if held is None else min(held, limit)
    return Limit(
        "melt limit",
        min(at, limit) * (1 - 1e-12) if binds else None,
        f"no more than {limit:.3g} mm3/s melts (95 %: {melt.lower:.3g} to {melt.upper:.3g}); "
        f"above {knee:.3g} mm3/s one per cent of flow costs over {_STEEP:g} % of force",
    )


def _margin_at(
    curve: Curve, flow: float, available: float, scale_u: float
) -> tuple[float, float, float]:
    """Margin at a flow with its 95 % interval."""
    need = curve.force_n(flow)
    lower, upper = curve.band_n(flow)
    up = math.hypot(math.log(upper / need), Z95 * scale_u)
    down = math.hypot(math.log(need / lower), Z95 * scale_u)
    ratio = available / need
    return ratio - 1.0, ratio * math.exp(-up) - 1.0, ratio * math.exp(down) - 1.0


def least_current_a(
    curve: Curve, bench: Bench, *, wanted_mm3_s: float, margin: float
) -> float | None:
    """Lowest current, in the driver's own unit, that holds a flow with a margin.

    A current that the driver really sets, where its steps are known. None: no allowed one does.

    Raises:
        RangeError: A flow outside the measured range.
    """
    need = (1.0 + margin) * curve.force_n(wanted_mm3_s)
    speed = mechanics.speed_mm_s(wanted_mm3_s, bench.filament.diameter_mm)
    chain = bench.chain()
    most_a, _ = greatest_current_a(bench)

    def force(own_a: float) -> float:
        return chain.force_rms_n(chain.scale.rms_a(own_a), speed)

    if chain.scale.full_scale_a is not None:
        scales = [chain.scale.full_scale_a]
        if chain.scale.low_scale_a is not None:
            scales.insert(0, chain.scale.low_scale_a)
        for scale in scales:
            for level in range(1, chain.scale.levels + 1):
                own_a = scale * level / chain.scale.levels
                if own_a <= most_a * (1 + 1e-9) and force(own_a) >= need:
                    return own_a
        return None
    if force(most_a) < need:
        return None
    low, high = 0.0, most_a
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if middle > 0 and force(middle) >= need else (middle, high)
    return high


def _temperature_notes(bench: Bench, winding_c: float) -> list[str]:
    limit = CLASS_LIMIT_C[bench.motor.insulation_class]
    if bench.motor.thermal_resistance_k_w is None or bench.motor.resistance_ohm is None:
        basis = (
            f"taking {RATED_RISE_K:g} K rise at the rated current and {AMBIENT_C:g} C around the "
            "motor; give motor.thermal_resistance_k_w for better"
        )
    else:
        basis = f"copper loss only, {AMBIENT_C:g} C around the motor"
    said = [
        f"winding at about {winding_c:.0f} C, class {bench.motor.insulation_class} allows "
        f"{limit:.0f} C ({basis}); a plain rule, touch nothing that it calls safe"
    ]
    if winding_c > limit:
        said.insert(
            0, f"the winding would exceed class {bench.motor.insulation_class}: less current"
        )
    return said


def _table(
    curve: Curve, available: Callable[[float], float], diameter_mm: float, scale_u: float
) -> tuple[Supply, ...]:
    rows = []
    for row in curve.table:
        supply = available(row.flow_mm3_s)
        up = math.hypot(math.log(row.upper_n / row.force_n), Z95 * scale_u)
        down = math.hypot(math.log(row.force_n / row.lower_n), Z95 * scale_u)
        rows.append(
            Supply(
                flow_mm3_s=row.flow_mm3_s,
                speed_mm_s=mechanics.speed_mm_s(row.flow_mm3_s, diameter_mm),
                needed_n=row.force_n,
                needed_lower_n=row.force_n * math.exp(-down),
                needed_upper_n=row.force_n * math.exp(up),
                available_n=supply,
                margin=supply / row.force_n - 1.0,
            )
        )
    return tuple(rows)


def advise_many(
    curve: Curve,
    benches: Mapping[str, Bench],
    *,
    margin: float = 0.2,
    currents_a: Sequence[float] = (),
    wanted_mm3_s: float | None = None,
    force_scale: str = "",
) -> list[Advice]:
    """Several candidates in one table, the highest sure flow first.

    Args:
        curve: Force needed.
        benches: Candidates by name.
        margin: As in `advise`.
        currents_a: Currents to try with each; none: the most that is allowed.
        wanted_mm3_s: As in `advise`.
        force_scale: As in `advise`.

    Raises:
        RangeError: A wanted flow outside the measured range.
        TableError: A current that a candidate cannot set.
    """
    if wanted_mm3_s is not None and not curve.holds(wanted_mm3_s):
        low, high = curve.flow_range_mm3_s
        raise RangeError(
            f"flow {wanted_mm3_s:.4g} mm3/s is outside the measured {low:.4g} to {high:.4g} mm3/s"
        )
    found = [
        advise(
            curve,
            bench,
            margin=margin,
            current_a=current_a,
            wanted_mm3_s=wanted_mm3_s,
            name=name,
            force_scale=force_scale,
        )
        for name, bench in benches.items()
        for current_a in (currents_a or (None,))
    ]
    return sorted(found, key=lambda a: -(a.sure_flow_mm3_s or 0.0) - 1e-6 * (a.flow_mm3_s or 0.0))
