"""The moves to a place on which nothing is scanned."""

from __future__ import annotations

from swathe.motion import Move, Point, WorkArea
from swathe.motion.raster.mover import Mover

__all__ = ["moves_to"]


def moves_to(area: WorkArea, begin: Point, place: Point) -> list[Move] | None:
    """Return the moves from one place to another clear of the zones; None if no way leads there.

    Args:
        area: where the machine moves.
        begin: where it is, (scan, index) in mm.
        place: where it is to go.
    """
    mover = Mover(begin=begin, zones=area.zones, limits=area.reach, together=False)
    return mover.moves if mover.go_to(place, 0) else None
