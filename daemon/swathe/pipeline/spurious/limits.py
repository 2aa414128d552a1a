"""Rule IMPOSSIBLE: a thickness that the part cannot have; the reading counts as no echo.

The limits are those of ``survey.thickness_limits``, or follow from the plan: at most five times the
nominal thickness or the thickest step of the calibration, whichever is more, and at most 10 m where
neither is known. A thin reading is never impossible by a limit that was not stated. (Five times, so
that a doubled echo, a branch or a wrong nominal thickness is shown rather than dropped, and 10 m, more
than a thickness gauge's time base holds: our choice, no source.)
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.reading_flags import ReadingFlag
from swathe.station import Station

__all__ = ["flag_impossible", "thickness_limits"]

_MOST_TIMES = 5.0
_MOST_MM = 10_000.0


def thickness_limits(station: Station) -> tuple[float, float]:
    """Return the thinnest and the thickest wall that counts as measured, mm."""
    stated = station.survey.thickness_limits
    if stated is not None:
        return stated
    known = [] if station.record is None else [station.record.range_mm[1]]
    if station.survey.nominal_thickness is not None:
        known.append(station.survey.nominal_thickness)
    return 0.0, _MOST_TIMES * max(known) if known else _MOST_MM


def flag_impossible(readings: NDArray[Any], limits: tuple[float, float]) -> int:
    """Flag readings beyond the limits, as ones without an echo, in place; return how many.

    Args:
        readings: dtype `READING` with their thickness in mm.
        limits: thinnest and thickest, mm, both possible.
    """
    thickness = readings["thickness"]
    with np.errstate(invalid="ignore"):
        inside = (thickness >= limits[0]) & (thickness <= limits[1])
    beyond = readings["valid"] & ~inside
    number = int(np.count_nonzero(beyond))
    if number:
        readings["flags"][beyond] |= np.uint16(ReadingFlag.IMPOSSIBLE)
        readings["valid"][beyond] = False
    return number
