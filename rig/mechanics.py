"""From run current to torque to force, and from filament speed to flow. Pure mathematics.

Sources, formula by formula:

* feed word and flow: RS-274 feed is mm per minute; ``Q = v * pi d^2 / 4`` (common practice);
* torque to force: ``F = T i eta / r``, equal by virtual work to ``F = 2 pi T i eta / L`` with L the
  filament per turn of the drive gear (the screw formula of machine-design handbooks);
* torque to current: ``T = T_h I / I_rated``, RMS against RMS, two phases on (common practice; the
  sine-microstepped current vector has the constant length ``sqrt 2 I_rms``);
* speed derating: the greatest torque of a synchronous machine whose current and voltage are both
  limited, ``|i| <= I`` and ``|u| <= V`` in the d-q plane (current-limit and voltage-limit circle,
  common practice in field weakening; checked against a numeric maximum in ``tests/reference``).
  Where the voltage alone limits it is the pull-out of a hybrid motor,
  ``T_max = p psi (V / Z - w psi R / Z^2)``, ``Z^2 = R^2 + (w L)^2``, form after Acarnley,
  "Stepping Motors" (from memory; arithmetic checked in ``tests/reference``).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass

SQRT2 = math.sqrt(2.0)
GOLDEN = (math.sqrt(5.0) - 1.0) / 2.0


def filament_area_mm2(diameter_mm: float) -> float:
    """Cross-section of round filament, in mm2."""
    return math.pi * diameter_mm * diameter_mm / 4.0


def flow_mm3_s(speed_mm_s: float, diameter_mm: float) -> float:
    """Volume flow of filament of ``diameter_mm`` fed at ``speed_mm_s``, in mm3/s."""
    return speed_mm_s * filament_area_mm2(diameter_mm)


def speed_mm_s(flow_mm3_s: float, diameter_mm: float) -> float:
    """Filament speed that gives a volume flow, in mm/s; inverse of `flow_mm3_s`."""
    return flow_mm3_s / filament_area_mm2(diameter_mm)


def feed_mm_min(speed_mm_s: float) -> float:
    """Feed word for a speed: mm per minute (RS-274: F300 is 5 mm/s)."""
    return 60.0 * speed_mm_s


def parse_gear_ratio(text: str | float) -> float:
    """Reduction of ``"50:17"`` (driven:driving), of several stages ``"50:17 40:20"``, or a number.

    Returns:
        Motor turns per turn of the drive gear.

    Raises:
        ValueError: Not of that form, or a tooth count or ratio that is not positive.
    """
    if isinstance(text, (int, float)) and not isinstance(text, bool):
        ratio = float(text)
    else:
        ratio = 1.0
        stages = str(text).split()
        if not stages:
            raise ValueError("no stage given")
        for stage in stages:
            driven, colon, driving = stage.partition(":")
            try:
                ratio *= float(driven) / float(driving) if colon else float(driven)
            except (ValueError, ZeroDivisionError):
                raise ValueError(f"stage {stage!r} is not driven:driving teeth") from None
            if not ratio > 0:
                raise ValueError(f"stage {stage!r} is not positive")
    if not (math.isfinite(ratio) and ratio > 0):
        raise ValueError(f"ratio {ratio} is not a positive number")
    return ratio


@dataclass(frozen=True, slots=True)
class TorqueCurve:
    """Holding torque against RMS phase current: one rated point, or a measured table.

    Attributes:
        currents_a: Rising RMS currents, in A; the first is 0.
        torques_nm: Rising torques at those currents, in N m; the first is 0.
        rated_current_a: RMS current per phase that the data sheet rates, in A.
    """

    currents_a: tuple[float, ...]
    torques_nm: tuple[float, ...]
    rated_current_a: float
    measured: bool = False

    @classmethod
    def rated(cls, *, rated_current_a: float, holding_torque_nm: float) -> TorqueCurve:
        """The straight line through the origin and the rated point."""
        return cls((0.0, rated_current_a), (0.0, holding_torque_nm), rated_current_a)

    @classmethod
    def table(
        cls, points: tuple[tuple[float, float], ...], *, rated_current_a: float
    ) -> TorqueCurve:
        """A measured table of (A RMS, N m), joined by straight lines from the origin.

        Raises:
            ValueError: Fewer than one point, or values that do not rise from above zero.
        """
        if not points:
            raise ValueError("the torque table is empty")
        currents, torques = (0.0, *(p[0] for p in points)), (0.0, *(p[1] for p in points))
        for name, values in (("currents", currents), ("torques", torques)):
            if any(b <= a for a, b in itertools.pairwise(values)):
                raise ValueError(f"the {name} of the torque table must rise from above 0")
        return cls(currents, torques, rated_current_a, measured=True)

    @property
    def greatest_current_a(self) -> float:
        """Current up to which the torque is known: the end of a table, else no bound, in A."""
        return self.currents_a[-1] if self.measured else math.inf

    def torque_nm(self, current_rms_a: float) -> float:
        """Holding torque at an RMS current, in N m.

        Raises:
            ValueError: A negative current, or one beyond the end of a measured table.
        """
        if current_rms_a < 0 or current_rms_a > self.greatest_current_a * (1 + 1e-9):
            raise ValueError(
                f"current {current_rms_a:.3f} A RMS is outside the torque table, "
                f"0 to {self.greatest_current_a:.3f} A"
            )
        if not self.measured:
            return self.torques_nm[-1] * current_rms_a / self.currents_a[-1]
        for k in range(1, len(self.currents_a)):
            if current_rms_a <= self.currents_a[k] or k == len(self.currents_a) - 1:
                low, high = self.currents_a[k - 1], self.currents_a[k]
                share = (current_rms_a - low) / (high - low)
                return self.torques_nm[k - 1] + share * (
                    self.torques_nm[k] - self.torques_nm[k - 1]
                )
        raise AssertionError("unreachable: a table has at least two points")


@dataclass(frozen=True, slots=True)
class CurrentScale:
    """How the driver turns the current asked for into the one applied.

    Attributes:
        peak: Whether the driver's own unit is the peak of the sine (else RMS).
        full_scale_a: Greatest current of the driver, in its own unit; None: continuous.
        levels: Number of equal steps up to full scale.
        low_scale_a: Full scale of a second, finer range that the driver uses when the current
            fits in it, in its own unit; None where there is one range only.
    """

    peak: bool = False
    full_scale_a: float | None = None
    levels: int = 32
    low_scale_a: float | None = None

    def applied_a(self, commanded_a: float) -> float:
        """Current really set, in the driver's own unit: the next level at or below the request.

        Raises:
            ValueError: Beyond full scale, or below the first level.
        """
        if self.full_scale_a is None:
            return commanded_a
        if commanded_a > self.full_scale_a * (1 + 1e-9):
            raise ValueError(
                f"current {commanded_a:.3f} A is beyond the driver's full scale "
                f"of {self.full_scale_a:.3f} A"
            )
        scale = self.full_scale_a
        if self.low_scale_a is not None and commanded_a <= self.low_scale_a:
            scale = self.low_scale_a
        step = scale / self.levels
        level = math.floor(commanded_a / step + 1e-9)
        if level < 1:
            raise ValueError(
                f"current {commanded_a:.3f} A is below the driver's first level of {step:.3f} A"
            )
        return level * step

    def rms_a(self, own_unit_a: float) -> float:
        """RMS current of a current in the driver's own unit, in A."""
        return own_unit_a / SQRT2 if self.peak else own_unit_a

    def own_unit_a(self, rms_a: float) -> float:
        """Current in the driver's own unit of an RMS current, in A."""
        return rms_a * SQRT2 if self.peak else rms_a

    def applied_rms_a(self, commanded_a: float) -> float:
        """RMS current really applied when ``commanded_a`` is asked for in the driver's unit."""
        return self.rms_a(self.applied_a(commanded_a))


@dataclass(frozen=True, slots=True)
class Winding:
    """One phase on its supply: what the speed costs.

    Attributes:
        resistance_ohm: Resistance of a phase, in ohm.
        inductance_h: Inductance of a phase, in H.
        supply_v: Supply of the driver's bridge, in V.
    """

    resistance_ohm: float
    inductance_h: float
    supply_v: float

    def pull_out_nm(
        self,
        *,
        torque_per_peak_ampere_nm: float,
        electrical_rad_s: float,
        pole_pairs: float,
        peak_current_a: float = math.inf,
    ) -> float:
        """Greatest torque at an electrical speed, in N m, at least 0.

        The greatest ``K i_q`` with ``|i| <= I`` and ``|Z i + j w psi| <= V``, ``Z = R + j w L`` and
        ``psi = K / p``: two discs in the plane of ``i = i_d + j i_q``, one about 0 with radius
        ``I``, one about ``-j w psi / Z`` with radius ``V / |Z|``. The highest point that both hold
        is the top of one of them, or where their edges meet. Without a limit of the current it is
        ``p psi (V / Z - w psi R / Z^2)``; Acarnley (see module).
        """
        z2 = self.resistance_ohm**2 + (electrical_rad_s * self.inductance_h) ** 2
        emf = electrical_rad_s * torque_per_peak_ampere_nm / pole_pairs
        d = -emf * electrical_rad_s * self.inductance_h / z2
        q = -emf * self.resistance_ohm / z2
        reach = self.supply_v / math.sqrt(z2)
        if math.hypot(d, peak_current_a - q) <= reach:
            return torque_per_peak_ampere_nm * peak_current_a
        highest = q + reach
        if math.hypot(d, highest) > peak_current_a:
            apart = math.hypot(d, q)
            if apart >= peak_current_a + reach:
                return 0.0  # the back EMF is more than the supply can hold the current against
            along = (apart**2 + peak_current_a**2 - reach**2) / (2.0 * apart)
            across = math.sqrt(max(0.0, peak_current_a**2 - along**2))
            highest = (along * q + across * abs(d)) / apart
        return max(0.0, torque_per_peak_ampere_nm * highest)

    def corner_rev_s(
        self, *, torque_per_peak_ampere_nm: float, peak_current_a: float, pole_pairs: float
    ) -> float:
        """Motor speed above which the supply no longer drives the full current in phase, in rev/s.

        Root of ``V^2 = (R I + w psi)^2 + (w L I)^2``; 0 where the supply cannot drive the
        current even at rest.
        """
        psi = torque_per_peak_ampere_nm / pole_pairs
        drop = self.resistance_ohm * peak_current_a
        a = psi**2 + (self.inductance_h * peak_current_a) ** 2
        b = 2.0 * drop * psi
        c = drop**2 - self.supply_v**2
        if c >= 0:
            return 0.0
        w = (-b + math.sqrt(b * b - 4.0 * a * c)) / (2.0 * a)
        return w / (2.0 * math.pi * pole_pairs)


def _greatest(value: Callable[[float], float], low: float, high: float) -> float:
    """Greatest value between two places: a grid, then a golden section about its best place."""
    step = (high - low) / 16
    grid = [low + step * k for k in range(1, 17)]
    values = [value(x) for x in grid]
    best = max(values)
    middle = grid[values.index(best)]
    low, high = max(low, middle - step), min(high, middle + step)
    for _ in range(40):
        one, other = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
        if value(one) < value(other):
            low = one
        else:
            high = other
    return max(best, value(0.5 * (low + high)))


@dataclass(frozen=True, slots=True)
class ForceChain:
    """Everything between the current asked of the driver and the force on the filament.

    Attributes:
        torque: Holding torque against RMS current.
        scale: The driver's current steps and unit.
        gear_ratio: Motor turns per turn of the drive gear.
        filament_per_turn_mm: Filament per turn of the drive gear, in mm.
        efficiency: Efficiency of the drive, 0 to 1.
        steps_per_turn: Full steps per motor turn.
        winding: Phase and supply; None: no derating is computed.
    """

    torque: TorqueCurve
    scale: CurrentScale
    gear_ratio: float
    filament_per_turn_mm: float
    efficiency: float
    steps_per_turn: int = 200
    winding: Winding | None = None

    @property
    def newton_per_nm(self) -> float:
        """Filament force per motor torque, ``2 pi i eta / L``, in N per N m."""
        lead_m = self.filament_per_turn_mm / 1000.0
        return 2.0 * math.pi * self.gear_ratio * self.efficiency / lead_m

    @property
    def filament_per_motor_turn_mm(self) -> float:
        """Filament per turn of the motor, in mm."""
        return self.filament_per_turn_mm / self.gear_ratio

    @property
    def filament_per_cycle_mm(self) -> float:
        """Filament per electrical cycle (four full steps), in mm."""
        return self.filament_per_motor_turn_mm * 4.0 / self.steps_per_turn

    def motor_rev_s(self, speed_mm_s: float) -> float:
        """Motor speed at a filament speed, in rev/s."""
        return speed_mm_s / self.filament_per_motor_turn_mm

    def derating(self, current_rms_a: float, speed_mm_s: float) -> float:
        """Fraction of the torque left at a filament speed, 0 to 1 (1 where no winding is given)."""
        torque = self.torque.torque_nm(current_rms_a)
        if self.winding is None or torque <= 0.0:
            return 1.0
        return min(1.0, self._pull_out_nm(current_rms_a, speed_mm_s) / torque)

    def _pull_out_nm(self, set_rms_a: float, speed_mm_s: float) -> float:
        """Greatest torque at a filament speed with any RMS current up to the one set, in N m.

        A chopper may always regulate less. With torque in proportion to the current that gains
        nothing; with a table that saturates, less current means more torque an ampere, which may
        be worth more where the voltage limits.
        """
        assert self.winding is not None
        winding, pole_pairs = self.winding, self.steps_per_turn / 4.0
        omega = 2.0 * math.pi * self.motor_rev_s(speed_mm_s) * pole_pairs

        def at(rms_a: float) -> float:
            return winding.pull_out_nm(
                torque_per_peak_ampere_nm=self.torque.torque_nm(rms_a) / (SQRT2 * rms_a),
                electrical_rad_s=omega,
                pole_pairs=pole_pairs,
                peak_current_a=SQRT2 * rms_a,
            )

        found = at(set_rms_a)
        if not self.torque.measured or found >= self.torque.torque_nm(set_rms_a) * (1 - 1e-12):
            return found
        known = [a for a in self.torque.currents_a if a < set_rms_a]
        for low, high in itertools.pairwise([*known, set_rms_a]):
            found = max(found, _greatest(at, low, high))
        return found

    def corner_speed_mm_s(self, current_rms_a: float) -> float | None:
        """Filament speed at which derating may begin, in mm/s; None where no winding is given."""
        if self.winding is None:
            return None
        torque = self.torque.torque_nm(current_rms_a)
        rev_s = self.winding.corner_rev_s(
            torque_per_peak_ampere_nm=torque / (SQRT2 * current_rms_a),
            peak_current_a=SQRT2 * current_rms_a,
            pole_pairs=self.steps_per_turn / 4.0,
        )
        return rev_s * self.filament_per_motor_turn_mm

    def standing_rms_n(self, current_rms_a: float) -> float:
        """Filament force at rest, in N, where the supply drives the RMS current."""
        return self.torque.torque_nm(current_rms_a) * self.newton_per_nm

    def force_rms_n(self, current_rms_a: float, speed_mm_s: float = 0.0) -> float:
        """Greatest filament force at an RMS current and filament speed, in N."""
        return self.standing_rms_n(current_rms_a) * self.derating(current_rms_a, speed_mm_s)

    def applied_rms_a(self, commanded_a: float) -> float:
        """RMS current really applied for a current asked of the driver in its own unit, in A."""
        return self.scale.applied_rms_a(commanded_a)

    def force_n(self, commanded_a: float, speed_mm_s: float = 0.0) -> float:
        """Greatest filament force for a current asked of the driver in its own unit, in N.

        Raises:
            ValueError: A current outside the driver's scale or the torque table.
        """
        return self.force_rms_n(self.applied_rms_a(commanded_a), speed_mm_s)
