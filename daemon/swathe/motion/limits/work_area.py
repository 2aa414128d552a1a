"""What every plan is made over: the grid's axes, the machine's limits, zones and cable."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swathe.motion.carriage.layout import ONE_PROBE, Carriage
from swathe.motion.errors import Point
from swathe.motion.limits.check import MotionLimits
from swathe.motion.limits.metric import Metric
from swathe.motion.limits.moves import ramp_length
from swathe.motion.limits.twist import Twist
from swathe.motion.limits.zones import Zones
from swathe.station import Axis

__all__ = ["WorkArea"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkArea:
    """Where a machine moves.

    Attributes:
        scan: the scan axis of the grid.
        index: the index axis of the grid.
        limits: what the machine may do.
        zones: what the carriage keeps out of; made for the same axes and carriage.
        twist: of the cable, if it limits.
        together: whether both axes may move at once where there is room.
        carriage: the probes that it moves; positions are those of its datum.
        stepped: whether the index axis is stepped: the datum is on a row of cells then.
    """

    scan: Axis
    index: Axis
    limits: MotionLimits
    zones: Zones
    twist: Twist | None = None
    together: bool = False
    carriage: Carriage = ONE_PROBE
    stepped: bool = False

    @property
    def axes(self) -> tuple[Axis, Axis]:
        """Scan and index."""
        return self.scan, self.index

    @property
    def reach(self) -> MotionLimits:
        """The limits, travel cut to what the cable allows."""
        return self.limits.with_twist(self.twist)

    @property
    def metric(self) -> Metric:
        """Seconds from place to place, zones left aside."""
        return Metric(self.limits, self.together, self.zones.periods)

    def index_row(self, place: Point) -> int:
        """Return the row of the grid in which a place is; -1 outside of it."""
        return int(self.index.cell(np.array([place[1]]))[0])

    def run_length(self, along: int, speed: float, settle: float) -> float:
        """Return the way in mm to gain `speed` and to keep it for `settle` s."""
        return ramp_length(speed, self.limits.axes[along].acceleration) + speed * settle
