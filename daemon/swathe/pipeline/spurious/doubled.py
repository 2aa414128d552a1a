"""Rule DOUBLED: twice the wall around it, or twice the nominal thickness.

The instrument took the second echo of the back wall for the first one (common practice, no source).
Twice the nominal thickness is doubtful even where the cells around read the same: a wall does not
grow, and a setting that doubles one reading doubles its neighbours.
"""

from __future__ import annotations

import numpy as np

from swathe.arrays import Bools, Floats

__all__ = ["is_doubled", "is_twice_nominal"]

_NEAR_WALL = 0.05
_NEAR_NOMINAL = 0.05


def is_doubled(value: Floats, wall: Floats) -> Bools:
    """Return which values, mm, are within 5 % of twice the wall around them, mm, shape (n,)."""
    return np.asarray(np.abs(value - 2 * wall) <= _NEAR_WALL * value)


def is_twice_nominal(value: Floats, nominal: float) -> Bools:
    """Return which values are within 5 % of twice the nominal thickness, mm, shape (n,)."""
    return np.asarray(np.abs(value - 2 * nominal) <= _NEAR_NOMINAL * 2 * nominal)
