"""The beginning of a long tour: nearest neighbours, and a first order by joining nearest ends.

The greedy edge rule: of all steps between ends of visits the quickest is taken first, unless it
would close a circle or use an end twice (J. L. Bentley, ORSA J. Computing 4, 387, 1992).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathe.motion.tour.cost import WAYS, Metric, Visits

__all__ = ["greedy_order", "nearest_ends"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_AT_ONCE = 256


def nearest_ends(visits: Visits, metric: Metric, count: int) -> tuple[Ints, Floats]:
    """Return, for the entry of each code, the nearest entries of other visits.

    Ways 2 and 3 of a visit that has only two are nobody's neighbours.

    Args:
        visits: to be made.
        metric: seconds between places.
        count: neighbours wanted.

    Returns:
        Codes, shape (4 n, k), the nearest first, and the seconds to them, shape (4 n, k).
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
    seconds = np.empty((place.shape[0], count))
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
        seconds[codes] = np.take_along_axis(exact, rank, axis=1)
    single = np.flatnonzero(~several)
    # Ways 2 and 3 of a visit of one line are its ways 1 and 0 once more.
    for way, same in ((2, 1), (3, 0)):
        near[single * WAYS + way] = near[single * WAYS + same]
        seconds[single * WAYS + way] = seconds[single * WAYS + same]
    return near, seconds


def _in_cruise_seconds(
    place: Floats, metric: Metric
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


def greedy_order(
    visits: Visits, metric: Metric, begin: Floats, near: Ints, seconds: Floats
) -> list[int]:
    """Return the codes of a first tour, in order.

    Args:
        visits: to be made.
        metric: seconds between places.
        begin: where the tour begins, shape (2,).
        near: of `nearest_ends`.
        seconds: of `nearest_ends`.
    """
    n = visits.count
    linked = _links(n, near, seconds)
    loose = [code for code in range(n * WAYS) if code % WAYS < 2 and linked[code] < 0]
    place = visits.entry.reshape(-1, 2)
    ends = np.array(loose)
    taken = np.zeros(ends.size, bool)
    where = {code: k for k, code in enumerate(loose)}
    order: list[int] = []
    at = begin
    while not taken.all():
        away = np.where(taken, np.inf, metric.between(at, place[ends]))
        code = int(ends[int(away.argmin())])
        taken[where[code]] = True
        while True:
            order.append(code)
            after = linked[code ^ 1]
            if after < 0:
                break
            code = after
        taken[where[code ^ 1]] = True
        at = place[code ^ 1]
    return order


def _links(n: int, near: Ints, seconds: Floats) -> list[int]:
    """Return which end each end is joined to, -1 for none; each code names its entry's end."""
    first_two = np.flatnonzero(np.arange(n * WAYS) % WAYS < 2)
    one = np.repeat(first_two, near.shape[1])
    other, cost = near[first_two].reshape(-1), seconds[first_two].reshape(-1)
    wanted = (other % WAYS < 2) & np.isfinite(cost) & (one < other)
    one, other, cost = one[wanted], other[wanted], cost[wanted]
    rank = np.argsort(cost, kind="stable")
    linked = [-1] * (n * WAYS)
    group = list(range(n))

    def root(visit: int) -> int:
        while group[visit] != visit:
            group[visit] = group[group[visit]]
            visit = group[visit]
        return visit

    for a, b in zip(one[rank].tolist(), other[rank].tolist(), strict=True):
        if linked[a] >= 0 or linked[b] >= 0:
            continue
        left, right = root(a // WAYS), root(b // WAYS)
        if left != right:
            group[left] = right
            linked[a], linked[b] = b, a
    return linked
