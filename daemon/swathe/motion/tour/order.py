"""A short tour over what was missed: exact for a few visits, searched for many."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from swathe.motion.errors import Place
from swathe.motion.tour.cost import Metric, Visits
from swathe.motion.tour.exact import best_order, best_ways
from swathe.motion.tour.search import TourSearch
from swathe.motion.tour.start import greedy_order, nearest_ends

__all__ = ["EXACT_UP_TO", "order_visits", "tour_seconds"]

Floats = NDArray[np.float64]

EXACT_UP_TO = 12
"""Visits up to which the tour is the quickest there is."""

_NEIGHBOURS = 8
_ROUNDS = 3
# Kicks of a tour: many where each is cheap and chance matters most.
_KICKS, _KICKED_AT = 400, 10_000


def order_visits(
    visits: Visits, metric: Metric, *, begin: Place, home: Place | None = None
) -> list[int]:
    """Return the codes (``4 * visit + way``) of a quick tour over every visit, in order.

    Args:
        visits: to be made, each once.
        metric: seconds between places.
        begin: where the probe is, (scan, index) in mm.
        home: where it shall end; None for wherever the last visit does.
    """
    start = np.array(begin, float)
    goal = None if home is None else np.array(home, float)
    if visits.count <= EXACT_UP_TO:
        return best_order(visits, metric, start, goal)
    near, seconds = nearest_ends(visits, metric, _NEIGHBOURS)
    order = greedy_order(visits, metric, start, near, seconds)
    order = best_ways(order, visits, metric, start, goal)
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
    order: list[int], visits: Visits, metric: Metric, *, begin: Place, home: Place | None = None
) -> float:
    """Return the seconds of a tour: the visits and the ways between them."""
    codes = np.asarray(order, np.int64)
    entry, leave = visits.entry.reshape(-1, 2)[codes], visits.exit.reshape(-1, 2)[codes]
    stops = (
        [np.array([begin], float), entry]
        if home is None
        else [np.array([begin], float), entry, np.array([home], float)]
    )
    to = np.concatenate(stops[1:])
    come = np.concatenate((stops[0], leave))[: to.shape[0]]
    own = visits.own.reshape(-1)[codes]
    return math.fsum(metric.between(come, to).tolist()) + math.fsum(own.tolist())
