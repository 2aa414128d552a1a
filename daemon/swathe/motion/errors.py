"""The error of a motion that may not be made."""

from __future__ import annotations

from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.errors import SwatheError

__all__ = ["MotionError", "Point", "point_text"]

Point = tuple[float, float]
"""A position (scan, index) in mm, as the machine counts it: on a circumference not modulo it."""


def point_text(place: Point, units: DisplayUnits = MILLIMETRES) -> str:
    """Return a place for a message."""
    return f"scan {units.place_text(place[0])}, index {units.place_text(place[1])}"


class MotionError(SwatheError):
    """A move or a plan cannot be made; nothing has moved because of it.

    Attributes:
        place: where, (scan, index) in mm; None when it is about no place.
        requirement: what must hold.
        remedy: what to do about it.
    """

    def __init__(
        self,
        requirement: str,
        *,
        remedy: str,
        place: Point | None = None,
        units: DisplayUnits = MILLIMETRES,
    ) -> None:
        self.place = place
        self.requirement = requirement
        self.remedy = remedy
        where = "" if place is None else f"{point_text(place, units)}: "
        super().__init__(f"{where}{requirement}: {remedy}")
