"""What contradicts itself on a step block, just within and just beyond each of its limits."""

from __future__ import annotations

import dataclasses
import math

import pytest

from daemon.calibration.blocks import BLOCK, STEEL, read
from swathe.calibration import CalibrationError, StepReading, ThicknessLaw, solve_steps


def message(steps: list[StepReading], **given: object) -> str:
    """Return what `solve_steps` says against the steps."""
    with pytest.raises(CalibrationError) as caught:
        solve_steps(steps, **given)  # type: ignore[arg-type]
    return str(caught.value)


def exact(
    velocity: float, thickness: tuple[float, ...], zero: float = 1.0, **more: float
) -> list[StepReading]:
    """Return exact readings of steps at a velocity in mm/µs."""
    return read(ThicknessLaw(velocity=velocity, zero_offset=zero), thickness, **more)


def shifted(steps: list[StepReading], at: int, shift: float) -> list[StepReading]:
    """Return the steps, one of them read later by `shift` µs."""
    later = dataclasses.replace(steps[at], time_of_flight=steps[at].time_of_flight + shift)
    return [*steps[:at], later, *steps[at + 1 :]]


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("velocity", -5.92),
        ("velocity", math.inf),
        ("zero_offset", math.nan),
        ("zero_offset", -math.inf),
        ("separation", math.nan),
        ("separation", math.inf),
        ("u_velocity", math.nan),
        ("u_velocity", math.inf),
        ("u_zero_offset", -1e-9),
        ("u_zero_offset", math.inf),
        ("time_resolution_us", math.nan),
        ("time_resolution_us", math.inf),
    ],
)
def test_values_given_that_are_no_number(key: str, value: float) -> None:
    """NaN, infinity and what is below zero are named with the value."""
    text = message(read(STEEL, BLOCK), **{key: value})
    assert text.startswith(f"'{key}' must be ")
    assert text.endswith(f"(got {value})")


def test_steps_span_at_its_threshold() -> None:
    """8 and 10 mm differ by the fifth of the thickest that is needed, 8.01 and 10 mm do not."""
    assert solve_steps(exact(4.0, (8.0, 10.0))).velocity == pytest.approx(4.0)
    assert message(exact(4.0, (8.01, 10.0))).startswith(
        "the steps span only 8.01 to 10 mm, too little to separate velocity from zero offset: take "
        "steps that differ by 20% of the thickest or more"
    )
    assert solve_steps(exact(4.0, (8.01, 10.0)), zero_offset=1.0).velocity == pytest.approx(4.0)


@pytest.mark.parametrize(
    ("velocity", "text"),
    [
        (19.9, None),
        (20.1, "the velocity comes out as 20.1 mm/µs, faster than in any solid"),
        (0.505, None),
        (0.495, "the velocity comes out as 0.495 mm/µs, slower than in any solid"),
        (59.0, "the velocity comes out as 59 mm/µs, faster than in any solid"),
        (61.0, "step 10 mm (1.328 µs) and step 20 mm (1.656 µs) have the same time of flight"),
    ],
)
def test_velocity_of_no_solid_at_its_thresholds(velocity: float, text: str | None) -> None:
    """Between 0.5 and 20 mm/µs it may be a solid; from 60 mm/µs on the two steps are the same."""
    steps = exact(velocity, (10.0, 20.0))
    if text is None:
        assert solve_steps(steps).velocity == pytest.approx(velocity)
    else:
        assert message(steps).startswith(text)


@pytest.mark.parametrize("velocity", [0.4, 25.0])
def test_velocity_that_was_given_is_not_judged_as_a_solid(velocity: float) -> None:
    """Whoever gives it knows it."""
    assert solve_steps(exact(velocity, (10.0, 20.0)), velocity=velocity).velocity == velocity


@pytest.mark.parametrize(
    ("sd", "thickness", "contradicted"),
    [
        # By 20 mm/µs the steps differ by 0.01 µs for 0.1 mm: as much as the couplant may do.
        (0.0, 5.099, False),
        (0.0, 5.11, True),
        # u = 0.02 / sqrt(4) µs on each of the two: three times their sum in squares is 0.0424 µs.
        (0.02, 5.42, False),
        (0.02, 5.43, True),
    ],
)
def test_step_read_twice_at_its_threshold(sd: float, thickness: float, contradicted: bool) -> None:
    """The same time counts where noise cannot hide the difference of any solid."""
    steps = exact(4.0, (5.0, thickness, 60.0), sd=sd, readings=4)
    steps = shifted(steps, 1, -(thickness - 5.0) / 2)
    if contradicted:
        assert "have the same time of flight: the same step was read twice;" in message(steps)
    else:
        assert solve_steps(steps).velocity == pytest.approx(4.0, rel=0.01)


@pytest.mark.parametrize(
    ("thickness", "alike"), [(9.80, False), (9.82, True), (10.18, True), (10.21, False)]
)
def test_second_back_wall_of_a_step_read_twice_at_its_threshold(
    thickness: float, alike: bool
) -> None:
    """Within 2 % of twice 5 mm the second back wall is named as another cause."""
    steps = exact(4.0, (5.0, thickness, 20.0))
    text = message(shifted(steps, 1, -(thickness - 5.0) / 2))
    cause = ", or the gate was on the second back wall of step 5 mm" if alike else ""
    assert text.endswith(f"the same step was read twice{cause}; read both again")


@pytest.mark.parametrize(
    ("sd", "shift", "falls"),
    [(0.0, -0.0099, False), (0.0, -0.0101, True), (0.02, -0.0423, False), (0.02, -0.0426, True)],
)
def test_time_that_falls_at_its_threshold(sd: float, shift: float, falls: bool) -> None:
    """10 ns are the couplant's, three standard uncertainties chance; a time that falls more is found."""
    steps = exact(4.0, (5.0, 5.02, 60.0), sd=sd, readings=4)
    steps = shifted(steps, 1, -0.01 + shift)
    if falls:
        assert message(steps).startswith("step 5 mm (3.5 µs) and step 5.02 mm (3.")
        assert "the time falls while the thickness rises" in message(steps)
    else:
        assert solve_steps(steps).velocity == pytest.approx(4.0, rel=0.01)


def skipped(steps: list[StepReading], **given: object) -> bool:
    """Return whether the first step is named as one whose echo was skipped."""
    try:
        solve_steps(steps, **given)  # type: ignore[arg-type]
    except CalibrationError as error:
        return str(error).startswith(f"{steps[0].label()} (") and "fits 2 × the thickness" in str(
            error
        )
    return False


@pytest.mark.parametrize(("sd", "named"), [(0.28, True), (0.30, False)])
def test_echo_skipped_at_five_uncertainties(sd: float, named: bool) -> None:
    """Of three steps one 2.5 µs late: a scatter of 1.443 µs, which is 5 × 0.2887 µs."""
    steps = shifted(exact(4.0, (5.0, 12.0, 25.0), zero=0.0, sd=sd), 0, 2.5)
    assert skipped(steps, velocity=4.0) is named


@pytest.mark.parametrize(("thickest", "named"), [(116.0, True), (117.5, False)])
def test_echo_skipped_at_its_share_of_the_range(thickest: float, named: bool) -> None:
    """1 mm read 0.5 µs late scatters by 0.2887 µs: 0.5 % of a range of 57.74 µs, or 117 mm."""
    steps = shifted(exact(4.0, (1.0, 50.0, thickest), zero=0.0), 0, 0.5)
    assert skipped(steps, velocity=4.0) is named


@pytest.mark.parametrize(
    ("sd", "shift", "named"),
    [
        # A step off by s leaves a scatter of s / sqrt(3); 3 % of 1.42 µs are 0.0427 µs.
        (0.0, 0.07, True),
        (0.0, 0.08, False),
        # Three uncertainties of 0.02 µs are 0.06 µs.
        (0.02, 0.10, True),
        (0.02, 0.11, False),
    ],
)
def test_echo_skipped_explains_the_scatter_at_its_threshold(
    sd: float, shift: float, named: bool
) -> None:
    """What the second back wall leaves must be 3 % of the scatter or three uncertainties at most."""
    steps = shifted(exact(4.0, (5.0, 12.0, 25.0), zero=0.0, sd=sd), 0, 2.5)
    assert skipped(shifted(steps, 2, shift), velocity=4.0) is named


@pytest.mark.parametrize(
    ("velocity", "thickness", "fits"),
    [
        # Carbon steel has 5.8016 to 6.0384 mm/µs; 5 % beyond are 5.5115 and 6.3403 mm/µs.
        (6.33, (1.0, 16.0), None),
        (6.36, (1.0, 16.0), "step 1 mm (1.314 µs) fits 2 × the thickness"),
        (5.52, (2.0, 16.0), None),
        (5.50, (2.0, 16.0), "step 2 mm (1.727 µs) fits 0.5 × the thickness"),
    ],
)
def test_echo_skipped_of_two_beyond_the_handbook_at_its_threshold(
    velocity: float, thickness: tuple[float, ...], fits: str | None
) -> None:
    """Without degrees of freedom a velocity 5 % beyond the material's range is a contradiction."""
    steps = exact(velocity, thickness)
    if fits is None:
        (warning,) = (w for w in solve_steps(steps, material="carbon steel").warnings if "m/s" in w)
        assert warning.startswith(f"velocity {velocity * 1000:.0f} m/s is outside")
    else:
        text = message(steps, material="carbon steel")
        assert text.startswith(f"{fits} that the material's handbook velocity gives")
        assert solve_steps(steps).velocity == pytest.approx(velocity)


def test_echo_of_two_that_no_trial_explains_is_left_to_the_warning() -> None:
    """5 and 10 mm at 3 mm/µs: other echoes give 4.5 or 9 mm/µs, which is no steel either."""
    found = solve_steps(exact(3.0, (5.0, 10.0)), material="carbon steel")
    assert found.warnings[0].startswith("velocity 3000 m/s is outside 5802 to 6038 m/s")


def test_echo_skipped_that_leaves_less_is_named() -> None:
    """5 mm read 2.5 µs late: at 2 × 5 mm nothing is left, at 0.5 × 12 mm within noise 0.354 µs."""
    steps = shifted(exact(4.0, (5.0, 12.0), zero=0.0, sd=0.2), 0, 2.5)
    assert skipped(steps, velocity=4.0)


def test_steps_that_differ_by_just_the_couplant_are_not_read_twice() -> None:
    """0.1 and 0.2 mm differ by 0.01 µs at 20 mm/µs, which is what the couplant alone may do."""
    steps = shifted(exact(4.0, (0.1, 0.2, 60.0)), 1, -0.05)
    assert solve_steps(steps).velocity == pytest.approx(4.0, rel=0.01)
