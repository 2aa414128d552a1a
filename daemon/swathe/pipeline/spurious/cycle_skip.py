"""Rule CYCLE_SKIP: one period of the probe's frequency thicker or thinner than the wall around it.

The echo crossed the threshold one cycle late or early: the time of flight is off by ``1 / f``, the
thickness by ``v / (2 f)`` (common practice, no source; it follows from ``d = v t / 2``). The rule
applies where the wall scatters little enough to set such a step apart.
"""

from __future__ import annotations

import numpy as np

from swathe.arrays import Bools
from swathe.pipeline.spurious.neighbourhood import Around

__all__ = ["is_cycle_skip", "thickness_of_period"]

_NEAR = 0.3
_MOST_SCATTER = 0.25


def thickness_of_period(velocity: float, frequency: float) -> float:
    """Return the thickness that belongs to one period, mm.

    Args:
        velocity: mm/µs.
        frequency: MHz.
    """
    return velocity / (2 * frequency)


def is_cycle_skip(around: Around, period: float) -> Bools:
    """Return which values are off the wall by one period, and no witness is, shape (n,).

    Args:
        around: the cells.
        period: thickness of one period, mm.
    """
    off = around.value - around.wall
    near = np.abs(np.abs(off) - period) <= _NEAR * period
    smooth = around.scatter <= _MOST_SCATTER * period
    alone = np.where(
        off < 0,
        around.lowest > around.value + period / 3,
        around.highest < around.value - period / 3,
    )
    return np.asarray(around.known & near & smooth & alone)
