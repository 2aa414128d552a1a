"""The law from time of flight to thickness and back."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathe.calibration import CalibrationError, ThicknessLaw
from swathe.calibration.law import fill_thickness

laws = st.builds(
    ThicknessLaw,
    velocity=st.floats(1.0, 13.0),
    zero_offset=st.floats(-5.0, 30.0),
    separation=st.sampled_from([0.0, 1.0, 3.0, 8.0]),
    temperature_factor=st.floats(0.9, 1.1),
)


@given(law=laws, thickness=st.lists(st.floats(0.5, 300.0), min_size=1, max_size=20))
def test_thickness_there_and_back(law: ThicknessLaw, thickness: list[float]) -> None:
    """The time that a wall takes tells that wall again."""
    again = law.thickness(law.time_of_flight(thickness))
    assert again.tolist() == pytest.approx(thickness, rel=1e-6, abs=1e-6)


@given(law=laws)
def test_thickness_rises_with_time(law: ThicknessLaw) -> None:
    """A later echo is never a thinner wall."""
    wall = law.thickness(law.zero_offset + np.linspace(0, 50, 200))
    wall = wall[np.isfinite(wall)]
    assert wall.size > 100
    assert np.all(np.diff(wall) > 0)


def test_thickness_plain_is_the_relation_to_the_last_bit() -> None:
    """Without corrections it is velocity * (time - zero) / 2 and nothing else."""
    time = np.random.default_rng(3).uniform(1, 20, 1000)
    law = ThicknessLaw(velocity=5.917, zero_offset=0.213)
    assert np.array_equal(law.thickness(time), 5.917 * (time - 0.213) / 2)


@pytest.mark.parametrize("separation", [0.0, 3.0])
def test_thickness_of_no_echo_and_of_too_short_a_time_is_nan(separation: float) -> None:
    """NaN stays NaN; a way shorter than half the separation, or before the zero, is no wall."""
    law = ThicknessLaw(velocity=6.0, zero_offset=0.5, separation=separation)
    just = 0.5 + separation / 6.0  # the way along the surface
    found = law.thickness([math.nan, 0.4, just - 1e-3, just + 1e-3])
    assert np.isnan(found).tolist() == [True, True, True, False]
    assert found[3] > 0


def test_thickness_keeps_the_shape() -> None:
    """A frame of times gives a frame of walls; a single time gives a single wall."""
    law = ThicknessLaw(velocity=6.0)
    assert law.thickness(np.ones((3, 4))).shape == (3, 4)
    assert law.thickness(2.0).shape == ()
    assert float(law.thickness(2.0)) == 6.0


def test_time_of_flight_of_a_negative_wall_is_nan() -> None:
    """There is no such wall."""
    law = ThicknessLaw(velocity=6.0, separation=2.0)
    assert np.isnan(law.time_of_flight([-1.0, 1.0])).tolist() == [True, False]


@pytest.mark.parametrize(
    ("key", "value", "requirement"),
    [
        ("velocity", 0.0, "> 0 mm/µs"),
        ("velocity", -5.9, "> 0 mm/µs"),
        ("velocity", math.nan, "> 0 mm/µs"),
        ("velocity", math.inf, "> 0 mm/µs"),
        ("zero_offset", math.nan, "a time in µs"),
        ("zero_offset", math.inf, "a time in µs"),
        ("separation", -1.0, ">= 0 mm"),
        ("separation", math.nan, ">= 0 mm"),
        ("separation", math.inf, ">= 0 mm"),
        ("temperature_factor", 0.0, "> 0"),
        ("temperature_factor", -1.0, "> 0"),
        ("temperature_factor", math.nan, "> 0"),
        ("temperature_factor", math.inf, "> 0"),
    ],
)
def test_law_of_values_that_cannot_be_is_refused(key: str, value: float, requirement: str) -> None:
    """The message names the key, what must hold and what it got."""
    with pytest.raises(CalibrationError) as caught:
        ThicknessLaw(**{"velocity": 5.9, key: value})  # type: ignore[arg-type]
    assert str(caught.value) == f"'{key}' must be {requirement} (got {value})"


def test_law_of_a_velocity_alone_has_no_corrections() -> None:
    """Neither a zero offset nor a V-path nor a temperature is assumed."""
    law = ThicknessLaw(velocity=6.0)
    assert (law.zero_offset, law.separation, law.temperature_factor) == (0.0, 0.0, 1.0)
    assert law.corrections == ()


def test_law_with_every_correction_by_hand() -> None:
    """6 mm/µs halved by the temperature, for 4 µs less 0.5 µs there and back: a leg of 5.25 mm."""
    law = ThicknessLaw(velocity=6.0, zero_offset=0.5, temperature_factor=0.5, separation=6.3)
    assert float(law.path(4.0)) == 5.25
    assert float(law.thickness(4.0)) == pytest.approx(4.2)  # 3.15² + 4.2² = 5.25²
    assert float(law.time_of_flight(4.2)) == pytest.approx(4.0)


def test_time_of_flight_of_no_wall_is_the_zero_offset() -> None:
    """A wall of 0 mm is none that is below zero."""
    law = ThicknessLaw(velocity=6.0, zero_offset=0.5)
    assert law.time_of_flight([0.0, 3.0]).tolist() == [0.5, 1.5]


READINGS = np.array(
    [
        (math.nan, 3.0, True),  # of time alone
        (7.0, 3.0, True),  # with a thickness that the instrument sent
        (math.nan, 1.0, True),  # at the zero offset: a wall of 0 mm
        (math.nan, 0.5, True),  # before it
        (math.nan, math.nan, True),  # of nothing
        (math.nan, 3.0, False),  # not valid to begin with
        (0.0, math.nan, True),
        (0.001, math.nan, True),
    ],
    dtype=[("thickness", "f8"), ("time_of_flight", "f8"), ("valid", "?")],
)


def test_fill_thickness_by_a_law() -> None:
    """Times become walls at 4 mm/µs; what comes out at zero or below is valid no more."""
    readings = READINGS.copy()
    fill_thickness(readings, ThicknessLaw(velocity=4.0, zero_offset=1.0))
    assert readings["thickness"].tolist() == pytest.approx(
        [4.0, 7.0, 0.0, math.nan, math.nan, 4.0, 0.0, 0.001], nan_ok=True
    )
    assert readings["valid"].tolist() == [True, True, False, False, False, False, False, True]
    assert np.array_equal(readings["time_of_flight"], READINGS["time_of_flight"], equal_nan=True)


def test_fill_thickness_without_a_law() -> None:
    """Only what the instrument sent itself is a thickness."""
    readings = READINGS.copy()
    fill_thickness(readings, None)
    assert np.array_equal(readings["thickness"], READINGS["thickness"], equal_nan=True)
    assert readings["valid"].tolist() == [False, True, False, False, False, False, False, True]
