"""The ways of the crawler and of the hand keep to physics and to the plan."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from swathe_simulators import builtin_scenario, load_scenario
from swathe_simulators.moves import program
from swathe_simulators.scenario_models import HandModel, RasterModel
from swathe_simulators.trajectory import Trajectory


def way_of(model: RasterModel | HandModel, seed: int = 1) -> Trajectory:
    """Return the planned motion of a model."""
    return program(model, np.random.default_rng(seed))


def raster(scenario_data: dict[str, Any], **keys: Any) -> RasterModel:
    """Return the small raster with some keys of its own."""
    return RasterModel.model_validate(scenario_data["motion"] | keys)


def assert_continuous(displacement: Trajectory, *, speed: float, acceleration: float) -> None:
    """Check position against the integral of speed, and both against their limits.

    Sampled finely: over a step of h the place may move by v·h and the speed by a·h.
    """
    h = 1e-3
    states = displacement.at(np.arange(0, displacement.end_s + 1, h))
    for place, rate in ((states.scan, states.scan_speed), (states.index, states.index_speed)):
        assert np.abs(rate).max() <= speed * (1 + 1e-9)
        assert np.abs(np.diff(rate)).max() <= acceleration * h * (1 + 1e-6)
        trapezium = (rate[1:] + rate[:-1]) / 2 * h
        assert np.abs(np.diff(place) - trapezium).max() <= acceleration * h**2


@pytest.mark.parametrize("pattern", ["serpentine", "one_way"])
def test_raster_is_continuous_within_limits(scenario_data: dict[str, Any], pattern: str) -> None:
    """Place and speed are continuous and never beyond the crawler's limits."""
    model = raster(scenario_data, pattern=pattern)
    assert_continuous(way_of(model), speed=100, acceleration=400)


@pytest.mark.parametrize("pattern", ["serpentine", "one_way"])
def test_raster_covers_every_line(scenario_data: dict[str, Any], pattern: str) -> None:
    """Each line is driven whole, at its index, at full speed between its run-outs."""
    displacement = way_of(raster(scenario_data, pattern=pattern))
    states = displacement.at(np.arange(0, displacement.end_s, 1e-3))
    for line in range(3):
        on = (states.line == line) & ~states.lifted
        assert states.scan[on].min() == pytest.approx(-15, abs=0.01)
        assert states.scan[on].max() == pytest.approx(75, abs=0.01)
        assert np.allclose(states.index[on], 8 * line)
        inside = on & (states.scan > 0) & (states.scan < 60)
        assert np.allclose(np.abs(states.scan_speed[inside]), 100)
        backwards = pattern == "serpentine" and line % 2 == 1
        assert np.all((states.scan_speed[inside] < 0) == backwards)
    assert states.lifted.any() == (pattern == "one_way")


def test_raster_fast_stretch_only_there(scenario_data: dict[str, Any]) -> None:
    """A fast stretch is faster inside it, back to the ordinary speed at its end."""
    fast = {"line": 1, "from_mm": 10, "to_mm": 50, "speed_mm_per_s": 300}
    displacement = way_of(raster(scenario_data, fast=[{**fast, "acceleration_mm_per_s2": 4000}]))
    assert_continuous(displacement, speed=300, acceleration=4000)
    states = displacement.at(np.arange(0, displacement.end_s, 1e-4))
    quick = np.abs(states.scan_speed) > 100 + 1e-6
    assert np.abs(states.scan_speed).max() == pytest.approx(300)
    assert set(states.line[quick]) == {1}
    assert states.scan[quick].min() >= 10 - 1e-6
    assert states.scan[quick].max() <= 50 + 1e-6


def test_hand_is_irregular_within_limits() -> None:
    """The hand is never too fast, stops, reverses as told and comes to the end."""
    model = load_scenario(builtin_scenario("profile")).motion
    assert isinstance(model, HandModel)
    displacement = way_of(model)
    assert_continuous(displacement, speed=160, acceleration=400)
    states = displacement.at(np.arange(model.wait_s, displacement.end_s, 1e-3))
    assert states.scan[-1] == pytest.approx(2000, abs=0.1)
    moving = states.scan_speed[states.scan_speed > 20]
    assert np.std(moving) > 10
    backwards = states.scan_speed < 0
    assert -np.sum(states.scan_speed[backwards]) * 1e-3 == pytest.approx(35 + 22, abs=0.5)
    still = np.abs(states.scan_speed) < 1e-9
    assert np.sum(still) * 1e-3 == pytest.approx(1.4 + 2.6 + 0.8, abs=0.05)


def test_hand_follows_seed() -> None:
    """The same seed drives the same way, another one another."""
    model = load_scenario(builtin_scenario("profile")).motion
    assert isinstance(model, HandModel)
    times = np.linspace(0, 20, 200)
    same = [way_of(model, seed).at(times).scan for seed in (1, 1, 2)]
    assert np.array_equal(same[0], same[1])
    assert not np.allclose(same[0], same[2])
