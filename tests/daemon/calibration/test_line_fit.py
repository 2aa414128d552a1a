"""Lines through few points, worked out by hand, and the words for points that make none."""

from __future__ import annotations

import math

import pytest

from swathe.calibration import CalibrationError, fit_line, fit_slope


def test_line_through_four_points_by_hand() -> None:
    """Residuals of -0.1, 0.3, -0.3 and 0.1 about 1.1 + 1.6 x; the squared distances in x sum to 5."""
    fit = fit_line([0.0, 1.0, 2.0, 3.0], [1.0, 3.0, 4.0, 6.0])
    assert (fit.intercept, fit.slope) == pytest.approx((1.1, 1.6))
    assert fit.residuals == pytest.approx([-0.1, 0.3, -0.3, 0.1])
    assert (fit.dof, fit.centre) == (2, 1.5)
    assert fit.residual_sd == pytest.approx(math.sqrt(0.1))
    assert fit.u_slope == pytest.approx(math.sqrt(0.02))
    assert fit.u_intercept == pytest.approx(math.sqrt(0.1 * (1 / 4 + 2.25 / 5)))
    assert fit.u_centre == pytest.approx(math.sqrt(0.1 / 4))
    assert fit.correlation == pytest.approx(-1.5 / math.sqrt(5 * 0.7))
    y, u = fit.predict([1.5, 3.5])
    assert y == pytest.approx([3.5, 6.7])
    assert u == pytest.approx([math.sqrt(0.025), math.sqrt(0.025 + 0.02 * 4)])


def test_line_through_the_origin_by_hand() -> None:
    """(1 * 1 + 2 * 3) / 5 = 1.4, with residuals of -0.4 and 0.2."""
    fit = fit_slope([1.0, 2.0], [1.0, 3.0])
    assert fit.slope == pytest.approx(1.4)
    assert fit.residuals == pytest.approx([-0.4, 0.2])
    assert (fit.dof, fit.centre, fit.u_centre) == (1, 0.0, 0.0)
    assert fit.residual_sd == pytest.approx(math.sqrt(0.2))
    assert fit.u_slope == pytest.approx(math.sqrt(0.2 / 5))


@pytest.mark.parametrize(
    ("x", "y", "text"),
    [
        ([], [], "a line needs as many x as y, 2 or more (got shapes (0,), (0,))"),
        ([1.0], [1.0], "a line needs as many x as y, 2 or more (got shapes (1,), (1,))"),
        ([1.0, 2.0], [1.0], "a line needs as many x as y, 2 or more (got shapes (2,), (1,))"),
        ([4.0, 4.0], [1.0, 2.0], "a line needs points at two or more different x (got 2 at 4)"),
        ([math.inf, 1.0], [1.0, 2.0], "point 1 must be two finite numbers (got inf, 1.0): leave"),
        ([0.0, 1.0], [1.0, math.nan], "point 2 must be two finite numbers (got 1.0, nan): leave"),
    ],
)
def test_points_that_make_no_line_in_words(x: list[float], y: list[float], text: str) -> None:
    """Count, shape and the first bad point are named."""
    with pytest.raises(CalibrationError) as caught:
        fit_line(x, y)
    assert str(caught.value).startswith(text)


@pytest.mark.parametrize(
    ("x", "y", "text"),
    [
        ([], [], "a line needs as many x as y, 1 or more (got shapes (0,), (0,))"),
        ([1.0], [], "a line needs as many x as y, 1 or more (got shapes (1,), (0,))"),
        ([0.0], [1.0], "a line through the origin needs a point away from it (got none)"),
        ([math.nan], [1.0], "point 1 must be two finite numbers (got nan, 1.0): leave it out"),
        ([1.0], [-math.inf], "point 1 must be two finite numbers (got 1.0, -inf): leave it out"),
    ],
)
def test_points_that_make_no_slope_in_words(x: list[float], y: list[float], text: str) -> None:
    """One point is enough if it is away from the origin."""
    with pytest.raises(CalibrationError) as caught:
        fit_slope(x, y)
    assert str(caught.value) == text
