"""The equation of motion: where it skips, how it skips, and that nothing is drawn in."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from rig.simulation.drive import (
    conduction_flow_mm3_s,
    core_factor,
    melt_force_n,
    melt_temperature_c,
)
from rig.simulation.ear import Ear, motor_scale
from rig.simulation.extruder import Extruder, clicks_s, ramp_profile
from rig.simulation.model import BenchModel
from rig.simulation.scenarios_house import scenario_model
from rig.simulation.truth import available_force_n, pull_out_nm, required_force_n, threshold_mm_s

RATE_HZ = 48000


def extrude(
    model: BenchModel, *, speed: float, rms_a: float, block_c: float, seconds: float
) -> tuple[Extruder, np.ndarray]:
    """One move from rest; returns the extruder and the torques."""
    n = int(seconds * RATE_HZ)
    target, _ = ramp_profile(
        n=n, rate_hz=RATE_HZ, start_s=0.05, speed_mm_s=speed,
        length_mm=speed * seconds * 2, acceleration_mm_s2=60.0,
    )  # fmt: skip
    extruder = Extruder(model, RATE_HZ, melt_c=block_c)
    excitation = np.empty((2, n))
    extruder.run(target, start_s=0.0, rms_a=rms_a, block_c=block_c, excitation=excitation)
    return extruder, excitation


@pytest.mark.parametrize(
    ("name", "share", "temperature_c"),
    [("harbour", 0.3, 220.0), ("harbour", 0.7, 205.0), ("orchard", 0.5, 220.0)],
)
def test_the_skip_begins_where_the_truth_says(
    name: str, share: float, temperature_c: float
) -> None:
    """Speed creeps up by 0.3 % a second; the onset is the quasi-static threshold within 1.5 %."""
    model = scenario_model(name)
    rms_a = share * model.rated_current_a
    truth = threshold_mm_s(model, rms_a=rms_a, temperature_c=temperature_c)
    low = 0.96 * truth
    settle_s, creep = 9.0, 0.003 * truth
    n = int((settle_s + 0.07 * truth / creep) * RATE_HZ)
    t = np.arange(n) / RATE_HZ
    late = np.maximum(t - settle_s, 0.0)
    target = np.where(t < 0.5, low * t**2, low * (t - 0.25)) + 0.5 * creep * late**2
    extruder = Extruder(model, RATE_HZ, melt_c=temperature_c)
    extruder.run(
        target, start_s=0.0, rms_a=rms_a, block_c=temperature_c, excitation=np.empty((2, n))
    )
    assert extruder.falls_s, "it never skipped"
    onset = low + creep * max(0.0, extruder.falls_s[0] - settle_s)
    assert onset == pytest.approx(truth, rel=0.015)


def test_well_below_the_threshold_nothing_falls_and_the_force_is_the_curve() -> None:
    model = scenario_model("harbour")
    speed = 0.8 * threshold_mm_s(model, rms_a=0.5, temperature_c=220.0)
    extruder, _ = extrude(model, speed=speed, rms_a=0.5, block_c=220.0, seconds=8.0)
    assert extruder.falls_s == []
    need = required_force_n(model, flow_mm3_s=speed * model.area_mm2, temperature_c=220.0)
    film = model.hotend.film_n * speed**0.4
    assert extruder.force_n + film == pytest.approx(need, rel=0.02)


def test_clicks_are_several_cycles_and_1_to_20_a_second() -> None:
    model = scenario_model("harbour")
    threshold = threshold_mm_s(model, rms_a=0.5, temperature_c=220.0)
    extruder, _ = extrude(model, speed=1.3 * threshold, rms_a=0.5, block_c=220.0, seconds=6.0)
    clicks = clicks_s(extruder.falls_s)
    rate = (len(clicks) - 1) / (clicks[-1] - clicks[0])
    assert 1.0 < rate < 20.0
    assert 2.0 < len(extruder.falls_s) / len(clicks) < 25.0
    # Lost length is lost cycles times the filament of a cycle.
    commanded = 1.3 * threshold * (6.0 - 0.05 - 1.3 * threshold / 120.0)
    lost = commanded - extruder.fed_mm
    assert lost == pytest.approx(len(extruder.falls_s) * model.cycle_mm, abs=2 * model.cycle_mm)


def test_a_hopeless_overload_never_loses_more_than_the_electrical_rate() -> None:
    model = scenario_model("harbour")
    threshold = threshold_mm_s(model, rms_a=0.3, temperature_c=205.0)
    speed = 6.0 * threshold
    extruder, _ = extrude(model, speed=speed, rms_a=0.3, block_c=205.0, seconds=4.0)
    span = extruder.falls_s[-1] - extruder.falls_s[0]
    lost_hz = len(extruder.falls_s) / span
    assert 0.3 * speed / model.cycle_mm < lost_hz <= speed / model.cycle_mm


def test_a_weak_grip_slips_without_a_click() -> None:
    model = scenario_model("harbour")
    speed = 0.9 * threshold_mm_s(model, rms_a=0.6, temperature_c=220.0)
    n = 5 * RATE_HZ
    target, _ = ramp_profile(
        n=n, rate_hz=RATE_HZ, start_s=0.05, speed_mm_s=speed, length_mm=speed * 10,
        acceleration_mm_s2=60.0,
    )  # fmt: skip
    extruder = Extruder(model, RATE_HZ, melt_c=220.0, grip_n=25.0)
    extruder.run(target, start_s=0.0, rms_a=0.6, block_c=220.0, excitation=np.empty((2, n)))
    assert extruder.falls_s == []
    assert extruder.ground_mm > 0.1 * speed * 5
    assert extruder.fed_mm + extruder.ground_mm == pytest.approx(target[-1], abs=0.1)


def test_the_click_in_the_sound_is_at_the_fall_of_the_rotor() -> None:
    """High-passed sound has its peaks where the rotor fell, and none where it did not."""
    model = scenario_model("harbour")
    threshold = threshold_mm_s(model, rms_a=0.5, temperature_c=220.0)
    extruder, excitation = extrude(
        model, speed=1.15 * threshold, rms_a=0.5, block_c=220.0, seconds=6.0
    )
    sound = Ear(model, RATE_HZ, 1, motor_scale(model)).render(excitation).astype(float)
    bright = np.diff(sound, 2)
    envelope = np.sqrt(np.convolve(bright**2, np.ones(480) / 480, "same"))
    times = np.arange(envelope.size) / RATE_HZ
    near = np.zeros(envelope.size, bool)
    for fall in extruder.falls_s:
        near |= np.abs(times - fall) < 0.12
    for click in clicks_s(extruder.falls_s):
        inside = (times > click - 0.005) & (times < click + 0.05)
        assert envelope[inside].max() > 5.0 * np.median(envelope[~near])
    quiet = (times > 1.0) & (times < extruder.falls_s[0] - 0.05)
    assert envelope[quiet].max() < 3.0 * np.median(envelope[quiet])


@pytest.mark.parametrize("speed", [1.3, 2.5])
def test_the_loudest_lines_are_multiples_of_the_commanded_step_rate(speed: float) -> None:
    model = scenario_model("harbour")
    _, excitation = extrude(model, speed=speed, rms_a=0.6, block_c=220.0, seconds=5.0)
    sound = Ear(model, RATE_HZ, 1, motor_scale(model)).render(excitation)[2 * RATE_HZ :]
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(sound.size)))
    hz = np.fft.rfftfreq(sound.size, 1.0 / RATE_HZ)
    full_step = 4.0 * speed / model.cycle_mm
    for _ in range(5):
        line = int(spectrum.argmax())
        order = hz[line] / full_step
        assert abs(order - round(order)) < 0.7 / full_step
        spectrum[max(0, line - 12) : line + 13] = 0.0


def test_force_is_monotonic_and_hotter_is_easier() -> None:
    model = scenario_model("orchard")
    flows = np.linspace(0.5, 20.0, 40)
    cold = [required_force_n(model, flow_mm3_s=q, temperature_c=205.0) for q in flows]
    hot = [required_force_n(model, flow_mm3_s=q, temperature_c=230.0) for q in flows]
    assert all(b > a for a, b in itertools.pairwise(cold))
    assert all(h < c for h, c in zip(hot, cold, strict=True))


def test_power_law_at_a_fixed_melt_temperature() -> None:
    hotend = scenario_model("harbour").hotend
    force = [
        melt_force_n(hotend, flow_mm3_s=q, melt_c=220.0, block_c=220.0) - hotend.offset_n
        for q in (1.0, 2.0)
    ]
    assert force[0] == pytest.approx(hotend.consistency_n)
    assert force[1] / force[0] == pytest.approx(2.0**hotend.exponent)


def test_conduction_sets_the_melt_limit() -> None:
    # Classical conduction series, 12 mm and 5.778e-8 m2/s: 4.5412 mm3/s at a tenth on the axis.
    flow = conduction_flow_mm3_s(diffusivity_mm2_s=0.05778, length_mm=12.0)
    assert flow / math.log(1.6021 / 0.1) == pytest.approx(4.5412, rel=2e-4)
    hotend = scenario_model("harbour").hotend
    assert melt_temperature_c(hotend, flow_mm3_s=0.1, block_c=220.0) == pytest.approx(220.0)
    sagging = melt_temperature_c(hotend, flow_mm3_s=10.0, block_c=220.0)
    assert sagging < 200.0
    assert core_factor(hotend, melt_c=sagging, block_c=220.0) > 1.4


def test_pull_out_falls_with_speed_only_beyond_the_corner() -> None:
    model = scenario_model("harbour")
    slow = pull_out_nm(model, rms_a=1.0, speed_mm_s=5.0)
    fast = pull_out_nm(model, rms_a=1.0, speed_mm_s=250.0)
    assert slow == model.torque_nm(1.0)
    assert fast < 0.8 * slow


def test_drag_leaves_less_than_one_per_cent_of_bias() -> None:
    """A rig that takes torque as proportional to current is right within 1 % on these benches."""
    for name in ("harbour", "orchard"):
        model = scenario_model(name)
        for share in (0.3, 0.6, 0.9):
            rms_a = share * model.rated_current_a
            ideal = model.torque_nm(rms_a) / (
                model.motor.feed_mm_rad * 1e-3 * (1.0 + model.motor.friction)
            )
            real = available_force_n(model, rms_a=rms_a, speed_mm_s=5.0)
            assert 0.99 < real / ideal < 1.0


def test_current_steps_round_down() -> None:
    from dataclasses import replace

    model = replace(scenario_model("harbour"), full_scale_a=1.76, current_levels=32)
    assert model.applied_rms_a(0.5) == pytest.approx(0.495)
    assert model.applied_rms_a(0.55) == pytest.approx(0.55)
    assert model.applied_rms_a(0.01) == pytest.approx(0.055)
    peak = replace(model, peak_unit=True)
    assert peak.applied_rms_a(0.55) == pytest.approx(0.55 / math.sqrt(2.0))
