"""Excluded zones as a motion meets them: rectangles with a clearance, repeated round a pipe.

A plan keeps a micrometre more than the clearance, so that two zones that touch leave no seam to
slip through and rounding never makes a planned move touch a zone.

Whatever the carriage has is kept out, though only its datum is planned: the datum keeps out of each
zone grown by the carriage, mirrored at its datum, and by the clearance.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from swathe.motion.carriage.layout import CarriageBox
from swathe.motion.errors import MotionError, Point
from swathe.station import Axis, Station

__all__ = ["PLANNED_MARGIN", "Box", "KeepOutZone", "Zones"]

Box = tuple[float, float, float, float]
"""Scan from, scan to, index from, index to; mm."""

PLANNED_MARGIN = 1e-3
"""What a plan keeps beyond the clearance, mm."""


@dataclass(frozen=True, slots=True)
class KeepOutZone:
    """A rectangle that the probe keeps out of; borders in mm.

    Attributes:
        name: of the obstruction.
        scan: from, to.
        index: from, to; None from end to end of the axis.
    """

    name: str
    scan: tuple[float, float]
    index: tuple[float, float] | None = None


class Zones:
    """All zones of a plan, each grown by the clearance on every side.

    Args:
        zones: the obstructions.
        clearance: mm from an obstruction to the probe's centre at least.
        scan: the scan axis, for its circumference if it has one.
        index: the index axis, likewise.
        footprint: how far the carriage reaches from its datum, from which positions are meant.

    Raises:
        MotionError: a negative clearance, or a zone that does not run from lower to higher.
    """

    def __init__(
        self,
        zones: Iterable[KeepOutZone] = (),
        *,
        clearance: float = 0.0,
        scan: Axis,
        index: Axis,
        footprint: CarriageBox = (0.0, 0.0, 0.0, 0.0),
    ) -> None:
        if not 0 <= clearance < math.inf:
            remedy = "give the distance that the probe's housing needs next to an obstruction"
            raise MotionError(f"the clearance must be >= 0 mm (got {clearance!r})", remedy=remedy)
        self.zones = tuple(zones)
        self.clearance = clearance
        self.footprint = footprint
        self.periods = (_period(scan), _period(index))
        self._boxes: list[Box] = []
        for zone in self.zones:
            low, high = zone.index or (-math.inf, math.inf)
            if not (zone.scan[0] < zone.scan[1] and low < high):
                remedy = "write the lower border first"
                raise MotionError(
                    f"zone '{zone.name}' must run from lower to higher", remedy=remedy
                )
            left, right, down, up = footprint
            box = (zone.scan[0] - right, zone.scan[1] - left, low - up, high - down)
            self._boxes.append(box)

    def __repr__(self) -> str:
        return f"Zones({self.zones!r}, clearance={self.clearance!r}, periods={self.periods!r})"

    @classmethod
    def of(cls, station: Station, *, clearance: float = 0.0) -> Zones:
        """Return the zones that a station file excludes."""
        zones = [KeepOutZone(zone.name, zone.scan, zone.index) for zone in station.exclude]
        return cls(zones, clearance=clearance, scan=station.scan_axis, index=station.index_axis)

    def met_by(self, start: Point, end: Point, *, margin: float = 0.0) -> KeepOutZone | None:
        """Return a zone that the box between two places meets, its clearance included.

        A box and not a line: axes that are commanded at once need not keep to a line.

        Args:
            start: from, (scan, index) in mm.
            end: to.
            margin: mm beyond the clearance.
        """
        low = (min(start[0], end[0]), min(start[1], end[1]))
        high = (max(start[0], end[0]), max(start[1], end[1]))
        grown = self.clearance + margin
        for zone, box in zip(self.zones, self._boxes, strict=True):
            if all(
                _overlap(
                    (low[k], high[k]),
                    (box[2 * k] - grown, box[2 * k + 1] + grown),
                    self.periods[k],
                )
                for k in (0, 1)
            ):
                return zone
        return None

    def boxes_in(self, window: Box) -> list[Box]:
        """Return what the datum keeps out of, planned margin included, as far as in a window."""
        found: list[Box] = []
        grown = self.clearance + PLANNED_MARGIN
        for box in self._boxes:
            scans = _copies((box[0] - grown, box[1] + grown), window[:2], self.periods[0])
            indices = _copies((box[2] - grown, box[3] + grown), window[2:], self.periods[1])
            found += [(*scan, *index) for scan in scans for index in indices]
        return found

    def free(self, axis: int, at: float, extent: tuple[float, float]) -> list[tuple[float, float]]:
        """Return the stretches of a line that no zone takes, rising, mm.

        Args:
            axis: along which the line runs; 0 for scan, 1 for index.
            at: position of the line on the other axis.
            extent: from, to along the line.
        """
        across = (at, at)
        window = (*extent, *across) if axis == 0 else (*across, *extent)
        taken = sorted(box[2 * axis : 2 * axis + 2] for box in self.boxes_in(window))
        free: list[tuple[float, float]] = []
        low = extent[0]
        for begin, end in taken:
            if begin > low:
                free.append((low, min(begin, extent[1])))
            low = max(low, end)
        if low < extent[1]:
            free.append((low, extent[1]))
        return free


def _period(axis: Axis) -> float | None:
    return axis.cells * axis.resolution if axis.wrapped else None


def _overlap(one: tuple[float, float], zone: tuple[float, float], period: float | None) -> bool:
    """Return whether two closed extents meet, the second repeated by `period`."""
    if period is None or math.isinf(zone[0]):
        return one[0] <= zone[1] and zone[0] <= one[1]
    # The highest repetition that does not begin beyond `one`.
    turn = math.floor((one[1] - zone[0]) / period) * period
    return zone[1] + turn >= one[0]


def _copies(
    zone: tuple[float, float], window: tuple[float, float], period: float | None
) -> list[tuple[float, float]]:
    """Return the repetitions of `zone` that reach into `window`."""
    if period is None or math.isinf(zone[0]):
        return (
            [zone]
            if (zone[0] < window[1] and window[0] < zone[1])
            or (window[0] == window[1] and zone[0] < window[0] < zone[1])
            else []
        )
    first = math.floor((window[0] - zone[1]) / period)
    last = math.ceil((window[1] - zone[0]) / period)
    shifted = ((zone[0] + k * period, zone[1] + k * period) for k in range(first, last + 1))
    return [copy for copy in shifted if copy[0] < window[1] and window[0] < copy[1]]
