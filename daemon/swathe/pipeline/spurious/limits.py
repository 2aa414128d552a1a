"""Rule IMPOSSIBLE: a thickness that the part cannot have; the reading counts as no echo.

The limits are those of ``survey.thickness_limits``, of a probe with its own those, or they follow from the plan: at most five times the
nominal thickness or the thickest step of the calibration, whichever is more, and at most 10 m where
neither is known. A thin reading is never impossible by a limit that was not stated. (Five times, so
that a doubled echo, a branch or a wrong nominal thickness is shown rather than dropped, and 10 m, more
than a thickness gauge's time base holds: our choice, no source.)
"""

from __future__ import annotations

from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from swathe.reading_flags import ReadingFlag
from swathe.station import Station, stations_of_probes

__all__ = ["ThicknessLimits", "flag_impossible", "limits_by_probe", "thickness_limits"]

ThicknessLimits: TypeAlias = tuple[float, float] | NDArray[np.float64]
"""Thinnest and thickest possible wall, mm; of several probes see `limits_by_probe`."""

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


def limits_by_probe(station: Station) -> NDArray[np.float64]:
    """Return the thinnest and the thickest wall that each probe can read, mm, shape (256, 2).

    By the numbers of the probes; a number that none has is without limits.
    """
    limits = np.tile((-np.inf, np.inf), (256, 1))
    found = [thickness_limits(one) for one in stations_of_probes(station)]
    limits[: len(found)] = found
    return limits


def flag_impossible(readings: NDArray[Any], limits: ThicknessLimits) -> int:
    """Flag readings beyond the limits, as ones without an echo, in place; return how many.

    Args:
        readings: dtype `READING` with their thickness in mm.
        limits: thinnest and thickest, mm, both possible; of several probes see `limits_by_probe`.
    """
    thickness = readings["thickness"]
    low, high = limits[readings["probe"]].T if isinstance(limits, np.ndarray) else limits
    with np.errstate(invalid="ignore"):
        inside = (thickness >= low) & (thickness <= high)
    beyond = readings["valid"] & ~inside
    number = int(np.count_nonzero(beyond))
    if number:
        readings["flags"][beyond] |= np.uint16(ReadingFlag.IMPOSSIBLE)
        readings["valid"][beyond] = False
    return number
