"""Going through a bench before a run: link, settings, temperatures, currents, sound, budget.

Each step yields a `Finding`; nothing heats unless asked to. What a step needs and did not get is
not guessed at: it is said.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from rig.errors import BenchFileError, StallcurveError

if TYPE_CHECKING:
    from rig.bench import Bench
    from rig.printer_types import PrinterSettings
    from rig.station import Station

#: How long the microphone is listened to, in s.
LISTEN_S = 2.0
#: A hot end colder than this has a broken sensor, or stands outdoors.
_COLDEST_C = -5.0
_WARMEST_ROOM_C = 60.0
#: Relative to full scale: below is a muted or dead input, above an overdriven one.
_SILENT = 1e-5
_CLIPPED = 0.98
#: The firmware's own speed limit is kept clear of by this.
BELOW_MAX_FEED = 0.995
#: Steps per mm of firmware and bench file may differ by this much without a word.
STEPS_APART = 0.01


class Grade(StrEnum):
    """How a finding is to be taken."""

    GOOD = "good"
    WARN = "warn"
    BAD = "bad"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at.

    Attributes:
        subject: Link, settings, temperature, current, sound, encoder, budget, motion.
        grade: Good, worth a look, or not fit to run.
        text: One sentence.
    """

    subject: str
    grade: Grade
    text: str


def good(subject: str, text: str) -> Finding:
    """Nothing to do."""
    return Finding(subject, Grade.GOOD, text)


def warn(subject: str, text: str) -> Finding:
    """Worth a look; a run is possible."""
    return Finding(subject, Grade.WARN, text)


def bad(subject: str, text: str) -> Finding:
    """Not fit to run."""
    return Finding(subject, Grade.BAD, text)


def check_plan(bench: Bench) -> Iterator[Finding]:
    """The bench file and what its plan costs; touches nothing."""
    from rig.budget import check_budget, plan_budget

    chain = bench.chain()
    forces = [chain.force_n(current_a) for current_a in bench.plan.currents_a]
    yield good(
        "plan",
        f"{len(bench.plan.temperatures_c)} temperatures, {len(forces)} currents: forces from "
        f"{forces[0]:.3g} to {forces[-1]:.3g} N on the filament",
    )
    for sentence in bench.warnings():
        yield warn("plan", sentence)
    budget = plan_budget(bench)
    for line in budget.lines():
        yield good("budget", line)
    try:
        check_budget(bench, budget)
    except BenchFileError as error:
        for line in str(error).splitlines():
            yield bad("budget", line)


def check_printer(station: Station) -> Iterator[Finding]:
    """Link, settings, temperature and currents; the printer is prepared, nothing heats or moves."""
    printer, bench = station.printer, station.bench
    identity = printer.connect()
    yield good("link", f"{bench.link.port}: {identity.text or 'answers, and says no name'}")
    settings = printer.read_settings()
    yield from check_settings(settings, bench)
    reading = printer.temperature()
    if reading.actual_c < _COLDEST_C:
        yield bad(
            "temperature",
            f"the hot end reports {reading.actual_c:.1f} C: its sensor is broken or not connected",
        )
    else:
        hot = reading.actual_c > _WARMEST_ROOM_C
        text = f"the hot end reports {reading.actual_c:.1f} C"
        yield (
            warn("temperature", text + ", it is hot already") if hot else good("temperature", text)
        )
    printer.prepare()
    yield from _check_currents(station)


def steps_per_mm(bench: Bench) -> float:
    """Microsteps to a millimetre of filament by the bench file."""
    geometry = bench.geometry()
    return geometry.steps_per_turn * bench.driver.microsteps / geometry.filament_per_motor_turn_mm


def check_settings(settings: PrinterSettings, bench: Bench) -> Iterator[Finding]:
    """What the firmware says of its extruder against what the bench file wants."""
    top = bench.limits.max_speed_mm_s
    limit = settings.max_feed_mm_s
    if limit is None:
        yield warn(
            "settings",
            "the firmware does not tell its speed limit of the extruder; a clamped speed would "
            "show in the move time and the step tone only",
        )
    elif limit < top:
        yield bad(
            "settings",
            f"the firmware limits the extruder to {limit:g} mm/s, and limits.max_speed_mm_s is "
            f"{top:g}: lower it in the bench file, or raise the firmware's",
        )
    else:
        yield good("settings", f"extruder speed limit {limit:g} mm/s, the plan needs {top:g}")
    if settings.steps_per_mm is not None:
        per_mm = steps_per_mm(bench)
        apart = settings.steps_per_mm / per_mm - 1.0
        text = (
            f"{settings.steps_per_mm:.6g} steps/mm in the firmware, {per_mm:.6g} by the bench file"
        )
        if abs(apart) > 0.10:
            yield bad(
                "settings",
                f"{text}: {100 * apart:+.1f} % apart; correct motor, microsteps, gear ratio or "
                "filament per turn, or calibrate the firmware",
            )
        elif abs(apart) > STEPS_APART:
            yield warn("settings", f"{text}: {100 * apart:+.1f} % apart")
        else:
            yield good("settings", text)
    else:
        yield warn("settings", "the firmware does not tell its steps per mm: check them by hand")
    for name, value in (("flow", settings.flow_percent), ("speed", settings.feed_percent)):
        if value is not None and abs(value - 100.0) > 0.01:
            yield warn(
                "settings", f"{name} multiplier {value:g} %: set to 100 % during a run, then back"
            )
    if settings.volumetric:
        yield warn("settings", "volumetric lengths are on: switched off during a run, then back")
    if settings.microsteps not in (None, bench.driver.microsteps):
        yield bad(
            "settings",
            f"the driver reports {settings.microsteps} microsteps, driver.microsteps is "
            f"{bench.driver.microsteps}",
        )
    for guess in settings.guesses:
        yield warn("settings", guess)


def _check_currents(station: Station) -> Iterator[Finding]:
    """Every current of the plan, set and read back at rest."""
    printer, bench = station.printer, station.bench
    chain = bench.chain()
    untold = False
    for current_a in bench.plan.currents_a:
        try:
            printer.set_current(current_a)
        except StallcurveError as error:
            yield bad("current", f"{current_a:g} A: {error}")
            return
        untold = untold or printer.read_current() is None
    currents = ", ".join(f"{current_a:g}" for current_a in bench.plan.currents_a)
    if untold:
        yield warn(
            "current",
            f"{currents} A were accepted; the firmware does not read them back, so a driver that "
            "ignored them would go unseen",
        )
    else:
        yield good("current", f"{currents} A were set and read back")
    report = printer.driver_report()
    if report is None:
        return
    for trouble in report.trouble:
        yield warn("current", f"the driver reports: {trouble}")
    wanted = chain.applied_rms_a(bench.plan.currents_a[-1])
    if report.applied_a is not None and abs(report.applied_a / wanted - 1.0) > 0.05:
        yield warn(
            "current",
            f"the driver says that it applies {report.applied_a:.3f} A RMS, the bench file makes "
            f"it {wanted:.3f}: correct driver.current_unit, full_scale_a and current_levels "
            "(a driver at rest may report its hold current)",
        )


def check_sound(station: Station) -> Iterator[Finding]:
    """The microphone: whether it delivers, and at which level."""
    import numpy as np

    if station.sound is None:
        yield warn("sound", "no microphone: skips are told by the encoder alone")
        return
    clock, sound = station.clock, station.sound
    station.start_sound()
    sound.discard()
    end_s = clock.now() + LISTEN_S
    blocks, lost = [], 0
    while clock.now() < end_s:
        block = sound.read(0.5)
        if block is None:
            continue
        blocks.append(block.samples)
        lost += block.lost
    heard = np.concatenate(blocks) if blocks else np.zeros(0, np.float32)
    seconds = len(heard) / sound.sample_rate_hz
    if seconds < 0.8 * LISTEN_S:
        yield bad("sound", f"{seconds:.1f} s of sound came in {LISTEN_S:g} s: the stream falters")
        return
    heard = heard - heard.mean()
    level = float(np.sqrt(np.mean(heard.astype(np.float64) ** 2)))
    peak = float(np.abs(heard).max())
    if level < _SILENT:
        yield bad(
            "sound",
            "the microphone is silent: muted, unplugged, or the wrong input "
            "(stallcurve check --list-microphones)",
        )
        return
    text = (
        f"{20 * math.log10(level):.0f} dB of full scale at rest, peak {20 * math.log10(peak):.0f}"
    )
    if peak > _CLIPPED:
        yield bad("sound", f"{text}: overdriven, lower the input gain")
    elif level > 0.05:
        yield warn(
            "sound", f"{text}: a loud room, or too much gain; the motor has to rise above it"
        )
    else:
        yield good("sound", text)
    if lost:
        yield warn("sound", f"{lost} gaps in {LISTEN_S:g} s: a busy machine loses trials")


def check_encoder(station: Station) -> Iterator[Finding]:
    """The counter board: whether it reports."""
    if station.counts is None:
        return
    station.counts.discard()
    station.clock.sleep(1.0)
    readings = station.counts.read()
    if not readings:
        yield bad(
            "encoder", "no reading in a second: check encoder.port and baud (docs/encoder.md)"
        )
        return
    yield good("encoder", f"{len(readings)} readings a second, count {readings[-1].count}")


def check_motion(station: Station) -> Iterator[Finding]:
    """Heat to the first temperature, and hear the motor push at the start speed.

    The one step that heats; the caller has shown the cautions and entered the guard.
    """
    from rig.trial import make_order, run_trial

    bench, printer = station.bench, station.printer
    temperature_c = bench.plan.temperatures_c[0]
    printer.set_target(temperature_c)
    begun_s = station.clock.now()
    printer.wait_until_steady(tick=lambda _: station.look())
    yield good(
        "temperature",
        f"{temperature_c:g} C reached and steady after {station.clock.now() - begun_s:.0f} s",
    )
    speed = bench.plan.start_speed_mm_s
    acceleration = printer.settings.acceleration_mm_s2 if printer.settings else None
    order = make_order(
        bench,
        temperature_c=temperature_c,
        current_a=bench.plan.currents_a[-1],
        speed_mm_s=speed,
        acceleration_mm_s2=acceleration,
        number=0,
    )
    record = run_trial(station, order)
    said = (
        f"{bench.plan.currents_a[-1]:g} A at {speed:g} mm/s: {record.verdict.value} "
        f"({record.explanation or record.reason.value})"
    )
    if record.verdict.value == "clean":
        yield good("motion", said)
    elif record.verdict.value == "void":
        yield bad("motion", f"{said}; a run could not judge its trials here")
    else:
        yield bad(
            "motion", f"{said}; the motor should push the slowest speed with the greatest current"
        )
