"""What there is to push with: the motor's force at a current, the gear's grip, and the winding.

The motor's force carries the error of its force scale; the grip limit is known in newtons. So an
error of the scale with which the need was measured may cancel against the one and never against the
other.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, Context, Decimal
from typing import TYPE_CHECKING

from rig import mechanics
from rig.curves import uncertainty
from rig.curves.curveset import Curve
from rig.curves.tables import Z95

if TYPE_CHECKING:
    from rig.bench import Bench

CLASS_LIMIT_C = {"A": 105.0, "E": 120.0, "B": 130.0, "F": 155.0, "H": 180.0}
"""Greatest winding temperature by thermal class, in C (IEC 60085)."""
RATED_RISE_K = 80.0
"""Rise at the rated current that makers commonly rate for, where no thermal resistance is given."""
AMBIENT_C = 40.0
COPPER_PER_K = 0.00393
"""Temperature coefficient of the resistance of copper at 20 C, 1/K."""
MOTOR, GRIP = "motor", "filament grip"
WINDING = "winding temperature"
DERATING_TOLD = 0.99
"""Part of the torque at rest below which the supply is said to take some of it."""


@dataclass(frozen=True, slots=True)
class Source:
    """One thing that must hold the force.

    Attributes:
        name: "motor" or "filament grip".
        force_n: Force in N that it holds at a flow in mm3/s.
        scale_u: Relative standard uncertainty of need over this force, common to all flows.
    """

    name: str
    force_n: Callable[[float], float]
    scale_u: float


@dataclass(frozen=True, slots=True)
class Supply:
    """Force needed against force available at one flow.

    Attributes:
        flow_mm3_s: Flow.
        speed_mm_s: Speed of the filament.
        needed_n: Force that the curve needs.
        needed_lower_n: Lower end of its 95 % band against what is available: an error of the force
            scale that both share is left out.
        needed_upper_n: Upper end.
        available_n: The least of what motor and grip hold.
        by: Which of them that is.
        margin: Force to spare over the force needed.
    """

    flow_mm3_s: float
    speed_mm_s: float
    needed_n: float
    needed_lower_n: float
    needed_upper_n: float
    available_n: float
    by: str
    margin: float


def greatest_current_a(bench: Bench) -> tuple[float, str]:
    """Greatest current that motor, driver and bench allow, in the driver's own unit, and which.

    Of those that allow the same the first counts: rating and torque table of the motor, its winding
    by the thermal class, the driver's full scale, the bench file.
    """
    chain = bench.chain()
    ends = [(chain.scale.own_unit_a(bench.motor.rated_current_a), "motor torque")]
    if math.isfinite(chain.torque.greatest_current_a):
        ends.append((chain.scale.own_unit_a(chain.torque.greatest_current_a), "motor torque"))
    ends.append((chain.scale.own_unit_a(winding_current_a(bench)), WINDING))
    if chain.scale.full_scale_a is not None:
        ends.append((chain.scale.full_scale_a, "driver current"))
    ends.append((bench.limits.max_current_a, "current limit of the bench"))
    return min(ends, key=lambda end: end[0])


def sources_of(
    curve: Curve, bench: Bench, applied_a: float, *, common_scale: bool
) -> tuple[Source, ...]:
    """What must hold the force: the motor at a current, and the grip where it is known.

    Args:
        curve: Force needed.
        bench: Motor, driver and drive.
        applied_a: RMS current.
        common_scale: Whether this very drive measured the curve, so that its error cancels.
    """
    chain, diameter_mm = bench.chain(), bench.filament.diameter_mm
    own_u = uncertainty.scale_uncertainty(bench)

    def motor(flow: float) -> float:
        return chain.force_rms_n(applied_a, mechanics.speed_mm_s(flow, diameter_mm))

    found = [
        Source(MOTOR, motor, 0.0 if common_scale else math.hypot(curve.scale_uncertainty, own_u))
    ]
    grip = bench.drive.grip_limit_n
    if grip is not None:
        found.append(Source(GRIP, lambda _: grip, curve.scale_uncertainty))
    return tuple(found)


def _ends(curve: Curve, flow: float, scale_u: float) -> tuple[float, float]:
    """How far down and up the need may be, as log ratios: the band and the scale's error."""
    need = curve.force_n(flow)
    lower, upper = curve.band_n(flow)
    common = Z95 * scale_u
    return math.hypot(math.log(need / lower), common), math.hypot(math.log(upper / need), common)


def available_n(sources: Sequence[Source], flow: float) -> float:
    """Force in N that all sources hold at a flow in mm3/s."""
    return min(source.force_n(flow) for source in sources)


def surely_n(curve: Curve, sources: Sequence[Source], flow: float) -> float:
    """The same, each less what the need may be above the curve at the upper end of its band."""
    return min(s.force_n(flow) * math.exp(-_ends(curve, flow, s.scale_u)[1]) for s in sources)


def margin_at(curve: Curve, sources: Sequence[Source], flow: float) -> tuple[float, float, float]:
    """Margin at a flow with its 95 % interval: each end is that of the source that has the least.

    Raises:
        RangeError: A flow outside the measured range.
    """
    need = curve.force_n(flow)
    ratios = []
    for source in sources:
        ratio = source.force_n(flow) / need
        down, up = _ends(curve, flow, source.scale_u)
        ratios.append((ratio, ratio * math.exp(-up), ratio * math.exp(down)))
    value, lower, upper = (min(column) - 1.0 for column in zip(*ratios, strict=True))
    return value, lower, upper


def supply_at(curve: Curve, sources: Sequence[Source], flow: float, diameter_mm: float) -> Supply:
    """Need and supply at a flow.

    Raises:
        RangeError: A flow outside the measured range.
    """
    need = curve.force_n(flow)
    least = min(sources, key=lambda source: source.force_n(flow))
    down, up = _ends(curve, flow, least.scale_u)
    available = least.force_n(flow)
    return Supply(
        flow_mm3_s=flow,
        speed_mm_s=mechanics.speed_mm_s(flow, diameter_mm),
        needed_n=need,
        needed_lower_n=need * math.exp(-down),
        needed_upper_n=need * math.exp(up),
        available_n=available,
        by=least.name,
        margin=available / need - 1.0,
    )


def least_current_a(
    curve: Curve, bench: Bench, *, wanted_mm3_s: float, margin: float
) -> float | None:
    """Lowest current, in the driver's own unit, that holds a flow with a margin.

    A current that the driver really sets, where its steps are known. None: no allowed one does, or
    the gear would grind.

    Raises:
        RangeError: A flow outside the measured range.
    """
    need = (1.0 + margin) * curve.force_n(wanted_mm3_s)
    speed = mechanics.speed_mm_s(wanted_mm3_s, bench.filament.diameter_mm)
    chain = bench.chain()
    most_a, _ = greatest_current_a(bench)
    grip = bench.drive.grip_limit_n
    if grip is not None and grip < need:
        return None

    def force(own_a: float) -> float:
        return chain.force_rms_n(chain.scale.rms_a(own_a), speed)

    if chain.scale.full_scale_a is not None:
        return next((a for a in driver_steps_a(bench) if force(a) >= need), None)
    if force(most_a) < need:
        return None
    low, high = 0.0, most_a
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if middle > 0 and force(middle) >= need else (middle, high)
    return high


def driver_steps_a(bench: Bench) -> list[float]:
    """Currents that the driver really sets, rising, in its own unit, up to the greatest allowed.

    Empty where it sets any current, or where not even its first step is allowed.
    """
    scale, (most_a, _) = bench.chain().scale, greatest_current_a(bench)
    if scale.full_scale_a is None:
        return []
    low_a = scale.low_scale_a or 0.0
    steps = [low_a * k / scale.levels for k in range(1, scale.levels + 1)] if low_a else []
    full = (scale.full_scale_a * k / scale.levels for k in range(1, scale.levels + 1))
    steps += [a for a in full if a > low_a]
    return [a for a in steps if a <= most_a * (1 + 1e-9)]


def told_current_a(bench: Bench, least_a: float) -> str:
    """A current that must not be undercut, for a person: typed back it gives the same force.

    Rounded up, to as few digits from three on as the driver's step and the limits bear.
    """
    scale, (most_a, _) = bench.chain().scale, greatest_current_a(bench)
    exact = Decimal(repr(least_a) if scale.full_scale_a is None else f"{least_a:.12g}")
    for digits in range(3, 17):
        text = format(Context(digits, ROUND_CEILING).create_decimal(exact).normalize(), "f")
        asked_a = float(text)
        if asked_a > max(most_a, least_a):
            continue
        if scale.full_scale_a is None:
            return text
        try:
            applied_a = scale.applied_a(asked_a)
        except ValueError:
            continue
        if math.isclose(applied_a, least_a, rel_tol=1e-8):
            return text
    return repr(least_a)


def amperes(current_a: float) -> str:
    """A current for a person: as it was typed where that is short, else to three digits."""
    text = f"{current_a:.7g}"
    return text if math.isclose(float(text), current_a, rel_tol=1e-12) else f"{current_a:.3g}"


def amperes_at_most(current_a: float) -> str:
    """A current that must not be passed, for a person: rounded down, never up."""
    exact = Decimal(repr(float(f"{current_a:.10g}")))
    return format(Context(3, ROUND_FLOOR).create_decimal(exact).normalize(), "f")


def why_no_current(curve: Curve, bench: Bench, *, wanted_mm3_s: float, margin: float) -> str:
    """Why `least_current_a` finds none, in words.

    Raises:
        RangeError: A flow outside the measured range.
    """
    need = curve.force_n(wanted_mm3_s)
    needs = f"it needs {need:.3g} N" + (
        f", {(1.0 + margin) * need:.3g} N with the margin" if margin else ""
    )
    held = f"holds {wanted_mm3_s:.3g} mm3/s with a margin of {100 * margin:.0f} %"
    grip = bench.drive.grip_limit_n
    if grip is not None and grip < (1.0 + margin) * need:
        return f"no current {held}: {needs}, and the gear starts to grind at {grip:.3g} N"
    chain = bench.chain()
    most_a, end = greatest_current_a(bench)
    if chain.scale.full_scale_a is not None and not driver_steps_a(bench):
        return (
            f"no current {held}: the driver's first step is above the "
            f"{amperes_at_most(most_a)} A that the {end} allows"
        )
    speed = mechanics.speed_mm_s(wanted_mm3_s, bench.filament.diameter_mm)
    most_n = chain.force_rms_n(chain.applied_rms_a(most_a), speed)
    standing = chain.standing_rms_n(chain.applied_rms_a(most_a))
    if most_n < DERATING_TOLD * standing:
        return (
            f"no current {held}: {needs}, and at that speed {bench.driver.supply_v:g} V leave the "
            f"motor {most_n:.3g} of {standing:.3g} N at {amperes_at_most(most_a)} A"
        )
    return (
        f"no current up to {amperes_at_most(most_a)} A ({end}) {held}: {needs}, and the motor "
        f"gives {most_n:.3g} N there"
    )


def winding_current_a(bench: Bench) -> float:
    """RMS current with which the winding just reaches the limit of its class, in A.

    The inverse of `winding_temperature_c`.
    """
    motor = bench.motor
    rise = CLASS_LIMIT_C[motor.insulation_class] - AMBIENT_C
    if motor.thermal_resistance_k_w is None or motor.resistance_ohm is None:
        return motor.rated_current_a * math.sqrt(rise / RATED_RISE_K)
    cold = rise / (1.0 + COPPER_PER_K * (AMBIENT_C - 20.0 + rise))
    return math.sqrt(cold / (2.0 * motor.resistance_ohm * motor.thermal_resistance_k_w))


def winding_temperature_c(bench: Bench, current_rms_a: float) -> float:
    """Expected steady winding temperature, in C, from the copper loss alone.

    With both phases carrying a sine of RMS value I the loss is ``2 I^2 R``, R at the temperature
    reached. With a thermal resistance in the bench file the rise is that times the loss; without,
    it is 80 K at the rated current, as motors are commonly rated, and goes with the square of the
    current. Infinite where the loss grows faster with the temperature than it is carried off.
    """
    motor = bench.motor
    if motor.thermal_resistance_k_w is None or motor.resistance_ohm is None:
        return AMBIENT_C + RATED_RISE_K * (current_rms_a / motor.rated_current_a) ** 2
    cold = 2.0 * current_rms_a**2 * motor.resistance_ohm * motor.thermal_resistance_k_w
    left = 1.0 - cold * COPPER_PER_K  # rise = cold (1 + a (ambient - 20 + rise))
    if left <= 0.05:
        return math.inf
    return AMBIENT_C + cold * (1.0 + COPPER_PER_K * (AMBIENT_C - 20.0)) / left


def temperature_notes(bench: Bench, winding_c: float) -> list[str]:
    """Cautions about the winding's temperature."""
    limit = CLASS_LIMIT_C[bench.motor.insulation_class]
    if bench.motor.thermal_resistance_k_w is None or bench.motor.resistance_ohm is None:
        basis = (
            f"taking {RATED_RISE_K:g} K rise at the rated current and {AMBIENT_C:g} C around the "
            "motor; give motor.thermal_resistance_k_w for better"
        )
    else:
        basis = f"copper loss only, {AMBIENT_C:g} C around the motor"
    reached = (
        f"winding at about {winding_c:.0f} C"
        if math.isfinite(winding_c)
        else "the winding would heat up without end, for its loss grows faster than it is carried "
        "off"
    )
    said = [
        f"{reached}; class {bench.motor.insulation_class} allows {limit:.0f} C ({basis}); a plain "
        "rule: touch nothing that it calls safe"
    ]
    if winding_c > limit:
        most_a = bench.chain().scale.own_unit_a(winding_current_a(bench))
        said.insert(
            0,
            f"the winding would exceed class {bench.motor.insulation_class}: no more than "
            f"{amperes_at_most(most_a)} A",
        )
    return said
