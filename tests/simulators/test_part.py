"""The wall: listed and drawn corrosion, welds, obstructions."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from swathe_simulators.part import Part
from swathe_simulators.scenario_models import PartModel


def part(seed: int = 1, **keys: Any) -> Part:
    """Make a plain wall of 14 mm with some keys of its own."""
    base: dict[str, Any] = {"outside_diameter_mm": 2200, "nominal_mm": 14}
    base |= {"scan_mm": [0, 100], "index_mm": [0, 50], **keys}
    return Part(PartModel.model_validate(base), np.random.default_rng(seed))


def test_thickness_plain_wall_is_nominal() -> None:
    """Without corrosion the wall has its nominal thickness everywhere."""
    assert np.all(part().thickness(np.arange(5.0)[:, None], np.arange(4.0)) == 14.0)


def test_thickness_pit_centre_and_radius() -> None:
    """A pit takes its depth at the centre, and exp(-2) of it at its radius."""
    wall = part(pits=[{"scan_mm": 30, "index_mm": 20, "radius_mm": 8, "depth_mm": 5}])
    assert wall.thickness(30, 20) == pytest.approx(9.0)
    assert wall.thickness(38, 20) == pytest.approx(14 - 5 * math.exp(-2))
    assert wall.thickness(30, 12) == pytest.approx(14 - 5 * math.exp(-2))


def test_thickness_deep_pit_never_below_one_mm() -> None:
    """A hollow deeper than the wall leaves 1 mm."""
    wall = part(pits=[{"scan_mm": 30, "index_mm": 20, "radius_mm": 8, "depth_mm": 50}])
    assert wall.thickness(30, 20) == 1.0


def test_thickness_thinning_has_own_width_per_axis() -> None:
    """One sigma away along either axis a hollow has exp(-1/2) of its depth."""
    hollow = {"scan_mm": 50, "index_mm": 20, "sigma_scan_mm": 30, "sigma_index_mm": 5}
    wall = part(thinning=[{**hollow, "depth_mm": 2}])
    expected = 14 - 2 * math.exp(-0.5)
    assert wall.thickness([80, 50], [20, 25]) == pytest.approx([expected, expected])


def test_thickness_weld_adds_its_crown() -> None:
    """Only the strip of the weld is thicker."""
    wall = part(welds=[{"axis": "index", "from_mm": 10, "to_mm": 12, "crown_mm": 1.5}])
    assert wall.thickness([0, 0, 99], [9.9, 11, 12]).tolist() == [14, 15.5, 15.5]


def test_obstructed_rectangle_includes_edges() -> None:
    """The probe can't touch where a lug stands."""
    wall = part(obstructions=[{"scan_mm": [10, 20], "index_mm": [5, 9]}])
    scan, index = np.array([10.0, 15, 20, 20.1, 15]), np.array([5.0, 7, 9, 7, 4.9])
    assert wall.obstructed(scan, index).tolist() == [True, True, True, False, False]


def test_random_corrosion_follows_seed() -> None:
    """The same seed draws the same wall, another one another; the count is as asked."""
    keys = {"random_pits": 12, "random_thinning": 2}
    first, again, other = part(3, **keys), part(3, **keys), part(4, **keys)
    assert np.array_equal(first.hollows, again.hollows)
    assert not np.array_equal(first.hollows, other.hollows)
    assert first.hollows.shape == (14, 5)
    assert np.all((first.hollows[:, 0] >= 0) & (first.hollows[:, 0] <= 100))
    assert np.all((first.hollows[:, 1] >= 0) & (first.hollows[:, 1] <= 50))


def test_thickness_of_steps_takes_the_nominal_ones_place() -> None:
    """On a step the wall has its thickness, outside the nominal one, on an edge the later's."""
    steps = [
        {"from_mm": 10, "to_mm": 20, "thickness_mm": 5.08},
        {"from_mm": 20, "to_mm": 30, "thickness_mm": 0.5},
    ]
    got = part(steps=steps).thickness([9.9, 10, 19.9, 20, 30, 30.1], 3)
    assert got.tolist() == [14, 5.08, 5.08, 0.5, 0.5, 14]


def test_thickness_hollow_in_a_step() -> None:
    """A hollow goes into a step as into any wall, and thins no step that is thinner than 1 mm."""
    steps = [
        {"from_mm": 0, "to_mm": 50, "thickness_mm": 8},
        {"from_mm": 50, "to_mm": 100, "thickness_mm": 0.5},
    ]
    pit = {"index_mm": 20, "radius_mm": 4, "depth_mm": 3}
    wall = part(steps=steps, pits=[{"scan_mm": 25, **pit}, {"scan_mm": 75, **pit}])
    assert wall.thickness([25, 75], 20).tolist() == [5, 0.5]
