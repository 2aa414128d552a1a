"""The time from position to position, zones left aside: what a tour makes short."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from swathe.arrays import Floats
from swathe.motion.limits.check import MotionLimits

__all__ = ["Metric"]


@dataclass(frozen=True, slots=True)
class Metric:
    """Time from place to place, zones left aside.

    Attributes:
        limits: speed and acceleration of the axes.
        together: whether both axes move at once; otherwise one after the other.
        periods: circumference of the scan and index axis, mm; None where there is none.
    """

    limits: MotionLimits
    together: bool
    periods: tuple[float | None, float | None] = (None, None)

    def between(self, start: Floats, end: Floats) -> Floats:
        """Return the seconds from each place to each, shapes (..., 2) that broadcast."""
        ways = []
        for k, period in enumerate(self.periods):
            way = np.abs(start[..., k] - end[..., k])
            if period is not None:
                way %= period
                way = np.minimum(way, period - way)
            ways.append(way)
        scan, index = self.limits.axes
        if not self.together:
            return _time(ways[0] / scan.speed, ways[0] / scan.acceleration) + _time(
                ways[1] / index.speed, ways[1] / index.acceleration
            )
        cruise = np.maximum(ways[0] / scan.speed, ways[1] / index.speed)
        ramp = np.maximum(ways[0] / scan.acceleration, ways[1] / index.acceleration)
        return _time(cruise, ramp)

    def function(self) -> Callable[[float, float, float, float], float]:
        """Return the same for one pair of positions (scan, index, scan, index): for inner loops."""
        scan, index = self.limits.axes
        vx, ax, vy, ay = scan.speed, scan.acceleration, index.speed, index.acceleration
        px, py = self.periods
        sqrt = math.sqrt

        def fold(way: float, period: float) -> float:
            way %= period
            return min(way, period - way)

        def at_once(x0: float, y0: float, x1: float, y1: float) -> float:
            dx, dy = abs(x0 - x1), abs(y0 - y1)
            if px is not None:
                dx = fold(dx, px)
            if py is not None:
                dy = fold(dy, py)
            cruise, other = dx / vx, dy / vy
            if other > cruise:
                cruise = other
            ramp, other = dx / ax, dy / ay
            if other > ramp:
                ramp = other
            if cruise * cruise >= ramp:
                return cruise + ramp / cruise if cruise else 0.0
            return 2 * sqrt(ramp)

        def in_turn(x0: float, y0: float, x1: float, y1: float) -> float:
            dx, dy = abs(x0 - x1), abs(y0 - y1)
            if px is not None:
                dx = fold(dx, px)
            if py is not None:
                dy = fold(dy, py)
            # Way over acceleration is what the ramps take, squared; see `move_time`.
            first = 2 * sqrt(dx / ax) if dx * ax < vx * vx else dx / vx + vx / ax
            second = 2 * sqrt(dy / ay) if dy * ay < vy * vy else dy / vy + vy / ay
            return first + second

        return at_once if self.together else in_turn


def _time(cruise: Floats, ramp: Floats) -> Floats:
    """Return seconds from rest to rest; `cruise` = d/v and `ramp` = d/a, of the slower axis each.

    With d/v and d/a the closed form of `move_time` reads d/v + (d/a)/(d/v).
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        long = cruise + ramp / cruise
    return np.where(cruise * cruise >= ramp, np.where(cruise > 0, long, 0.0), 2 * np.sqrt(ramp))
