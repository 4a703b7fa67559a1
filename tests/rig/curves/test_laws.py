"""Laws as the fit sees them agree with the plain functions, whatever the coordinates."""

from __future__ import annotations

import numpy as np
import pytest

from rig.curves import models
from rig.curves.choice import LAWS, RIVALS
from rig.curves.laws import PowerLaw, Scale
from rig.curves.smooth import SmoothCurve

SCALE = Scale(flow_mm3_s=5.0, force_n=40.0, least_force_n=20.0, top_flow_mm3_s=14.0)
FORCES = np.log(np.linspace(22.0, 80.0, 7))


@pytest.mark.parametrize("name", [*LAWS, *RIVALS, "cross", "cross-melt"])
def test_coordinates_parameters_and_plain_functions_say_the_same(name):
    law = PowerLaw(name, SCALE)
    theta = law.starts(np.random.default_rng(5), 60)
    theta = np.clip(theta, law.bounds[:, 0] + 1e-3, law.bounds[:, 1] - 1e-3)
    flows, steep = law.log_flow(theta, FORCES)
    near, _ = law.log_flow(theta, FORCES + 1e-6)
    held = law.parameters(theta)
    for row in range(len(theta)):
        own = {key: float(values[row]) for key, values in held.items()}
        sound = (flows[row] > -20) & (steep[row] > 1e-3)
        force = models.force_of(np.exp(flows[row][sound]), own)
        np.testing.assert_allclose(np.log(force), FORCES[sound], atol=2e-6)
        back = law.log_force_at(theta[row : row + 1], flows[row][sound])[0]
        np.testing.assert_allclose(back, FORCES[sound], atol=2e-6)
        rise = (near[row][sound] - flows[row][sound]) / 1e-6
        np.testing.assert_allclose(rise, steep[row][sound], rtol=2e-3)


def test_the_smooth_curve_rises_and_is_inverted():
    law = SmoothCurve(SCALE, FORCES, pieces=4)
    theta = law.starts(np.random.default_rng(3), 40)
    flows, steep = law.log_flow(theta, FORCES)
    assert (np.diff(flows, axis=1) > 0).all()
    assert (steep > 0).all()
    for row in range(5):
        back = law.log_force_at(theta[row : row + 1], flows[row])[0]
        np.testing.assert_allclose(back, FORCES, atol=5e-3)


def test_without_steps_the_smooth_curve_is_a_power_law():
    law = SmoothCurve(SCALE, FORCES, pieces=4)
    theta = np.zeros((1, len(law.coordinates)))
    theta[0, 1] = np.log(2.5)
    flows, steep = law.log_flow(theta, FORCES)
    np.testing.assert_allclose(steep, 2.5, rtol=1e-9)
    np.testing.assert_allclose(flows[0], 2.5 * (FORCES - FORCES[0]), atol=1e-9)


@pytest.mark.parametrize("name", [*LAWS, *RIVALS, "cross", "cross-melt"])
def test_a_scaled_law_needs_more_force_by_the_factor_at_every_flow(name):
    law = PowerLaw(name, SCALE)
    theta = law.starts(np.random.default_rng(6), 30)
    theta = np.clip(theta, law.bounds[:, 0] + 1e-3, law.bounds[:, 1] - 1e-3)
    more = np.random.default_rng(7).normal(0.0, 0.1, 30)
    flows = np.log(np.array([0.5, 3.0, 9.0]))
    before, after = law.log_force_at(theta, flows), law.log_force_at(law.scaled(theta, more), flows)
    sound = np.isfinite(before)
    np.testing.assert_allclose(after[sound], (before + more[:, None])[sound], atol=1e-9)


def test_a_scaled_smooth_curve_is_the_same_spline_moved():
    law = SmoothCurve(SCALE, FORCES, pieces=4)
    theta = law.starts(np.random.default_rng(3), 20)
    theta[:, -1] = np.log(0.2)
    more = np.full(20, 0.05)
    inside = FORCES[1:-1]
    moved, _ = law.log_flow(law.scaled(theta, more), inside)
    np.testing.assert_allclose(moved, law.log_flow(theta, inside - 0.05)[0], atol=0.01)
