"""Readings into cells against scipy's binning, and a cell's mean against NIST.

Sources: `scipy.stats.binned_statistic_2d` (scipy 1.17.1) and the example of its documentation;
NIST StRD univariate, data set NumAcc4 (certified mean 10000000.2).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binned_statistic_2d

from daemon.strategies import readings
from swathe.pipeline import Grid
from swathe.station import Axis, CellRule


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("rule", [CellRule.MINIMUM, CellRule.MEAN])
def test_counts_means_and_minima_agree_with_scipy(seed: int, rule: CellRule) -> None:
    """Forty thousand readings at random places give scipy's counts, means and minima."""
    random = np.random.default_rng(seed)
    scan_axis = Axis(name="scan", start=-3.0, resolution=0.75, cells=40)
    index_axis = Axis(name="index", start=12.5, resolution=2.5, cells=17)
    n = 40_000
    scan = random.uniform(-10, 40, n)
    index = random.uniform(0, 70, n)
    thickness = random.uniform(4, 12, n)
    grid = Grid(scan=scan_axis, index=index_axis, rule=rule)
    cells = grid.cells_at(scan, index)
    data = readings(range(n), thickness)
    for at in range(0, n, 1234):
        grid.add(data[at : at + 1234], cells[at : at + 1234], 0)

    edges = [
        axis.start + (np.arange(axis.cells + 1) - 0.5) * axis.resolution
        for axis in (index_axis, scan_axis)
    ]
    counts, means, minima = (
        binned_statistic_2d(index, scan, thickness, statistic=kind, bins=edges).statistic
        for kind in ("count", "mean", "min")
    )
    assert np.array_equal(grid.hits.reshape(grid.shape), counts)
    assert grid.outside == n - counts.sum()
    hit = grid.hits.reshape(grid.shape) > 0
    whole = (slice(None), slice(None))
    mean = grid.mean_thickness(slice(None)).reshape(grid.shape)
    # A mean is kept as a sum of whole 2 pm.
    assert mean[hit] == pytest.approx(means[hit], abs=1e-9)
    shown = grid.thickness.reshape(grid.shape)
    if rule is CellRule.MINIMUM:
        assert np.array_equal(shown[hit], minima[hit])
    else:
        assert shown[hit] == pytest.approx(means[hit], abs=1e-9)
    assert np.isnan(grid.layer("thickness", *whole)[~hit]).all()


def test_example_of_scipys_documentation() -> None:
    """Four points on two by two cells: counts 2 1 / 1 0."""
    first = Axis(name="index", start=0.25, resolution=0.5, cells=2)
    second = Axis(name="scan", start=2.25, resolution=0.5, cells=2)
    x = np.array([0.1, 0.1, 0.1, 0.6])
    y = np.array([2.1, 2.6, 2.1, 2.1])
    grid = Grid(scan=second, index=first, rule=CellRule.MINIMUM)
    grid.add(readings(range(4)), grid.cells_at(y, x), 0)
    assert grid.hits.reshape(2, 2).tolist() == [[2, 1], [1, 0]]


@pytest.mark.parametrize("batch", [1, 100, 1001])
def test_mean_of_a_cell_nist_numacc4(batch: int) -> None:
    """The mean of 10000000.2 and 500 times (10000000.1, 10000000.3) is 10000000.2."""
    values = np.array([10_000_000.2, *([10_000_000.1, 10_000_000.3] * 500)])
    grid = Grid(
        scan=Axis(name="scan", start=0.0, resolution=1.0, cells=1),
        index=Axis(name="index", start=0.0, resolution=1.0, cells=1),
        rule=CellRule.MEAN,
    )
    data = readings(range(values.size), values)
    for at in range(0, values.size, batch):
        part = data[at : at + batch]
        grid.add(part, np.zeros(part.size, np.int64), 0)
    assert grid.hits[0] == 1001
    assert grid.thickness[0] == pytest.approx(10_000_000.2, abs=1e-8)
