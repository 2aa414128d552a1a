"""Each warning of a calibration that holds, at its threshold and at either side of it."""

from __future__ import annotations

import dataclasses

import pytest

from swathe.calibration import StepReading
from swathe.calibration.contradictions import StepTable
from swathe.calibration.step_covariance import covariance_of
from swathe.calibration.step_warnings import warnings_of

# time = 1 µs + thickness * 0.5 µs/mm, a velocity of 4 mm/µs
THICKNESS = (5.0, 10.0, 20.0)


def table(
    *thickness: float,
    sd: float = 0.0,
    readings: int = 4,
    separation: float = 0.0,
    velocity: float | None = None,
    zero_offset: float | None = None,
) -> StepTable:
    """Return steps that lie on the line exactly."""
    steps = [
        StepReading(thickness=d, time_of_flight=1 + d / 2, sd=sd, readings=readings)
        for d in thickness or THICKNESS
    ]
    return StepTable(
        steps=steps,
        separation=separation,
        velocity=velocity,
        zero_offset=zero_offset,
        resolution=0.0,
        plausible=None,
    )


def warned(
    steps: StepTable,
    *,
    residuals: tuple[float, ...] | None = None,
    zero: float | None = None,
    u_velocity: float = 0.01,
    u_zero: float = 0.0,
) -> tuple[str, ...]:
    """Return the warnings about steps, with residuals (mm) and zero offset (µs) put in."""
    fit = steps.fit()
    return warnings_of(
        steps,
        fit if zero is None else dataclasses.replace(fit, zero=zero),
        covariance_of(steps, fit, 0.0),
        residuals=residuals or (0.0,) * len(steps.steps),
        u_velocity=u_velocity,
        u_zero=u_zero,
    )


def test_warnings_of_sound_steps_are_none() -> None:
    """Steps on the line, read four times, call for nothing."""
    assert warned(table()) == ()


@pytest.mark.parametrize(
    ("sd", "residual", "text"),
    [
        (0.0, 0.05, None),
        (0.0, 0.0501, "step 10 mm is +0.050 mm off the calibration"),
        (0.0, -0.05, None),
        (0.0, -0.0512, "step 10 mm is -0.051 mm off the calibration"),
        # u = 0.02 / sqrt(4) µs; three of them by 0.5 µs/mm are 0.06 mm.
        (0.02, 0.0599, None),
        (0.02, 0.0611, "step 10 mm is +0.061 mm off the calibration"),
        (0.02, -0.0599, None),
        (0.02, -0.0611, "step 10 mm is -0.061 mm off the calibration"),
    ],
)
def test_warning_of_a_step_off_the_line_at_its_threshold(
    sd: float, residual: float, text: str | None
) -> None:
    """Beyond 0.05 mm and beyond three standard uncertainties a step is named with its sign."""
    found = warned(table(sd=sd), residuals=(0.0, residual, 0.0))
    expected = f"{text}: clean and couple it again, and read it again"
    assert found == ((expected,) if text else ())


def test_warning_of_the_first_and_of_the_last_step() -> None:
    """Each step has its own residual, thinnest first."""
    found = warned(table(), residuals=(0.1, 0.0, -0.2))
    assert [text.split(" mm off")[0] for text in found] == [
        "step 5 mm is +0.100",
        "step 20 mm is -0.200",
    ]


@pytest.mark.parametrize(("readings", "count"), [(1, 3), (2, 0), (3, 0)])
def test_warning_of_steps_read_once(readings: int, count: int) -> None:
    """Each step that was read once is named, none that was read twice."""
    found = warned(table(readings=readings))
    assert [text.split(" was read once")[0] for text in found] == [
        "step 5 mm",
        "step 10 mm",
        "step 20 mm",
    ][:count]


@pytest.mark.parametrize(
    ("zero", "u_zero", "warns"),
    [
        (0.01, 0.0, False),
        (0.0, 0.0, False),
        (-0.05, 0.0, False),
        (-0.0501, 0.0, True),
        (-0.2999, 0.1, False),
        (-0.3001, 0.1, True),
        (-0.049, 0.001, False),
    ],
)
def test_warning_of_a_zero_offset_below_zero_at_its_threshold(
    zero: float, u_zero: float, warns: bool
) -> None:
    """Beyond 0.05 µs below zero and beyond three standard uncertainties the gate is suspect."""
    found = warned(table(), zero=zero, u_zero=u_zero)
    expected = (
        f"the zero offset is {zero:.3f} µs, below zero: look whether the gate was on "
        "the first back wall of the thicker steps"
    )
    assert found == ((expected,) if warns else ())


def test_warning_of_a_zero_offset_below_zero_is_of_one_that_was_sought() -> None:
    """A zero offset that was given, or that a given velocity left, is not judged by its sign."""
    assert warned(table(zero_offset=-1.0), zero=-1.0) == ()
    assert warned(table(velocity=4.0), zero=-1.0) == ()


@pytest.mark.parametrize(
    ("zero", "warns"),
    [(4.89, False), (4.91, True), (5.0, True), (5.09, True), (5.11, False), (10.0, False)],
)
def test_warning_of_a_zero_offset_as_long_as_a_trip_at_its_threshold(
    zero: float, warns: bool
) -> None:
    """A trip through 10 mm at 4 mm/µs takes 5 µs; within 2 % of it the gate is suspect."""
    found = warned(table(10.0, velocity=4.0), zero=zero)
    expected = (
        f"the zero offset of {zero:.3f} µs is as long as one more trip through step 10 mm: "
        "look whether the gate was on the second back wall"
    )
    assert found == ((expected,) if warns else ())


def test_warning_of_a_trip_takes_the_v_path() -> None:
    """4 mm under elements 6 mm apart: legs of 5 and sqrt(73) mm, so a further trip of 1.772 µs."""
    steps = table(4.0, velocity=4.0, separation=6.0)
    assert len(warned(steps, zero=1.772)) == 1
    assert warned(steps, zero=2.0) == ()


@pytest.mark.parametrize(
    ("u_velocity", "u_zero", "warns"),
    [(0.0, 0.0, True), (1e-9, 0.0, False), (0.0, 1e-9, False), (0.01, 0.01, False)],
)
def test_warning_of_no_uncertainty_at_all(u_velocity: float, u_zero: float, warns: bool) -> None:
    """Only where both come out as zero is it said that they are not."""
    found = warned(table(), u_velocity=u_velocity, u_zero=u_zero)
    assert [text.split(" was given")[0] for text in found] == [
        "neither scatter nor resolution nor the block's uncertainty"
    ][: int(warns)]
