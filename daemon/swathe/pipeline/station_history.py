"""The station file of each run, and what it changed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from swathe.station import (
    Station,
    StationChange,
    changes_between,
    in_plan_of,
    station_in_journal,
)

__all__ = ["RunChange", "StationHistory"]


@dataclass(frozen=True, slots=True)
class RunChange:
    """A key that the station file of a run changed.

    Attributes:
        run: the scanning run, from 1.
        time: when it began, ns UTC.
        change: the key with both values.
        because: the reason that was given for decisive changes; empty without one.
    """

    run: int
    time: int
    change: StationChange
    because: str


class StationHistory:
    """Reads the station file of each run and compares it with that of the run before.

    Args:
        plan: station file whose grid and zones hold for all runs.

    Attributes:
        changes: of the runs that scan, in their order.
    """

    def __init__(self, plan: Station) -> None:
        self.changes: list[RunChange] = []
        self._plan = plan
        self._last: Station | None = None
        self._runs = 0

    def open_run(self, detail: dict[str, Any]) -> Station:
        """Take the opening mark's detail and return the run's station, in the survey's plan.

        Raises:
            StationError: this version of Swathe does not understand the station file.
        """
        station = station_in_journal(detail, "station file in the journal")
        if detail.get("purpose", "scan") == "scan":
            self._compare(station, detail)
        return in_plan_of(self._plan, station)

    def _compare(self, station: Station, detail: dict[str, Any]) -> None:
        self._runs += 1
        if self._last is not None:
            time, because = int(detail["utc_ns"]), str(detail.get("because", ""))
            self.changes += [
                RunChange(self._runs, time, change, because if change.decisive else "")
                for change in changes_between(self._last, station)
            ]
        self._last = station
