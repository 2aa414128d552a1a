"""Makes moves of a row of stretches: transfers round the zones, turns within the cable's twist."""

from __future__ import annotations

import itertools

from swathe.motion.errors import Point
from swathe.motion.limits.check import MotionLimits
from swathe.motion.limits.moves import Move, MoveKind
from swathe.motion.limits.zones import Zones
from swathe.motion.raster.route import route, route_time
from swathe.motion.raster.stretches import Stretch, placings

__all__ = ["Mover"]


class Mover:
    """Follows the probe through a plan.

    Args:
        begin: where the probe is, (scan, index) in mm; None to begin where the first scan does.
        zones: to keep out of.
        limits: of the machine, the cable's twist included.
        together: whether both axes may move at once where there is room.
    """

    def __init__(
        self, *, begin: Point | None, zones: Zones, limits: MotionLimits, together: bool
    ) -> None:
        self.at = begin
        self.moves: list[Move] = []
        self._zones = zones
        self._limits = limits
        self._together = together

    def scan(self, stretch: Stretch, *, along: int, forward: bool, speed: float) -> bool:
        """Go to a stretch and scan it; return False, having done nothing, if no way leads there.

        Args:
            stretch: what to scan.
            along: axis that it runs along; 0 for scan, 1 for index.
            forward: from its lower end to its higher one.
            speed: mm/s.
        """
        best: tuple[float, list[Point], Point, Point] | None = None
        for start, end in self._placed(stretch, along, forward=forward):
            if self.at is None:
                best = (0.0, [], start, end)
                break
            places = self._route(start)
            if places is None:
                continue
            seconds = route_time(self.at, places, self._limits)
            if best is None or seconds < best[0]:
                best = (seconds, places, start, end)
            if len(places) <= 1:
                break  # straight there, and the nearest: nothing is quicker
        if best is None:
            return False
        _, places, start, end = best
        self.at = self.at or start
        self._transfer(places, stretch.line)
        acceleration = self._limits.axes[along].acceleration
        self.moves.append(Move(MoveKind.SCAN, self.at, end, speed, acceleration, stretch.line))
        self.at = end
        return True

    def go_to(self, place: Point, line: int) -> bool:
        """Go to a place; return False, having done nothing, if no way leads there."""
        places = self._route(place)
        if places is None:
            return False
        self._transfer(places, line)
        return True

    def _route(self, place: Point) -> list[Point] | None:
        if self.at is None:
            return []
        return route(
            self.at, place, zones=self._zones, limits=self._limits, together=self._together
        )

    def _transfer(self, places: list[Point], line: int) -> None:
        for place in places:
            assert self.at is not None  # noqa: S101  a route begins where the probe is
            speed, acceleration = self._limits.path(self.at, place)
            move = Move(MoveKind.TRANSFER, self.at, place, speed, acceleration, line)
            self.moves.append(move)
            self.at = place

    def _placed(self, stretch: Stretch, along: int, *, forward: bool) -> list[tuple[Point, Point]]:
        """Return start and end of the scan at every turn in question, nearest first."""
        travel, cross = self._limits.axes[along], self._limits.axes[1 - along]
        periods = self._zones.periods
        begin = self.at or (self._middle(0), self._middle(1))
        turns = placings(stretch.low, stretch.high, periods[along], travel, begin[along])
        across = placings(stretch.at, stretch.at, periods[1 - along], cross, begin[1 - along])
        found: list[tuple[float, Point, Point]] = []
        for turn, side in itertools.product(turns, across):
            # A run-in that the travel cuts off is shorter; the stretch itself fits.
            low = max(stretch.reach_low + turn, travel.low)
            high = min(stretch.reach_high + turn, travel.high)
            at = stretch.at + side
            first, last = (low, high) if forward else (high, low)
            start = (first, at) if along == 0 else (at, first)
            end = (last, at) if along == 0 else (at, last)
            seconds = route_time(begin, [start], self._limits)
            found.append((seconds, start, end))
        found.sort(key=lambda item: item[0])
        return [(start, end) for _, start, end in found]

    def _middle(self, axis: int) -> float:
        limits = self._limits.axes[axis]
        middle = (limits.low + limits.high) / 2
        return middle if abs(middle) < float("inf") else 0.0
