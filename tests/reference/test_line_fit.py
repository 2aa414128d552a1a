"""Lines by least squares against published examples.

Sources: JCGM 100:2008 (GUM), annex H.3, calibration of a thermometer, data of its table H.6 and
results as the documentation of GTC (GUM_H3.rst) gives them, verified there and with GTC 1.5.1; NIST
StRD linear regression, data set Norris, certified values, verified by exact rational arithmetic;
NIST StRD NoInt1, data and certified values from memory, which exact rational arithmetic reproduces.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from swathe.calibration import CalibrationError, fit_line, fit_slope

TEMPERATURE = np.array(
    [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
)
CORRECTION = np.array(
    [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
)
NORRIS_X = np.array(
    [
        0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5,
        666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2,
        999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
    ]
)  # fmt: skip
NORRIS_Y = np.array(
    [
        0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1,
        668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0,
        998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
    ]
)  # fmt: skip


def test_thermometer_of_the_gum_as_printed() -> None:
    """The printed values of JCGM 100 H.3 come out, each to half of its last digit (verified)."""
    fit = fit_line(TEMPERATURE - 20, CORRECTION)
    assert fit.intercept == pytest.approx(-0.1712, abs=0.5e-4)
    assert fit.slope == pytest.approx(0.00218, abs=0.5e-5)
    assert fit.u_intercept == pytest.approx(0.0029, abs=0.5e-4)
    assert fit.u_slope == pytest.approx(0.00067, abs=0.5e-5)
    assert fit.correlation == pytest.approx(-0.93, abs=0.5e-2)
    assert fit.dof == 9
    at_30, u_at_30 = fit.predict(10.0)
    assert float(at_30) == pytest.approx(-0.1494, abs=0.5e-4)
    assert float(u_at_30) == pytest.approx(0.0041, abs=0.5e-4)


def test_thermometer_of_the_gum_to_all_digits() -> None:
    """The same to the digits that GTC 1.5.1 gives (verified with numpy beside it)."""
    fit = fit_line(TEMPERATURE - 20, CORRECTION)
    assert fit.intercept == pytest.approx(-0.17120379013135, rel=1e-9)
    assert fit.slope == pytest.approx(0.00218269773988720, rel=1e-9)
    assert fit.u_intercept == pytest.approx(0.00287759783515996, rel=1e-9)
    assert fit.u_slope == pytest.approx(0.000667938773227833, rel=1e-9)
    assert fit.correlation == pytest.approx(-0.930429603093446, rel=1e-9)
    assert fit.residuals @ fit.residuals == pytest.approx(0.000110096583109297, rel=1e-9)
    assert fit.residual_sd == pytest.approx(0.00349756396350529, rel=1e-9)
    at_30, u_at_30 = fit.predict([10.0])
    assert at_30.tolist() == pytest.approx([-0.149376812732478], rel=1e-9)
    assert u_at_30.tolist() == pytest.approx([0.00413859575285495], rel=1e-9)


def test_thermometer_of_the_gum_residuals() -> None:
    """Observed less fitted, point for point (arithmetic from the fit of the published data)."""
    fit = fit_line(TEMPERATURE - 20, CORRECTION)
    expected = [
        -0.003116, -0.002188, -0.000279, 0.005649, -0.000451, -0.002525, 0.005353, 0.003286,
        0.000192, -0.002914, -0.003008,
    ]  # fmt: skip
    assert fit.residuals.tolist() == pytest.approx(expected, abs=0.6e-6)


@pytest.mark.parametrize(
    ("origin", "intercept", "u_intercept", "correlation"),
    [
        (TEMPERATURE.mean(), -0.16245455, 0.00105456, 0.0),
        (0.0, -0.21485774, 0.01607081, -0.99784473),
    ],
)
def test_thermometer_of_the_gum_about_another_origin(
    origin: float, intercept: float, u_intercept: float, correlation: float
) -> None:
    """Slope and prediction stay as they are; at the mean nothing correlates (computed with numpy)."""
    fit = fit_line(TEMPERATURE - origin, CORRECTION)
    assert fit.intercept == pytest.approx(intercept, abs=1e-8)
    assert fit.u_intercept == pytest.approx(u_intercept, abs=1e-8)
    assert fit.correlation == pytest.approx(correlation, abs=1e-8)
    assert fit.slope == pytest.approx(0.00218269773988720, rel=1e-9)
    assert fit.u_slope == pytest.approx(0.000667938773227833, rel=1e-9)
    _, u_at_30 = fit.predict(30 - origin)
    assert float(u_at_30) == pytest.approx(0.00413859575285495, rel=1e-9)


def test_prediction_takes_in_the_correlation() -> None:
    """u² = u_a² + x² u_b² + 2 x r u_a u_b, as JCGM 100 H.3.5 has it; without r it would be 0.00727."""
    fit = fit_line(TEMPERATURE - 20, CORRECTION)
    x = np.linspace(-30, 30, 13)
    _, u = fit.predict(x)
    by_parts = (
        fit.u_intercept**2
        + x**2 * fit.u_slope**2
        + 2 * x * fit.correlation * fit.u_intercept * fit.u_slope
    )
    assert u**2 == pytest.approx(by_parts, rel=1e-9)


def test_norris() -> None:
    """NIST StRD Norris: all certified values (verified)."""
    fit = fit_line(NORRIS_X, NORRIS_Y)
    assert fit.intercept == pytest.approx(-0.262323073774029, rel=1e-10)
    assert fit.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert fit.u_intercept == pytest.approx(0.232818234301152, rel=1e-10)
    assert fit.u_slope == pytest.approx(0.429796848199937e-03, rel=1e-10)
    assert fit.residual_sd == pytest.approx(0.884796396144373, rel=1e-10)
    squares = float(fit.residuals @ fit.residuals)
    assert squares == pytest.approx(26.6173985294224, rel=1e-10)
    total = float(np.sum((NORRIS_Y - NORRIS_Y.mean()) ** 2))
    assert 1 - squares / total == pytest.approx(0.999993745883712, rel=1e-12)


def test_no_intercept() -> None:
    """NIST StRD NoInt1: the line held at the origin (from memory, reproduced)."""
    fit = fit_slope(np.arange(60, 71), np.arange(130, 141))
    assert fit.slope == pytest.approx(2.07438016528926, rel=1e-13)
    assert fit.u_slope == pytest.approx(0.0165289256198347, rel=1e-12)
    assert fit.residual_sd == pytest.approx(3.56753034006338, rel=1e-12)
    assert fit.dof == 10
    assert (fit.intercept, fit.u_intercept, fit.correlation) == (0.0, 0.0, 0.0)
    y, u = fit.predict([0.0, 100.0])
    assert y.tolist() == pytest.approx([0.0, 207.438016528926])
    assert u.tolist() == pytest.approx([0.0, 1.65289256198347])


@pytest.mark.parametrize("seed", range(5))
def test_random_points_agree_with_scipy(seed: int) -> None:
    """`scipy.stats.linregress` (1.17.1) finds the same line."""
    random = np.random.default_rng(seed)
    x = random.uniform(-5, 40, 12)
    y = 3 - 0.4 * x + random.normal(0, 0.2, x.size)
    other = stats.linregress(x, y)
    fit = fit_line(x, y)
    found = (fit.slope, fit.intercept, fit.u_slope, fit.u_intercept)
    expected = (other.slope, other.intercept, other.stderr, other.intercept_stderr)
    assert found == pytest.approx(tuple(map(float, expected)), rel=1e-9)


def test_as_many_points_as_unknowns_tell_no_uncertainty() -> None:
    """Two points lie on their line and one on its own through the origin: nothing is left over."""
    line = fit_line([1.0, 3.0], [2.0, 8.0])
    assert (line.slope, line.intercept, line.dof) == (3.0, -1.0, 0)
    slope = fit_slope([2.0], [5.0])
    assert (slope.slope, slope.dof) == (2.5, 0)
    for fit in (line, slope):
        assert math.isnan(fit.residual_sd)
        assert math.isnan(fit.u_slope)


@pytest.mark.parametrize(
    ("x", "y", "message"),
    [
        ([1.0], [2.0], "as many x as y, 2 or more"),
        ([1.0, 2.0], [2.0], "as many x as y"),
        ([[1.0, 2.0]], [[1.0, 2.0]], "as many x as y"),
        ([4.0, 4.0], [1.0, 2.0], r"two or more different x \(got 2 at 4\)"),
        ([1.0, 2.0, math.nan], [1.0, 2.0, 3.0], "point 3 must be two finite numbers"),
        ([1.0, 2.0], [1.0, math.inf], "point 2 must be two finite numbers"),
    ],
)
def test_points_that_make_no_line_are_refused(x: list[float], y: list[float], message: str) -> None:
    """What tells no line is refused with the mend."""
    with pytest.raises(CalibrationError, match=message):
        fit_line(x, y)


@pytest.mark.parametrize("x", [[], [0.0, 0.0]])
def test_slope_without_a_point_off_the_origin_is_refused(x: list[float]) -> None:
    """A line through the origin needs a point elsewhere."""
    with pytest.raises(CalibrationError, match="a line"):
        fit_slope(x, x)
