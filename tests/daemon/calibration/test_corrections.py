"""Corrections to the plain law: temperature and V-path."""

from __future__ import annotations

import math

import numpy as np
import pytest

from swathe.calibration import (
    TEMPERATURE_COEFFICIENTS,
    CalibrationError,
    half_path,
    over_reading,
    temperature_coefficient,
    temperature_factor,
    thickness_of_half_path,
)


@pytest.mark.parametrize("name", ["steel 1018", "Steel_1018", "  STEEL   1018 "])
def test_coefficient_by_its_name(name: str) -> None:
    """Capitals, spaces and underscores make no other name."""
    assert temperature_coefficient(name) is TEMPERATURE_COEFFICIENTS["steel 1018"]


def test_coefficient_of_an_unknown_name_is_refused() -> None:
    """The message lists the names that there are."""
    with pytest.raises(CalibrationError, match=r"steel rule of thumb, steel 1018.*'glass'"):
        temperature_coefficient("glass")


def test_temperature_factor_falls_on_a_warm_part() -> None:
    """A part that is warmer than the block is slower, a colder one faster."""
    assert temperature_factor(2e-4, 70.0, 20.0) == pytest.approx(0.99)
    assert temperature_factor(2e-4, 20.0, 70.0) == pytest.approx(1.01)
    assert temperature_factor(2e-4, 20.0, 20.0) == 1.0


@pytest.mark.parametrize(
    ("coefficient", "part", "block", "message"),
    [
        (1e-4, -273.15, 20.0, "temperature of the part must be above"),
        (1e-4, 20.0, -273.15, "temperature of the block must be above"),
        (1e-4, math.nan, 20.0, "temperature of the part"),
        (1e-4, 20.0, math.inf, "temperature of the block"),
        (1e-2, 50.0, 20.0, "at most 20%"),
        (1e-2, 20.0, 50.0, "at most 20%"),
        (math.nan, 20.0, 50.0, "at most 20%"),
    ],
)
def test_temperature_that_cannot_be_is_refused(
    coefficient: float, part: float, block: float, message: str
) -> None:
    """Absolute zero, a value that is no number, and a change beyond a straight line."""
    with pytest.raises(CalibrationError, match=message):
        temperature_factor(coefficient, part, block)


def test_temperature_change_of_just_the_limit_is_taken() -> None:
    """A fifth of the velocity is still taken, either way."""
    assert temperature_factor(0.25, 100.0, 99.5) == pytest.approx(0.875)
    assert temperature_factor(0.2, 21.0, 20.0) == pytest.approx(0.8)
    assert temperature_factor(0.2, 20.0, 21.0) == pytest.approx(1.2)


def test_v_path_by_pythagoras() -> None:
    """A wall of 4 mm under elements 6 mm apart has a leg of 5 mm."""
    assert half_path([4.0, 0.0], 6.0).tolist() == [5.0, 3.0]
    assert thickness_of_half_path([5.0, 3.0, 2.999, math.nan], 6.0) == pytest.approx(
        [4.0, 0.0, math.nan, math.nan], nan_ok=True
    )
    assert over_reading([4.0, 40.0], 6.0) == pytest.approx([1.0, math.hypot(40, 3) - 40])
    assert np.array_equal(over_reading([4.0, 40.0], 0.0), [0.0, 0.0])
