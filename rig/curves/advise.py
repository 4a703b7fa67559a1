"""From a curve to a decision: what flow a motor, ratio and current can hold, and what limits it.

The margin is the force to spare over the force needed: with a margin of 20 % the motor can give 1.2
times what the filament needs. Everything is read off the measured range; where the motor could do
more than was measured, the answer says "at least", and no more.

Where the curve was measured with the very motor, driver and drive that are asked about, the error
of the force scale cancels, since need and supply were gauged by the same motor; else the errors of
both scales are counted. A grip limit stands in newtons, so against it the error of the curve's own
scale is always counted.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from rig import mechanics
from rig.bench_checks import GREATEST_OVERCURRENT
from rig.curves import supply, uncertainty
from rig.curves.curveset import Curve, Parameter
from rig.curves.supply import Supply, greatest_current_a, least_current_a, winding_temperature_c
from rig.errors import RangeError, TableError

if TYPE_CHECKING:
    from rig.bench import Bench

ASKED = "current asked for"
_STEEP = 2.0
_SAME_DIAMETER_MM = 0.1
_NEAR = 1.15
"""A melt limit no further than this from the end of the table ends the flow there: what lies
between is too steep to be followed."""


@dataclass(frozen=True, slots=True)
class Limit:
    """One thing that ends the flow.

    Attributes:
        name: "motor torque", "winding temperature", "driver current", "current limit of the bench",
            "current asked for", "supply voltage", "melt limit", "filament grip" or "measured
            range".
        flow_mm3_s: Flow at which it binds, with the margin; for the melt limit the flow from which
            force buys hardly any more; None: it binds below the measured range, or not within it.
        text: In words, with the figures.
        below_range: Whether not even the least measured flow is held with the margin.
        force_n: Force that it allows at the least measured flow; None for what limits no force.
    """

    name: str
    flow_mm3_s: float | None
    text: str
    below_range: bool = False
    force_n: float | None = None

    @property
    def where(self) -> str:
        """Where it binds, in words."""
        if self.below_range:
            return "binds below what was measured"
        if self.flow_mm3_s is None:
            return "does not bind within what was measured"
        verb = "ends" if self.name == "measured range" else "binds"
        return f"{verb} at {self.flow_mm3_s:.3g} mm3/s"

    @property
    def order(self) -> tuple[float, float]:
        """The first to bind sorts first; below what was measured the one with the least force."""
        if self.below_range:
            return -math.inf, self.force_n or 0.0
        return math.inf if self.flow_mm3_s is None else self.flow_mm3_s, 0.0


@dataclass(frozen=True, slots=True)
class Advice:
    """The answer for one motor, ratio and current.

    Attributes:
        name: Of the candidate.
        temperature_c: Of the curve.
        current_a: Current asked of the driver, own unit; the most that every limit allows unless
            one was given.
        applied_a: RMS current applied.
        above: Which limit a current that was asked for is above, in words; empty: none.
        margin: Margin asked for.
        flow_mm3_s: Highest flow held with the margin; None where not even the least measured flow
            is.
        sure_flow_mm3_s: The same with the upper end of the band as the need: held with 97.5 %
            confidence.
        at_least: Whether nothing binds within the measured range, so that more may be held.
        binds: Name of the limit that binds first.
        limits: All limits, the first to bind first.
        wanted_mm3_s: Flow that was asked about, or None.
        wanted_margin: Margin there, with its interval; None where nothing was asked.
        wanted_supply: Need and supply there; None where nothing was asked.
        least_current_a: Lowest current that holds the wanted flow with the margin, own unit; None
            where nothing was asked, or none does.
        least_current: The same for a person, rounded up so that typed back it holds.
        no_current_why: Why none does; None where one does, or nothing was asked.
        winding_c: Expected winding temperature, in C; None where it has no end.
        common_scale: Whether the error of the force scale cancels against the motor's force.
        table: Need and supply over the measured range.
        notes: Cautions.
    """

    name: str
    temperature_c: float
    current_a: float
    applied_a: float
    above: str
    margin: float
    flow_mm3_s: float | None
    sure_flow_mm3_s: float | None
    at_least: bool
    binds: str
    limits: tuple[Limit, ...]
    wanted_mm3_s: float | None
    wanted_margin: tuple[float, float, float] | None
    wanted_supply: Supply | None
    least_current_a: float | None
    least_current: str | None
    no_current_why: str | None
    winding_c: float | None
    common_scale: bool
    table: tuple[Supply, ...]
    notes: tuple[str, ...]

    @property
    def ends(self) -> str:
        """What the flow held ends at: a melt limit binds earlier, and does not stop it there."""
        if self.flow_mm3_s is None or self.at_least:
            return self.binds
        for limit in self.limits:
            stops = limit.flow_mm3_s is not None and limit.name != "melt limit"
            if stops and math.isclose(limit.flow_mm3_s or 0.0, self.flow_mm3_s, rel_tol=1e-9):
                return limit.name
        return self.binds

    def to_document(self) -> dict[str, Any]:
        """As JSON types."""
        found = {name: getattr(self, name) for name in Advice.__slots__}
        found["ends"] = self.ends
        found["limits"] = [{n: getattr(x, n) for n in Limit.__slots__} for x in self.limits]
        found["table"] = [_row(x) for x in self.table]
        found["wanted_supply"] = None if self.wanted_supply is None else _row(self.wanted_supply)
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
        above = f" ({self.above})" if self.above else ""
        at = f"{self.name} at {supply.amperes(self.current_a)} A{above}, {self.temperature_c:g} C"
        with_margin = f"with a margin of {100 * self.margin:.0f} %"
        binds = self.binds
        if binds == ASKED:
            binds += f" ({supply.amperes(self.current_a)} A)"
        if self.flow_mm3_s is None:
            least = self.table[0]
            needed = f"{least.needed_n:.3g} N" + (
                f", {(1.0 + self.margin) * least.needed_n:.3g} N with the margin"
                if self.margin
                else ""
            )
            return (
                f"{at}: not even the least measured flow, {least.flow_mm3_s:.3g} mm3/s, is held "
                f"{with_margin}: it needs {needed}, and the {binds} allows "
                f"{least.available_n:.3g} N"
            )
        sure = (
            "not sure of any flow in the measured range"
            if self.sure_flow_mm3_s is None
            else f"surely {self.sure_flow_mm3_s:.3g}"
        )
        if self.at_least:
            return (
                f"{at}: holds at least {self.flow_mm3_s:.3g} mm3/s {with_margin} ({sure}); nothing "
                "binds within what was measured"
            )
        end = ", where the curve ends," if self.flow_mm3_s >= self.table[-1].flow_mm3_s else ""
        first = self.limits[0]
        since = f", from {first.flow_mm3_s:.3g} mm3/s on" if first.name == "melt limit" else ""
        ended = f", and the {self.ends} ends it" if self.ends != self.binds else ""
        return (
            f"{at}: holds {self.flow_mm3_s:.3g} mm3/s{end} {with_margin} ({sure}); "
            f"the {binds} binds first{since}{ended}"
        )


def _row(row: Supply) -> dict[str, Any]:
    return {name: getattr(row, name) for name in Supply.__slots__}


def _last_held(
    curve: Curve, margin: float, available_n: Callable[[float], float]
) -> tuple[float | None, bool]:
    """Highest flow held with a margin, and whether the range ends before the force runs out."""

    def spare(flow: float) -> float:
        return available_n(flow) - (1.0 + margin) * curve.force_n(flow)

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
        TableError: A margin or current that makes no sense, or filament of another diameter than
            the curve's.
    """
    if not (math.isfinite(margin) and 0.0 <= margin <= 10.0):
        raise TableError(f"margin {margin} is outside 0 to 10 (0.2 means 20 % force to spare)")
    _check_diameter(curve, bench, name)
    chain, diameter_mm = bench.chain(), bench.filament.diameter_mm
    most_a, end = greatest_current_a(bench)
    notes: list[str] = []
    above = ""
    if current_a is None:
        current_a = most_a
    else:
        _check_current(bench, current_a, name)
        if current_a > most_a * (1 + 1e-9):
            above = f"above the {supply.amperes_at_most(most_a)} A that the {end} allows"
            notes.append(f"{supply.amperes(current_a)} A is {above}")
        end = ASKED
    try:
        applied_a = chain.applied_rms_a(current_a)
        chain.force_rms_n(applied_a)
    except ValueError as error:
        raise TableError(f"{name} cannot be set to {current_a:g} A: {error}") from error
    common = uncertainty.shares_force_scale(force_scale, bench)
    sources = supply.sources_of(curve, bench, applied_a, common_scale=common)

    flow, is_open = _last_held(curve, margin, lambda q: supply.available_n(sources, q))
    sure_flow, _ = _last_held(curve, margin, lambda q: supply.surely_n(curve, sources, q))
    limits = _limits(curve, bench, sources, applied_a, margin=margin, end=end)
    at_least = is_open and limits[0].name == "measured range"
    wanted_margin, wanted_supply, least_a, why_not = None, None, None, None
    if wanted_mm3_s is not None:
        wanted_margin = supply.margin_at(curve, sources, wanted_mm3_s)
        wanted_supply = supply.supply_at(curve, sources, wanted_mm3_s, diameter_mm)
        asked = {"wanted_mm3_s": wanted_mm3_s, "margin": margin}
        least_a = least_current_a(curve, bench, **asked)
        if least_a is None:
            why_not = supply.why_no_current(curve, bench, **asked)
    winding = winding_temperature_c(bench, applied_a)
    notes.extend(supply.temperature_notes(bench, winding))
    if not common:
        notes.append(uncertainty.why_not_shared(force_scale, curve))
    if curve.notes:
        notes.append("of the curve: " + "; ".join(curve.notes))
    return Advice(
        name=name,
        temperature_c=curve.temperature_c,
        current_a=current_a,
        applied_a=applied_a,
        above=above,
        margin=margin,
        flow_mm3_s=flow,
        sure_flow_mm3_s=sure_flow,
        at_least=at_least,
        binds=limits[0].name,
        limits=tuple(limits),
        wanted_mm3_s=wanted_mm3_s,
        wanted_margin=wanted_margin,
        wanted_supply=wanted_supply,
        least_current_a=least_a,
        least_current=None if least_a is None else supply.told_current_a(bench, least_a),
        no_current_why=why_not,
        winding_c=winding if math.isfinite(winding) else None,
        common_scale=common,
        table=tuple(
            supply.supply_at(curve, sources, row.flow_mm3_s, diameter_mm) for row in curve.table
        ),
        notes=tuple(notes),
    )


def _check_current(bench: Bench, current_a: float, name: str) -> None:
    """Refuses a current that is none, or with which no bench file would let the motor run."""
    if not (math.isfinite(current_a) and current_a > 0.0):
        raise TableError(f"current {current_a:g} A: allowed is a number above 0")
    most_a = bench.chain().scale.own_unit_a(GREATEST_OVERCURRENT * bench.motor.rated_current_a)
    if current_a > most_a * (1 + 1e-9):
        raise TableError(
            f"{name} cannot be set to {current_a:g} A: it would overheat the motor; allowed: up to "
            f"{supply.amperes_at_most(most_a)} A {bench.driver.current_unit} "
            f"({GREATEST_OVERCURRENT:g} times motor.rated_current_a)"
        )


def _check_diameter(curve: Curve, bench: Bench, name: str) -> None:
    """Refuses a filament on which the curve says nothing.

    The melt asks for a pressure, and the same pressure on another cross-section is another force;
    how the melting goes with the diameter no curve of one filament tells.
    """
    measured = {point.threshold.filament_diameter_mm for point in curve.points}
    wanted_mm = bench.filament.diameter_mm
    if any(abs(one - wanted_mm) > _SAME_DIAMETER_MM for one in measured):
        raise TableError(
            f"{name} takes {wanted_mm:g} mm filament and the curve was measured with "
            f"{'/'.join(f'{one:g}' for one in sorted(measured))} mm: the same pressure is another "
            "force there, so nothing can be said"
        )


def _limits(
    curve: Curve,
    bench: Bench,
    sources: Sequence[supply.Source],
    applied_a: float,
    *,
    margin: float,
    end: str,
) -> list[Limit]:
    """Limits with the flow at which each binds, first to bind first."""
    high = curve.flow_range_mm3_s[1]
    found = _motor_limits(curve, bench, sources[0], applied_a, margin=margin, end=end)
    grip = bench.drive.grip_limit_n
    if grip is not None:
        found.append(
            _limit(
                curve,
                "filament grip",
                _last_held(curve, margin, lambda _: grip),
                grip,
                f"the gear starts to grind at {grip:.3g} N",
            )
        )
    melt = curve.melt_limit
    if melt is not None and melt.upper is not None:
        found.append(_melt(curve, melt))
    if all(limit.order[0] == math.inf for limit in found):
        text = "nothing binds up to there; more may be held than was measured"
        found.append(Limit("measured range", high, text))
    return sorted(found, key=lambda limit: limit.order)


def _limit(
    curve: Curve, name: str, held: tuple[float | None, bool], force_n: float, text: str
) -> Limit:
    """A limit from what `_last_held` says of it, with the words for a range that it does not reach.

    ``force_n`` is the force it allows at the lowest flow measured.
    """
    flow, is_open = held
    if flow is not None:
        return Limit(name, None if is_open else flow, text, force_n=force_n)
    low, need = curve.table[0].flow_mm3_s, curve.table[0].force_n
    more = (
        f"; {low:.3g} mm3/s, the least flow measured, cannot be pushed: it needs {need:.3g} N"
        if force_n < need
        else f"; {low:.3g} mm3/s, the least flow measured, needs {need:.3g} N, which leaves less "
        "than the margin"
    )
    return Limit(name, None, text + more, below_range=True, force_n=force_n)


def _motor_limits(
    curve: Curve,
    bench: Bench,
    motor: supply.Source,
    applied_a: float,
    *,
    margin: float,
    end: str,
) -> list[Limit]:
    """What the motor at rest allows, and what the supply takes from it at speed."""
    chain = bench.chain()
    standing = chain.standing_rms_n(applied_a)
    low, high = curve.flow_range_mm3_s

    def derating(flow: float) -> float:
        return chain.derating(applied_a, mechanics.speed_mm_s(flow, bench.filament.diameter_mm))

    at_rest = _last_held(curve, margin, lambda _: standing)
    moving = _last_held(curve, margin, motor.force_n)
    at = low if moving[0] is None else moving[0]
    left = derating(at)
    costs = not moving[1] and left < supply.DERATING_TOLD
    text = f"{standing:.3g} N at {applied_a:.3g} A RMS" + ("" if at_rest[1] else " at rest")
    found = [_limit(curve, end, at_rest if costs else moving, standing, text)]
    if chain.winding is not None:
        of = f"{100 * left:.0f} % of the torque is left at {at:.3g} mm3/s with "
        text = f"{of}{bench.driver.supply_v:g} V"
        held = moving if costs else (high, True)
        found.append(_limit(curve, "supply voltage", held, motor.force_n(low), text))
    return found


def knee_mm3_s(curve: Curve) -> float | None:
    """Flow from which one per cent of flow costs over two per cent of force, in mm3/s.

    There the local exponent ``dlnF/dlnQ`` passes 2. None: not within the measured range.
    """

    def exponent(flow: float) -> float:
        return curve.slope_n_s_mm3(flow) * flow / curve.force_n(flow)

    flows = [row.flow_mm3_s for row in curve.table]
    if exponent(flows[0]) > _STEEP:
        return flows[0]
    for low, high in itertools.pairwise(flows):
        if exponent(high) > _STEEP:
            for _ in range(60):
                middle = math.sqrt(low * high)
                low, high = (low, middle) if exponent(middle) > _STEEP else (middle, high)
            return high
    return None


def _melt(curve: Curve, melt: Parameter) -> Limit:
    """The melt limit: binds from where the curve is so steep that force buys hardly any flow, and
    at the end of the curve where it is too steep to be followed to there."""
    knee, high = knee_mm3_s(curve), curve.flow_range_mm3_s[1]
    most = f"no more than {melt.value:.3g} mm3/s melts (95 %: {melt.lower:.3g} to {melt.upper:.3g})"
    if knee is None:
        if melt.value <= _NEAR * high:
            away = max(0.0, 100.0 * (melt.value / high - 1.0))
            text = f"{most}, {away:.0f} % beyond the end of the curve"
            return Limit("melt limit", high, text)
        text = (
            f"{most}; up to the {high:.3g} mm3/s measured one per cent of flow costs less than "
            f"{_STEEP:g} % of force"
        )
    else:
        text = f"{most}; from there on one per cent of flow costs over {_STEEP:g} % of force"
    return Limit("melt limit", knee, text)


def advise_many(
    curve: Curve,
    benches: Mapping[str, Bench],
    *,
    margin: float = 0.2,
    currents_a: Sequence[float] = (),
    wanted_mm3_s: float | None = None,
    force_scale: str = "",
    left_out: Callable[[str], None] | None = None,
) -> list[Advice]:
    """Several candidates in one table, the highest sure flow first.

    Args:
        curve: Force needed.
        benches: Candidates by name.
        margin: As in `advise`.
        currents_a: Currents to try with each; none: the most that is allowed.
        wanted_mm3_s: As in `advise`.
        force_scale: As in `advise`.
        left_out: Told why, where a candidate takes other filament or cannot be set to a current,
            while others can.

    Raises:
        RangeError: A wanted flow outside the measured range.
        TableError: A margin that makes no sense, or nothing that can be said of any candidate.
    """
    if wanted_mm3_s is not None and not curve.holds(wanted_mm3_s):
        low, high = curve.flow_range_mm3_s
        raise RangeError(
            f"flow {wanted_mm3_s:.4g} mm3/s is outside the measured {low:.4g} to {high:.4g} mm3/s"
        )
    found: list[Advice] = []
    failed: list[TableError] = []
    for name, bench in benches.items():
        for current_a in currents_a or (None,):
            try:
                one = advise(
                    curve,
                    bench,
                    margin=margin,
                    current_a=current_a,
                    wanted_mm3_s=wanted_mm3_s,
                    name=name,
                    force_scale=force_scale,
                )
            except TableError as error:
                failed.append(error)
            else:
                found.append(one)
    if failed and (not found or left_out is None):
        raise failed[0]
    for why in dict.fromkeys(map(str, failed)):
        assert left_out is not None
        left_out(why)
    return sorted(found, key=lambda a: -(a.sure_flow_mm3_s or 0.0) - 1e-6 * (a.flow_mm3_s or 0.0))
