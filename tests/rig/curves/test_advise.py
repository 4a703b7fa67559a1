"""Decisions, each against the figure that one works out by hand."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.bench import load_bench
from rig.curves.advise import (
    advise,
    advise_many,
    knee_mm3_s,
    least_current_a,
    winding_temperature_c,
)
from rig.curves.curveset import Parameter
from rig.curves.fit import fit_curves
from rig.curves.points import Threshold
from rig.curves.supply import driver_steps_a, told_current_a, winding_current_a
from rig.curves.uncertainty import force_scale_digest
from rig.errors import RangeError, TableError

BENCH = load_bench(Path(__file__).parents[3] / "docs" / "benches" / "harbour.toml")
AREA = math.pi * 1.75**2 / 4.0
# 2 pi * 50/17 * 0.88 / 22.5 mm * 0.13 N m at 1 A = 93.96 N per A RMS
NEWTON_PER_A = 2 * math.pi * (50 / 17) * 0.88 / 0.0225 * 0.13


def change(bench=BENCH, **tables):
    return bench.model_copy(
        update={
            table: getattr(bench, table).model_copy(update=values)
            for table, values in tables.items()
        }
    )


# No driver steps and no winding: figures by hand.
SIMPLE = change(
    driver={"full_scale_a": None, "current_levels": None},
    motor={"resistance_ohm": None, "inductance_mh": None},
)


def curve_of(flow_at, top=95.0):
    points = []
    for force in np.linspace(20.0, top, 12):
        low = float(flow_at(force)) / AREA * 0.995
        points.append(Threshold(210.0, float(force), low, low * 1.01))
    return fit_curves(points, joint=False).curves[0]


@pytest.fixture(scope="module")
def straight():
    """F = 20 Q^0.5."""
    return curve_of(lambda f: (f / 20.0) ** 2)


@pytest.fixture(scope="module")
def capped():
    """The same with a melt limit of 12 mm3/s."""
    return curve_of(lambda f: (f / 20.0) ** 2 / (1 + ((f / 20.0) ** 2 / 12.0) ** 6) ** (1 / 6))


def test_flow_held_by_hand(straight):
    """0.9 A gives 84.6 N; a margin of 20 % leaves 70.5 N; (70.5/20)^2 = 12.4 mm3/s."""
    found = advise(straight, SIMPLE, margin=0.2)
    assert found.current_a == 0.9
    available = 0.9 * NEWTON_PER_A
    assert available == pytest.approx(84.56, abs=0.01)
    assert found.flow_mm3_s == pytest.approx((available / 1.2 / 20.0) ** 2, rel=0.01)
    assert found.binds == "current limit of the bench"
    assert not found.at_least
    assert found.sure_flow_mm3_s < found.flow_mm3_s


def test_a_smaller_current_holds_less(straight):
    """0.6 A: 56.4 N; over 1.2, by 20, squared: 5.52 mm3/s."""
    found = advise(straight, SIMPLE, margin=0.2, current_a=0.6)
    assert found.flow_mm3_s == pytest.approx((0.6 * NEWTON_PER_A / 24.0) ** 2, rel=0.01)
    assert found.binds == "current asked for"
    assert "the current asked for (0.6 A) binds first" in found.sentence()


def test_margin_at_a_wanted_flow_by_hand(straight):
    """At 9 mm3/s the filament needs 60 N; 84.56 N are there: 41 % to spare."""
    found = advise(straight, SIMPLE, wanted_mm3_s=9.0)
    value, low, high = found.wanted_margin
    assert value == pytest.approx(84.56 / 60.0 - 1.0, abs=0.01)
    assert low < value < high


def test_lowest_current_for_a_wanted_flow_by_hand(straight):
    """60 N times 1.2 is 72 N: 0.766 A."""
    current = least_current_a(straight, SIMPLE, wanted_mm3_s=9.0, margin=0.2)
    assert current == pytest.approx(72.0 / NEWTON_PER_A, rel=0.01)


def test_lowest_current_is_one_that_the_driver_sets(straight):
    """Steps of 55 mA: 0.766 A is between 13 and 14 steps; 14 steps are 0.77 A."""
    bench = change(motor={"resistance_ohm": None, "inductance_mh": None})
    current = least_current_a(straight, bench, wanted_mm3_s=9.0, margin=0.2)
    assert current == pytest.approx(0.77, abs=1e-9)


@given(
    full_a=st.floats(0.95, 3.0),
    levels=st.integers(2, 4096),
    low_share=st.none() | st.floats(0.3, 0.9),
    flow=st.floats(1.2, 15.0),
    peak=st.booleans(),
)
def test_the_lowest_current_as_it_is_told_holds_when_typed_back(
    straight, full_a, levels, low_share, flow, peak
):
    bench = change(
        SIMPLE,
        driver={
            "full_scale_a": full_a,
            "current_levels": levels,
            "low_scale_a": None if low_share is None else low_share * full_a,
            "current_unit": "peak" if peak else "rms",
        },
    )
    least_a = least_current_a(straight, bench, wanted_mm3_s=flow, margin=0.2)
    if least_a is None:
        return
    chain, typed_a = bench.chain(), float(told_current_a(bench, least_a))
    assert typed_a <= max(least_a, 0.9)
    assert chain.force_n(typed_a) >= 1.2 * straight.force_n(flow) * (1 - 1e-7)
    assert chain.scale.applied_a(typed_a) == pytest.approx(least_a, rel=1e-7)
    # A step less does not.
    lower = [a for a in driver_steps_a(bench) if a < least_a * (1 - 1e-9)]
    assert not lower or chain.force_n(lower[-1] * (1 + 1e-9)) < 1.2 * straight.force_n(flow)


@given(least_a=st.floats(0.01, 0.9))
def test_without_steps_it_is_told_rounded_up(least_a):
    typed_a = float(told_current_a(SIMPLE, least_a))
    assert least_a <= typed_a <= max(least_a * 1.0101, least_a)
    assert typed_a <= 0.9


def test_the_lowest_current_of_a_step_with_many_digits(straight):
    """1.77 A in 32 steps: the eleventh is 0.6084375 A, and 0.608 A would set the tenth."""
    bench = change(SIMPLE, driver={"full_scale_a": 1.77, "current_levels": 32})
    found = advise(straight, bench, wanted_mm3_s=8.0, margin=0.0)
    assert found.least_current_a == pytest.approx(0.6084375)
    assert found.least_current == "0.609"
    again = advise(straight, bench, wanted_mm3_s=8.0, margin=0.0, current_a=0.609)
    assert again.wanted_margin[0] >= 0
    assert "at 0.6084375 A" in advise(straight, bench, current_a=0.6084375).sentence()


def test_peak_amperes_are_root_two_of_rms(straight):
    bench = change(SIMPLE, driver={"current_unit": "peak"}, limits={"max_current_a": 1.3})
    current = least_current_a(straight, bench, wanted_mm3_s=9.0, margin=0.2)
    assert current == pytest.approx(math.sqrt(2) * 72.0 / NEWTON_PER_A, rel=0.01)


def test_no_allowed_current_holds_it(straight):
    weak = change(SIMPLE, limits={"max_current_a": 0.5})
    found = advise(straight, weak, wanted_mm3_s=9.0)
    assert found.least_current_a is None
    assert "no current up to 0.5 A" in found.no_current_why
    assert "72 N with the margin, and the motor gives 47 N" in found.no_current_why


def test_the_melt_limit_binds_first(capped):
    found = advise(capped, SIMPLE, margin=0.0)
    assert found.binds == "melt limit"
    assert found.flow_mm3_s == pytest.approx(11.9, abs=0.35)
    text = next(limit.text for limit in found.limits if limit.name == "melt limit")
    assert "melts" in text


def test_the_melt_limit_binds_from_where_one_per_cent_of_flow_costs_two_of_force(capped):
    """The knee by its definition: 1 % more flow there costs 2 % of force, and less below."""
    knee = knee_mm3_s(capped)
    for flow, low, high in ((knee / 1.005, 1.9, 2.1), (0.9 * knee, 0.5, 1.7)):
        cost = 100 * math.log(capped.force_n(flow * 1.01) / capped.force_n(flow)) / 0.995
        assert low < cost < high
    assert knee == pytest.approx(12.0 * 0.75 ** (1 / 6), rel=0.03)  # n / (1 - (Q/Qmax)^6) = 2
    found = advise(capped, SIMPLE, margin=0.0)
    assert found.limits[0].flow_mm3_s == knee
    assert f"melt limit binds first, from {knee:.3g} mm3/s on" in found.sentence()
    low = advise(capped, SIMPLE, margin=0.0, current_a=0.5)
    (melt,) = [limit for limit in low.limits if limit.name == "melt limit"]
    assert melt.flow_mm3_s == knee  # where it binds is its own, whatever the motor
    assert low.flow_mm3_s < knee


def test_what_ends_the_flow_is_told_from_what_binds_first(capped):
    """Beyond the knee the force still ends the flow: the picture names that at its place."""
    knee = knee_mm3_s(capped)
    grip_n = capped.force_n(1.02 * knee)
    found = advise(capped, change(SIMPLE, drive={"grip_limit_n": grip_n}), margin=0.0)
    assert (found.binds, found.ends) == ("melt limit", "filament grip")
    assert found.sentence().endswith("mm3/s on, and the filament grip ends it")
    assert found.to_document()["ends"] == "filament grip"
    low = advise(capped, SIMPLE, margin=0.0, current_a=0.5)
    assert (low.binds, low.ends) == ("current asked for", "current asked for")
    assert advise(capped, change(SIMPLE, motor={"holding_torque_nm": 0.5})).ends == "melt limit"


def test_a_melt_limit_beyond_what_was_measured_does_not_bind_in_it(straight):
    far = Parameter(40.0, 3.0, 35.0, 50.0, "mm3/s")
    curve = replace(straight, parameters={**straight.parameters, "melt_limit_mm3_s": far})
    curve = replace(curve, model="smooth")  # the table alone, which has no knee
    strong = change(SIMPLE, motor={"holding_torque_nm": 0.5})
    found = advise(curve, strong)
    assert knee_mm3_s(curve) is None
    assert found.binds == "measured range"
    assert found.at_least


def test_below_the_melt_limit_torque_binds(capped):
    """0.5 A: 47 N without margin is 5.5 mm3/s, far below 12."""
    found = advise(capped, SIMPLE, margin=0.0, current_a=0.5)
    assert found.binds == "current asked for"
    assert found.flow_mm3_s == pytest.approx((0.5 * NEWTON_PER_A / 20.0) ** 2, rel=0.02)


def test_the_grip_binds_where_it_is_known_and_low(straight):
    """Grinding from 60 N, margin 20 %: 50 N, 6.25 mm3/s."""
    bench = change(SIMPLE, drive={"grip_limit_n": 60.0})
    found = advise(straight, bench, margin=0.2)
    assert found.binds == "filament grip"
    assert found.flow_mm3_s == pytest.approx(6.25, rel=0.01)


def test_the_grip_ends_what_a_current_can_do(straight):
    """12 mm3/s need 20 sqrt(12) = 69.3 N and the gear grinds at 55 N: margin -20.6 %, whatever
    the current."""
    bench = change(SIMPLE, drive={"grip_limit_n": 55.0})
    found = advise(straight, bench, wanted_mm3_s=12.0)
    assert found.wanted_margin[0] == pytest.approx(55.0 / 69.28 - 1.0, abs=0.01)
    assert found.wanted_supply.available_n == 55.0
    assert found.wanted_supply.by == "filament grip"
    assert found.least_current_a is None
    assert "no current holds 12 mm3/s" in found.no_current_why
    assert "grind at 55 N" in found.no_current_why
    assert max(row.available_n for row in found.table) == 55.0
    weak = advise(straight, bench, current_a=0.4)
    assert {(round(row.available_n, 1), row.by) for row in weak.table} == {(37.6, "motor")}
    # Enough without the margin and too little with it is no current either.
    assert advise(straight, bench, wanted_mm3_s=6.25, margin=0.2).least_current_a is None
    assert advise(straight, bench, wanted_mm3_s=6.25, margin=0.05).least_current_a is not None


def test_against_the_grip_the_scale_of_the_curve_counts_even_for_the_drive_that_measured(straight):
    """6.25 mm3/s without margin is 50 N; 7 % (k = 1) of scale take 12.8 % of force, 24 % of flow
    (the force goes with its root)."""
    bench = change(SIMPLE, drive={"grip_limit_n": 50.0})
    loose = replace(straight, scale_uncertainty=0.07)
    mark = force_scale_digest(bench)
    own = advise(loose, bench, margin=0.0, force_scale=mark)
    assert own.common_scale
    assert own.flow_mm3_s == pytest.approx(6.25, rel=0.01)
    assert own.sure_flow_mm3_s == pytest.approx(6.25 * math.exp(-2 * 1.96 * 0.07), rel=0.02)
    exact = advise(straight, bench, margin=0.0, force_scale=mark)
    assert own.sure_flow_mm3_s < exact.sure_flow_mm3_s < exact.flow_mm3_s
    # 0.5 A give 47 N, less than the grip, and share the error: the motor alone ends that.
    motor = advise(loose, SIMPLE, margin=0.0, current_a=0.5, force_scale=force_scale_digest(SIMPLE))
    assert motor.sure_flow_mm3_s > 0.97 * motor.flow_mm3_s
    value, low, high = advise(loose, bench, wanted_mm3_s=6.25, force_scale=mark).wanted_margin
    assert value == pytest.approx(0.0, abs=0.01)
    assert low == pytest.approx(math.exp(-1.96 * 0.07) - 1.0, abs=0.01)
    assert high == pytest.approx(math.exp(1.96 * 0.07) - 1.0, abs=0.01)


def test_the_supply_binds_with_a_high_ratio_and_a_lazy_winding(straight):
    slow = change(
        drive={"gear_ratio": "60:4", "efficiency": 0.8},
        motor={"resistance_ohm": 6.0, "inductance_mh": 40.0, "holding_torque_nm": 0.02},
        driver={"supply_v": 12.0, "full_scale_a": None, "current_levels": None},
    )
    found = advise(straight, slow, margin=0.2)
    assert found.binds == "supply voltage"
    chain = slow.chain()
    speed = found.flow_mm3_s / AREA
    assert chain.force_n(0.9, speed) == pytest.approx(1.2 * 20 * found.flow_mm3_s**0.5, rel=0.01)
    assert chain.derating(0.9, speed) < 0.99


def test_a_strong_motor_is_at_least_as_good_as_was_measured(straight):
    strong = change(SIMPLE, motor={"holding_torque_nm": 0.5})
    found = advise(straight, strong, margin=0.2)
    assert found.at_least
    assert found.binds == "measured range"
    assert found.flow_mm3_s == pytest.approx(straight.flow_range_mm3_s[1])
    assert "at least" in found.sentence()
    assert "nothing binds within what was measured" in found.sentence()
    assert found.limits[0].where == f"ends at {straight.flow_range_mm3_s[1]:.3g} mm3/s"
    assert all(limit.flow_mm3_s is None for limit in found.limits[1:])


def test_a_weak_motor_holds_nothing_that_was_measured(straight):
    weak = change(SIMPLE, motor={"holding_torque_nm": 0.02})
    found = advise(straight, weak, margin=0.2)
    assert found.flow_mm3_s is None
    assert found.sure_flow_mm3_s is None
    assert "not even the least measured flow" in found.sentence()
    (first,) = found.limits
    assert (first.flow_mm3_s, first.below_range) == (None, True)
    assert first.where == "binds below what was measured"
    assert "cannot be pushed: it needs 20 N" in first.text


def test_a_first_flow_that_is_pushed_with_too_little_to_spare_is_told_from_one_that_is_not(
    straight,
):
    """22 N against 20 N: pushed, with 10 % to spare where 20 % are asked for."""
    found = advise(straight, SIMPLE, current_a=22.0 / NEWTON_PER_A)
    assert found.flow_mm3_s is None
    assert "leaves less than the margin" in found.limits[0].text
    assert advise(straight, SIMPLE, current_a=22.0 / NEWTON_PER_A, margin=0.0).flow_mm3_s > 1.0


def test_the_motor_s_rating_ends_the_current(straight):
    bench = change(SIMPLE, limits={"max_current_a": 2.0})
    found = advise(straight, bench)
    assert found.current_a == 1.0
    assert found.binds in {"motor torque", "measured range"}
    over = advise(straight, bench, current_a=1.15)
    assert any("above the 1 A" in note for note in over.notes)
    assert over.sentence().startswith("this bench at 1.15 A (above the 1 A that the motor torque")


@pytest.mark.parametrize("current_a", [math.nan, math.inf, 0.0, -0.3])
@pytest.mark.parametrize("bench", [SIMPLE, BENCH])
def test_a_current_that_is_none_is_refused(straight, bench, current_a):
    with pytest.raises(TableError, match=r"current .*: allowed is a number above 0"):
        advise(straight, bench, current_a=current_a)


def test_a_current_with_which_no_bench_may_run_the_motor_is_refused(straight):
    """As in a bench file: 1.2 times the rated 1 A, in peak amperes 1.697."""
    allowed = r"up to 1\.2 A rms \(1\.2 times motor.rated_current_a\)"
    with pytest.raises(TableError, match=f"overheat the motor; allowed: {allowed}"):
        advise(straight, SIMPLE, current_a=1.4)
    peak = change(SIMPLE, driver={"current_unit": "peak"})
    assert advise(straight, peak, current_a=1.4).applied_a == pytest.approx(0.98995, abs=1e-5)
    with pytest.raises(TableError, match=r"up to 1\.69 A peak"):
        advise(straight, peak, current_a=50.0)


def test_of_grip_and_motor_below_the_range_the_weaker_is_named(straight):
    """20 N needed, 24 with the margin: 0.23 A give 21.6 N, the gear grinds from 18 N."""
    bench = change(SIMPLE, drive={"grip_limit_n": 18.0})
    found = advise(straight, bench, current_a=0.23)
    assert found.binds == "filament grip"
    assert found.limits[1].name == "current asked for"
    assert [limit.below_range for limit in found.limits[:2]] == [True, True]
    assert "needs 20 N, 24 N with the margin, and the filament grip allows 18 N" in found.sentence()
    weak = advise(straight, bench, current_a=0.15)
    assert weak.binds == "current asked for"
    assert "the current asked for (0.15 A) allows 14.1 N" in weak.sentence()
    assert weak.limits[0].force_n == pytest.approx(0.15 * NEWTON_PER_A)


def test_a_first_step_above_what_is_allowed_is_said(straight):
    bench = change(SIMPLE, driver={"full_scale_a": 2.2, "current_levels": 2})
    found = advise(straight, bench, wanted_mm3_s=5.0, current_a=1.1)
    assert found.least_current_a is None
    assert "first step is above the 0.9 A that the current limit of the bench allows" in (
        found.no_current_why
    )


def test_the_driver_s_full_scale_ends_the_current(straight):
    bench = change(driver={"full_scale_a": 0.64, "current_levels": 32})
    found = advise(straight, bench)
    assert found.current_a == 0.64
    assert found.binds == "driver current"


def test_the_scale_error_cancels_with_the_motor_that_measured(straight):
    mark = force_scale_digest(SIMPLE)
    own = advise(straight, SIMPLE, force_scale=mark)
    foreign = advise(straight, SIMPLE, force_scale="another")
    assert own.common_scale
    assert not foreign.common_scale
    assert own.flow_mm3_s == foreign.flow_mm3_s
    assert foreign.sure_flow_mm3_s < own.sure_flow_mm3_s < own.flow_mm3_s


def test_why_the_scale_error_does_not_cancel_is_said(straight):
    loose, mark = replace(straight, scale_uncertainty=0.07), force_scale_digest(SIMPLE)
    gripped = change(SIMPLE, drive={"grip_limit_n": 300.0}, driver={"supply_v": 24.5})
    own = advise(loose, gripped, force_scale=mark)
    assert own.common_scale
    assert not any("force scale" in note for note in own.notes)
    other = advise(loose, change(SIMPLE, drive={"efficiency": 0.8}), force_scale=mark)
    (why,) = [note for note in other.notes if "force scale" in note]
    assert why.startswith("the curve was measured with another drive")


def test_winding_temperature_by_the_plain_rule():
    """80 K at the rated 1 A; at 0.5 A a quarter of it: 40 + 20 = 60 C."""
    assert winding_temperature_c(SIMPLE, 0.5) == pytest.approx(60.0)


def test_winding_temperature_from_the_copper_loss():
    """2 * 0.8^2 * 2.4 ohm = 3.072 W cold, 8 K/W: rise 24.6 K * 1.0786 / (1 - 0.0966) = 29.3 K."""
    bench = change(motor={"thermal_resistance_k_w": 8.0})
    assert winding_temperature_c(bench, 0.8) == pytest.approx(69.3, abs=0.1)


def test_a_winding_beyond_its_class_is_said_first(straight):
    hot = change(SIMPLE, motor={"resistance_ohm": 2.4, "inductance_mh": 0.001})
    hot = change(hot, motor={"thermal_resistance_k_w": 25.0, "insulation_class": "A"})
    found = advise(straight, hot, current_a=0.9)
    assert "0.9 A is above the 0.637 A that the winding temperature allows" in found.notes
    assert "the winding would exceed class A: no more than 0.637 A" in found.notes
    assert found.winding_c > 105.0


def test_the_winding_s_class_ends_the_current_by_hand(straight):
    """Class A: 65 K over 40 C. 65 / (1 + 0.00393 (20 + 65)) = 48.7 K cold, over 2 * 2.4 ohm * 25
    K/W: 0.4062 A2, 0.637 A; 59.9 N, over 1.2 and 20 N, squared: 6.22 mm3/s."""
    hot = change(SIMPLE, motor={"resistance_ohm": 2.4, "inductance_mh": 0.001})
    hot = change(hot, motor={"thermal_resistance_k_w": 25.0, "insulation_class": "A"})
    assert winding_current_a(hot) == pytest.approx(0.6373, abs=1e-3)
    found = advise(straight, hot)
    assert found.binds == "winding temperature"
    assert found.winding_c == pytest.approx(105.0, abs=0.01)
    assert found.flow_mm3_s == pytest.approx(6.22, rel=0.01)
    weak = advise(straight, hot, wanted_mm3_s=9.0)
    assert weak.least_current_a is None
    assert "no current up to 0.637 A (winding temperature)" in weak.no_current_why
    # By the plain rule alone: 80 K at the rated 1 A, so class A allows sqrt(65 / 80) of it.
    plain = change(SIMPLE, motor={"insulation_class": "A"})
    assert winding_current_a(plain) == pytest.approx(0.9014, abs=1e-4)
    peak = change(hot, driver={"current_unit": "peak"}, limits={"max_current_a": 1.3})
    assert advise(straight, peak).current_a == pytest.approx(0.6373 * math.sqrt(2), abs=1e-3)


def test_a_hard_cap_binds_where_the_curve_ends():
    """F = 20 Q^0.5 up to 12 mm3/s, which four of twelve forces push and no more."""
    cap = curve_of(lambda f: min((f / 20.0) ** 2, 11.9))
    strong = change(SIMPLE, motor={"holding_torque_nm": 0.5})
    found = advise(cap, strong, margin=0.2)
    assert found.binds == "melt limit"
    assert not found.at_least
    assert found.flow_mm3_s == pytest.approx(11.9, rel=0.05)
    assert "the melt limit binds first" in found.sentence()


def test_a_supply_that_cannot_drive_the_current_at_rest_is_what_binds(straight):
    """12 V over 60 ohm is 0.2 A peak, 0.1414 A RMS: 13.3 N of the 84.6 N that 0.9 A would give."""
    lame = change(
        motor={"resistance_ohm": 60.0, "inductance_mh": 3.0},
        driver={"supply_v": 12.0, "full_scale_a": None, "current_levels": None},
    )
    found = advise(straight, lame, wanted_mm3_s=5.0)
    assert found.binds == "supply voltage"
    assert "the supply voltage allows 13." in found.sentence()
    torque = next(limit for limit in found.limits if limit.name == "current limit of the bench")
    assert torque.flow_mm3_s == pytest.approx((84.56 / 1.2 / 20.0) ** 2, rel=0.01)
    assert "12 V leave the motor 1" in found.no_current_why
    assert "of 84.6 N at 0.9 A" in found.no_current_why


def test_a_candidate_that_cannot_be_set_to_a_current_leaves_the_others(straight):
    small = change(driver={"full_scale_a": 0.64, "current_levels": 32})
    told = []
    found = advise_many(
        straight, {"big": SIMPLE, "small": small}, currents_a=[0.6, 0.8], left_out=told.append
    )
    assert sorted((one.name, one.current_a) for one in found) == [
        ("big", 0.6),
        ("big", 0.8),
        ("small", 0.6),
    ]
    (why,) = told
    assert why.startswith("small cannot be set to 0.8 A")
    with pytest.raises(TableError, match=r"small cannot be set to 0\.8 A"):
        advise_many(straight, {"small": small}, currents_a=[0.8], left_out=told.append)


def test_wanted_flow_outside_the_range_is_refused(straight):
    with pytest.raises(RangeError, match="outside the measured"):
        advise(straight, SIMPLE, wanted_mm3_s=200.0)
    with pytest.raises(RangeError, match="outside the measured"):
        advise_many(straight, {"a": SIMPLE}, wanted_mm3_s=0.01)


@pytest.mark.parametrize("margin", [-0.1, math.nan, 11.0])
def test_a_margin_that_makes_no_sense_is_refused(straight, margin):
    with pytest.raises(TableError, match="outside 0 to 10"):
        advise(straight, SIMPLE, margin=margin)


def test_candidates_in_one_table_best_first(straight):
    benches = {
        "17 teeth": SIMPLE,
        "12 teeth": change(SIMPLE, drive={"gear_ratio": "50:12"}),
    }
    found = advise_many(straight, benches, currents_a=(0.5, 0.7), margin=0.2)
    assert [(a.name, a.current_a) for a in found] == [
        ("12 teeth", 0.7),
        ("12 teeth", 0.5),
        ("17 teeth", 0.7),
        ("17 teeth", 0.5),
    ]
    ordered = [a.sure_flow_mm3_s for a in found]
    assert ordered == sorted(ordered, reverse=True)


def test_need_against_supply(straight):
    found = advise(straight, SIMPLE)
    for row in found.table:
        assert row.needed_lower_n <= row.needed_n <= row.needed_upper_n
        assert row.margin == pytest.approx(row.available_n / row.needed_n - 1.0)
        assert row.speed_mm_s == pytest.approx(row.flow_mm3_s / AREA)
    document = json.loads(json.dumps(found.to_document(), allow_nan=False))
    assert document["binds"] == found.binds
    assert len(document["table"]) == len(found.table)
    assert {row["by"] for row in document["table"]} == {"motor"}
    assert document["limits"][0]["below_range"] is False


@pytest.mark.parametrize("grip_n", [None, 30.0, 55.0, 70.0, 200.0])
@pytest.mark.parametrize("current_a", [0.1, 0.3, 0.6, 0.9])
def test_what_is_said_agrees_with_itself(straight, capped, grip_n, current_a):
    bench = change(SIMPLE, drive={"grip_limit_n": grip_n})
    for curve in (straight, capped):
        found = advise(curve, bench, current_a=current_a)
        for row in found.table:
            held = found.flow_mm3_s is not None and row.flow_mm3_s <= found.flow_mm3_s
            assert held == (row.margin >= found.margin)
        flow = found.flow_mm3_s or 0.0
        assert (found.sure_flow_mm3_s or 0.0) <= flow
        ends = [limit for limit in found.limits if limit.name != "melt limit"]
        assert (found.flow_mm3_s is None) == ends[0].below_range
        if ends[0].flow_mm3_s is not None:
            assert ends[0].flow_mm3_s == pytest.approx(flow, rel=1e-6)


def test_a_winding_that_heats_up_without_end_is_said_in_words(straight):
    hot = change(SIMPLE, motor={"resistance_ohm": 8.0, "inductance_mh": 0.001})
    hot = change(hot, motor={"thermal_resistance_k_w": 40.0})
    found = advise(straight, hot, current_a=0.9)
    assert found.winding_c is None
    assert "without end" in " ".join(found.notes)
    assert "inf" not in " ".join(found.notes)


def test_filament_of_another_diameter_than_the_curve_s_is_refused(straight):
    """Equal pressure is another force there; of several candidates the others are answered."""
    thick, told = change(SIMPLE, filament={"diameter_mm": 2.85}), []
    with pytest.raises(TableError, match=r"takes 2\.85 mm filament .* measured with 1\.75 mm"):
        advise(straight, thick)
    assert advise(straight, change(SIMPLE, filament={"diameter_mm": 1.72})).flow_mm3_s > 0
    found = advise_many(
        straight, {"a": SIMPLE, "b": thick}, currents_a=[0.5, 0.6], left_out=told.append
    )
    assert [one.name for one in found] == ["a", "a"]
    assert len(told) == 1
    assert told[0].startswith("b takes 2.85 mm filament")
