"""The chain from current to force against handbook formulas and data-sheet arithmetic."""

from __future__ import annotations

import math

import pytest
from scipy.optimize import minimize

from rig.mechanics import (
    CurrentScale,
    ForceChain,
    TorqueCurve,
    Winding,
    feed_mm_min,
    filament_area_mm2,
    flow_mm3_s,
    parse_gear_ratio,
)


def chain(
    *,
    torque_nm: float,
    ratio: float,
    efficiency: float,
    radius_mm: float | None = None,
    lead_mm: float | None = None,
) -> ForceChain:
    per_turn = lead_mm if lead_mm is not None else 2.0 * math.pi * float(radius_mm or 0.0)
    return ForceChain(
        torque=TorqueCurve.rated(rated_current_a=1.0, holding_torque_nm=torque_nm),
        scale=CurrentScale(),
        gear_ratio=ratio,
        filament_per_turn_mm=per_turn,
        efficiency=efficiency,
    )


@pytest.mark.parametrize(
    ("torque_nm", "ratio", "efficiency", "radius_mm", "force_n"),
    [
        # F = T i eta / r; lever arm of machine-design handbooks, arithmetic by hand:
        # 0.45 * 3 * 0.85 / 0.0055 and 0.40 * 1 * 0.95 / 0.0055
        (0.45, 3.0, 0.85, 5.5, 208.6364),
        (0.40, 1.0, 0.95, 5.5, 69.0909),
    ],
)
def test_lever_form(torque_nm, ratio, efficiency, radius_mm, force_n) -> None:
    made = chain(torque_nm=torque_nm, ratio=ratio, efficiency=efficiency, radius_mm=radius_mm)
    assert made.force_n(1.0) == pytest.approx(force_n, abs=5e-5)


def test_screw_form_of_handbooks() -> None:
    # Power screw F = 2 pi T eta / lead (machine-design handbooks, from memory): 1 N m, 5 mm, 0.9.
    assert chain(torque_nm=1.0, ratio=1.0, efficiency=0.9, lead_mm=5.0).force_n(
        1.0
    ) == pytest.approx(1130.973, abs=5e-4)


def test_gear_pair() -> None:
    # Common practice: driven over driving teeth.
    assert parse_gear_ratio("50:17") == pytest.approx(2.941, abs=5e-4)
    assert parse_gear_ratio("50:17 40:20") == pytest.approx(2 * 50 / 17)


def test_feed_word_is_mm_per_minute() -> None:
    # RS-274 (from memory): the feed word is a distance a minute, F300 is 5 mm/s.
    assert feed_mm_min(5.0) == 300.0


def test_flow_of_filament() -> None:
    # Area of a circle; 1.75 mm gives 2.405282 mm2, 10 mm3/s are 4.15752 mm/s.
    assert filament_area_mm2(1.75) == pytest.approx(2.405282, abs=5e-7)
    assert flow_mm3_s(4.15752, 1.75) == pytest.approx(10.0, abs=1e-4)


def test_thirty_megapascal_on_filament() -> None:
    # Mackay 2018 (review): pressures of order 30 MPa, on 1.75 mm filament 72.16 N.
    assert 30.0 * filament_area_mm2(1.75) == pytest.approx(72.16, abs=0.005)


@pytest.mark.parametrize(
    ("sense_ohm", "reference_v", "code", "rms_a"),
    [
        # Data-sheet formula of common drivers:
        # I_rms = (CS + 1) / 32 * V_fs / (R_s + 0.02 ohm) / sqrt 2
        (0.10, 0.325, 26, 1.615849),
        (0.11, 0.325, 31, 1.767767),
        (0.11, 0.325, 15, 0.883883),
        (0.11, 0.180, 31, 0.979071),
    ],
)
def test_current_levels_of_common_drivers(sense_ohm, reference_v, code, rms_a) -> None:
    full_scale_a = reference_v / (sense_ohm + 0.02) / math.sqrt(2.0)
    scale = CurrentScale(full_scale_a=full_scale_a, levels=32)
    # Anything from this level to just below the next must come out as this level.
    assert scale.applied_a(full_scale_a * (code + 1) / 32) == pytest.approx(rms_a, abs=1e-6)
    if code < 31:
        assert scale.applied_a(full_scale_a * (code + 1.99) / 32) == pytest.approx(rms_a, abs=1e-6)


@pytest.mark.parametrize(("asked_ma", "applied_ma"), [(500, 489), (800, 795), (1200, 1160)])
def test_current_levels_seen_on_the_wire(asked_ma, applied_ma) -> None:
    # Requests and read-backs of a two-range driver at 0.11 ohm, from raw logs.
    per_volt = 1.0 / 0.13 / math.sqrt(2.0)
    scale = CurrentScale(full_scale_a=0.325 * per_volt, low_scale_a=0.180 * per_volt, levels=32)
    assert round(1000 * scale.applied_a(asked_ma / 1000)) == pytest.approx(applied_ma, abs=1)


def test_peak_is_root_two_of_rms() -> None:
    # Sine-microstepped current vector: constant length I_peak = sqrt 2 I_rms (derived).
    assert CurrentScale(peak=True).applied_rms_a(math.sqrt(2.0)) == pytest.approx(1.0)


def test_pull_out_with_supply_limit() -> None:
    # Form after Acarnley, "Stepping Motors" (from memory), arithmetic worked by hand:
    # 0.40 N m, 1.7 A, 1.5 ohm, 2.8 mH, 24 V: K 0.166378, corner 9.4033 rev/s,
    # 0.209413 N m at 20 rev/s.
    per_ampere = 0.40 / (math.sqrt(2.0) * 1.7)
    assert per_ampere == pytest.approx(0.166378, abs=5e-7)
    winding = Winding(resistance_ohm=1.5, inductance_h=2.8e-3, supply_v=24.0)
    corner = winding.corner_rev_s(
        torque_per_peak_ampere_nm=per_ampere, peak_current_a=math.sqrt(2.0) * 1.7, pole_pairs=50.0
    )
    assert corner == pytest.approx(9.4033, abs=5e-5)
    left = winding.pull_out_nm(
        torque_per_peak_ampere_nm=per_ampere,
        electrical_rad_s=2.0 * math.pi * 20.0 * 50.0,
        pole_pairs=50.0,
    )
    assert left == pytest.approx(0.209413, abs=5e-7)


@pytest.mark.parametrize("resistance_ohm", [0.5, 2.4, 20.0])
@pytest.mark.parametrize("inductance_mh", [0.5, 3.0, 30.0])
@pytest.mark.parametrize("electrical_rad_s", [1.0, 400.0, 1500.0, 5000.0])
@pytest.mark.parametrize("torque_nm", [0.02, 0.4])
def test_torque_with_current_and_voltage_limited_is_the_numeric_maximum(
    resistance_ohm, inductance_mh, electrical_rad_s, torque_nm
) -> None:
    """The d-q plane searched by a constrained optimiser that knows no geometry of circles."""
    supply_v, peak_a, pairs, per_ampere = 12.0, 1.3, 50.0, torque_nm / 1.3
    reactance, emf = electrical_rad_s * inductance_mh / 1e3, electrical_rad_s * per_ampere / pairs

    def volt_left(i):
        u_d = resistance_ohm * i[0] - reactance * i[1]
        u_q = resistance_ohm * i[1] + reactance * i[0] + emf
        return 1.0 - (u_d**2 + u_q**2) / supply_v**2

    limits = [
        {"type": "ineq", "fun": volt_left},
        {"type": "ineq", "fun": lambda i: 1.0 - (i[0] ** 2 + i[1] ** 2) / peak_a**2},
    ]
    best = 0.0
    for start in ((0.0, 0.1), (-0.9 * peak_a, 0.1), (-0.5 * peak_a, 0.6 * peak_a)):
        found = minimize(
            lambda i: -i[1], start, method="SLSQP", constraints=limits, options={"ftol": 1e-12}
        )
        if all(limit["fun"](found.x) > -1e-6 for limit in limits):
            best = max(best, per_ampere * found.x[1])
    winding = Winding(resistance_ohm, inductance_mh / 1e3, supply_v)
    made = winding.pull_out_nm(
        torque_per_peak_ampere_nm=per_ampere,
        electrical_rad_s=electrical_rad_s,
        pole_pairs=pairs,
        peak_current_a=peak_a,
    )
    assert made == pytest.approx(best, rel=1e-4, abs=1e-5 * torque_nm)


def test_a_back_emf_beyond_the_supply_leaves_what_the_limited_current_can_weaken() -> None:
    """By hand, R = 0: the circles i^2 = I^2 and (i_d + psi/L)^2 + i_q^2 = (V/wL)^2 meet at
    i_d = -(I^2 + (psi/L)^2 - (V/wL)^2) / (2 psi/L). psi/L = 3 A, V/wL = 2.5 A, I = 1 A:
    i_d = -0.625 A, i_q = 0.780625 A; without the current limit it would be 2.5 A."""
    inductance_h, rate, pairs = 0.01, 1000.0, 50.0
    per_ampere = 3.0 * inductance_h * pairs
    winding = Winding(resistance_ohm=1e-9, inductance_h=inductance_h, supply_v=25.0)
    asked = {
        "torque_per_peak_ampere_nm": per_ampere,
        "electrical_rad_s": rate,
        "pole_pairs": pairs,
    }
    assert winding.pull_out_nm(**asked, peak_current_a=1.0) == pytest.approx(0.780625 * per_ampere)
    assert winding.pull_out_nm(**asked) == pytest.approx(2.5 * per_ampere)
    assert winding.pull_out_nm(**asked, peak_current_a=0.4) == 0.0  # 3 A are beyond 2.5 and 0.4


def test_slow_geared_extruder_is_not_derated() -> None:
    # 10 mm/s with 3:1 and r 5.5 mm turns the motor 0.868 times a second: derating negligible.
    made = ForceChain(
        torque=TorqueCurve.rated(rated_current_a=1.7, holding_torque_nm=0.40),
        scale=CurrentScale(),
        gear_ratio=3.0,
        filament_per_turn_mm=2.0 * math.pi * 5.5,
        efficiency=0.85,
        winding=Winding(resistance_ohm=1.5, inductance_h=2.8e-3, supply_v=24.0),
    )
    assert made.motor_rev_s(10.0) == pytest.approx(0.868, abs=5e-4)
    assert made.derating(1.7, 10.0) == 1.0


def test_filament_per_electrical_cycle() -> None:
    # A slip re-locks in multiples of four full steps, 7.2 degrees (Jones, "Stepping Motor
    # Physics", Univ. of Iowa); with r 5.5 mm and 3:1 that is 0.23038 mm of filament.
    assert chain(
        torque_nm=1.0, ratio=3.0, efficiency=1.0, radius_mm=5.5
    ).filament_per_cycle_mm == pytest.approx(0.23038, abs=5e-6)
