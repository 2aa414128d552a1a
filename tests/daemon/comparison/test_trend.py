"""The rate of loss over several surveys: against numpy, and by simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from swathe.comparison import fit_trend
from swathe.errors import SwatheError

YEARS = np.array([-8.0, -5.0, -3.0, -1.0, 0.0])


def test_line_is_numpys() -> None:
    """Slope and uncertainty are those of `numpy.polyfit` with the weights 1 / u."""
    values = np.array([12.0, 11.8, 11.35, 11.3, 11.15])
    u = np.array([0.2, 0.15, 0.2, 0.1, 0.25])
    found = fit_trend(YEARS, values, u)
    terms, covariance = np.polyfit(YEARS, values, 1, w=1 / u, cov="unscaled")
    assert found.slope.value == pytest.approx(terms[0])
    assert found.excess is not None
    assert found.excess < 1
    assert found.slope.standard == pytest.approx(np.sqrt(covariance[0, 0]))
    half = stats.norm.ppf(0.975) * np.sqrt(covariance[0, 0])
    assert found.slope.high == pytest.approx(terms[0] + half)
    bent, covariance = np.polyfit(YEARS, values, 2, w=1 / u, cov="unscaled")
    assert found.bend is not None
    assert found.bend.value == pytest.approx(2 * bent[0])
    assert found.bend.standard == pytest.approx(2 * np.sqrt(covariance[0, 0]))


def test_without_uncertainties_the_scatter_is_taken() -> None:
    """The interval is that of `scipy.stats.linregress` with Student's t."""
    values = np.array([12.0, 11.8, 11.35, 11.3, 11.15])
    expected = stats.linregress(YEARS, values)
    found = fit_trend(YEARS, values, None)
    assert found.excess is None
    half = stats.t.ppf(0.975, 3) * expected.stderr
    assert found.slope.low == pytest.approx(expected.slope - half)
    # Uncertainties that are far too small come to the same.
    small = fit_trend(YEARS, values, np.full(5, 1e-4))
    assert small.slope.low == pytest.approx(expected.slope - half)
    assert small.excess is not None
    assert small.excess > 100


def test_few_degrees_of_freedom_widen_the_interval() -> None:
    """Where all uncertainty is shared with 4 degrees of freedom each, as Welch and Satterthwaite have it."""
    u = np.full(3, 0.1)
    years = np.array([-2.0, -1.0, 0.0])
    found = fit_trend(years, np.array([10.2, 10.1, 10.0]), u, shared=u, shared_dof=np.full(3, 4.0))
    assert found.slope.standard == pytest.approx(0.1 / np.sqrt(2))
    # Two points carry the slope, alike: 8 degrees of freedom.
    assert found.slope.dof == pytest.approx(8.0)
    assert found.bend is None


@pytest.mark.parametrize("count", [3, 6])
def test_interval_holds_the_rate(count: int) -> None:
    """Surveys that are off as a whole by known uncertainties: it holds in 95 % or somewhat more."""
    random = np.random.default_rng(count)
    years = np.linspace(-10, 0, count)
    u = np.linspace(0.03, 0.06, count)
    held = bent = 0
    for _ in range(1500):
        values = 12 - 0.1 * years + random.normal(0, u)
        found = fit_trend(years, values, u, bends=1)
        assert found.slope.low is not None
        assert found.slope.high is not None
        held += found.slope.low <= -0.1 <= found.slope.high
        bent += found.bend is not None and (found.bend.above_zero or found.bend.below_zero)
    assert 0.94 <= held / 1500 <= 0.99
    # No acceleration is claimed more often than the level states.
    assert bent / 1500 <= 0.06


def test_bends_of_many_zones_share_the_level() -> None:
    """Of 20 zones that are looked at together each one's interval is of 99.75 %."""
    values = np.array([12.0, 11.8, 11.35, 11.3, 11.15])
    u = np.full(5, 0.2)
    one, many = (fit_trend(YEARS, values, u, bends=n).bend for n in (1, 20))
    assert one is not None
    assert many is not None
    assert one.high is not None
    assert many.high is not None
    ratio = (many.high - many.value) / (one.high - one.value)
    assert ratio == pytest.approx(stats.norm.ppf(0.99875) / stats.norm.ppf(0.975), rel=1e-4)


def test_too_few_points_are_refused() -> None:
    """Two surveys are a comparison; surveys of one day have no rate."""
    with pytest.raises(SwatheError, match="3 surveys or more"):
        fit_trend(np.array([0.0, 1.0]), np.array([1.0, 2.0]), None)
    with pytest.raises(SwatheError, match="different times"):
        fit_trend(np.zeros(3), np.array([1.0, 2.0, 3.0]), None)
