"""How fast the first moves of a run are, and what they take."""

from __future__ import annotations

import math

from swathe.motion.from_station import raster_settings_of
from swathe.motion.limits.moves import move_time
from swathe.motion.limits.work_area import WorkArea
from swathe.motion.raster.plan import scan_speed
from swathe.station import Station
from swathe.units import MM_PER_INCH

__all__ = ["first_move_seconds", "first_speed", "first_speed_of"]

_SLOWER = 5


def first_speed(length: float, *, scan: float, axis: float, acceleration: float) -> float:
    """Return the speed of a first move, mm/s.

    A fifth of the speed of the scan, and at most so fast that a machine in inches, 25.4 times as fast,
    brakes within the length of the move.

    Args:
        length: of the move, mm.
        scan: speed of the scan, mm/s.
        axis: highest speed of the axis, mm/s.
        acceleration: of the axis, mm/s².
    """
    return min(min(scan, axis) / _SLOWER, math.sqrt(2 * acceleration * length) / MM_PER_INCH)


def first_speed_of(station: Station, area: WorkArea, number: int, length: float) -> float:
    """Return the speed of a first move of a station's machine, mm/s.

    Args:
        station: a station file with a table `[motion]`.
        area: where its machine moves.
        number: of the axis; 0 for scan, 1 for index.
        length: of the move, mm.
    """
    assert station.motion is not None  # noqa: S101  asked of such stations only
    settings, limits = raster_settings_of(station), area.limits.axes[number]
    along = 0 if settings.along == "scan" else 1
    scan = scan_speed(settings, area.axes[along].resolution, area.limits.axes[along].speed)
    speed = first_speed(length, scan=scan, axis=limits.speed, acceleration=limits.acceleration)
    return min(limits.speed, max(speed, station.motion.retry.min_speed))


def first_move_seconds(station: Station, area: WorkArea) -> float:
    """Return what the first moves of a run take at their full length, out and back, s.

    What the encoders are watched for before and after comes on top, well below a second.
    """
    assert station.motion is not None  # noqa: S101  asked of such stations only
    length = station.motion.guard.first_move
    seconds = 0.0
    for number in range(1 if station.index is None else 2) if length else ():
        limits = area.limits.axes[number]
        out = first_speed_of(station, area, number, length)
        seconds += move_time(length, out, limits.acceleration)
        seconds += move_time(length, limits.speed, limits.acceleration)
    return seconds
