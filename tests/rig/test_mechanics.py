"""Properties of the chain from current to force."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.mechanics import (
    CurrentScale,
    ForceChain,
    TorqueCurve,
    Winding,
    flow_mm3_s,
    parse_gear_ratio,
    speed_mm_s,
)

positive = st.floats(0.01, 100.0)


@given(speed=positive, diameter=st.floats(1.0, 4.0))
def test_flow_and_speed_are_inverse(speed: float, diameter: float) -> None:
    assert speed_mm_s(flow_mm3_s(speed, diameter), diameter) == pytest.approx(speed)


@given(asked=st.floats(0.06, 1.7))
def test_a_driver_never_applies_more_than_asked(asked: float) -> None:
    scale = CurrentScale(full_scale_a=1.7, levels=32)
    applied = scale.applied_a(asked)
    assert asked - 1.7 / 32 - 1e-9 < applied <= asked + 1e-6
    assert scale.applied_a(applied) == pytest.approx(applied)


@pytest.mark.parametrize("asked", [0.01, 1.8])
def test_currents_outside_the_scale_are_refused(asked: float) -> None:
    with pytest.raises(ValueError, match="driver's"):
        CurrentScale(full_scale_a=1.7, levels=32).applied_a(asked)


@given(first=st.floats(0.0, 40.0), second=st.floats(0.0, 40.0), current=st.floats(0.05, 1.5))
def test_more_speed_never_gives_more_torque(first: float, second: float, current: float) -> None:
    made = ForceChain(
        torque=TorqueCurve.rated(rated_current_a=1.0, holding_torque_nm=0.2),
        scale=CurrentScale(),
        gear_ratio=7.0,
        filament_per_turn_mm=22.0,
        efficiency=0.9,
        winding=Winding(resistance_ohm=4.0, inductance_h=8e-3, supply_v=12.0),
    )
    slow, fast = sorted((first, second))
    assert made.force_rms_n(current, fast) <= made.force_rms_n(current, slow) * (1 + 1e-9)


SATURATED = ForceChain(
    torque=TorqueCurve.table(
        ((0.2, 0.02), (0.4, 0.036), (0.7, 0.045), (1.0, 0.05)), rated_current_a=1.0
    ),
    scale=CurrentScale(),
    gear_ratio=20.0,
    filament_per_turn_mm=22.5,
    efficiency=0.88,
    winding=Winding(resistance_ohm=2.4, inductance_h=0.03, supply_v=12.0),
)


@given(
    first=st.floats(0.02, 1.0),
    second=st.floats(0.02, 1.0),
    speed=st.floats(0.0, 30.0),
    resistance=st.floats(0.5, 20.0),
    inductance=st.floats(0.5e-3, 60e-3),
)
def test_more_current_set_never_gives_less_force(
    first: float, second: float, speed: float, resistance: float, inductance: float
) -> None:
    made = replace(SATURATED, winding=Winding(resistance, inductance, 12.0))
    less, more = sorted((first, second))
    assert made.force_rms_n(more, speed) >= made.force_rms_n(less, speed) * (1 - 1e-9)


def test_a_saturated_motor_at_speed_gives_what_its_best_current_gives() -> None:
    """At 4 mm/s the supply limits; 0.4 A, unsaturated, are worth more there than 1 A in a fixed
    proportion would be, and a chopper set to 1 A can regulate 0.4 A."""
    speed = 4.0
    forces = [SATURATED.force_rms_n(k / 200, speed) for k in range(1, 201)]
    assert SATURATED.force_rms_n(1.0, speed) == pytest.approx(max(forces))
    assert SATURATED.derating(1.0, speed) < 0.99 * SATURATED.derating(0.2, speed)
    # Where the supply limits nothing the table alone counts.
    assert SATURATED.force_rms_n(1.0, 0.0) == pytest.approx(SATURATED.standing_rms_n(1.0))


def test_a_table_is_followed_and_not_extended() -> None:
    curve = TorqueCurve.table(((0.2, 0.03), (0.6, 0.08)), rated_current_a=1.0)
    assert curve.torque_nm(0.1) == pytest.approx(0.015)
    assert curve.torque_nm(0.4) == pytest.approx(0.055)
    assert curve.torque_nm(0.6) == pytest.approx(0.08)
    with pytest.raises(ValueError, match="outside the torque table"):
        curve.torque_nm(0.61)


@pytest.mark.parametrize("points", [(), ((0.2, 0.03), (0.1, 0.08)), ((0.2, 0.03), (0.3, 0.03))])
def test_tables_that_do_not_rise_are_refused(points) -> None:
    with pytest.raises(ValueError, match="torque table"):
        TorqueCurve.table(points, rated_current_a=1.0)


@pytest.mark.parametrize("text", ["", "50-17", "50:0", "-3", "50:17 x", math.inf, 0.0])
def test_ratios_that_are_none_are_refused(text) -> None:
    with pytest.raises(ValueError, match=r"stage|ratio"):
        parse_gear_ratio(text)


@given(driven=st.integers(5, 200), driving=st.integers(5, 200))
def test_teeth_and_number_agree(driven: int, driving: int) -> None:
    assert parse_gear_ratio(f"{driven}:{driving}") == pytest.approx(driven / driving)
