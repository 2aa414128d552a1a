"""Gathers what the alarms of a survey depend on, and evaluates them where that changes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Cells, Floats, Times
from swathe.pipeline.alarms.below_alert import BelowAlert
from swathe.pipeline.alarms.coupling import CouplingWatch, Instead
from swathe.pipeline.alarms.register import AlarmInputs, AlarmRegister
from swathe.pipeline.alarms.slip_alarm import SlipAlarm
from swathe.pipeline.cells.coverage import Coverage
from swathe.pipeline.cells.grid import CellUpdate, Grid
from swathe.pipeline.checks.register import Check
from swathe.pipeline.checks.slipped_cells import SlippedCells
from swathe.pipeline.checks.suspect_cells import SuspectCells
from swathe.pipeline.instants import INSTANT_NS, instant_of
from swathe.pipeline.placing.conditions import Condition
from swathe.pipeline.placing.device_tally import DeviceTally
from swathe.pipeline.placing.inputs import DeviceInputs
from swathe.pipeline.placing.newest_times import NEVER
from swathe.pipeline.placing.pauses import Pauses
from swathe.pipeline.placing.probe_echoes import ProbeEchoes
from swathe.pipeline.progress.progress import RunRates, speed_limits
from swathe.station import AlarmKind, Station, gauges_of, probes_of

__all__ = ["AlarmEvaluation"]

# Records that came so long ago, or within so many of the gauge's usual intervals, still come. (Our
# choice, no source.)
_RECENT_NS = 1_000_000_000
_RECENT_INTERVALS = 4
# The probe is coupled as long as an echo came within so many usual intervals, and the lateness.
_NEXT_INTERVALS = 2


@dataclass(frozen=True, slots=True)
class _Conditions:
    """What the alarms depend on at instants, shape (n,) each.

    Attributes:
        instants: host times, ns.
        too_fast: whether cells are about to be skipped.
        limits: mm/s at which they are; infinite while unknown.
        awaited: since when an echo is awaited, host time in ns; `NEVER` while none is.
        instead: what comes instead, a value of `Instead`.
    """

    instants: Times
    too_fast: NDArray[np.bool_]
    limits: NDArray[np.float64]
    awaited: Times
    instead: NDArray[np.int8]

    @classmethod
    def none(cls) -> _Conditions:
        """Return the conditions before a run's first instant."""
        never = np.array([NEVER])
        return cls(never, np.zeros(1, bool), np.full(1, np.inf), never, np.zeros(1, np.int8))


class AlarmEvaluation:
    """Evaluates the alarms of a survey.

    Args:
        station: the station file with which the survey began; it fixes the alert level for good.
        grid: the cells.
        coverage: the open gaps.
        suspect_cells: the calibration checks.
        slipped_cells: the slips.
        pauses: whether readings count.
        tallies: of the devices; more may come with each run.

    Attributes:
        register: the alarms.
        coupled: whether echoes came at the last instant.
        probe_echoes: of each probe.
    """

    def __init__(
        self,
        station: Station,
        *,
        grid: Grid,
        coverage: Coverage,
        suspect_cells: SuspectCells,
        slipped_cells: SlippedCells,
        pauses: Pauses,
        tallies: dict[str, DeviceTally],
    ) -> None:
        self._station = station
        self._grid = grid
        self._coverage = coverage
        self._suspect_cells = suspect_cells
        self._pauses = pauses
        self._tallies = tallies
        self.coupled = False
        self.register = AlarmRegister(station.alarms, station.display)
        self._below_alert = BelowAlert(
            grid,
            self.register,
            station.survey.alert_below,
            [spot.name for spot in station.spot_list],
        )
        self._slip_alarm = SlipAlarm(slipped_cells, self.register)
        self._coupling = CouplingWatch()
        self._gauges: tuple[str, ...] = ()
        self._probes: tuple[str, ...] = ("",)
        self.probe_echoes = ProbeEchoes(())
        self._begun = NEVER
        self._gauge_open = False
        self._conditions = _Conditions.none()
        self._unsettled = True
        # Changes by the journal time from which they are known, and the newest ones in force.
        self._changes: list[Condition] = []
        self._in_force: dict[tuple[AlarmKind, str], Condition] = {}

    def open_run(self, station: Station, time: int) -> None:
        """A run begins at `time`, ns UTC, with a station file of its own."""
        self._station = station
        self._gauges = gauges_of(station)
        self._probes = tuple(probe.name for probe in probes_of(station).probes)
        self.probe_echoes = ProbeEchoes(self._probes)
        self._gauge_open = False
        self.register.settings = station.alarms
        self.register.units = station.display
        self._coupling = CouplingWatch()
        self.coupled = False
        self._conditions = _Conditions.none()
        self._unsettled = True
        self._changes.clear()
        self._in_force.clear()
        self.end_run(time)

    def end_run(self, time: int) -> None:
        """The run ended at `time`, ns UTC: so do the alarms that concern only a run."""
        self.register.end_run(time)
        self._slip_alarm.end(time)

    def add_readings(self, readings: NDArray[Any], known: Times) -> None:
        """Follow the echoes of readings as they were decoded, shape (n,).

        Args:
            readings: with times on the host's clock.
            known: journal times with which they arrived, ns.
        """
        self._coupling.add_readings(readings, known)
        self.probe_echoes.add_readings(readings, known)

    def add_bytes(self, device: str, known: Times) -> None:
        """Follow the bytes of a device by the journal times, ns, rising, with which they arrived."""
        if device in self._gauges:
            self._coupling.add_bytes(known)

    def add_conditions(self, changes: list[Condition]) -> None:
        """Take changes of conditions of the devices, each in force from when it is known."""
        self._changes.extend(changes)

    def conditions_due(self) -> Times:
        """Return the instants at which conditions change, ns, in any order."""
        return instant_of(np.array([change.known for change in self._changes], np.int64))

    def _conditions_at(self, now: int) -> tuple[Condition, ...]:
        """Return the newest change of each condition that is known at `now`, ns."""
        if self._changes:
            self._changes.sort(key=lambda change: change.known)  # stable: of one time, the last one
            while self._changes and self._changes[0].known <= now:
                change = self._changes.pop(0)
                self._in_force[change.kind, change.of] = change
        return tuple(self._in_force.values())

    def cells_changed(self, update: CellUpdate) -> None:
        """Add cells for the next evaluation of what is below the alert level."""
        self._below_alert.add(update.cells)

    def below_alert_due(self, thickness: Floats, cells: Cells) -> NDArray[np.bool_]:
        """Return which readings, in mm, in flat `cells`, may change an alarm, shape (n,)."""
        return self._below_alert.due(thickness, cells)

    def state_changed(self) -> None:
        """Evaluate at the next instant: a port, a pause or a check changed."""
        self._unsettled = True

    def due(self, instants: Times, utc_offset: int, inputs: DeviceInputs, rates: RunRates) -> Times:
        """Follow the next instants, host times in ns; return those that require an evaluation.

        Args:
            instants: rising, shape (n,); `rates` has followed them.
            utc_offset: ns from host time to UTC.
            inputs: the devices.
            rates: the run's rates.
        """
        if not instants.size:
            return instants
        pace = inputs.placer.probe_times.pace_at(instants)
        limits = speed_limits(pace, self._station, self._grid)
        before, last = self._conditions, -1
        waited = self.register.settings.coupling_lost
        recent = np.maximum(min(waited // 2, _RECENT_NS), _RECENT_INTERVALS * pace.usual)
        last_echo = self._coupling.last_echo(instants)
        # The next echo may be on its way.
        coupled = (
            last_echo >= instants - self._station.placing.lateness - _NEXT_INTERVALS * pace.usual
        )
        self.coupled = bool(coupled[-1])
        since = self._awaited_since(int(instants[0]))
        self.probe_echoes.follow(instants, since, self.register.settings.probe)
        self._changes += self.probe_echoes.conditions
        self.probe_echoes.conditions.clear()
        self._conditions = now = _Conditions(
            instants=instants,
            # In the air no cell is skipped, however fast the probe is.
            too_fast=rates.were_too_fast(limits) & coupled,
            limits=limits,
            awaited=np.full(instants.shape, NEVER)
            if since == NEVER
            else np.maximum(last_echo, since),
            instead=self._coupling.instead(instants, recent=recent, within=waited),
        )
        lost = self._echo_lost(now)
        changed = np.diff(now.too_fast, prepend=before.too_fast[last])
        changed |= np.diff(lost, prepend=self._echo_lost(before)[last])
        changed |= lost & (np.diff(now.instead, prepend=before.instead[last]) != 0)
        if self._unsettled:
            changed[0] = True
            self._unsettled = False
        due = self._check_due()
        if due is not None:
            changed |= (instants + utc_offset > due) & (instants + utc_offset - INSTANT_NS <= due)
        return instants[changed]

    def _awaited_since(self, now: int) -> int:
        """Return since when an echo is awaited, whatever came, at an instant `now`, host times in ns.

        This is the end of a pause, or the first instant at which a gauge's port is open, whichever is
        later. `NEVER` in a pause, during a check, and while no such port is open, which has its own
        alarm: no echo is awaited then. None is on a plan of spots.
        """
        gauges = [tally for name in self._gauges if (tally := self._tallies.get(name)) is not None]
        was_open, self._gauge_open = self._gauge_open, any(one.state == "open" for one in gauges)
        if self._gauge_open and not was_open:
            self._begun = now
        apart = self._station.spots is not None  # from spot to spot the probe is in the air
        checks = self._suspect_cells.checks.in_progress
        if not self._gauge_open or self._pauses.active or checks or apart:
            return NEVER
        return max(self._begun, self._pauses.last_end or NEVER)

    def _echo_lost(self, conditions: _Conditions) -> NDArray[np.bool_]:
        waited = self.register.settings.coupling_lost
        awaited = conditions.awaited
        return np.asarray((awaited > NEVER) & (conditions.instants - waited >= awaited))

    def _check_due(self) -> int | None:
        requests = self._station.verification
        interval = requests.interval if requests else None
        return self._suspect_cells.checks.due(interval, len(self._probes))

    def _failed(self) -> dict[str, Check | None]:
        """Return the failed check in force of each probe by its name, empty for a single one."""
        failed = self._suspect_cells.checks.failed
        names = self._probes if len(self._probes) > 1 else ("",)
        return {name: failed.get(number) for number, name in enumerate(names)}

    def evaluate_cells(self, time: int) -> None:
        """Raise, change and end the alarms of cells below the alert level at `time`, ns UTC."""
        self._below_alert.evaluate(time)

    def confirmations_changed(self) -> None:
        """State of each area below the alert level whether its minimum is to be confirmed."""
        self._below_alert.confirmations_changed()

    def evaluate(self, now: int, utc_offset: int, inputs: DeviceInputs) -> None:
        """Evaluate all other alarms at `now`, host time in ns, with `utc_offset` to UTC."""
        conditions = self._conditions
        at = max(int(np.searchsorted(conditions.instants, now, side="right")) - 1, 0)
        scan, index = inputs.position_at(now)
        limit, awaited = float(conditions.limits[at]), int(conditions.awaited[at])
        # What a mark has just ended is not awaited at its very time either.
        is_awaited = awaited > NEVER and not self._pauses.active
        due = self._check_due()
        self.register.evaluate(
            AlarmInputs(
                now=now + utc_offset,
                open_gaps=self._coverage.gaps.open_count,
                too_fast=bool(conditions.too_fast[at]) and not self._pauses.active,
                limit=limit if np.isfinite(limit) else None,
                ports={name: self._port(name) for name in inputs.links},
                coupled=awaited + utc_offset if is_awaited else None,
                instead=Instead(conditions.instead[at]),
                scan=None if scan is None else self._grid.scan.onto(scan),
                index=None if index is None else self._grid.index.onto(index),
                overdue=due is not None and now + utc_offset > due,
                due=due,
                failed=self._failed(),
                conditions=self._conditions_at(now),
                utc_offset=utc_offset,
            )
        )
        self._slip_alarm.evaluate(now + utc_offset)

    def _port(self, device: str) -> tuple[str, str]:
        tally = self._tallies[device]
        return tally.state, tally.detail
