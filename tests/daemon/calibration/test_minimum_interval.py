"""The interval for the true minimum of a wall."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from daemon.calibration.minimum_walls import Survey
from swathe.calibration import minimum_interval
from swathe.errors import CalibrationError

ONE = np.ones(1, np.int64)


def test_interval_of_one_cell_is_that_of_its_mean() -> None:
    """One cell has no selection: its interval is the normal distribution's, by SciPy."""
    found = minimum_interval(np.array([8.0]), 4 * ONE, repeatability=0.1)
    low, high = stats.norm(8.0, 0.1 / 2).interval(0.95)
    assert (found.low, found.high) == pytest.approx((low, high), abs=1e-5)


@pytest.mark.parametrize("dof", [4, 9, 30])
def test_interval_of_one_cell_with_few_degrees_of_freedom_is_students(dof: int) -> None:
    """The quadrature over an estimated standard deviation gives Student's t, by SciPy."""
    found = minimum_interval(np.array([8.0]), ONE, repeatability=0.1, repeatability_dof=dof)
    low, high = stats.t(dof, 8.0, 0.1).interval(0.95)
    assert (found.low, found.high) == pytest.approx((low, high), abs=5e-4)


def test_error_that_all_readings_share_adds_by_squares() -> None:
    """Noise of 0.03 mm and a shared error of 0.04 mm are 0.05 mm together."""
    found = minimum_interval(np.array([8.0]), ONE, repeatability=0.03, common=0.04)
    low, high = stats.norm(8.0, 0.05).interval(0.95)
    assert (found.low, found.high) == pytest.approx((low, high), abs=1e-4)


def test_shared_error_without_noise_is_students() -> None:
    """With noise of nothing the interval is that of the calibration alone, by SciPy."""
    found = minimum_interval(
        np.array([8.0, 9.0]), 3 * np.ones(2, np.int64), repeatability=0, common=0.04, common_dof=5
    )
    low, high = stats.t(5, 8.0, 0.04).interval(0.95)
    assert (found.low, found.high) == pytest.approx((low, high), abs=5e-4)


def test_upper_end_of_a_flat_wall_is_the_quantile_of_the_minimum_of_its_cells() -> None:
    """Of 5,000 equal cells the upper end allows for the minimum of 5,000 normal values, by SciPy."""
    rng = np.random.default_rng(5)
    means = 10 + 0.05 * rng.standard_normal(5000)
    found = minimum_interval(means, np.ones(5000, np.int64), repeatability=0.05)
    # 3.5 % of surveys may miss at the upper end; the two cells are those that noise may hide.
    factor = -stats.norm.ppf(1 - (1 - 0.035) ** (1 / 5002))
    assert found.high == pytest.approx(means.min() + factor * 0.05, abs=0.005)


def test_pit_alone_has_the_interval_of_its_cell() -> None:
    """A pit far below the rest: others cannot be the minimum, so that nothing was selected."""
    rng = np.random.default_rng(6)
    means = 10 + 0.05 * rng.standard_normal(2000)
    means[700] = 7.0
    found = minimum_interval(means, np.ones(2000, np.int64), repeatability=0.05)
    assert found.low == pytest.approx(7.0 - 1.96 * 0.05, abs=0.001)
    assert found.high == pytest.approx(7.0 + 1.96 * 0.05, abs=0.001)
    assert found.estimate == pytest.approx(7.0, abs=0.01)


def test_cells_far_above_change_nothing() -> None:
    """Ten thousand thick cells next to some thin ones leave the interval as it is."""
    rng = np.random.default_rng(7)
    thin = 6 + 0.05 * rng.standard_normal(300)
    means = np.concatenate((12 + rng.standard_normal(10_000), thin))
    whole = minimum_interval(means, np.ones(means.size, np.int64), repeatability=0.05)
    alone = minimum_interval(thin, np.ones(300, np.int64), repeatability=0.05)
    assert (whole.low, whole.high) == pytest.approx((alone.low, alone.high), abs=1e-9)


def test_order_of_cells_does_not_matter() -> None:
    """The same cells in another order give the same digits."""
    rng = np.random.default_rng(8)
    readings = rng.integers(1, 21, 800)
    means = 10 + 0.1 * rng.standard_normal(800)
    order = rng.permutation(800)
    given = minimum_interval(means, readings, repeatability=0.05, common=0.01)
    turned = minimum_interval(means[order], readings[order], repeatability=0.05, common=0.01)
    assert (turned.low, turned.high) == pytest.approx((given.low, given.high), abs=1e-9)


def test_readings_of_a_cell_make_the_interval_shorter() -> None:
    """Twenty readings of each cell: a quarter of the length, as 1 / sqrt(20) is."""
    rng = np.random.default_rng(9)
    noise = rng.standard_normal(2000)
    one = minimum_interval(10 + 0.05 * noise, np.ones(2000, np.int64), repeatability=0.05)
    many = minimum_interval(
        10 + 0.05 * noise / math.sqrt(20), np.full(2000, 20), repeatability=0.05
    )
    assert (many.high - many.low) * math.sqrt(20) == pytest.approx(one.high - one.low, rel=1e-3)


def test_uneven_cell_counts_with_its_minimum_reading() -> None:
    """A pit under one reading of twenty hardly moves the mean; its cell is as thin as the pit."""
    rng = np.random.default_rng(10)
    noise = 0.05 * rng.standard_normal((20, 500))
    noise[3, 44] -= 1.5
    means, lowest = 10 + noise.mean(axis=0), 10 + noise.min(axis=0)
    found = minimum_interval(means, np.full(500, 20), lowest, repeatability=0.05)
    assert found.uneven == 1
    assert found.low < 8.5 < found.high < 8.8


def test_readings_that_scatter_more_than_stated_are_believed() -> None:
    """The repeatability of a smooth block is not that of a rough part: the cells show it."""
    rng = np.random.default_rng(11)
    noise = 0.08 * rng.standard_normal((10, 500))
    means, lowest = 10 + noise.mean(axis=0), 10 + noise.min(axis=0)
    found = minimum_interval(means, np.full(500, 10), lowest, repeatability=0.02)
    assert found.from_part
    assert found.repeatability == pytest.approx(0.08, rel=0.08)
    assert found.uneven == 0
    assert found.low < 10 < found.high
    steady = minimum_interval(means, np.full(500, 10), lowest, repeatability=0.1)
    assert not steady.from_part
    assert steady.repeatability == 0.1


@pytest.mark.slow
@pytest.mark.parametrize(
    ("survey", "least"),
    [
        (Survey(wall="flat", cells=600, readings=20), 0.92),
        (Survey(wall="flat", cells=600, common=0.02), 0.92),
        (Survey(wall="rough 0.15 mm", cells=600, readings=3), 0.92),
        (Survey(wall="waves 0.1 mm, 3 cells", cells=900, dof=15, coupling=0.03), 0.92),
        (Survey(wall="1 pit 1 mm", cells=600, common=0.05), 0.92),
        (Survey(wall="5 pits 0.3 mm", cells=600, readings=2, keeps_lowest=False), 0.92),
    ],
    ids=lambda value: getattr(value, "wall", ""),
)
def test_interval_holds_the_true_minimum_as_often_as_stated(survey: Survey, least: float) -> None:
    """Of 150 surveys 92 % or more, 95 % but for chance; the whole table is in tests/benchmarks/minimum_interval.py."""
    rng = np.random.default_rng(20261126)
    found = [survey.read(rng) for _ in range(150)]
    assert sum(one.holds for one in found) >= least * len(found)


def test_uncertainty_of_a_single_reading_does_not_hold_the_minimum_of_many() -> None:
    """What was stated before held the true minimum of a flat wall in no survey, with one reading too."""
    rng = np.random.default_rng(12)
    for readings in (1, 20):
        survey = Survey(wall="flat", cells=5000, readings=readings)
        found = [survey.read(rng) for _ in range(20)]
        assert not any(one.single[0] <= one.minimum <= one.single[1] for one in found)
        assert sum(one.holds for one in found) >= 18


@pytest.mark.parametrize(
    ("means", "readings", "changes", "text"),
    [
        ([], [], {}, "'means' and 'readings'"),
        ([1.0, 2.0], [1], {}, "'means' and 'readings'"),
        ([1.0, math.nan], [1, 1], {}, "'means' must be finite"),
        ([1.0, 2.0], [1, 0], {}, "'means' must be finite"),
        ([1.0], [1], {"repeatability": -0.1}, "standard uncertainties"),
        ([1.0], [1], {"common": math.inf}, "standard uncertainties"),
        ([1.0], [1], {"coverage": 1.0}, "'coverage'"),
    ],
)
def test_interval_of_what_cannot_be_is_refused(
    means: list[float], readings: list[int], changes: dict[str, float], text: str
) -> None:
    """Each refusal names the argument."""
    given = {"repeatability": 0.05} | changes
    with pytest.raises(CalibrationError, match=text):
        minimum_interval(np.array(means), np.array(readings, np.int64), **given)  # type: ignore[arg-type]
