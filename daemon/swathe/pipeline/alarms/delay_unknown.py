"""By how much an unknown delay may displace readings, and the alarm when that exceeds half a cell."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Times
from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.pipeline.placing.conditions import Condition
from swathe.pipeline.placing.delays_in_force import EstimatedDelay, far_end
from swathe.station import AlarmKind, DelayPair

__all__ = ["DelayWatch"]

_SHARE_OF_CELL = 0.5
_TEN_MS = 0.01


class DelayWatch:
    """Follows the delay of one run's gauge.

    Nothing is raised before the first estimate: until then nobody has tried to know.

    Args:
        pair: gauge and encoder, whose delay is not given.
        in_force: delay of the gauge less that of the encoder, as they are applied, ns.
        cell: length of a cell along the scan axis, mm.
        estimate: what is known of the delay already; None for nothing.
        units: in which lengths are written.
    """

    def __init__(
        self,
        pair: DelayPair,
        *,
        in_force: int,
        cell: float,
        estimate: EstimatedDelay | None,
        units: DisplayUnits = MILLIMETRES,
    ) -> None:
        self._units = units
        self._pair = pair
        self._in_force = in_force
        self._cell = cell
        self._estimate = estimate
        self._holds = self._changed = False

    def take(self, estimate: EstimatedDelay) -> None:
        """Take a new estimate."""
        self._estimate, self._changed = estimate, True

    def follow(self, instants: Times, speeds: NDArray[np.float64]) -> list[Condition]:
        """Return the changes of the condition at the next instants.

        Args:
            instants: host times, ns, rising, shape (n,).
            speeds: usual speed at each of them, mm/s; 0 while unknown; shape (n,).
        """
        estimate = self._estimate
        if estimate is None or not instants.size:
            return []
        far = far_end(estimate, self._in_force) / 1e9
        with np.errstate(invalid="ignore"):  # an unknown delay at rest
            holds = np.where(speeds > 0, far * speeds, 0.0) > _SHARE_OF_CELL * self._cell
        changes = np.flatnonzero(np.diff(holds, prepend=self._holds))
        if self._changed and holds[0] and self._holds:
            changes = np.concatenate(([0], changes))  # another text
        self._holds, self._changed = bool(holds[-1]), False
        return [
            Condition(
                kind=AlarmKind.DELAY,
                of=self._pair.gauge,
                known=int(instants[k]),
                holds=bool(holds[k]),
                detail=self._text(estimate, far, float(speeds[k])),
            )
            for k in changes.tolist()
        ]

    def _text(self, estimate: EstimatedDelay, far: float, speed: float) -> str:
        units = self._units
        what = "each 10 ms is" if math.isinf(far) else "readings may be off by up to"
        length = units.number(speed * (_TEN_MS if math.isinf(far) else far), 1)
        at = f"{units.number(speed, 0)} {units.speed_name}"
        known = f"{what} {units.with_unit(length)} at {at}"
        remedy = estimate.needs or f"give device.{self._pair.gauge}.delay, or write 'auto' there"
        return f"{known}; {remedy}"
