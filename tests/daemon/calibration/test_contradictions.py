"""Steps that contradict each other are named, with the mend."""

from __future__ import annotations

import dataclasses
import math

import pytest

from daemon.calibration.blocks import BLOCK, DUAL, STEEL, noisy, read
from swathe.calibration import CalibrationError, StepReading, ThicknessLaw, solve_steps


def message(steps: list[StepReading], **given: object) -> str:
    """Return what `solve_steps` says against the steps."""
    with pytest.raises(CalibrationError) as caught:
        solve_steps(steps, **given)  # type: ignore[arg-type]
    return str(caught.value)


def test_no_step_at_all() -> None:
    """Nothing was read."""
    assert message([]).startswith("no step was read: read at least two")


def test_one_step_alone() -> None:
    """One time tells one unknown."""
    text = message(read(STEEL, (10.0,)))
    assert text.startswith("one step cannot give velocity and zero offset both")


def test_both_given() -> None:
    """There is nothing to seek."""
    text = message(read(STEEL, BLOCK), velocity=5.92, zero_offset=0.25)
    assert text.startswith("velocity and zero offset are both given")


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("velocity", 0.0),
        ("velocity", math.nan),
        ("zero_offset", math.inf),
        ("separation", -1.0),
        ("u_velocity", -1.0),
        ("u_zero_offset", math.nan),
        ("time_resolution_us", -0.01),
    ],
)
def test_values_given_that_cannot_be(key: str, value: float) -> None:
    """Each is named."""
    assert message(read(STEEL, BLOCK), **{key: value}).startswith(f"'{key}' must be ")


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"thickness": 0.0}, "a step's thickness must be > 0 mm (got 0.0)"),
        ({"readings": 0}, "step 5 mm has no reading: couple the probe on it and read it again"),
        ({"time_of_flight": math.nan}, "step 5 mm has no reading: "),
        ({"time_of_flight": -1.0}, "step 5 mm: time of flight must be >= 0 µs (got -1.0)"),
        ({"sd": -0.1}, "step 5 mm: standard deviation must be >= 0 µs (got -0.1)"),
        ({"u_thickness": -0.1}, "step 5 mm: uncertainty of its thickness must be >= 0 mm"),
    ],
)
def test_step_that_cannot_have_been_read(change: dict[str, float], text: str) -> None:
    """A step without a reading is no step."""
    with pytest.raises(CalibrationError) as caught:
        dataclasses.replace(STEP, **change)  # type: ignore[arg-type]
    assert str(caught.value).startswith(text)


STEP = StepReading(thickness=5.0, time_of_flight=1.94)


@pytest.mark.parametrize(
    ("thickness", "text"),
    [
        ((5.0, 5.0), "all steps are 5 mm thick, too little to separate"),
        ((10.0, 11.0, 12.0), "the steps span only 10 to 12 mm, too little to separate"),
    ],
)
def test_steps_too_close(thickness: tuple[float, ...], text: str) -> None:
    """Velocity and zero offset cannot be told apart; with the velocity given they need not be."""
    steps = read(STEEL, thickness)
    assert message(steps).startswith(text)
    assert solve_steps(steps, velocity=5.92).zero_offset == pytest.approx(0.25)


def test_steps_too_close_for_their_scatter() -> None:
    """Far enough apart for a quiet gauge, not for this one."""
    text = message(noisy(STEEL, (4.0, 5.0), 0.05, 5, seed=1))
    assert "m/s with a standard uncertainty of" in text
    assert "take steps further apart, or more readings on each" in text


def test_steps_swapped() -> None:
    """Two steps that changed places are both named."""
    first, second = read(STEEL, (5.08, 12.7), sd=0.004, readings=9)
    steps = [
        dataclasses.replace(first, time_of_flight=second.time_of_flight),
        dataclasses.replace(second, time_of_flight=first.time_of_flight),
    ]
    text = message(steps)
    assert text.startswith(
        "step 5.08 mm (4.541 µs) and step 12.7 mm (1.966 µs): the time falls while the thickness "
        "rises; the two steps were swapped"
    )
    assert message(steps, material="carbon steel") == text


@pytest.mark.parametrize("pair", [(0, 1), (1, 3), (2, 4), (0, 4)])
def test_steps_swapped_among_five(pair: tuple[int, int]) -> None:
    """Of five steps, the two that were swapped are named."""
    steps = noisy(STEEL, BLOCK, 0.003, 9, seed=2)
    i, j = pair
    times = [step.time_of_flight for step in steps]
    times[i], times[j] = times[j], times[i]
    steps = [
        dataclasses.replace(step, time_of_flight=t) for step, t in zip(steps, times, strict=True)
    ]
    text = message(steps)
    assert text.startswith(f"step {BLOCK[i]:g} mm")
    assert f" and step {BLOCK[j]:g} mm" in text
    assert "were swapped" in text


@pytest.mark.parametrize("shift", [0.0, 0.006, -0.006])
def test_step_read_twice(shift: float) -> None:
    """The probe stayed on the same step, or came back to it and was coupled a little differently."""
    steps = read(STEEL, (5.0, 7.5, 25.0), sd=0.002, readings=25)
    steps[1] = dataclasses.replace(steps[1], time_of_flight=steps[0].time_of_flight + shift)
    text = message(steps)
    assert text.startswith("step 5 mm (1.939 µs) and step 7.5 mm (")
    assert text.endswith(
        "have the same time of flight: the same step was read twice; read both again"
    )


def test_step_read_twice_or_its_second_back_wall() -> None:
    """At twice the thickness the two causes look the same, and both are said."""
    steps = read(STEEL, (5.0, 10.0, 20.0), sd=0.002, readings=9)
    steps[1] = dataclasses.replace(steps[1], time_of_flight=steps[2].time_of_flight)
    text = message(steps)
    assert (
        "the same step was read twice, or the gate was on the second back wall of step 10" in text
    )


def test_close_steps_among_others_are_none_that_was_read_twice() -> None:
    """Two steps that differ by less than the noise, beside a far one, are sound."""
    found = solve_steps(noisy(STEEL, (5.0, 5.02, 20.0), 0.02, 5, seed=3))
    assert found.velocity == pytest.approx(5.92, rel=0.01)


@pytest.mark.parametrize("shift", [-0.012, -0.007])
def test_close_steps_read_once_may_fall_by_what_the_couplant_does(shift: float) -> None:
    """Without a scatter told, 5 ns less on a step 0.02 mm thicker, or none, are no contradiction."""
    steps = read(STEEL, (5.0, 5.02, 20.0))
    steps[1] = dataclasses.replace(steps[1], time_of_flight=steps[1].time_of_flight + shift)
    assert solve_steps(steps).velocity == pytest.approx(5.92, rel=0.01)


@pytest.mark.parametrize("known", [STEEL, DUAL])
@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("at", range(5))
def test_echo_skipped_on_one_of_five(known: ThicknessLaw, seed: int, at: int) -> None:
    """One step read on its second back wall is named, on whichever step it is."""
    block = (3.0, 4.0, 7.0, 10.0, 17.0)
    steps = noisy(known, block, 0.003, 9, seed)
    second = float(known.time_of_flight(2 * block[at]))
    steps[at] = dataclasses.replace(steps[at], time_of_flight=second)
    text = message(steps, separation=known.separation)
    assert text.startswith(f"step {block[at]:g} mm (")
    assert (
        "fits 2 × the thickness that the other steps give: its echo looks like the second" in text
    )


def test_echo_from_half_the_depth() -> None:
    """A reflector half way down, or the wrong step, is told as such."""
    steps = noisy(STEEL, BLOCK, 0.003, 9, seed=4)
    steps[4] = dataclasses.replace(steps[4], time_of_flight=float(STEEL.time_of_flight(12.5)))
    text = message(steps)
    assert text.startswith("step 25 mm (")
    assert "fits 0.5 × the thickness that the other steps give" in text
    assert "its echo comes from half the depth" in text


def test_echo_from_nowhere_makes_up_no_story() -> None:
    """A time that is neither half nor double: the step is told to be off, and no more."""
    steps = noisy(STEEL, BLOCK, 0.003, 9, seed=4)
    steps[4] = dataclasses.replace(steps[4], time_of_flight=float(STEEL.time_of_flight(21.5)))
    text = message(steps)
    assert "with a standard uncertainty of" in text
    assert "mm off the line, more than the others: read it again" in text


def test_velocity_faster_than_any_solid() -> None:
    """The thin one of two steps on its second back wall, no material told: no solid is that fast."""
    steps = read(STEEL, (5.0, 11.5), sd=0.002, readings=9)
    steps[0] = dataclasses.replace(steps[0], time_of_flight=float(STEEL.time_of_flight(10.0)))
    text = message(steps)
    assert text.startswith("the velocity comes out as 25.7 mm/µs, faster than in any solid")


@pytest.mark.parametrize("which", [0, 1])
def test_echo_skipped_of_two_told_by_the_material(which: int) -> None:
    """Two steps have nothing left over; the handbook's velocity is the judge, and says so."""
    steps = read(STEEL, (5.08, 12.7), sd=0.004, readings=9)
    thickness = steps[which].thickness
    second = float(STEEL.time_of_flight(2 * thickness))
    steps[which] = dataclasses.replace(steps[which], time_of_flight=second)
    text = message(steps, material="carbon steel")
    assert text.startswith(f"step {thickness:g} mm (")
    assert "fits 2 × the thickness that the material's handbook velocity gives" in text
    assert text.endswith("; or the material is another")


def test_echo_skipped_of_one_told_by_the_material() -> None:
    """One step with the zero offset given: half the handbook's velocity is a second back wall."""
    step = StepReading(
        thickness=12.7, time_of_flight=float(STEEL.time_of_flight(25.4)), sd=0.004, readings=9
    )
    text = message([step], zero_offset=0.25, material="carbon steel")
    assert "step 12.7 mm" in text
    assert "its echo looks like the second back wall: put the gate on the first" in text


@pytest.mark.parametrize("given", [{}, {"velocity": 5.92}, {"zero_offset": 0.25}])
def test_echo_skipped_whichever_is_given(given: dict[str, float]) -> None:
    """With velocity or zero offset given the others still say which step it is."""
    steps = noisy(STEEL, BLOCK, 0.003, 9, seed=5)
    steps[1] = dataclasses.replace(
        steps[1], time_of_flight=float(STEEL.time_of_flight(10.0)) + 0.02
    )
    steps.pop(2)  # no 10 mm step that it could be taken for
    assert "step 5 mm" in message(steps, **given)


@pytest.mark.parametrize("seed", range(40))
def test_sound_steps_are_contradicted_by_nothing(seed: int) -> None:
    """Uneven couplant of 10 ns, more than the readings show, is no contradiction."""
    steps = [
        dataclasses.replace(step, sd=0.001, readings=20)
        for step in noisy(STEEL, BLOCK, 0.010, 2, seed)
    ]
    found = solve_steps(steps, material="carbon steel")
    assert found.velocity == pytest.approx(5.92, rel=0.01)


def test_zero_offset_beyond_the_times() -> None:
    """A zero offset later than the echoes leaves no velocity."""
    text = message(read(STEEL, (5.0, 10.0)), zero_offset=20.0)
    assert "less than every time of flight" in text


def test_separation_too_wide_for_a_step() -> None:
    """A separation that cannot be the probe's makes a thin step no wall, which is said."""
    text = message(read(STEEL, (1.0, 12.0), sd=0.002, readings=9), velocity=5.92, separation=9.0)
    assert text.startswith(
        "step 1 mm: by this calibration its time of 0.5878 µs is too short for a"
    )


def test_steps_in_another_unit_are_told() -> None:
    """Steps of 0.2 and 0.5 in taken for mm give a velocity that no solid has."""
    steps = [
        StepReading(thickness=d, time_of_flight=0.42 + 2 * d * 25.4 / 5.93) for d in (0.2, 0.5)
    ]
    with pytest.raises(CalibrationError, match="slower than in any solid: look at the units"):
        solve_steps(steps)


@pytest.mark.parametrize("thin", [5.0, 7.0])
def test_echo_skipped_of_two_where_the_other_explains_nothing(thin: float) -> None:
    """A trial that makes both steps alike, or the line fall, is passed over: the next one fits."""
    steps = read(STEEL, (thin, 10.0), sd=0.004, readings=9)
    second = float(STEEL.time_of_flight(20.0))
    steps[1] = dataclasses.replace(steps[1], time_of_flight=second)
    text = message(steps, material="carbon steel")
    assert text.startswith("step 10 mm (")
    assert "fits 2 × the thickness" in text
