"""Numbers and findings in words, for a reader with one minute."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

from rig.report.look import picture_words

if TYPE_CHECKING:
    from rig.bench import Bench
    from rig.curves.curveset import Curve, CurveSet, Parameter
    from rig.report.data import ReportData

MODEL_WORDS = {
    "power": "power law",
    "power-yield": "power law with a yield force",
    "power-melt": "power law with a melt limit",
    "power-yield-melt": "power law with a yield force and a melt limit",
    "power-yield-melt-pole": "power law with a yield force and a pole at the melt limit",
    "power-yield-melt-saturating": "power law with a yield force, saturating at the melt limit",
    "cross": "melt that is Newtonian at low flow (Cross)",
    "cross-melt": "melt that is Newtonian at low flow (Cross), with a melt limit",
    "smooth": "smooth rising curve without a law",
}
REASON_WORDS = {
    "slip": "the filament slipped: grip, not torque",
    "melt-limit": "more force bought no more flow",
    "start-speed": "skipped at the slowest speed tried",
}

NEAR_LIMIT = 1.25
"""A melt limit further than this from the greatest flow that was measured is left to the table."""


def sig(value: float | None, digits: int = 3) -> str:
    """A number to so many significant digits, without an exponent; a dash for nothing."""
    if value is None or not math.isfinite(value):
        return "–"
    if value == 0:
        return "0"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    rounded = round(value, places)
    return f"{rounded:.{max(0, places)}f}"


def percent(ratio: float) -> str:
    """A ratio in per cent, to two digits."""
    return f"{sig(100 * ratio, 2)} %"


def model_words(name: str) -> str:
    """A model's name for a reader."""
    return MODEL_WORDS.get(name, name)


def round_flows(curves: Sequence[Curve], *, wanted: int = 4) -> list[float]:
    """Round flows inside what was measured, at most ``wanted`` of them, in mm3/s."""
    low = min(curve.flow_range_mm3_s[0] for curve in curves)
    high = max(curve.flow_range_mm3_s[1] for curve in curves)
    for step in (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0):
        first = math.ceil(low / step - 1e-9)
        last = math.floor(high / step + 1e-9)
        if last - first + 1 <= wanted:
            flows = [k * step for k in range(first, last + 1) if k > 0]
            return flows or [0.5 * (low + high)]
    return [0.5 * (low + high)]


def melt_words(curve: Curve) -> str:
    """The melt limit with what is known of it, or that none was seen."""
    limit = curve.melt_limit
    if limit is None:
        return "none seen"
    if limit.upper is None:
        if limit.lower is None:
            return "not bounded"
        return f"above {sig(limit.lower, 2)} mm³/s"
    return f"{sig(limit.value)} ({sig(limit.lower)} to {sig(limit.upper)}) mm³/s"


def half_band(curve: Curve, *, total: bool) -> float:
    """Half the relative width of the band in the middle of the measured flows."""
    low, high = curve.flow_range_mm3_s
    middle = math.sqrt(low * high) if low > 0 else 0.5 * high
    lower, upper = curve.band_n(middle, total=total)
    return 0.5 * (upper - lower) / curve.force_n(middle)


def answer(curve: Curve, flow_mm3_s: float) -> str:
    """One sentence: what the filament needs at this temperature, at a flow or near it."""
    low, high = curve.flow_range_mm3_s
    if not curve.holds(flow_mm3_s):
        flow_mm3_s = 0.5 * (low + high)
    lower, upper = curve.band_n(flow_mm3_s, total=True)
    text = (
        f"At {curve.temperature_c:g} °C, pushing {sig(flow_mm3_s, 2)} mm³/s takes "
        f"{sig(curve.force_n(flow_mm3_s), 2)} N ({sig(lower, 2)} to {sig(upper, 2)} N); measured "
        f"from {sig(low, 2)} to {sig(high, 2)} mm³/s, up to {sig(curve.force_range_n[1], 2)} N"
    )
    limit = curve.melt_limit
    # A limit far beyond what was measured is a guess of the law: it stays in the table.
    if limit is not None and limit.upper is not None and limit.value < NEAR_LIMIT * high:
        text += f". Past about {sig(limit.value, 2)} mm³/s more force buys no more flow"
    return text + "."


def sentence(text: str) -> str:
    """A note as a sentence: a capital first, a full stop last."""
    text = text.strip()
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else text + "."


def sureness(curves: CurveSet) -> list[str]:
    """How sure: shape against scale, choice of law, scatter; one sentence each."""
    said = []
    for curve in curves.curves:
        shape, total = half_band(curve, total=False), half_band(curve, total=True)
        text = f"{curve.temperature_c:g} °C: shape of the curve ±{percent(shape)}"
        if curve.scale_uncertainty > 0:
            text += f", with the common error of the force scale ±{percent(total)}"
        text += f". Law: {model_words(curve.model)}"
        best = next((c for c in curve.candidates if c.model == curve.model), None)
        if best is not None and len(curve.candidates) > 1:
            text += f", weight {percent(best.weight)} of {len(curve.candidates)} laws tried"
        if curve.scatter.value > 0:
            text += f"; single thresholds scatter by {percent(curve.scatter.value)}"
        said.append(text + ".")
    if curves.curves and curves.curves[0].scale_uncertainty > 0:
        said.append(
            "Two curves of the same motor share the error of the force scale: it cancels when they "
            "are compared, and stays when a force is compared with a load cell or another motor."
        )
    elif curves.curves:
        said.append(
            "The forces are taken as given: the error of the force scale is not in these bands."
        )
    joint = curves.joint
    energy = joint.parameters.get("activation_kj_mol") if joint is not None else None
    if joint is not None and energy is not None:
        said.append(
            f"All temperatures together: activation energy {interval(energy)} kJ/mol at constant "
            "rate. One law for all temperatures "
            + ("describes them as well as" if joint.agrees else "does not describe them as well as")
            + " a law for each."
        )
    return said


def interval(parameter: Parameter) -> str:
    """A value with its interval."""
    upper = "no bound" if parameter.upper is None else sig(parameter.upper)
    return f"{sig(parameter.value)} ({sig(parameter.lower)} to {upper})"


def cautions(data: ReportData) -> list[str]:
    """What to beware of: what the run, the fit and the points say, without repetition."""
    said = list(data.warnings)
    if not data.finished:
        said.append("The run has not reached the end of its plan; what is shown may still change.")
    void = data.count("void")
    if void:
        reasons = Counter(t.reason or "no reason given" for t in data.trials if t.verdict == "void")
        why = ", ".join(f"{count} {reason}" for reason, count in reasons.most_common(4))
        said.append(f"{void} of {len(data.trials)} trials were void and count for nothing: {why}")
    doubtful = [t.number for t in data.trials if t.verdict == "clean" and (t.p_skip or 0.0) > 0.2]
    if doubtful:
        shown = ", ".join(map(str, doubtful[:6])) + (", ..." if len(doubtful) > 6 else "")
        said.append(
            f"{len(doubtful)} of {data.count('clean')} clean trials had a probability of skipping "
            f"above 0.2 ({shown}): listen to them before you trust their thresholds"
        )
    slips = data.count("slip")
    if slips:
        said.append(
            f"In {slips} trial{'s' if slips > 1 else ''} the filament slipped in the drive gear: "
            "beyond that force the grip is the limit."
        )
    if data.curves is not None:
        for curve in data.curves.curves:
            if not curve.converged:
                said.append(f"{curve.temperature_c:g} °C: the fit did not settle.")
            said += [f"{curve.temperature_c:g} °C: {note}" for note in curve.notes]
        said += list(data.curves.notes)
        if data.curves.joint is not None:
            said += list(data.curves.joint.notes)
    return list(dict.fromkeys(picture_words(sentence(text)) for text in said))


def span(started: str, ended: str) -> str:
    """Two times as one text; the day stands there once where both are of one day."""
    day, comma, _ = started.partition(", ")
    if comma and ended.startswith(day + comma):
        ended = ended[len(day + comma) :]
        started = started.removesuffix(" UTC")
    return " to ".join(part for part in (started, ended) if part)


def bench_facts(bench: Bench) -> list[tuple[str, str]]:
    """The bench as label and text."""
    motor = bench.motor
    torque = (
        "measured torque table"
        if motor.torque_table
        else f"{motor.holding_torque_nm:g} N m at {motor.rated_current_a:g} A RMS"
    )
    driver = (
        f"{'RMS' if bench.driver.current_unit == 'rms' else 'peak'} amperes, "
        f"{bench.driver.supply_v:g} V"
    )
    if bench.driver.current_levels:
        driver += f", {bench.driver.current_levels} current steps"
    listening = "no microphone" if bench.microphone.device == "none" else "microphone"
    if bench.encoder is not None:
        listening += " and filament encoder"
    filament = f"{bench.filament.name}, {bench.filament.diameter_mm:g} mm"
    if bench.filament.material and bench.filament.material not in bench.filament.name:
        filament += f" ({bench.filament.material})"
    return [
        ("Hot end", f"{bench.hot_end.name}, nozzle {bench.hot_end.nozzle_mm:g} mm"),
        ("Filament", filament),
        ("Motor", f"{torque}, ±{100 * motor.torque_tolerance:g} %"),
        ("Driver", driver),
        (
            "Drive",
            f"ratio {bench.drive.ratio:.4g}, {bench.drive.feed_mm:g} mm of filament a turn, "
            f"efficiency {100 * bench.drive.efficiency:g} %",
        ),
        ("Listening", listening),
        (
            "Plan",
            f"{', '.join(f'{t:g}' for t in bench.plan.temperatures_c)} °C; "
            f"{', '.join(f'{c:g}' for c in bench.plan.currents_a)} A; "
            f"brackets to {percent(bench.plan.resolution)}",
        ),
    ]
