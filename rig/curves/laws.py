"""Laws as the fit sees them: a few well-behaved coordinates in a box, with a prior.

Coordinates are chosen so that they are nearly uncorrelated and so that "no yield force" and "no
melt limit" are ordinary bounds of the box:

* ``a``: log of the viscous force at the reference flow; flat;
* ``n``: exponent; normal about 0.5 with 0.4, 0.05 to 1.7 (every melt in the literature lies there);
* ``y``: yield force over the least force at which anything flowed; flat, 0 to 1;
* ``r``: greatest flow seen over the melt limit; flat, 0 (no limit) to 1.15 (1.5 in joint fits);
* ``p``: log of the sharpness of the knee; normal about log 4 with 1, which leaves room for a limit
  as sharp as a corner; a pole has none;
* ``c`` of the Cross law: log of the flow where thinning sets in over the reference; flat;
* joint fits: ``e``, activation energy over 100 kJ/mol, at constant rate, for the Cross law at
  constant stress; ``m``, change of the log of the melt limit per 100 K; both flat.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from rig.curves.models import GAS_CONSTANT_KJ, ZERO_CELSIUS_K

Array = NDArray[np.float64]

LEAST_RATIO = 1e-9
LEAST_FORCE = 1e-6
_SHARPNESS = (math.log(4.0), 1.0)
"""Mean and standard deviation of the prior of the log of the sharpness."""
_LIKELY_SHARPNESS = (math.log(3.0), 0.5)
"""Where to begin the search for its mode."""
_NO_LIMIT = 600.0
"""So many e-folds below a melt limit, in powers of the flow, there is none to be felt."""
_POLE_STEPS = 5
"""Of Newton's method, with which the flow of a law with a pole is right to 1e-9."""


class Law(Protocol):
    """What the fit needs of a law."""

    name: str
    coordinates: tuple[str, ...]
    bounds: Array
    units: dict[str, str]

    def log_prior(self, theta: Array) -> Array:
        """Log of the prior density up to a constant, shape (batch,)."""
        ...

    def log_flow(self, theta: Array, log_force: Array) -> tuple[Array, Array]:
        """Log of the flow at each force, and its slope against the log of the force.

        Args:
            theta: Coordinates, shape (batch, d).
            log_force: Shape (n,) or (batch, n).

        Returns:
            Two arrays of shape (batch, n).
        """
        ...

    def log_force_at(self, theta: Array, log_flow: Array) -> Array:
        """Log of the force at each flow, shape (batch, m); infinite beyond a melt limit."""
        ...

    def parameters(self, theta: Array) -> dict[str, Array]:
        """Parameters in physical units, each of shape (batch,)."""
        ...

    def scaled(self, theta: Array, log_factor: Array) -> Array:
        """Coordinates with which every flow needs a force larger by a factor, shape (batch, d).

        Args:
            theta: Coordinates, shape (batch, d).
            log_factor: Log of the factor, shape (batch,).
        """
        ...

    def starts(self, rng: np.random.Generator, count: int) -> Array:
        """Starting points for the mode, shape (count, d)."""
        ...


@dataclass(frozen=True, slots=True)
class Scale:
    """Reference values of one data set that make the coordinates dimensionless.

    Attributes:
        flow_mm3_s: Reference flow.
        force_n: Reference force.
        least_force_n: Least force at which anything flowed.
        top_flow_mm3_s: Greatest flow that is believed (over several temperatures: at the one with
            the least).
        temperature_c: Temperature of each threshold, for joint laws, shape (n,); else None.
        reference_c: Reference temperature of a joint law.
    """

    flow_mm3_s: float
    force_n: float
    least_force_n: float
    top_flow_mm3_s: float
    temperature_c: Array | None = None
    reference_c: float = 0.0


class PowerLaw:
    """Power law or Cross law, with or without yield force and melt limit, for any temperatures.

    The name says which: "power" or "cross", then "-yield", "-melt", and how the limit is reached
    where it is not by a knee: "-pole" (the force has a simple pole there), "-saturating" (the flow
    comes near it exponentially).
    """

    def __init__(self, name: str, scale: Scale, *, joint: bool = False) -> None:
        self.scale, self.name, self.joint = scale, name, joint
        self.with_cross = name.startswith("cross")
        self.with_yield, self.with_melt = "yield" in name, "melt" in name
        self.with_pole, self.with_saturation = "pole" in name, "saturating" in name
        self.with_sharpness = self.with_melt and not self.with_pole
        centre = math.log(scale.force_n)
        boxes = {
            "a": (centre - 4.0, centre + 3.0),
            "n": (0.05, 0.98 if self.with_cross else 1.7),
        }
        with_yield, with_melt = self.with_yield, self.with_melt
        if self.with_cross:
            boxes["c"] = (-4.0, 3.0)
        if with_yield:
            boxes["y"] = (0.0, 0.999)
        if with_melt:
            boxes["r"] = (LEAST_RATIO, 1.5 if joint else 1.15)
        if self.with_sharpness:
            boxes["p"] = (math.log(0.6), math.log(60.0))
        if joint:
            boxes["e"] = (-0.5, 3.0)
            if with_melt:
                boxes["m"] = (-3.0, 10.0)
        self.coordinates = tuple(boxes)
        self.bounds = np.array(list(boxes.values()), float)
        self._at = {name: index for index, name in enumerate(boxes)}
        flat = {name: high - low for name, (low, high) in boxes.items() if name not in "np"}
        self._log_prior_constant = -sum(math.log(width) for width in flat.values())
        self._log_prior_constant -= math.log(0.4 * math.sqrt(2.0 * math.pi))
        if self.with_sharpness:
            self._log_prior_constant -= math.log(_SHARPNESS[1] * math.sqrt(2.0 * math.pi))
        self.units = {
            "yield_n": "N",
            "resistance": "N s/mm3" if self.with_cross else "N/(mm3/s)^exponent",
            "plateau_flow_mm3_s": "mm3/s",
            "exponent": "1",
            "melt_limit_mm3_s": "mm3/s",
            "sharpness": "1",
            "saturation": "1",
            "activation_kj_mol": "kJ/mol",
            "activation_at_constant_stress_kj_mol": "kJ/mol",
            "melt_limit_per_k": "1/K",
        }

    def _get(self, theta: Array, name: str) -> Array:
        return theta[:, self._at[name], None]

    def log_prior(self, theta: Array) -> Array:
        total = self._log_prior_constant - 0.5 * ((theta[:, self._at["n"]] - 0.5) / 0.4) ** 2
        if self.with_sharpness:
            mean, sd = _SHARPNESS
            total = total - 0.5 * ((theta[:, self._at["p"]] - mean) / sd) ** 2
        return np.asarray(total)

    def _shifts(self, theta: Array, temperature_c: Array | float | None) -> tuple[Array, Array]:
        """Log shifts of the viscous force and of the melt limit at temperatures."""
        zero = np.zeros((len(theta), 1))
        if not self.joint:
            return zero, zero
        celsius = self.scale.temperature_c if temperature_c is None else temperature_c
        assert celsius is not None
        kelvin = np.asarray(celsius, float) + ZERO_CELSIUS_K
        reciprocal = 1.0 / kelvin - 1.0 / (self.scale.reference_c + ZERO_CELSIUS_K)
        viscous = self._get(theta, "e") * (100.0 / GAS_CONSTANT_KJ) * reciprocal
        if not self.with_melt:
            return viscous, zero
        melt = self._get(theta, "m") * (np.asarray(celsius) - self.scale.reference_c) / 100.0
        return viscous, melt

    def _cross_flow(self, theta: Array, wanted: Array) -> tuple[Array, Array]:
        """Log of the flow over the reference at which the Cross law rises so much, and the slope.

        Newton's method: the rise is concave in the log of the flow, so that after one step every
        step stays on one side of the root.
        """
        thinner, onset = 1.0 - self._get(theta, "n"), self._get(theta, "c")
        base = np.log1p(np.exp(-thinner * onset))
        flow = wanted + 0.0
        slope = np.ones_like(flow)
        for _ in range(7):
            grown = np.exp(np.clip(thinner * (flow - onset), -60.0, 60.0))
            slope = 1.0 - thinner * grown / (1.0 + grown)
            flow = flow + (wanted - base - flow + np.log1p(grown)) / slope
        return flow, slope

    def _log_limit(self, theta: Array, melt_shift: Array) -> Array:
        top = math.log(self.scale.top_flow_mm3_s)
        return np.asarray(top - np.log(self._get(theta, "r")) + melt_shift)

    @staticmethod
    def _pole_flow(n: Array, wanted: Array, limit: Array) -> tuple[Array, Array]:
        """Log of the flow at which ``Q^n / (1 - Q/Qmax)`` has risen so much, and the slope.

        With ``Q/Qmax = 1/(1 + exp(-t))`` the log of the rise is ``n t + (1 - n) ln(1 + exp(t))``
        but for a constant. It bends one way only in ``t`` and is no less than its two asymptotes,
        so that Newton's method from the lesser of their roots (of the greater, where it bends the
        other way) never leaves its side of the root.
        """
        rise = wanted - n * limit
        ends = rise / n, rise + 0.0 * n
        t = np.where(n < 1.0, np.minimum(*ends), np.maximum(*ends))
        less = 1.0 - n
        for _ in range(_POLE_STEPS):
            grown = np.exp(np.minimum(t, 700.0))
            t = t - (n * t + less * np.log1p(grown) - rise) / (n + less * grown / (1.0 + grown))
        grown = np.exp(np.clip(t, -700.0, 700.0))
        return limit + t - np.log1p(grown), 1.0 / (n + grown)

    def log_flow(
        self, theta: Array, log_force: Array, temperature_c: Array | float | None = None
    ) -> tuple[Array, Array]:
        viscous_shift, melt_shift = self._shifts(theta, temperature_c)
        n = self._get(theta, "n")
        if self.with_yield:
            force = np.exp(log_force)
            above = force - self._get(theta, "y") * self.scale.least_force_n
            above = np.maximum(above, LEAST_FORCE * force)
            log_above, steep = np.log(above), force / above
        else:
            log_above, steep = log_force, np.asarray(1.0)
        wanted = log_above - self._get(theta, "a")
        if not self.with_cross:
            wanted = wanted - viscous_shift
        if self.with_pole:
            limit = self._log_limit(theta, melt_shift)
            flow, slope = self._pole_flow(n, wanted, limit - math.log(self.scale.flow_mm3_s))
            return flow + math.log(self.scale.flow_mm3_s), steep * slope
        if self.with_cross:
            above_reference, n = self._cross_flow(theta, wanted)
            above_reference = above_reference - viscous_shift
        else:
            above_reference = wanted / n
        die = math.log(self.scale.flow_mm3_s) + above_reference
        if not self.with_melt:
            return die, np.broadcast_to(steep / n, die.shape)
        p = np.exp(self._get(theta, "p"))
        limit = self._log_limit(theta, melt_shift)
        if self.with_saturation:
            far = np.maximum(p * (die - limit), -_NO_LIMIT)
            grown = np.minimum(np.exp(np.minimum(far, _NO_LIMIT)), _NO_LIMIT)
            flow = die + (np.log(-np.expm1(-grown)) - far) / p
            return flow, steep / n * grown / np.expm1(grown)
        grown = np.exp(np.clip(p * (die - limit), -700.0, 700.0))
        return die - np.log1p(grown) / p, steep / n / (1.0 + grown)

    def log_force_at(
        self, theta: Array, log_flow: Array, temperature_c: Array | float | None = None
    ) -> Array:
        viscous_shift, melt_shift = self._shifts(theta, temperature_c)
        die = np.broadcast_to(log_flow, (len(theta), np.shape(log_flow)[-1]))
        steepened: Array | float = 0.0
        if self.with_melt:
            p = np.exp(self._get(theta, "p")) if self.with_sharpness else 1.0
            limit = self._log_limit(theta, melt_shift)
            near = np.clip(p * (die - limit), -_NO_LIMIT, 0.0)
            share = np.exp(near)
            with np.errstate(divide="ignore"):
                if self.with_pole:
                    steepened = -np.log1p(-share)
                elif self.with_saturation:
                    die = die + (np.log(-np.log1p(-share)) - near) / p
                else:
                    die = die - np.log1p(-share) / p
        above_reference = die - math.log(self.scale.flow_mm3_s)
        if self.with_cross:
            thinner = 1.0 - self._get(theta, "n")
            onset = self._get(theta, "c")
            above_reference, viscous_shift = above_reference + viscous_shift, np.zeros(())
            rise = above_reference - np.logaddexp(0.0, thinner * (above_reference - onset))
            rise = rise + np.logaddexp(0.0, -thinner * onset)
        else:
            rise = self._get(theta, "n") * above_reference
        log_viscous = self._get(theta, "a") + viscous_shift + rise + steepened
        if not self.with_yield:
            return log_viscous
        with np.errstate(divide="ignore"):
            offset = np.log(self._get(theta, "y") * self.scale.least_force_n)
        return np.asarray(np.logaddexp(log_viscous, offset))

    def parameters(self, theta: Array, temperature_c: float | None = None) -> dict[str, Array]:
        """Parameters at one temperature of a joint law (by default its reference)."""
        celsius = self.scale.reference_c if temperature_c is None else temperature_c
        viscous_shift, melt_shift = (s[:, 0] for s in self._shifts(theta, np.array([celsius])))
        n = theta[:, self._at["n"]]
        log_k = theta[:, self._at["a"]] + viscous_shift - n * math.log(self.scale.flow_mm3_s)
        found: dict[str, Array] = {}
        if self.with_yield:
            found["yield_n"] = theta[:, self._at["y"]] * self.scale.least_force_n
        found["resistance"] = np.exp(log_k)
        found["exponent"] = n
        if self.with_cross:
            onset = theta[:, self._at["c"]]
            log_k = theta[:, self._at["a"]] + viscous_shift - math.log(self.scale.flow_mm3_s)
            found["resistance"] = np.exp(log_k + np.logaddexp(0.0, -(1.0 - n) * onset))
            found["plateau_flow_mm3_s"] = self.scale.flow_mm3_s * np.exp(onset - viscous_shift)
        if self.with_melt:
            ratio = theta[:, self._at["r"]]
            found["melt_limit_mm3_s"] = self.scale.top_flow_mm3_s / ratio * np.exp(melt_shift)
        if self.with_sharpness:
            name = "saturation" if self.with_saturation else "sharpness"
            found[name] = np.exp(theta[:, self._at["p"]])
        if self.joint:
            energy = 100.0 * theta[:, self._at["e"]]
            if self.with_cross:  # at the reference flow; its exponent changes along the curve
                thinned = 1.0 / (1.0 + np.exp((1.0 - n) * theta[:, self._at["c"]]))
                found["activation_kj_mol"] = energy * (1.0 - (1.0 - n) * thinned)
                found["activation_at_constant_stress_kj_mol"] = energy
            else:
                found["activation_kj_mol"] = energy
                found["activation_at_constant_stress_kj_mol"] = energy / n
            if self.with_melt:
                found["melt_limit_per_k"] = theta[:, self._at["m"]] / 100.0
        return found

    def scaled(self, theta: Array, log_factor: Array) -> Array:
        moved = theta.copy()
        moved[:, self._at["a"]] += log_factor
        if self.with_yield:
            moved[:, self._at["y"]] *= np.exp(log_factor)
        return moved

    def starts(self, rng: np.random.Generator, count: int) -> Array:
        low, high = self.bounds.T
        draws = rng.uniform(low, high, (count, len(low)))
        centre = math.log(self.scale.force_n)
        n = rng.uniform(0.15, 1.1, count)
        share = rng.beta(0.7, 1.5, count) if self.with_yield else np.zeros(count)
        viscous = np.maximum(self.scale.force_n - share * self.scale.least_force_n, 1e-3)
        draws[:, self._at["a"]] = np.log(viscous) + rng.normal(0.0, 0.15, count)
        draws[:, self._at["a"]] = np.clip(draws[:, self._at["a"]], centre - 3.9, centre + 2.9)
        draws[:, self._at["n"]] = np.minimum(n, 0.9) if self.with_cross else n
        if self.with_yield:
            draws[:, self._at["y"]] = share
        if self.with_melt:
            draws[:, self._at["r"]] = rng.uniform(0.05, 1.1, count)
        if self.with_sharpness:
            draws[:, self._at["p"]] = rng.normal(*_LIKELY_SHARPNESS, count)
        if self.joint:
            draws[:, self._at["e"]] = rng.normal(0.3, 0.25, count) * (
                2.0 if self.with_cross else 1.0
            )
            if self.with_melt:
                draws[:, self._at["m"]] = rng.normal(1.0, 1.0, count)
        return draws
