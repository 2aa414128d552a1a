"""The parts of the interval of the minimum: its quadratures and the estimate of walls."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from swathe.calibration.minimum_ends import noise_ratios, root_of_falling, student_nodes
from swathe.calibration.wall_distribution import CellGroup, estimate_walls


@pytest.mark.parametrize("dof", [3, 10, 60])
def test_ratio_of_standard_deviations_has_the_moments_of_chi(dof: int) -> None:
    """Mean and second moment of chi / sqrt(dof), by SciPy."""
    nodes = noise_ratios(dof)
    assert nodes.weight.sum() == pytest.approx(1)
    mean = stats.chi(dof).mean() / math.sqrt(dof)
    assert nodes.weight @ nodes.at == pytest.approx(mean, rel=1e-3)
    assert nodes.weight @ nodes.at**2 == pytest.approx(1, rel=2e-3)


def test_ratio_of_a_known_standard_deviation_is_one() -> None:
    """With infinite degrees of freedom there is one node."""
    nodes = noise_ratios(math.inf)
    assert (nodes.at.tolist(), nodes.weight.tolist()) == ([1.0], [1.0])


@pytest.mark.parametrize("dof", [3, 10, math.inf])
def test_nodes_of_student_have_its_characteristic_function(dof: float) -> None:
    """E cos(1.3 t), by SciPy's quadrature over the density."""
    nodes = student_nodes(1.0, dof)
    law = stats.norm() if math.isinf(dof) else stats.t(dof)
    expected = law.expect(lambda t: np.cos(1.3 * t), lb=-60, ub=60, limit=400)
    assert nodes.weight @ np.cos(1.3 * nodes.at) == pytest.approx(expected, abs=1e-3)


def test_root_of_a_falling_function() -> None:
    """exp(-x) falls to 0.05 at ln 20."""
    assert root_of_falling(lambda x: math.exp(-x), 0.05, 0, 60) == pytest.approx(math.log(20))


def test_walls_of_two_kinds_are_told_apart() -> None:
    """900 cells of 10 mm and 100 of 9.7 mm, read with 0.05 mm: the noise is taken out again."""
    rng = np.random.default_rng(3)
    wall = np.repeat([10.0, 9.7], [900, 100])
    values = wall + 0.05 * rng.standard_normal(1000)
    found = estimate_walls([CellGroup(0.05, values, float(values.min()))], 10.5, 0)
    assert found.count.sum() == pytest.approx(1000)
    assert found.others.sum() == pytest.approx(999)
    assert found.count[found.wall < 9.85].sum() == pytest.approx(100, abs=6)
    mean = found.count @ found.wall / 1000
    spread = math.sqrt(found.count @ (found.wall - mean) ** 2 / 1000)
    assert spread == pytest.approx(0.09, rel=0.1)  # sqrt(0.9 * 0.1) * 0.3 mm
    assert spread < 0.95 * values.std()
