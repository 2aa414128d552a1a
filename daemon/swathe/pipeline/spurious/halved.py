"""Rule HALVED: half the wall around it.

The instrument took an echo that comes in half the time: from a mode-converted or an internal path, or
of a wrong gate (common practice, no source). Where nothing was read around it, half the nominal
thickness is compared; a wall may truly have lost one half, so it is confirmed by a second reading.
"""

from __future__ import annotations

import numpy as np

from swathe.arrays import Bools, Floats

__all__ = ["is_half"]

_NEAR = 0.05


def is_half(value: Floats, wall: Floats | float) -> Bools:
    """Return which values, mm, are half of a wall, mm, within 5 % of the wall, shape (n,)."""
    return np.asarray(np.abs(2 * value - wall) <= _NEAR * np.asarray(wall))
