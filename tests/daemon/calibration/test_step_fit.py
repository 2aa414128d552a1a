"""The line through steps, its weights and covariances, worked out by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from swathe.calibration.step_fit import Covariance, StepFit, fit_steps

PATHS = np.array([1.0, 2.0, 3.0])
TIMES = np.array([2.0, 4.0, 6.6])


def both_sought() -> StepFit:
    """Return the line of which zero and slope are sought."""
    return fit_steps(PATHS, TIMES, velocity=None, zero_offset=None)


def test_fit_of_zero_and_slope() -> None:
    """Slope (6.6 - 2) / 2 = 2.3, mean 4.2 at 2, so -0.4 at 0."""
    fit = both_sought()
    assert (fit.zero, fit.slope) == pytest.approx((-0.4, 2.3))
    assert fit.residuals == pytest.approx([0.1, -0.2, 0.1])
    assert (fit.dof, fit.by_given) == (1, None)
    assert fit.scatter == pytest.approx(math.sqrt(0.06))
    assert fit.slope_weights == pytest.approx([-0.5, 0.0, 0.5])
    assert fit.zero_weights == pytest.approx([4 / 3, 1 / 3, -2 / 3])


def test_fit_with_the_velocity_given() -> None:
    """At 4 mm/µs the slope is 0.5; 4.2 - 0.5 * 2 is left for the zero."""
    fit = fit_steps(PATHS, TIMES, velocity=4.0, zero_offset=None)
    assert fit.zero == pytest.approx(3.2)
    assert (fit.slope, fit.dof) == (0.5, 2)
    assert fit.residuals == pytest.approx([-1.7, -0.2, 1.9])
    assert fit.scatter == pytest.approx(math.sqrt((1.7**2 + 0.2**2 + 1.9**2) / 2))
    assert fit.zero_weights == pytest.approx([1 / 3] * 3)
    assert fit.slope_weights.tolist() == [0.0, 0.0, 0.0]
    assert fit.by_given == (-2.0, 1.0)


def test_fit_with_the_zero_offset_given() -> None:
    """Through 1 at 0: (1 * 1 + 2 * 3 + 3 * 5.6) / 14 = 1.7."""
    fit = fit_steps(PATHS, TIMES, velocity=None, zero_offset=1.0)
    assert fit.slope == pytest.approx(1.7)
    assert (fit.zero, fit.dof) == (1.0, 2)
    assert fit.residuals == pytest.approx([-0.7, -0.4, 0.5])
    assert fit.slope_weights == pytest.approx([1 / 14, 2 / 14, 3 / 14])
    assert fit.zero_weights.tolist() == [0.0, 0.0, 0.0]
    assert fit.by_given == pytest.approx((1.0, -6 / 14))


def test_fit_without_degrees_of_freedom_has_no_scatter() -> None:
    """One step with one unknown, two with two: nothing is left over."""
    one = fit_steps(PATHS[:1], TIMES[:1], velocity=4.0, zero_offset=None)
    two = fit_steps(PATHS[:2], TIMES[:2], velocity=None, zero_offset=None)
    assert (one.dof, two.dof) == (0, 0)
    assert math.isnan(one.scatter)
    assert math.isnan(two.scatter)


def test_covariance_of_the_times_by_hand() -> None:
    """Squares and products of the weights, each with its step's own variance."""
    fit = both_sought()
    found = fit.covariance(np.array([9.0, 18.0, 36.0]))
    assert found.zero == pytest.approx(16 + 2 + 16)
    assert found.slope == pytest.approx(9 / 4 + 9)
    assert found.both == pytest.approx(-6 - 12)


def test_covariance_of_the_given_one_by_hand() -> None:
    """A slope of 0.1 µs/mm more takes 0.2 µs from the zero; with nothing given there is none."""
    given = fit_steps(PATHS, TIMES, velocity=4.0, zero_offset=None).covariance_of_given(0.1)
    assert (given.zero, given.slope, given.both) == pytest.approx((0.04, 0.01, -0.02))
    given = fit_steps(PATHS, TIMES, velocity=None, zero_offset=1.0).covariance_of_given(0.7)
    assert (given.zero, given.slope, given.both) == pytest.approx((0.49, 0.09, -0.21))
    none = both_sought().covariance_of_given(0.1)
    assert none == Covariance(zero=0.0, slope=0.0, both=0.0)


def test_covariances_add_part_by_part() -> None:
    """The sum of two independent ones."""
    one, two = (
        Covariance(zero=1.0, slope=2.0, both=-4.0),
        Covariance(zero=8.0, slope=16.0, both=1.0),
    )
    assert one + two == Covariance(zero=9.0, slope=18.0, both=-3.0)
