"""The clock line against a linear program.

Of all lines below the points, the one nearest to them in the sum of distances is the solution of a
linear program (S. Moon, P. Skelly and D. Towsley, Estimation and removal of clock skew from network
delay measurements, INFOCOM 1999); it touches the lower hull at the edge over the mean (L. Zhang,
Z. Liu and C. H. Xia, Clock synchronization algorithms for network measurements, INFOCOM 2002).
`scipy.optimize.linprog` solves the program; the code under test walks the hull.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import linprog

from swathe.pipeline.placing.clock import DeviceClock
from swathe.pipeline.placing.deliveries import lower_hull

MS = 1_000_000


def best_line(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float]:
    """Return slope and height of the line below all points with the least sum of distances."""
    # Minimise sum(y - (a x + b)) subject to a x + b <= y.
    table = np.stack((x, np.ones_like(x)), axis=1)
    found = linprog(
        c=[-x.sum(), -float(x.size)], A_ub=table, b_ub=y, bounds=[(None, None)] * 2, method="highs"
    )
    assert found.success
    assert found.x is not None
    return float(found.x[0]), float(found.x[1])


@pytest.mark.parametrize("seed", range(20))
def test_hull_edge_over_the_mean_is_the_linear_programs_line(seed: int) -> None:
    """The edge of the lower hull over the mean is the line that the linear program finds."""
    random = np.random.default_rng(seed)
    x = np.sort(random.uniform(0, 100, 150))
    y = 3.0 + 0.7 * x + random.exponential(2.0, x.size)
    slope, height = best_line(x, y)
    hull = lower_hull(list(zip(x.tolist(), y.tolist(), strict=True)))
    edges = [
        ((y1 - y0) / (x1 - x0), x0, y0)
        for (x0, y0), (x1, y1) in itertools.pairwise(hull)
        if x0 <= x.mean() <= x1
    ]
    edge_slope, x0, y0 = edges[0]
    edge_height = y0 - edge_slope * x0
    assert edge_slope == pytest.approx(slope, abs=1e-6)
    assert edge_height == pytest.approx(height, abs=1e-5)
    objective = float(np.sum(y - edge_slope * x - edge_height))
    assert objective == pytest.approx(float(np.sum(y - slope * x - height)), rel=1e-8)


@pytest.mark.parametrize("seed", range(8))
def test_device_clock_fit_is_the_linear_programs_line(seed: int) -> None:
    """The fit of a whole clock, one delivery a stretch, is the program's line through the same."""
    random = np.random.default_rng(seed)
    skew = random.uniform(-200e-6, 200e-6)
    # One delivery in each stretch of 100 ms, so that each is kept.
    device = np.arange(0, 60_000, 100, dtype=np.int64) * MS
    delay = random.exponential(4 * MS, device.size)
    arrival = np.rint(device * (1 + skew) + delay).astype(np.int64) + 77_000 * MS
    arrival = np.maximum.accumulate(arrival)
    clock = DeviceClock()
    for k in range(device.size):
        clock.to_host(device[k : k + 1], arrival[k : k + 1])
    # In ms and about the first delivery, so that the program's tolerances are far below a µs.
    x = (device - device[0]) / MS
    late = (arrival - arrival[0]) / MS - x
    slope, height = best_line(x, late)
    assert clock.fit is not None
    assert clock.fit.skew == pytest.approx(slope, abs=1e-9)
    assert clock.fit.host_0 / MS == pytest.approx(height, abs=1e-4)
