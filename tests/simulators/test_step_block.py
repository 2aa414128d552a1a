"""A probe on a step block: rounds, and being led by hand."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from swathe_simulators.motion import Motion
from swathe_simulators.scenario_models import PartModel, RasterModel, StepsModel
from swathe_simulators.trajectory import States

# Four steps of 20 mm: centres at 10, 30, 50 and 70 mm.
THICKNESSES = [12.7, 10.16, 7.62, 5.08]
PART = PartModel.model_validate(
    {
        "outside_diameter_mm": 2200,
        "nominal_mm": 12.7,
        "scan_mm": [0, 80],
        "index_mm": [-15, 15],
        "steps": [
            {"from_mm": 20 * n, "to_mm": 20 * n + 20, "thickness_mm": thickness}
            for n, thickness in enumerate(THICKNESSES)
        ],
    }
)


def motion(**keys: Any) -> Motion:
    """Return a motion of 2 s per step and 0.5 s in the air, with some keys of its own."""
    plain = {"kind": "steps", "dwell_s": 2, "lift_s": 0.5, "wait_s": 1}
    return Motion(PART, StepsModel.model_validate(plain | keys), np.random.default_rng(1))


def states(led: Motion, *times: float) -> States:
    """Return the probe's states at some times."""
    return led.trajectory.at(times)


def test_steps_are_visited_in_turn() -> None:
    """After the wait each step has its dwell, at its centre, and between there is only air."""
    led = motion(rounds=2)
    # Wait 1 s; 8 dwells of 2 s with 0.5 s between, and 0.5 s to lift off at the end.
    assert led.plan_end_s == led.end_s == pytest.approx(1 + 8 * 2 + 7 * 0.5 + 0.5)
    middle = states(led, *(2 + 2.5 * n for n in range(8)))
    assert middle.scan == pytest.approx([10, 30, 50, 70] * 2)
    assert middle.line.tolist() == [0, 1, 2, 3] * 2
    assert middle.pass_number.tolist() == [0] * 4 + [1] * 4
    assert not middle.lifted.any()
    air = states(led, 0, 0.99, *(3.25 + 2.5 * n for n in range(8)), 1000)
    assert air.lifted.all()
    assert set(air.line) == {-1}
    assert air.scan[2:6] == pytest.approx([20, 40, 60, 40])


def test_steps_way_through_the_air_is_smooth() -> None:
    """Place and speed are continuous, and on a step the probe does not move at all."""
    led = motion(rounds=2, order_mm=[5.08, 12.7, 5.08, 5.08])
    h = 1e-3
    displacement = states(led, *np.arange(0, led.end_s, h))
    trapezium = (displacement.scan_speed[1:] + displacement.scan_speed[:-1]) / 2 * h
    # The longest way is 60 mm in 0.5 s: 4·60/0.5² = 960 mm/s².
    assert np.abs(np.diff(displacement.scan_speed)).max() <= 960 * h * (1 + 1e-6)
    assert np.abs(np.diff(displacement.scan) - trapezium).max() <= 960 * h**2
    assert np.all(displacement.scan_speed[~displacement.lifted] == 0)
    assert set(np.round(displacement.scan[~displacement.lifted], 6)) == {10, 70}
    assert displacement.index.tolist() == [0.0] * len(displacement.index)


def test_steps_for_ever_go_on() -> None:
    """Without a number of rounds the motion has no end, and is known as far as asked."""
    led = motion()
    assert led.plan_end_s == led.end_s == math.inf
    assert led.lines_mm.tolist() == [0.0]
    led.keep_ahead(1000.0)
    assert led.trajectory.end_s >= 1000
    # A round of 4 · 2.5 s; the 100th begins 990.5 s after the wait, with the way to its step.
    far = states(led, 992.0, 994.5)
    assert far.scan == pytest.approx([10, 30])
    assert far.pass_number.tolist() == [99, 99]
    end = led.trajectory.end_s
    led.keep_ahead(1000.0)
    assert led.trajectory.end_s == end


@pytest.mark.parametrize("made", [0.4, 2.0, 3.1, 3.25, 3.4, 3.5, 27.0])
def test_put_on_keeps_what_was_made(made: float) -> None:
    """Whenever it is asked for, what was made stays true, and then the probe is on the step."""
    led, untouched = motion(), motion()
    for one in (led, untouched):
        one.keep_ahead(50.0)
    there = led.put_on(7.62, not_before_s=made)
    # At most the rest of the way under way is waited for.
    assert made + 0.5 <= there + 1e-9
    assert there <= made + 1.0 + 1e-9
    times = np.linspace(0, made, 500, endpoint=False)
    before, expected = states(led, *times), states(untouched, *times)
    for name in ("scan", "scan_speed", "line", "pass_number", "lifted"):
        assert np.array_equal(getattr(before, name), getattr(expected, name)), name
    air = states(led, there - 0.25)
    assert air.lifted.all()
    after = states(led, there + 1e-6, there + 100)
    assert after.scan == pytest.approx([50, 50])
    assert after.line.tolist() == [2, 2]
    assert not after.lifted.any()
    assert led.plan_end_s == there


def test_put_on_again_and_lift_off() -> None:
    """The hand may lift the probe, wait, and put it on a step once more, the same one, too."""
    led = motion()
    led.put_on(5.08, not_before_s=0.5)
    off = led.lift_off(not_before_s=20.0)
    assert off == pytest.approx(20)
    there = led.put_on(5.08, not_before_s=60.0)
    assert there == pytest.approx(60.5)
    displacement = states(led, 19.9, 20.1, 40, 60.2, 60.6)
    assert displacement.lifted.tolist() == [False, True, True, True, False]
    assert displacement.line.tolist() == [3, -1, -1, -1, 3]
    assert displacement.scan == pytest.approx([70] * 5)
    led.keep_ahead(1000.0)
    assert led.end_s == pytest.approx(62.5)


def test_put_on_unknown_step_changes_nothing() -> None:
    """A step that is not there is answered with those that are, and the rounds go on."""
    led = motion()
    with pytest.raises(ValueError, match=r"no step of 9 mm; there are: 12\.7, 10\.16, 7\.62, 5"):
        led.put_on(9, not_before_s=3)
    assert led.end_s == math.inf


def test_steps_that_the_part_has_not_are_refused() -> None:
    """A scenario made without its file's checks is checked all the same."""
    with pytest.raises(ValueError, match=r"'motion\.order_mm\[0\]' must be the thickness of"):
        motion(order_mm=[3.0])
    bare = PART.model_copy(update={"steps": []})
    model = StepsModel(kind="steps", dwell_s=1, lift_s=1)
    with pytest.raises(ValueError, match=r"'part\.steps' must list"):
        Motion(bare, model, np.random.default_rng(1))


def test_motion_of_other_kind_is_not_led(scenario_data: dict[str, Any]) -> None:
    """Only a probe on a block is led by hand."""
    raster = RasterModel.model_validate(scenario_data["motion"])
    driven = Motion(PART, raster, np.random.default_rng(1))
    with pytest.raises(RuntimeError, match="motion of kind raster is not to be led"):
        driven.put_on(12.7, not_before_s=0)
    with pytest.raises(RuntimeError, match="motion of kind raster is not to be led"):
        driven.lift_off(not_before_s=0)
