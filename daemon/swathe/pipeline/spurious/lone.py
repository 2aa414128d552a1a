"""Rules LONE_LOW and LONE_HIGH: thinner or thicker than all that was read around, and read once.

A value is lone by more than a tolerance: three standard deviations of the cells around it, at least 3 %
and at most 10 % of the wall. The minimum keeps noise of smooth walls out; the maximum keeps a single
reading doubtful on a wall that is rough. (Our choice, no source; the rates of false alarms and
misses that follow from it are printed by tests/benchmarks/spurious.py.)
"""

from __future__ import annotations

from typing import Final

import numpy as np

from swathe.arrays import Bools, Floats
from swathe.pipeline.spurious.neighbourhood import Around

__all__ = [
    "MIN_SHARE",
    "high_tolerance",
    "is_lone_high",
    "is_lone_low",
    "low_tolerance",
    "was_read_high_again",
    "was_read_low_again",
]

MIN_SHARE: Final = 0.03
"""Lowest tolerance, as a share of the wall: what differs by no more agrees."""
_MOST_SHARE = 0.1
_DEVIATIONS = 3.0


def _tolerance(wall: Floats, scatter: Floats) -> Floats:
    scatter = np.where(np.isfinite(scatter), scatter, 0.0)
    return np.clip(_DEVIATIONS * scatter, MIN_SHARE * wall, _MOST_SHARE * wall)


def low_tolerance(around: Around) -> Floats:
    """Return by how much a low value must be below all others to be lone, mm, shape (n,).

    In proportion to the wall around it; without one, to what another visit to the cell read.
    """
    other = np.where(np.isfinite(around.visit_second), around.visit_second, around.value)
    return _tolerance(np.where(around.known, around.wall, other), around.scatter)


def high_tolerance(around: Around) -> Floats:
    """Return by how much a high value must be above all others to be lone, mm, shape (n,)."""
    return _tolerance(around.value, around.scatter)


def is_lone_low(around: Around) -> Bools:
    """Return which values are lone and low, shape (n,).

    Where too few cells around were read, as with spots, the other visits to the cell are compared.
    """
    tolerance = low_tolerance(around)
    by_neighbours = (around.value < around.wall - tolerance) & (
        around.lowest > around.value + tolerance
    )
    by_visits = (around.visits > 1) & (around.visit_second > around.value + tolerance)
    return np.where(around.known, by_neighbours, by_visits)


def is_lone_high(around: Around) -> Bools:
    """Return which values are lone and high, shape (n,)."""
    tolerance = high_tolerance(around)
    by_neighbours = (around.value > around.wall + tolerance) & (
        around.highest < around.value - tolerance
    )
    by_visits = (around.visits > 1) & (around.visit_low < around.value - tolerance)
    return np.where(around.known, by_neighbours, by_visits)


def was_read_low_again(around: Around) -> Bools:
    """Return which low values two visits of the probe have read, shape (n,)."""
    return np.asarray(
        (around.visits > 1) & (around.visit_second <= around.value + low_tolerance(around))
    )


def was_read_high_again(around: Around) -> Bools:
    """Return which high values every one of several visits has read, shape (n,)."""
    return np.asarray(
        (around.visits > 1) & (around.visit_low >= around.value - high_tolerance(around))
    )
