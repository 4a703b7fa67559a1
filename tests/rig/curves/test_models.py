"""The laws as functions: inverses, limits, slopes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.curves import models

laws = st.fixed_dictionaries(
    {
        "yield_n": st.floats(0.0, 20.0),
        "resistance": st.floats(2.0, 60.0),
        "exponent": st.floats(0.15, 1.2),
        "melt_limit_mm3_s": st.floats(3.0, 60.0),
        "sharpness": st.floats(0.8, 8.0),
    }
)


@given(law=laws, share=st.floats(0.02, 0.98))
def test_flow_and_force_are_inverse_of_one_another(law, share):
    flow = share * law["melt_limit_mm3_s"]
    force = models.melt_limited(flow, **law)
    assert float(models.melt_limited_flow(force, **law)) == pytest.approx(flow, rel=1e-6)


@given(law=laws, share=st.floats(0.05, 0.95))
def test_the_slope_is_the_derivative(law, share):
    flow = share * law["melt_limit_mm3_s"]
    near = flow * np.array([1 - 1e-6, 1 + 1e-6])
    rise = np.diff(models.melt_limited(near, **law))[0] / np.diff(near)[0]
    without = {name: value for name, value in law.items() if name != "yield_n"}
    assert float(models.melt_limited_slope(flow, **without)) == pytest.approx(rise, rel=1e-4)


@given(law=laws)
def test_force_rises_with_flow_and_has_no_value_beyond_the_melt_limit(law):
    flows = np.linspace(0.01, 0.999, 50) * law["melt_limit_mm3_s"]
    assert np.all(np.diff(models.melt_limited(flows, **law)) > 0)
    assert np.isinf(models.melt_limited(law["melt_limit_mm3_s"] * 1.001, **law))


def test_a_far_melt_limit_is_no_limit():
    law = dict(yield_n=3.0, resistance=20.0, exponent=0.4)  # noqa: C408
    flows = np.array([0.5, 5.0, 20.0])
    np.testing.assert_allclose(
        models.melt_limited(flows, melt_limit_mm3_s=1e6, sharpness=2.0, **law),
        models.power_law(flows, **law),
        rtol=1e-8,
    )


def test_worked_example():
    """4 N + 20 N (mm3/s)^-0.5 at 9 mm3/s is 64 N; slope 20 * 0.5 / 3."""
    assert float(models.power_law(9.0, yield_n=4.0, resistance=20.0, exponent=0.5)) == 64.0
    assert float(models.power_law_flow(64.0, yield_n=4.0, resistance=20.0, exponent=0.5)) == 9.0
    slope = models.power_law_slope(9.0, resistance=20.0, exponent=0.5)
    assert float(slope) == pytest.approx(10.0 / 3.0)


def test_no_flow_below_the_yield_force():
    assert float(models.power_law_flow(3.0, yield_n=4.0, resistance=20.0, exponent=0.5)) == 0.0


def test_two_limits_in_series_meet_half_way():
    """Sharpness 1: where the die would pass just the melt limit, half of it flows."""
    flow = models.melted_flow(12.0, melt_limit_mm3_s=12.0, sharpness=1.0)
    assert float(flow) == pytest.approx(6.0)


cross_laws = st.fixed_dictionaries(
    {
        "resistance": st.floats(2.0, 60.0),
        "exponent": st.floats(0.1, 0.9),
        "plateau_flow_mm3_s": st.floats(0.2, 20.0),
    }
)


@given(law=cross_laws, flow=st.floats(0.01, 50.0))
def test_a_melt_that_thins_goes_from_newtonian_to_its_power_law(law, flow):
    n, onset = law["exponent"], law["plateau_flow_mm3_s"]
    low = models.cross(onset * 1e-12, **law)
    assert float(low) == pytest.approx(law["resistance"] * onset * 1e-12, rel=0.1)
    local = models.cross_exponent(flow, exponent=n, plateau_flow_mm3_s=onset)
    near = flow * np.array([1 - 1e-6, 1 + 1e-6])
    slope = np.diff(np.log(models.cross(near, **law)))[0] / np.diff(np.log(near))[0]
    assert float(local) == pytest.approx(slope, abs=1e-6)
    assert n <= float(local) <= 1.0


@pytest.mark.parametrize(
    "law",
    [
        {"resistance": 20.0, "exponent": 0.4},
        {"resistance": 20.0, "exponent": 0.4, "yield_n": 5.0},
        {"resistance": 20.0, "exponent": 0.4, "melt_limit_mm3_s": 12.0, "sharpness": 3.0},
        {"resistance": 20.0, "exponent": 0.4, "yield_n": 5.0, "melt_limit_mm3_s": 12.0},
        {"resistance": 20.0, "exponent": 0.4, "plateau_flow_mm3_s": 2.0},
        {
            "resistance": 20.0,
            "exponent": 0.4,
            "plateau_flow_mm3_s": 2.0,
            "melt_limit_mm3_s": 12.0,
            "sharpness": 3.0,
        },
    ],
)
def test_the_slope_of_every_law_is_its_derivative(law):
    for flow in (0.5, 4.0, 11.0):
        near = flow * np.array([1 - 1e-6, 1 + 1e-6])
        rise = np.diff(models.force_of(near, law))[0] / np.diff(near)[0]
        assert float(models.slope_of(flow, law)) == pytest.approx(rise, rel=1e-5)


@given(st.floats(0.01, 40.0), st.floats(2.0, 30.0), st.floats(0.6, 8.0), st.floats(0.2, 1.5))
def test_a_saturating_flow_is_inverted_and_its_slope_is_that_of_the_force(die, top, power, n):
    flow = models.saturated_flow(die, melt_limit_mm3_s=top, saturation=power)
    assert flow <= min(die, top) * (1 + 1e-12)
    share = float(flow) / top
    if share > 0.999:
        return
    back = models.saturated_die_flow(flow, melt_limit_mm3_s=top, saturation=power)
    assert back == pytest.approx(die, rel=1e-6)
    law = {
        "yield_n": 3.0,
        "resistance": 10.0,
        "exponent": n,
        "melt_limit_mm3_s": top,
        "saturation": power,
    }
    assert models.force_of(flow, law) == pytest.approx(3.0 + 10.0 * die**n, rel=1e-6)
    step = 1e-6 * float(flow)
    up, down = models.force_of(flow + step, law), models.force_of(flow - step, law)
    assert models.slope_of(flow, law) == pytest.approx(float(up - down) / (2 * step), rel=1e-3)


def test_without_sharpening_a_flow_saturates_as_a_heat_exchanger_does():
    """1 - exp(-NTU), one stream at constant temperature: Kays & London; from memory."""
    flow = models.saturated_flow(np.array([5.0, 10.0, 20.0]), melt_limit_mm3_s=10.0, saturation=1.0)
    np.testing.assert_allclose(flow / 10.0, [0.3935, 0.6321, 0.8647], atol=5e-5)
