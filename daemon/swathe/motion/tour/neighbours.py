"""The visits nearest to each end of a visit: between them a search looks for shorter paths."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Ints
from swathe.motion.limits.metric import Metric
from swathe.motion.tour.visits import WAYS, Visits

__all__ = ["nearest_ends"]

_AT_ONCE = 256


def nearest_ends(visits: Visits, metric: Metric, count: int) -> Ints:
    """Return, for the entry of each code, the nearest entries of other visits.

    Ways 2 and 3 of a visit that has only two are nobody's neighbours.

    Args:
        visits: to be made.
        metric: seconds between positions.
        count: neighbours wanted.

    Returns:
        Codes, shape (4 n, k), the nearest first.
    """
    n = visits.count
    place = visits.entry.reshape(-1, 2)
    several = (visits.entry[:, 2] != visits.entry[:, 1]).any(axis=1)
    real = np.ones((n, WAYS), bool)
    real[:, 2:] = several[:, None]
    ends = np.flatnonzero(real.reshape(-1))
    own = 2 + 2 * int(several.any())
    count = min(count, max(ends.size - own, 1))
    x, y, periods = _in_cruise_seconds(place, metric)
    near = np.empty((place.shape[0], count), np.int64)
    owner = (ends // WAYS)[None]
    for low in range(0, ends.size, _AT_ONCE):
        codes = ends[low : low + _AT_ONCE]
        dx = _apart(x[codes], x[ends], periods[0])
        dy = _apart(y[codes], y[ends], periods[1])
        rough = np.maximum(dx, dy) if metric.together else np.add(dx, dy, out=dx)
        rough[(codes // WAYS)[:, None] == owner] = np.inf
        nearest = np.argpartition(rough, count - 1, axis=1)[:, :count]
        found = ends[nearest]
        exact = metric.between(place[codes][:, None], place[found])
        exact[found // WAYS == (codes // WAYS)[:, None]] = np.inf
        rank = np.argsort(exact, axis=1, kind="stable")
        near[codes] = np.take_along_axis(found, rank, axis=1)
    single = np.flatnonzero(~several)
    # Ways 2 and 3 of a visit of one line are its ways 1 and 0 once more.
    for way, same in ((2, 1), (3, 0)):
        near[single * WAYS + way] = near[single * WAYS + same]
    return near


def _in_cruise_seconds(
    place: NDArray[np.float64], metric: Metric
) -> tuple[NDArray[np.float32], NDArray[np.float32], list[float | None]]:
    """Return both positions as seconds at full speed: near enough to find neighbours by."""
    scaled = []
    periods: list[float | None] = []
    for k, axis in enumerate(metric.limits.axes):
        period = metric.periods[k]
        position = place[:, k] if period is None else place[:, k] % period
        scaled.append((position / axis.speed).astype(np.float32))
        periods.append(None if period is None else period / axis.speed)
    return scaled[0], scaled[1], periods


def _apart(
    one: NDArray[np.float32], all_: NDArray[np.float32], period: float | None
) -> NDArray[np.float32]:
    way = np.subtract(one[:, None], all_[None])
    np.abs(way, out=way)
    if period is not None:
        way = np.minimum(way, np.float32(period) - way)
    return way
