"""From steps of a block to velocity and zero offset."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.calibration.blocks import BLOCK, DUAL, STEEL, noisy, read
from swathe.calibration import (
    NOT_COVERED,
    CalibrationError,
    StepReading,
    StepsResult,
    ThicknessLaw,
    solve_steps,
)


@given(
    velocity=st.floats(2.0, 10.0),
    zero=st.floats(0.0, 20.0),
    separation=st.sampled_from([0.0, 1.0, 3.0, 6.0]),
    thickness=st.lists(st.integers(4, 200), min_size=2, max_size=8, unique=True).filter(
        lambda steps: max(steps) - min(steps) > 0.21 * max(steps)
    ),
)
def test_steps_exact_give_back_the_law(
    velocity: float, zero: float, separation: float, thickness: list[int]
) -> None:
    """Whatever the law was, exact steps in any order tell it."""
    law = ThicknessLaw(velocity=velocity, zero_offset=zero, separation=separation)
    found = solve_steps(read(law, [d / 4 for d in thickness]), separation=separation)
    assert found.velocity == pytest.approx(velocity, rel=1e-9)
    assert found.zero_offset == pytest.approx(zero, abs=1e-8)
    assert max(map(abs, found.residuals)) < 1e-6
    assert found.dof == len(thickness) - 2
    thicknesses = [step.thickness for step in found.steps]
    assert thicknesses == sorted(thicknesses)


@pytest.mark.parametrize("seed", range(30))
def test_two_steps_of_half_and_a_fifth_of_an_inch(seed: int) -> None:
    """Read at 0.500 in and 0.200 in, walls between and at both read within a thousandth of an inch.

    The two thicknesses and the thousandth are common practice, no source. With 0.004 µs of scatter
    and 25 readings on each the velocity comes within 0.1 %.
    """
    found = solve_steps(noisy(STEEL, (12.7, 5.08), 0.004, 25, seed), material="carbon steel")
    assert found.velocity == pytest.approx(STEEL.velocity, rel=1e-3)
    assert found.method == "two steps"
    assert not found.warnings
    walls = [5.08, 7.62, 10.16, 12.7]
    # Through the true law's times, so that what is read does not come from the calibration itself.
    assert found.law().thickness(STEEL.time_of_flight(walls)).tolist() == pytest.approx(
        walls, abs=0.0254
    )


@pytest.mark.parametrize("law", [STEEL, DUAL])
@pytest.mark.parametrize("block", [(5.08, 12.7), BLOCK])
def test_uncertainty_is_what_random_trials_scatter_by(
    law: ThicknessLaw, block: tuple[float, ...]
) -> None:
    """Calibrating four hundred times scatters velocity and zero offset by what one tells."""
    trials = [
        solve_steps(noisy(law, block, 0.01, 30, seed), separation=law.separation)
        for seed in range(400)
    ]
    velocities = np.array([trial.velocity for trial in trials])
    zeros = np.array([trial.zero_offset for trial in trials])
    told = np.sqrt(np.mean([trial.u_velocity**2 for trial in trials]))
    told_zero = np.sqrt(np.mean([trial.u_zero_offset**2 for trial in trials]))
    # The greater of two estimates is a little too great when there are two.
    assert 0.9 < float(told / velocities.std()) < 1.35
    assert 0.9 < float(told_zero / zeros.std()) < 1.35
    seen = float(np.corrcoef(velocities, zeros)[0, 1])
    assert trials[0].correlation == pytest.approx(seen, abs=0.1)
    assert velocities.mean() == pytest.approx(law.velocity, rel=2e-4)


def test_two_steps_propagate_by_hand() -> None:
    """Two steps: u(slope)² = (u1² + u2²) / (d2 - d1)², worked out here apart from the code."""
    steps = [
        StepReading(thickness=5.0, u_thickness=0.002, time_of_flight=1.939, sd=0.01, readings=4),
        StepReading(thickness=15.0, u_thickness=0.002, time_of_flight=5.318, sd=0.02, readings=16),
    ]
    found = solve_steps(steps, time_resolution_us=0.002)
    slope = (5.318 - 1.939) / 10
    times = [(0.01**2 / 4, 3), (0.02**2 / 16, 15)]
    rest = 0.002**2 / 12 + (slope * 0.002) ** 2
    u_slope = math.sqrt(sum(square + rest for square, _ in times)) / 10
    assert found.u_velocity == pytest.approx(2 / slope**2 * u_slope, rel=1e-12)
    assert found.velocity == pytest.approx(2 / slope, rel=1e-12)
    whole = sum(square + rest for square, _ in times)
    assert found.u_dof == pytest.approx(
        whole**2 / sum(square**2 / dof for square, dof in times), rel=1e-12
    )
    assert found.basis.startswith("propagated from the scatter of the readings on each step")


def test_uncertainty_is_from_the_steps_when_they_scatter_more() -> None:
    """Quiet readings on steps that do not line up: the line's own scatter is taken, and said."""
    steps = [
        dataclasses.replace(step, time_of_flight=step.time_of_flight + shift)
        for step, shift in zip(
            read(STEEL, BLOCK, sd=0.001, readings=50),
            (0.008, -0.006, -0.008, 0.006, 0.0),
            strict=True,
        )
    ]
    found = solve_steps(steps)
    assert found.basis.startswith("from the scatter of the steps about the line, with 3 degrees")
    assert found.u_dof == pytest.approx(3.0)
    assert found.dof == 3
    assert found.method == "least squares over 5 steps"


def test_uncertainty_is_from_the_readings_when_the_steps_line_up() -> None:
    """Noisy readings whose means happen to lie on a line don't become exact by that."""
    found = solve_steps(read(STEEL, BLOCK, sd=0.05, readings=4))
    assert "it is more than their scatter about the line" in found.basis
    assert found.u_velocity > 0
    assert found.u_dof >= 3


def test_one_step_with_velocity_given() -> None:
    """The zero offset is sought, and carries the velocity's own uncertainty with it."""
    (step,) = read(STEEL, (10.0,), sd=0.01, readings=9)
    found = solve_steps([step], velocity=5.920, u_velocity=0.03)
    assert (found.velocity, found.dof) == (5.920, 0)
    assert found.zero_offset == pytest.approx(0.250, abs=1e-12)
    by_velocity = 2 * 10 / 5.92**2 * 0.03
    assert found.u_velocity == pytest.approx(0.03)
    assert found.u_zero_offset == pytest.approx(math.hypot(0.01 / 3, by_velocity))
    assert found.correlation == pytest.approx(by_velocity / found.u_zero_offset)
    assert found.method == "one step, velocity given"
    assert f", with the uncertainty of the value given; {NOT_COVERED}" in found.basis


def test_one_step_with_zero_offset_given() -> None:
    """The velocity is sought."""
    (step,) = read(DUAL, (10.0,), sd=0.002, readings=4)
    found = solve_steps([step], zero_offset=7.4, u_zero_offset=0.005, separation=3.0)
    assert found.velocity == pytest.approx(5.920, rel=1e-12)
    assert found.zero_offset == 7.4
    trip = 2 * math.hypot(10.0, 1.5) / 5.92
    assert found.u_velocity == pytest.approx(math.hypot(0.001, 0.005) / trip * 5.92)
    assert found.correlation > 0
    assert found.method == "one step, zero offset given"


@pytest.mark.parametrize("given", ["velocity", "zero_offset"])
def test_given_values_over_many_steps_recover_the_other(given: str) -> None:
    """Five steps with one of the two given tell the other, with four degrees of freedom."""
    value = {"velocity": STEEL.velocity, "zero_offset": STEEL.zero_offset}[given]
    found = solve_steps(noisy(STEEL, BLOCK, 0.004, 10, 7), **{given: value})  # type: ignore[arg-type]
    assert found.velocity == pytest.approx(5.920, rel=2e-3)
    assert found.zero_offset == pytest.approx(0.250, abs=0.005)
    assert found.dof == 4
    assert found.correlation == 0.0  # the given one was taken as exact
    assert found.method.startswith("least squares over 5 steps, ")


def test_a_given_value_that_is_well_known_adds_degrees_of_freedom() -> None:
    """Welch and Satterthwaite: with as much from the given zero as from the scatter, dof × 2²."""
    steps = noisy(STEEL, BLOCK, 0.01, 2, 11)
    quiet = [dataclasses.replace(step, sd=0.0001, readings=50) for step in steps]
    alone = solve_steps(quiet, zero_offset=0.25)
    assert alone.u_dof == pytest.approx(4.0)
    paths = [step.thickness for step in quiet]
    per_zero = sum(paths) / sum(p * p for p in paths) * alone.velocity**2 / 2
    found = solve_steps(quiet, zero_offset=0.25, u_zero_offset=alone.u_velocity / per_zero)
    assert found.u_velocity == pytest.approx(alone.u_velocity * 2**0.5, rel=1e-9)
    assert found.u_dof == pytest.approx(16.0, rel=1e-9)


def test_v_path_left_out_of_the_calibration_reads_wrong_between() -> None:
    """The V-path belongs into the calibration: without it thin steps don't line up."""
    steps = read(DUAL, (1.5, 3.0, 6.0, 12.0, 25.0), sd=0.002, readings=9)
    good = solve_steps(steps, separation=3.0)
    bad = solve_steps(steps)
    assert max(map(abs, good.residuals)) < 1e-9
    assert not good.warnings
    assert max(map(abs, bad.residuals)) > 0.1
    assert any("step 1.5 mm is +" in warning for warning in bad.warnings)


def test_repeatability_pools_the_steps() -> None:
    """Pooled standard deviation of single readings; NaN when nothing was repeated."""
    steps = [
        dataclasses.replace(step, sd=sd, readings=n)
        for step, sd, n in zip(read(STEEL, (5.0, 15.0)), (0.01, 0.02), (5, 9), strict=True)
    ]
    pooled = math.sqrt((4 * 0.01**2 + 8 * 0.02**2) / 12)
    found = solve_steps(steps)
    assert found.repeatability == pytest.approx(pooled * found.velocity / 2)
    assert math.isnan(solve_steps(read(STEEL, (5.0, 15.0))).repeatability)


def warnings_of(found: StepsResult) -> str:
    """All warnings in one text."""
    return "\n".join(found.warnings)


def test_warning_of_an_implausible_velocity() -> None:
    """A velocity that the material does not have is told; the calibration stands."""
    odd = ThicknessLaw(velocity=5.6, zero_offset=0.25)
    found = solve_steps(read(odd, BLOCK, sd=0.002, readings=9), material="carbon steel")
    assert found.velocity == pytest.approx(5.6)
    assert "velocity 5600 m/s is outside" in warnings_of(found)


def test_warning_of_steps_read_once_and_of_no_uncertainty() -> None:
    """A single reading tells no scatter; with nothing told at all the zero is called wrong."""
    text = warnings_of(solve_steps(read(STEEL, (5.0, 15.0))))
    assert "step 5 mm was read once" in text
    assert "come out as zero, which they are not" in text
    text = warnings_of(solve_steps(read(STEEL, (5.0, 15.0)), time_resolution_us=0.001))
    assert "come out as zero" not in text


def test_warning_of_a_step_off_the_line() -> None:
    """A step that was coupled badly is named with how far it is off."""
    steps = read(STEEL, BLOCK, sd=0.002, readings=9)
    steps[2] = dataclasses.replace(steps[2], time_of_flight=steps[2].time_of_flight + 0.04)
    found = solve_steps(steps)
    assert "step 10 mm is +0.09" in warnings_of(found)


def test_warning_of_a_zero_offset_below_zero() -> None:
    """Two steps, the thick one on its second back wall, no material told: the zero tells."""
    steps = [
        *read(STEEL, (5.0,), sd=0.002, readings=9),
        *read(STEEL, (20.0,), sd=0.002, readings=9),
    ]
    steps[1] = dataclasses.replace(steps[1], time_of_flight=0.25 + 4 * 20 / 5.92)
    assert "below zero" in warnings_of(solve_steps(steps))


def test_warning_of_a_zero_offset_as_long_as_a_trip() -> None:
    """One step with the velocity given, on its second back wall: the zero is one trip too long."""
    step = StepReading(thickness=10.0, time_of_flight=4 * 10 / 5.92, sd=0.002, readings=9)
    found = solve_steps([step], velocity=5.92, u_velocity=0.01)
    assert "as long as one more trip through step 10 mm" in warnings_of(found)


def test_no_warning_of_a_long_zero_offset_that_the_steps_confirm() -> None:
    """A zero offset as long as a trip is only suspect of one step with the velocity given."""
    long = ThicknessLaw(velocity=5.92, zero_offset=2 * 10 / 5.92)
    two = solve_steps(read(long, (10.0, 20.0), sd=0.002, readings=9), velocity=5.92)
    (step,) = read(long, (10.0,), sd=0.002, readings=9)
    given = solve_steps([step], zero_offset=long.zero_offset, u_zero_offset=0.01)
    for found in (two, given):
        assert found.zero_offset == pytest.approx(long.zero_offset)
        assert "one more trip" not in warnings_of(found)


@pytest.mark.parametrize("material", [None, "carbon steel"])
@pytest.mark.parametrize("time", [0.25, 0.2])
def test_step_at_or_before_the_zero_offset_has_no_velocity(
    time: float, material: str | None
) -> None:
    """A time that is the zero offset itself makes a slope of 0, an earlier one a negative slope."""
    step = StepReading(thickness=10.0, time_of_flight=time)
    with pytest.raises(CalibrationError, match="the times do not rise with the thickness"):
        solve_steps([step], zero_offset=0.25, material=material)


def test_worst_velocity_at_its_threshold() -> None:
    """Two steps 10 mm apart at 4 mm/µs: the mean times' scatter u makes u(v) / v = 0.2828 u."""
    line = ThicknessLaw(velocity=4.0, zero_offset=1.0)
    found = solve_steps(read(line, (5.0, 15.0), sd=0.0706, readings=4))
    assert found.u_velocity / 4.0 == pytest.approx(0.0353 * 8**0.5 / 10)
    assert found.u_velocity < 0.04
    with pytest.raises(CalibrationError) as caught:
        solve_steps(read(line, (5.0, 15.0), sd=0.0709, readings=4))
    assert str(caught.value) == (
        "the velocity comes out as 4000 m/s with a standard uncertainty of 1.0%, more than 1%: "
        "take steps further apart, or more readings on each"
    )


def test_worst_velocity_is_of_one_that_was_sought() -> None:
    """A velocity that was given may be known as badly as it is."""
    step = StepReading(thickness=10.0, time_of_flight=6.0, sd=0.002, readings=4)
    assert solve_steps([step], velocity=4.0, u_velocity=0.5).u_velocity == pytest.approx(0.5)


def test_residuals_are_of_the_thickness_with_its_sign() -> None:
    """5 ns late is 0.01 mm thick at 4 mm/µs, 5 ns early as much thin."""
    steps = [
        StepReading(thickness=10.0, time_of_flight=5.995, sd=0.002, readings=4),
        StepReading(thickness=5.0, time_of_flight=3.505, sd=0.002, readings=4),
    ]
    found = solve_steps(steps, velocity=4.0)
    assert found.residuals == pytest.approx((0.01, -0.01))
    assert [step.thickness for step in found.steps] == [5.0, 10.0]


def test_law_of_a_calibration_has_its_separation() -> None:
    """Velocity, zero offset and V-path are those of the result; no temperature is applied."""
    found = solve_steps(read(DUAL, BLOCK, sd=0.002, readings=4), separation=3.0)
    assert found.law() == ThicknessLaw(
        velocity=found.velocity, zero_offset=found.zero_offset, separation=3.0
    )
    assert found.separation == 3.0
    assert found.law().thickness(DUAL.time_of_flight(10.0)) == pytest.approx(10.0)


def test_repeatability_passes_over_steps_read_once() -> None:
    """A step read once adds no degree of freedom; one read twice adds one."""
    steps = [
        StepReading(thickness=5.0, time_of_flight=3.5),
        StepReading(thickness=15.0, time_of_flight=8.5, sd=0.01, readings=2),
    ]
    assert solve_steps(steps).repeatability == pytest.approx(0.01 * 4 / 2)


def test_degrees_of_freedom_of_two_steps_read_twice() -> None:
    """Two equal shares of one degree of freedom each make two (Welch and Satterthwaite)."""
    line = ThicknessLaw(velocity=4.0, zero_offset=1.0)
    assert solve_steps(read(line, (5.0, 15.0), sd=0.01, readings=2)).u_dof == pytest.approx(2.0)
    assert math.isinf(solve_steps(read(line, (5.0, 15.0)), time_resolution_us=0.01).u_dof)


def test_basis_of_one_degree_of_freedom_in_words() -> None:
    """Three steps off their line by 5, -10 and 5 ns, each read quietly."""
    steps = [
        StepReading(thickness=d, time_of_flight=1 + d / 2 + off, sd=0.001, readings=9)
        for d, off in ((5.0, 0.005), (10.0, -0.01), (15.0, 0.005))
    ]
    found = solve_steps(steps)
    assert found.basis == (
        "from the scatter of the steps about the line, with 1 degree of freedom; "
        f"it is more than the readings on each step give; {NOT_COVERED}"
    )
    # scatter² = 1.5e-4; over the squared distances 50 it is u(slope)², and u(v) is 8 u(slope).
    assert found.u_velocity == pytest.approx(8 * math.sqrt(1.5e-4 / 50))
    assert found.dof == 1
    assert found.u_dof == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("count", "method"),
    [(2, "two steps"), (3, "least squares over 3 steps"), (4, "least squares over 4 steps")],
)
def test_method_by_the_number_of_steps(count: int, method: str) -> None:
    """Two steps are solved, three and more are fitted."""
    steps = read(STEEL, (5.0, 10.0, 15.0, 20.0)[:count], sd=0.002, readings=4)
    assert solve_steps(steps).method == method
    assert solve_steps(steps, velocity=5.92).method == f"{method}, velocity given"
    assert solve_steps(steps, zero_offset=0.25).method == f"{method}, zero offset given"
