"""Interval-censored likelihood against scipy.stats, lifelines and published values."""

from __future__ import annotations

import numpy as np
import pytest

from rig.curves.censored import fit_location_scale
from rig.curves.likelihood import interval_probability, log_likelihood, student4_tail

# Months to cosmetic deterioration of 94 patients after treatment for breast cancer, the classic
# interval-censored set: Finkelstein & Wolfe 1985, Biometrics 41, 933. "0-7" lies before 7, "15-"
# after 15. (A version with 95 rows is in circulation, with another likelihood.)
RADIOTHERAPY = """
0-5 0-7 0-8 4-11 5-11 5-12 6-10 7-14 7-16 11-15 11-18 15- 17- 17-25 17-25 18- 19-26 19-35 22- 24-
24- 25-37 26-40 27-34 32- 33- 34- 36- 36- 36-44 36-48 37- 37- 37- 37-44 38- 40- 45- 46- 46- 46- 46-
46- 46- 46- 46-
"""
WITH_CHEMOTHERAPY = """
0-5 0-22 4-8 4-9 5-8 8-12 8-21 10-17 10-35 11- 11- 11-13 11-17 11-20 12-20 13- 13- 13- 13-39 14-17
14-19 15-22 16-20 16-24 16-24 16-60 17-23 17-26 17-27 18-24 18-25 19-32 21- 22-32 23- 24-30 24-31
30-34 30-36 31- 32- 33-40 34- 34- 35- 35-39 44-48 48-
"""


def intervals(text):
    rows = [item.split("-") for item in text.split()]
    low = np.array([float(a) for a, _ in rows])
    high = np.array([float(b) if b else np.inf for _, b in rows])
    return low, high


def test_normal_sample_of_four_intervals():
    """Published: mu 0.5919990, sigma 0.2868042, standard errors 0.14444, 0.10295."""
    fit = fit_location_scale(np.array([0.10, 0.50, 0.75, 0.80]), np.array([0.20, 0.55, 0.90, 0.95]))
    assert fit.converged
    assert fit.location[0] == pytest.approx(0.5919990, abs=1e-6)
    assert fit.scale == pytest.approx(0.2868042, abs=1e-6)
    assert fit.standard_errors[0] == pytest.approx(0.14444, abs=1e-5)
    assert fit.standard_errors[1] * fit.scale == pytest.approx(0.10295, abs=1e-5)


def test_normal_sample_agrees_with_scipy_with_all_kinds_of_censoring():
    from scipy import optimize, stats

    rng = np.random.default_rng(4)
    x = rng.normal(1.0, 0.4, 40)
    low, high = np.floor(x * 5) / 5, np.floor(x * 5) / 5 + 0.2
    low[:6], high[-7:] = -np.inf, np.inf
    fit = fit_location_scale(low, high)
    closed = np.isfinite(low) & np.isfinite(high)
    held = stats.CensoredData(
        interval=np.column_stack((low[closed], high[closed])),
        left=high[~np.isfinite(low)],
        right=low[~np.isfinite(high)],
    )

    def tight(function, start, args=(), disp=0):
        return optimize.fmin(
            function, start, args=args, disp=disp, xtol=1e-11, ftol=1e-13, maxfun=5000
        )

    location, scale = stats.norm.fit(held, optimizer=tight)
    assert fit.location[0] == pytest.approx(location, abs=1e-6)
    assert fit.scale == pytest.approx(scale, abs=1e-6)
    law = stats.norm(fit.location[0], fit.scale)
    theirs = (
        np.log(law.cdf(high[closed]) - law.cdf(low[closed])).sum()
        + law.logcdf(high[~np.isfinite(low)]).sum()
        + law.logsf(low[~np.isfinite(high)]).sum()
    )
    assert fit.log_likelihood == pytest.approx(theirs, abs=1e-9)


def test_weibull_with_a_covariate_on_the_breast_cosmesis_set():
    """Against lifelines' accelerated-failure-time fit of the same rows."""
    import pandas as pd
    from lifelines import WeibullAFTFitter

    a, b = intervals(RADIOTHERAPY), intervals(WITH_CHEMOTHERAPY)
    low, high = np.concatenate((a[0], b[0])), np.concatenate((a[1], b[1]))
    treated = (np.arange(len(low)) >= len(a[0])).astype(float)
    assert (len(a[0]), len(b[0])) == (46, 48)
    with np.errstate(divide="ignore"):
        fit = fit_location_scale(
            np.log(low),
            np.log(high),
            design=np.column_stack((np.ones(len(low)), treated)),
            distribution="weibull",
        )
    theirs = WeibullAFTFitter().fit_interval_censoring(
        pd.DataFrame({"low": low, "high": high, "treated": treated}), "low", "high"
    )
    rows = [("lambda_", "Intercept"), ("lambda_", "treated"), ("rho_", "Intercept")]
    assert fit.log_likelihood == pytest.approx(theirs.log_likelihood_, abs=1e-6)
    wanted = theirs.params_[rows].to_numpy() * [1, 1, -1]
    np.testing.assert_allclose([*fit.location, fit.log_scale], wanted, atol=1e-5)
    np.testing.assert_allclose(fit.standard_errors, theirs.standard_errors_[rows], rtol=1e-4)


def test_weibull_agrees_with_lifelines_to_six_digits():
    from lifelines import WeibullFitter

    rng = np.random.default_rng(8)
    t = 12.0 * rng.weibull(1.7, 60)
    low = np.maximum(np.floor(t), 1e-3)
    high = np.floor(t) + 1.0
    high[50:] = np.inf
    theirs = WeibullFitter().fit_interval_censoring(low, high)
    fit = fit_location_scale(np.log(low), np.log(high), distribution="weibull")
    assert np.exp(fit.location[0]) == pytest.approx(theirs.lambda_, rel=1e-5)
    assert 1.0 / fit.scale == pytest.approx(theirs.rho_, rel=1e-5)
    assert fit.log_likelihood == pytest.approx(theirs.log_likelihood_, abs=1e-6)


def test_student_tail_agrees_with_scipy_near_and_far():
    from scipy.stats import t

    z = np.array([-1e6, -40.0, -3.0, -0.1, 0.0, 0.2, 2.0, 30.0, 1e4, 1e7])
    np.testing.assert_allclose(student4_tail(z), t.sf(z, 4), rtol=1e-9)
    assert student4_tail(np.array([np.inf]))[0] == 0.0
    assert student4_tail(np.array([-np.inf]))[0] == 1.0


@pytest.mark.parametrize("scatter", ["student", "normal"])
def test_interval_probability_keeps_its_digits_in_either_tail(scatter):
    from scipy import stats

    law = stats.t(4) if scatter == "student" else stats.norm
    low = np.array([-9.0, -0.5, 6.0, -np.inf, 2.0, -np.inf])
    high = np.array([-8.0, 0.7, 6.5, -3.0, np.inf, np.inf])
    wanted = np.where(low > 0, law.sf(low) - law.sf(high), law.cdf(high) - law.cdf(low))
    np.testing.assert_allclose(interval_probability(low, high, scatter), wanted, rtol=1e-10)


def test_likelihood_of_a_sample_equals_the_censored_likelihood_of_scipy():
    from scipy import stats

    low, high = np.array([0.1, -np.inf, 0.4]), np.array([0.3, 0.2, np.inf])
    ours = log_likelihood(low, high, np.full(3, 0.25), np.full(3, 0.1), scatter="normal")
    law = stats.norm(0.25, 0.1)
    theirs = np.log(law.cdf(0.3) - law.cdf(0.1)) + law.logcdf(0.2) + law.logsf(0.4)
    assert float(ours) == pytest.approx(theirs, abs=1e-12)
