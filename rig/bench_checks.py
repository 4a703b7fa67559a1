"""Rules between the tables of a bench file: what is refused, and what is warned of."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rig.bench import Bench

#: Above this multiple of the rated current a run is refused; above 1 it is warned of.
GREATEST_OVERCURRENT = 1.2


def warnings(bench: Bench) -> list[str]:
    """What is allowed but worth a second look, one sentence each."""
    found: list[str] = []
    chain = bench.chain()
    motor, limits = bench.motor, bench.limits
    top_rms = chain.scale.rms_a(limits.max_current_a)
    if top_rms > motor.rated_current_a * (1 + 1e-9):
        found.append(
            f"limits.max_current_a is {top_rms:.2f} A RMS, above the motor's rated "
            f"{motor.rated_current_a:.2f} A: the motor may overheat in a long run"
        )
    for current_a in bench.plan.currents_a:
        left = chain.derating(chain.applied_rms_a(current_a), limits.max_speed_mm_s)
        if left < 0.97:
            found.append(
                f"at {current_a:g} A and {limits.max_speed_mm_s:g} mm/s the supply leaves "
                f"{100 * left:.0f} % of the torque; forces are corrected for it"
            )
            break
    if limits.max_filament_m > bench.filament.available_m:
        found.append(
            f"limits.max_filament_m {limits.max_filament_m:g} m is more than the "
            f"{bench.filament.available_m:g} m left on the spool; the spool decides"
        )
    return found


def faults(bench: Bench) -> list[tuple[str, str, str]]:
    """What is impossible or dangerous: (table, key, message) each, in the order found."""
    return [*_current_faults(bench), *_plan_faults(bench)]


def _current_faults(bench: Bench) -> list[tuple[str, str, str]]:
    found: list[tuple[str, str, str]] = []
    chain, limits = bench.chain(), bench.limits
    top = chain.scale.own_unit_a(bench.motor.rated_current_a * GREATEST_OVERCURRENT)
    if limits.max_current_a > top * (1 + 1e-9):
        message = (
            f"= {limits.max_current_a:g} would overheat the motor; allowed: up to {top:.3g} A "
            f"{bench.driver.current_unit} ({GREATEST_OVERCURRENT:g} times motor.rated_current_a)"
        )
        found.append(("limits", "max_current_a", message))
    scale = bench.driver.full_scale_a
    if scale is not None and limits.max_current_a > scale * (1 + 1e-9):
        message = (
            f"= {limits.max_current_a:g} is beyond the driver; "
            f"allowed: up to {scale:g} A (driver.full_scale_a)"
        )
        found.append(("limits", "max_current_a", message))
    applied: dict[float, float] = {}
    for current_a in bench.plan.currents_a:
        if current_a > limits.max_current_a * (1 + 1e-9):
            message = (
                f"holds {current_a:g} A; allowed: up to {limits.max_current_a:g} A "
                "(limits.max_current_a)"
            )
            found.append(("plan", "currents_a", message))
            continue
        try:
            rms_a = chain.applied_rms_a(current_a)
            chain.torque.torque_nm(rms_a)
        except ValueError as error:
            found.append(("plan", "currents_a", f"holds {current_a:g} A: {error}"))
            continue
        twin = applied.setdefault(round(rms_a, 9), current_a)
        if twin != current_a:
            message = (
                f"holds {twin:g} and {current_a:g} A, which the driver's steps both make "
                f"{rms_a:.3f} A RMS; keep one of them"
            )
            found.append(("plan", "currents_a", message))
    return found


def _plan_faults(bench: Bench) -> list[tuple[str, str, str]]:
    found: list[tuple[str, str, str]] = []
    plan, limits = bench.plan, bench.limits
    for temperature_c in plan.temperatures_c:
        if temperature_c > bench.hot_end.max_temperature_c:
            message = (
                f"holds {temperature_c:g} C; allowed: up to "
                f"{bench.hot_end.max_temperature_c:g} C (hot_end.max_temperature_c)"
            )
            found.append(("plan", "temperatures_c", message))
    if plan.start_speed_mm_s >= limits.max_speed_mm_s:
        message = (
            f"= {plan.start_speed_mm_s:g}; allowed: below {limits.max_speed_mm_s:g} mm/s "
            "(limits.max_speed_mm_s)"
        )
        found.append(("plan", "start_speed_mm_s", message))
    if bench.microphone.device == "none" and bench.encoder is None:
        message = (
            '= "none", and there is no [encoder]: nothing could tell a skip; '
            "allowed: none only with an encoder"
        )
        found.append(("microphone", "device", message))
    return found
