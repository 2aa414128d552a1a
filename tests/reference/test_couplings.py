"""The analysis of variance over couplings against JCGM 100 H.5, scipy and numpy.

Source: JCGM 100:2008 (GUM) annex H.5, table H.9 (a Zener voltage standard measured 5 times on each of
10 days) and its results; all from memory, as the text was not at hand. The printed results follow
from the printed data by arithmetic, which is done here apart from the code.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from swathe.calibration import StepCoupling, coupling_scatter, rounding_uncertainty
from swathe.calibration.couplings import round_drift
from swathe.calibration.line_fit import fit_line, fit_slope

# Daily means above 10 V and standard deviations of the day's 5 observations, µV.
DAYS = (172, 116, 13, 144, 106, 31, 60, 125, 163, 41)
SDS = (60, 77, 111, 101, 67, 93, 80, 73, 88, 86)


def test_analysis_of_variance_of_the_gum() -> None:
    """H.5: mean 10.000 097 V, s(means) 57 µV, s_a 128 µV with 9, s_b 85 µV with 40 degrees."""
    days = [
        StepCoupling(time_of_flight=v, sd=s, readings=5) for v, s in zip(DAYS, SDS, strict=True)
    ]
    found = coupling_scatter([days])
    assert np.mean(DAYS) == pytest.approx(97, abs=0.5)
    assert found.between == pytest.approx(57, abs=0.5)
    assert math.sqrt(5) * found.between == pytest.approx(128, abs=0.5)
    assert found.within == pytest.approx(85, abs=0.5)
    assert (found.dof, found.within_dof) == (9, 40)
    # F = 2.25; the mean's standard uncertainty 18 µV; between days alone 43 µV.
    assert 5 * found.between**2 / found.within**2 == pytest.approx(2.25, abs=0.03)
    assert found.between / math.sqrt(10) == pytest.approx(18, abs=0.5)
    assert math.sqrt(found.between**2 - found.within**2 / 5) == pytest.approx(43, abs=0.5)


def test_analysis_of_variance_is_scipys() -> None:
    """F of `scipy.stats.f_oneway` over the couplings of one step, all of as many readings."""
    random = np.random.default_rng(4)
    times = random.normal(5.0, 0.01, (4, 1)) + random.normal(0, 0.004, (4, 12))
    found = coupling_scatter(
        [[StepCoupling(time_of_flight=t.mean(), sd=t.std(ddof=1), readings=12) for t in times]]
    )
    assert 12 * found.between**2 / found.within**2 == pytest.approx(
        stats.f_oneway(*times).statistic
    )


def test_weighted_line_is_numpys() -> None:
    """Line and covariance of `numpy.polyfit` with the square roots of the weights."""
    random = np.random.default_rng(2)
    x, w = random.uniform(2, 25, 7), random.uniform(0.1, 9, 7)
    y = 0.3 + 0.34 * x + random.normal(0, 0.01, 7)
    (slope, intercept), covariance = np.polyfit(x, y, 1, w=np.sqrt(w), cov=True)
    found = fit_line(x, y, weights=w)
    assert (found.slope, found.intercept) == pytest.approx((slope, intercept))
    assert found.u_slope**2 == pytest.approx(covariance[0, 0])
    assert found.u_intercept**2 == pytest.approx(covariance[1, 1])
    assert found.correlation * found.u_slope * found.u_intercept == pytest.approx(covariance[0, 1])
    through, _, _, _ = np.linalg.lstsq((np.sqrt(w) * x)[:, None], np.sqrt(w) * y, rcond=None)
    assert fit_slope(x, y, weights=w).slope == pytest.approx(through[0])


@pytest.mark.parametrize("sd", [0.0, 0.05, 0.1, 0.2, 0.3, 0.5])
def test_rounding_that_scatter_does_not_average_by_simulation(sd: float) -> None:
    """The mean of many rounded readings is off by so much, over true values spread evenly.

    Given the true scatter: what is observed has a twelfth of the step's square more.
    """
    random = np.random.default_rng(3)
    true = (np.arange(400) + 0.5) / 400
    noise = stats.norm.ppf((np.arange(2000) + 0.5) / 2000) * sd
    shown = np.round(true[:, None] + random.permutation(noise))
    left = float(np.sqrt(np.mean((shown.mean(axis=1) - true) ** 2)))
    observed = math.sqrt(sd**2 + 1 / 12)
    assert rounding_uncertainty(1.0, observed) == pytest.approx(left, abs=0.003)
    assert rounding_uncertainty(0.01, observed / 100) == pytest.approx(left / 100, abs=3e-5)


@pytest.mark.parametrize("shift", [0.0, 0.004, 0.008, 0.02])
def test_drift_of_rounds_is_the_test_of_a_linear_model(shift: float) -> None:
    """F of steps + rounds against steps alone, both fitted by `numpy.linalg.lstsq`, 1 % by scipy."""
    random = np.random.default_rng(11)
    times = random.normal(0, 0.004, (4, 3)) + shift * np.arange(3) + 5.0
    couplings = [
        [StepCoupling(time_of_flight=t, round=k + 1) for k, t in enumerate(row)] for row in times
    ]
    step = np.repeat(np.eye(4), 3, axis=0)
    both = np.hstack((step, np.tile(np.eye(3)[:, 1:], (4, 1))))
    y = times.ravel()
    small, large = (
        float(np.sum((y - x @ np.linalg.lstsq(x, y, rcond=None)[0]) ** 2)) for x in (step, both)
    )
    beyond_chance = (small - large) / 2 / (large / 6) > stats.f.ppf(0.99, 2, 6)
    assert (round_drift(couplings) > 0) is bool(beyond_chance)
