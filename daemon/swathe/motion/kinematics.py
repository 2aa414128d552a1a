"""Times and lengths of a motion with one acceleration, one speed and the same acceleration back.

From rest, an axis gains the speed v over v²/(2a) and loses it over as much again. A way d that is
at least v²/a long takes d/v + v/a; a shorter one never reaches v and takes 2·√(d/a). Both follow
from uniform acceleration and meet at d = v²/a.
"""

from __future__ import annotations

import math

__all__ = ["move_time", "ramp_length", "ramp_time"]


def ramp_length(speed: float, acceleration: float) -> float:
    """Return the way in mm from rest to `speed` mm/s at `acceleration` mm/s²."""
    return speed * speed / (2 * acceleration)


def ramp_time(speed: float, acceleration: float) -> float:
    """Return the time in s from rest to `speed` mm/s at `acceleration` mm/s²."""
    return speed / acceleration


def move_time(distance: float, speed: float, acceleration: float) -> float:
    """Return the time in s for `distance` mm from rest to rest."""
    if distance * acceleration >= speed * speed:
        return distance / speed + speed / acceleration
    return 2 * math.sqrt(distance / acceleration)
