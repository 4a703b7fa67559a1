"""The curves themselves: force against flow, as plain functions of arrays. No fitting here.

Flow is in mm3/s, force in N, temperature in C. Arrays broadcast.

Sources:

* power law of shear-thinning melts through a die: pressure goes with flow to the power ``n``
  (Ostwald and de Waele; Osswald & Hernandez-Ortiz, Polymer Processing, 2006). The prefactor ``K``
  is left free, since the nozzle alone explains a small part of the force that is measured, and so
  is the offset ``F0`` (friction, and a yield force);
* melt limit: a liquefier passes no more than its heat transfer can melt, whatever the force
  (conduction series of Bellini 2004 and others; Serdeczny et al. 2020, Additive Manufacturing 32,
  100997: linear, then steep, with a greatest feed set by heat transfer alone). The flow that the
  die would pass and the flow that the liquefier can melt are two limits in series; they are joined
  by the blending rule of Churchill & Usagi 1972 (AIChE J. 18, 1121), with the sharpness ``p`` of
  the knee;
* pole: the plainest law that ends at a flow, ``1/(1 - Q/Qmax)``; no physics is claimed for it. Told
  apart from the knee only close to the limit, it says how far a melt limit depends on the law;
* saturating: a flow that comes near the limit exponentially, as the effectiveness of a heat
  exchanger with one stream at constant temperature comes near 1 (``1 - exp(-NTU)``; Kays & London,
  Compact Heat Exchangers, 1984), sooner than by the knee's power of the force. Like the pole it is
  there to say how far a melt limit depends on the law;
* Newtonian plateau: at low rates a melt is Newtonian, at high ones it thins (Cross 1965, J. Colloid
  Sci. 20, 417);
* temperature: Arrhenius shift of the resistance at constant rate; of a law with a plateau, of the
  rate at constant stress (time-temperature superposition; Ferry, Viscoelastic Properties of
  Polymers, 1980).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

GAS_CONSTANT_KJ = 8.314462618e-3
"""Molar gas constant, kJ/(mol K) (CODATA 2018, exact)."""
ZERO_CELSIUS_K = 273.15
POLE_PARAMETERS = ("yield_n", "resistance", "exponent", "melt_limit_mm3_s")
"""Of a law with a pole; a melt limit with neither sharpness nor saturation says that it is one."""


def power_law(flow_mm3_s: Any, *, yield_n: Any = 0.0, resistance: Any, exponent: Any) -> Array:
    """Force of a power law with an offset: ``F = F0 + K Q^n``.

    Args:
        flow_mm3_s: Flow ``Q``.
        yield_n: Offset ``F0``, in N.
        resistance: ``K``, in N/(mm3/s)^n.
        exponent: ``n``; 1 is Newtonian, below 1 shear-thinning.
    """
    return np.asarray(yield_n + resistance * np.asarray(flow_mm3_s, float) ** exponent)


def power_law_flow(force_n: Any, *, yield_n: Any = 0.0, resistance: Any, exponent: Any) -> Array:
    """Flow of a power law at a force: ``Q = ((F - F0) / K)^(1/n)``; 0 up to the offset."""
    above = np.maximum(np.asarray(force_n, float) - yield_n, 0.0)
    return np.asarray((above / resistance) ** (1.0 / np.asarray(exponent, float)))


def melted_flow(die_flow_mm3_s: Any, *, melt_limit_mm3_s: Any, sharpness: Any) -> Array:
    """Flow where die and melting act in series: ``Q = Qd / (1 + (Qd/Qmax)^p)^(1/p)``.

    Churchill & Usagi 1972; ``Qd`` is the flow that the die would pass at the same force.
    """
    die = np.asarray(die_flow_mm3_s, float)
    return np.asarray(die / (1.0 + (die / melt_limit_mm3_s) ** sharpness) ** (1.0 / sharpness))


def die_flow(flow_mm3_s: Any, *, melt_limit_mm3_s: Any, sharpness: Any) -> Array:
    """Inverse of `melted_flow`: ``Qd = Q / (1 - (Q/Qmax)^p)^(1/p)``; infinite from ``Qmax`` on."""
    flow = np.asarray(flow_mm3_s, float)
    with np.errstate(divide="ignore", over="ignore"):
        left = np.maximum(1.0 - (flow / melt_limit_mm3_s) ** sharpness, 0.0)
        return np.asarray(flow * left ** (-1.0 / np.asarray(sharpness, float)))


def saturated_flow(die_flow_mm3_s: Any, *, melt_limit_mm3_s: Any, saturation: Any) -> Array:
    """Flow that comes near a limit exponentially: ``Q = Qmax (1 - exp(-(Qd/Qmax)^p))^(1/p)``."""
    die = np.asarray(die_flow_mm3_s, float)
    share = -np.expm1(-((die / melt_limit_mm3_s) ** saturation))
    return np.asarray(melt_limit_mm3_s * share ** (1.0 / np.asarray(saturation, float)))


def saturated_die_flow(flow_mm3_s: Any, *, melt_limit_mm3_s: Any, saturation: Any) -> Array:
    """Inverse of `saturated_flow`: ``Qd = Qmax (-ln(1 - (Q/Qmax)^p))^(1/p)``."""
    flow = np.asarray(flow_mm3_s, float)
    with np.errstate(divide="ignore"):
        share = np.minimum((flow / melt_limit_mm3_s) ** saturation, 1.0)
        needed = -np.log1p(-share)
        return np.asarray(melt_limit_mm3_s * needed ** (1.0 / np.asarray(saturation, float)))


def melt_limited(
    flow_mm3_s: Any,
    *,
    yield_n: Any = 0.0,
    resistance: Any,
    exponent: Any,
    melt_limit_mm3_s: Any,
    sharpness: Any,
) -> Array:
    """Force of the power law up to a melt limit: ``F = F0 + K [Q / (1 - (Q/Qmax)^p)^(1/p)]^n``.

    Infinite from ``Qmax`` on.
    """
    die = die_flow(flow_mm3_s, melt_limit_mm3_s=melt_limit_mm3_s, sharpness=sharpness)
    return power_law(die, yield_n=yield_n, resistance=resistance, exponent=exponent)


def melt_limited_flow(
    force_n: Any,
    *,
    yield_n: Any = 0.0,
    resistance: Any,
    exponent: Any,
    melt_limit_mm3_s: Any,
    sharpness: Any,
) -> Array:
    """Flow at a force with a melt limit; inverse of `melt_limited`."""
    die = power_law_flow(force_n, yield_n=yield_n, resistance=resistance, exponent=exponent)
    return melted_flow(die, melt_limit_mm3_s=melt_limit_mm3_s, sharpness=sharpness)


def pole_limited(
    flow_mm3_s: Any,
    *,
    yield_n: Any = 0.0,
    resistance: Any,
    exponent: Any,
    melt_limit_mm3_s: Any,
) -> Array:
    """Force of a power law with a pole at the melt limit: ``F = F0 + K Q^n / (1 - Q/Qmax)``.

    Infinite from ``Qmax`` on.
    """
    flow = np.asarray(flow_mm3_s, float)
    left = np.maximum(1.0 - flow / melt_limit_mm3_s, 0.0)
    with np.errstate(divide="ignore"):
        return np.asarray(yield_n + resistance * flow**exponent / left)


def power_law_slope(flow_mm3_s: Any, *, resistance: Any, exponent: Any) -> Array:
    """Local slope ``dF/dQ = K n Q^(n-1)``, in N s/mm3."""
    flow = np.asarray(flow_mm3_s, float)
    return np.asarray(resistance * exponent * flow ** (np.asarray(exponent) - 1.0))


def melt_limited_slope(
    flow_mm3_s: Any,
    *,
    resistance: Any,
    exponent: Any,
    melt_limit_mm3_s: Any,
    sharpness: Any,
) -> Array:
    """Local slope with a melt limit: ``dF/dQ = n K Qd^n / (Q (1 - (Q/Qmax)^p))``, in N s/mm3."""
    flow = np.asarray(flow_mm3_s, float)
    die = die_flow(flow, melt_limit_mm3_s=melt_limit_mm3_s, sharpness=sharpness)
    left = 1.0 - (flow / melt_limit_mm3_s) ** sharpness
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(
            np.where(left > 0, exponent * resistance * die**exponent / (flow * left), np.inf)
        )


def cross(flow_mm3_s: Any, *, resistance: Any, exponent: Any, plateau_flow_mm3_s: Any) -> Array:
    """Force of a melt that is Newtonian at low flow: ``F = K Q / (1 + (Q/Qc)^(1-n))`` (Cross 1965).

    Args:
        flow_mm3_s: Flow ``Q``.
        resistance: ``K`` of the Newtonian plateau, in N s/mm3.
        exponent: ``n`` that the force goes with far above ``Qc``.
        plateau_flow_mm3_s: ``Qc``, where thinning sets in.
    """
    flow = np.asarray(flow_mm3_s, float)
    thinned = 1.0 + (flow / plateau_flow_mm3_s) ** (1.0 - np.asarray(exponent, float))
    return np.asarray(resistance * flow / thinned)


def cross_exponent(flow_mm3_s: Any, *, exponent: Any, plateau_flow_mm3_s: Any) -> Array:
    """Local exponent ``dlnF/dlnQ`` of `cross`, from 1 at low flow to ``n`` at high flow."""
    grown = (np.asarray(flow_mm3_s, float) / plateau_flow_mm3_s) ** (1.0 - np.asarray(exponent))
    return np.asarray(1.0 - (1.0 - np.asarray(exponent)) * grown / (1.0 + grown))


def _has_pole(law: Mapping[str, float]) -> bool:
    return "melt_limit_mm3_s" in law and not {"sharpness", "saturation"} & law.keys()


def _behind_limit(flow: Array, law: Mapping[str, float]) -> tuple[Array, Array]:
    """The die's flow at a flow, and ``dlnQ/dlnQd`` there, of a law without a pole."""
    if "melt_limit_mm3_s" not in law:
        return flow, np.ones_like(flow)
    top = law["melt_limit_mm3_s"]
    if "saturation" in law:
        power = law["saturation"]
        share = np.minimum((flow / top) ** power, 1.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            left = np.where(share > 0.0, -np.log1p(-share) * (1.0 - share) / share, 1.0)
        die = saturated_die_flow(flow, melt_limit_mm3_s=top, saturation=power)
        return die, np.where(share < 1.0, left, 0.0)
    die = die_flow(flow, melt_limit_mm3_s=top, sharpness=law["sharpness"])
    return die, np.asarray(1.0 - (flow / top) ** law["sharpness"])


def force_of(flow_mm3_s: Any, law: Mapping[str, float]) -> Array:
    """Force of whichever law has these parameters; infinite from a melt limit on."""
    flow = np.asarray(flow_mm3_s, float)
    if _has_pole(law):
        return pole_limited(flow, **{name: law[name] for name in POLE_PARAMETERS})
    die, _ = _behind_limit(flow, law)
    own = {name: law[name] for name in ("resistance", "exponent")}
    if "plateau_flow_mm3_s" in law:
        return cross(die, plateau_flow_mm3_s=law["plateau_flow_mm3_s"], **own)
    return power_law(die, yield_n=law.get("yield_n", 0.0), **own)


def slope_of(flow_mm3_s: Any, law: Mapping[str, float]) -> Array:
    """Local slope ``dF/dQ`` of whichever law has these parameters, in N s/mm3.

    By the chain rule over the die's flow: ``dF/dQ = F' m / (Q dlnQ/dlnQd)`` with ``F'`` the force
    without offset and ``m`` its local exponent at the die's flow; ``dlnQ/dlnQd`` is
    ``1 - (Q/Qmax)^p`` at a knee. With a pole the local exponent is ``n + Q / (Qmax - Q)``.
    """
    flow = np.asarray(flow_mm3_s, float)
    viscous = force_of(flow, {**law, "yield_n": 0.0})
    exponent: Any = law["exponent"]
    left: Any
    if _has_pole(law):
        left = 1.0 - flow / law["melt_limit_mm3_s"]
        exponent = exponent * left + flow / law["melt_limit_mm3_s"]
    else:
        die, left = _behind_limit(flow, law)
        if "plateau_flow_mm3_s" in law:
            exponent = cross_exponent(
                die, exponent=exponent, plateau_flow_mm3_s=law["plateau_flow_mm3_s"]
            )
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(left > 0, viscous * exponent / (flow * left), np.inf))


def arrhenius_factor(temperature_c: Any, *, reference_c: float, activation_kj_mol: Any) -> Array:
    """Shift of the resistance: ``exp(E/R (1/T - 1/Tref))``, with T in K; 1 at the reference.

    With ``E`` at constant rate this multiplies the force at one flow. The activation energy at
    constant stress, which rheometers quote, is ``E / n``: a force that falls by the factor ``a`` at
    constant flow lets the flow rise by ``a^(-1/n)`` at constant force.
    """
    kelvin = np.asarray(temperature_c, float) + ZERO_CELSIUS_K
    reciprocal = 1.0 / kelvin - 1.0 / (reference_c + ZERO_CELSIUS_K)
    return np.asarray(np.exp(activation_kj_mol / GAS_CONSTANT_KJ * reciprocal))
