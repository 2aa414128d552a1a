"""Gathers what the alarms of a survey depend on, and evaluates them at each tick."""

from __future__ import annotations

from typing import Any

from numpy.typing import NDArray

from swathe.pipeline.alarms.below_alert import BelowAlert
from swathe.pipeline.alarms.register import AlarmInputs, AlarmRegister
from swathe.pipeline.cells.coverage import Coverage
from swathe.pipeline.cells.grid import CellUpdate, Grid
from swathe.pipeline.checks.suspect_cells import SuspectCells
from swathe.pipeline.placing.device import DeviceTally
from swathe.pipeline.placing.inputs import DeviceInputs
from swathe.pipeline.placing.pauses import Pauses
from swathe.pipeline.progress.progress import RunRates, speed_limit
from swathe.station import Station, gauge_of

__all__ = ["AlarmEvaluation", "CouplingWatch"]


class CouplingWatch:
    """Follows the echoes of one run."""

    def __init__(self) -> None:
        self._last: int | None = None

    def add_readings(self, readings: NDArray[Any]) -> None:
        """Keep the time of the last echo among readings, shape (n,), times on the host's clock."""
        echoes = readings["time"][readings["valid"]]
        if echoes.size:
            self._last = max(int(echoes.max()), self._last or 0)

    def awaited_since(self, gauge: DeviceTally | None, pauses: Pauses) -> int | None:
        """Return since when an echo is awaited, host time in ns.

        This is the time of the last echo, or of the end of a pause after it; None before the
        first echo, in a pause, and while the gauge's port is not open, which has its own alarm.
        """
        if self._last is None or pauses.active or gauge is None or gauge.state != "open":
            return None
        return max(self._last, pauses.last_end or 0)


class AlarmEvaluation:
    """Evaluates the alarms of a survey.

    Args:
        station: the station file with which the survey began; it fixes the alert level for good.
        grid: the cells.
        coverage: the open gaps.
        suspect_cells: the calibration checks.
        pauses: whether readings count.
        tallies: of the devices; more may come with each run.

    Attributes:
        register: the alarms.
    """

    def __init__(
        self,
        station: Station,
        *,
        grid: Grid,
        coverage: Coverage,
        suspect_cells: SuspectCells,
        pauses: Pauses,
        tallies: dict[str, DeviceTally],
    ) -> None:
        self._station = station
        self._grid = grid
        self._coverage = coverage
        self._suspect_cells = suspect_cells
        self._pauses = pauses
        self._tallies = tallies
        self.register = AlarmRegister(station.alarms)
        self._below_alert = BelowAlert(grid, self.register, station.survey.alert_below)
        self._coupling = CouplingWatch()
        self._gauge = ""

    def open_run(self, station: Station, time: int) -> None:
        """A run begins at `time`, ns UTC, with a station file of its own."""
        self._station = station
        self._gauge = gauge_of(station)
        self.register.settings = station.alarms
        self._coupling = CouplingWatch()
        self.register.end_run(time)

    def add_readings(self, readings: NDArray[Any]) -> None:
        """Follow the echoes of readings as they were decoded, shape (n,)."""
        self._coupling.add_readings(readings)

    def cells_changed(self, update: CellUpdate) -> None:
        """Raise, change or end the alarms of cells below the alert level."""
        self._below_alert.update(update.cells, update.time)

    def evaluate(self, now: int, utc_offset: int, inputs: DeviceInputs, rates: RunRates) -> None:
        """Evaluate all alarms at the tick `now`, host time in ns, with `utc_offset` to UTC."""
        scan, index = inputs.position
        limit = speed_limit(inputs, self._station, self._grid)
        requests = self._station.verification
        due = self._suspect_cells.checks.due(requests.interval if requests else None)
        awaited = None
        if not self._suspect_cells.checks.in_progress:
            gauge = self._tallies.get(self._gauge)
            awaited = self._coupling.awaited_since(gauge, self._pauses)
        self.register.evaluate(
            AlarmInputs(
                now=now + utc_offset,
                open_gaps=self._coverage.gaps.open_count,
                too_fast=rates.too_fast(limit) and not self._pauses.active,
                limit=limit,
                ports={name: self._port(name) for name in inputs.links},
                coupled=None if awaited is None else awaited + utc_offset,
                scan=scan,
                index=index,
                overdue=due is not None and now + utc_offset > due,
                due=due,
                failed=self._suspect_cells.checks.failed,
            )
        )

    def _port(self, device: str) -> tuple[str, str]:
        tally = self._tallies[device]
        return tally.state, tally.detail
