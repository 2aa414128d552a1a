"""The best order of a few visits, and the best ways of visits whose order is known.

Dynamic programming over sets: R. Bellman, J. ACM 9, 61 (1962); M. Held and R. M. Karp, J. SIAM 10,
196 (1962). The quickest way through a set of visits that ends in one of them is the quickest way
through the set without it, and one step more. Here each visit has several ways to take it.
"""

from __future__ import annotations

import numpy as np

from swathe.arrays import Floats
from swathe.motion.limits.metric import Metric
from swathe.motion.tour.visits import WAYS, Visits

__all__ = ["best_order", "best_ways"]


def best_order(visits: Visits, metric: Metric, begin: Floats, home: Floats | None) -> list[int]:
    """Return the codes of the quickest tour, in order.

    Memory and time grow as 2^n · n²: for a dozen visits, not for more.

    Args:
        visits: to make.
        metric: seconds between places.
        begin: where the tour begins, (scan, index) in mm, shape (2,).
        home: where it shall end; None for wherever the last visit does.
    """
    n = visits.count
    if n == 0:
        return []
    codes = n * WAYS
    entry, leave = visits.entry.reshape(codes, 2), visits.exit.reshape(codes, 2)
    own = visits.own.reshape(codes)
    step = metric.between(leave[:, None], entry[None]) + own[None]
    visit = np.arange(codes) // WAYS

    spent = np.full((1 << n, codes), np.inf)
    before = np.full((1 << n, codes), -1, np.int16)
    first = metric.between(begin, entry) + own
    spent[1 << visit, np.arange(codes)] = first
    for done in range(1, (1 << n) - 1):
        ways = spent[done][:, None] + step
        came = ways.argmin(axis=0)
        after = ways[came, np.arange(codes)]
        open_codes = np.flatnonzero((done >> visit) & 1 == 0)
        into = done | (1 << visit[open_codes])
        spent[into, open_codes] = after[open_codes]
        before[into, open_codes] = came[open_codes]

    done = (1 << n) - 1
    last = spent[done] + (0.0 if home is None else metric.between(leave, home))
    code = int(last.argmin())
    order: list[int] = []
    while code >= 0:
        order.append(code)
        code, done = int(before[done, code]), done & ~(1 << (code // WAYS))
    return order[::-1]


def best_ways(
    order: list[int], visits: Visits, metric: Metric, begin: Floats, home: Floats | None
) -> list[int]:
    """Return the codes for the visits in this order, each in the way that makes the tour quickest.

    Args:
        order: codes of the visits in their order, in any of their ways.
        visits: as for `best_order`, as are the others.
        metric: see there.
        begin: see there.
        home: see there.
    """
    if not order:
        return []
    row = np.asarray(order) // WAYS
    entry, leave, own = visits.entry[row], visits.exit[row], visits.own[row]
    step = metric.between(leave[:-1, :, None], entry[1:, None, :]) + own[1:, None, :]
    spent = metric.between(begin, entry[0]) + own[0]
    came = np.zeros((len(order), WAYS), np.int64)
    columns = np.arange(WAYS)
    for k in range(1, len(order)):
        ways = spent[:, None] + step[k - 1]
        came[k] = ways.argmin(axis=0)
        spent = ways[came[k], columns]
    if home is not None:
        spent = spent + metric.between(leave[-1], home)
    way = int(spent.argmin())
    chosen = [0] * len(order)
    for k in range(len(order) - 1, -1, -1):
        chosen[k] = int(row[k]) * WAYS + way
        way = int(came[k, way])
    return chosen
