"""A short tour over what was missed: the shortest for a few visits, searched for many.

A long tour begins as the one that always takes the nearest visit, and a search makes it shorter.
The same visits give the same tour on every machine.
"""

from __future__ import annotations

import math

import numpy as np

from swathe.arrays import Floats
from swathe.motion.limits.metric import Metric
from swathe.motion.tour.exact import best_order, best_ways
from swathe.motion.tour.neighbours import nearest_ends
from swathe.motion.tour.search import TourSearch
from swathe.motion.tour.visits import WAYS, Visits

__all__ = ["EXACT_UP_TO", "order_visits", "tour_seconds"]

EXACT_UP_TO = 12
"""Visits up to which the tour is the quickest there is."""

_NEIGHBOURS = 8
_ROUNDS = 3
# Kicks of a tour: more where each is cheap and chance matters most.
_KICKS, _KICKED_AT = 400, 10_000


def order_visits(
    visits: Visits,
    metric: Metric,
    *,
    begin: tuple[float, float],
    home: tuple[float, float] | None = None,
) -> list[int]:
    """Return the codes (``4 * visit + way``) of a quick tour over every visit, in order.

    Args:
        visits: to be made, each once.
        metric: seconds between positions.
        begin: where the probe is, (scan, index) in mm.
        home: where it shall end; None for wherever the last visit does.
    """
    start = np.array(begin, float)
    goal = None if home is None else np.array(home, float)
    if visits.count <= EXACT_UP_TO:
        return best_order(visits, metric, start, goal)
    order = best_ways(_nearest_first(visits, metric, start), visits, metric, start, goal)
    near = nearest_ends(visits, metric, _NEIGHBOURS)
    search = TourSearch(order, visits, metric, start, goal, near)
    for _ in range(_ROUNDS):
        gained = search.improve()
        order = best_ways(search.order, visits, metric, start, goal)
        if order == search.order and gained == 0.0:
            break
        search.set_order(order)
    search.kick(_KICKS + _KICKED_AT // visits.count)
    return best_ways(search.order, visits, metric, start, goal)


def tour_seconds(
    order: list[int],
    visits: Visits,
    metric: Metric,
    *,
    begin: tuple[float, float],
    home: tuple[float, float] | None = None,
) -> float:
    """Return the seconds of a tour: the visits and the paths between them."""
    codes = np.asarray(order, np.int64)
    entry, leave = visits.entry.reshape(-1, 2)[codes], visits.exit.reshape(-1, 2)[codes]
    to = entry if home is None else np.concatenate((entry, np.array([home], float)))
    come = np.concatenate((np.array([begin], float), leave))[: to.shape[0]]
    own = visits.own.reshape(-1)[codes]
    return math.fsum(metric.between(come, to).tolist()) + math.fsum(own.tolist())


def _nearest_first(visits: Visits, metric: Metric, begin: Floats) -> list[int]:
    """Return the codes of the tour that always takes what is done soonest."""
    entry, own = visits.entry.reshape(-1, 2), visits.own.reshape(-1)
    left = np.arange(visits.count * WAYS)
    at, order = begin, []
    while left.size:
        code = int(left[(metric.between(at, entry[left]) + own[left]).argmin()])
        order.append(code)
        left = left[left // WAYS != code // WAYS]
        at = entry[code ^ 1]
    return order
