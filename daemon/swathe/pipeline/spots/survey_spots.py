"""What marks do at the spots of a survey: couplings taken, accepted, discarded, spots closed."""

from __future__ import annotations

import numpy as np

from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.journal import Mark, MarkKind
from swathe.pipeline.cells.coverage import Coverage
from swathe.pipeline.cells.grid import CellState, CellUpdate, Grid
from swathe.pipeline.cells.waveforms import PendingWaveforms
from swathe.pipeline.checks.suspect_cells import SuspectCells
from swathe.pipeline.operator_requests import ExcludedZone, OperatorRequests
from swathe.pipeline.placing.streams import TimedBatch
from swathe.pipeline.spots.register import CouplingState, Spot, SpotRegister, SpotState, coupling_of
from swathe.pipeline.spots.watch import CouplingNow, SpotWatch
from swathe.station import SpotsSettings, Station

__all__ = ["SurveySpots"]


class SurveySpots:
    """The spots of a survey over all its runs, and their cells.

    Args:
        station: the station file with which the survey began, with its table ``[spots]``.
        grid: the cells; cell k is spot k.
        coverage: notified of cells that are measured, excluded or to be done again.
        suspect_cells: whether a failed calibration check is in force.
        requests: take the zones of closed spots.

    Attributes:
        register: the spots.
        waveforms: of the newest readings, where they are kept.
    """

    def __init__(
        self,
        station: Station,
        settings: SpotsSettings,
        *,
        grid: Grid,
        coverage: Coverage,
        suspect_cells: SuspectCells,
        requests: OperatorRequests,
    ) -> None:
        self._grid = grid
        self._coverage = coverage
        self._suspect_cells = suspect_cells
        self._requests = requests
        self.register = SpotRegister(settings, [spot.name for spot in station.spot_list])
        self.waveforms = PendingWaveforms()
        self._watch = SpotWatch(settings, lifted=True, units=station.display)
        self._zones: dict[int, ExcludedZone] = {}

    def open_run(self, settings: SpotsSettings, units: DisplayUnits = MILLIMETRES) -> None:
        """A run begins, with settings of its own."""
        self.register.settings = settings
        # Whether the probe was lifted between two runs nobody saw.
        lifted = not (self.register.couplings and settings.lift_required)
        self._watch = SpotWatch(settings, lifted=lifted, units=units)
        self.waveforms.forget_before(None)

    def add_readings(self, batch: TimedBatch) -> None:
        """Add the gauge's next readings, with their thickness."""
        self._watch.add(batch.readings, batch.readings_arrived)
        kept = batch.waveforms is not None or batch.channels is not None
        if kept and batch.readings.size:
            self.waveforms.put(batch.readings, batch.waveforms, batch.channels)
            oldest = self._watch.oldest_offset
            self.waveforms.forget_before(None if oldest is None else np.array([oldest]))

    def interrupt(self) -> None:
        """Let what was read so far belong to no later coupling: a port changed, a pause ended."""
        self._watch.interrupt()

    def coupling_now(self, time: int) -> CouplingNow:
        """Return what the gauge reads now, at the journal time `time`, ns."""
        return self._watch.newest(time)

    def take(self, mark: Mark, utc_offset: int) -> CellUpdate | None:
        """Apply a mark of a spot; return the cells that changed.

        None for an unknown spot, and for a closed one that is not reopened.

        Args:
            mark: of a kind that concerns spots.
            utc_offset: ns from host time to UTC.
        """
        detail, now = mark.detail, mark.time + utc_offset
        spot = self.register.named(str(detail["spot"]))
        if spot is None or (
            spot.state is SpotState.CLOSED and mark.kind is not MarkKind.SPOT_REOPENED
        ):
            return None
        by, because = str(detail["by"]), str(detail.get("because", ""))
        update = self._grid.begin_update(np.array([spot.number]))
        match mark.kind:
            case MarkKind.SPOT_READ:
                self._read(spot, int(detail["first"]), int(detail["last"]), utc_offset, by)
            case MarkKind.SPOT_ACCEPTED:
                self.register.accept(spot, by=by, because=because)
            case MarkKind.SPOT_CLOSED:
                return self._close(spot, by, because, now)
            case MarkKind.SPOT_REOPENED:
                self._reopen(spot, by, because, now)
        self._put(spot, update, now)
        return update

    def _read(self, spot: Spot, first: int, last: int, utc_offset: int, by: str) -> None:
        readings = self._watch.find(first, last)
        if not readings.size:
            return
        state, lift = CouplingState.COUNTED, self.register.settings.lift_required
        if lift and not self._watch.lifted_before(int(readings["offset"][0])):
            state = CouplingState.NOT_LIFTED
        waveforms = None
        if self._grid.waveform is not None:
            waveforms = self.waveforms.take(readings)
        channels = None
        if self._grid.channels is not None:
            channels = self.waveforms.take_channels(readings)
        coupling = coupling_of(
            readings,
            waveforms,
            channels,
            number=self.register.couplings + 1,
            utc_offset=utc_offset,
            by=by,
            state=state,
        )
        if state is CouplingState.COUNTED and self.register.is_jumpy(coupling.spread):
            coupling.state = CouplingState.JUMPY
        self._watch.take(last)
        self.register.add(spot, coupling)
        np.add.at(self._grid.passes, [spot.number], 1)

    def _put(self, spot: Spot, update: CellUpdate, now: int) -> None:
        """Put the couplings that count into the spot's cell, once it is done."""
        grid, cell = self._grid, update.cells
        is_suspect = self._suspect_cells.checks.is_suspect
        self.register.drop_suspect(spot, is_suspect)
        grid.clear(cell)
        if spot.state is SpotState.DONE:
            for coupling in spot.counted:
                waveforms = None
                if coupling.waveform is not None or coupling.channels is not None:
                    waveforms = PendingWaveforms()
                    waveforms.put(coupling.reading, coupling.waveform, coupling.channels)
                offset = coupling.time - int(coupling.reading["time"][0])
                grid.add(coupling.reading, cell, offset, waveforms=waveforms)
            if any(is_suspect(coupling.time) for coupling in spot.counted):
                grid.mark_suspect(cell)
        was_measured = update.before[0] == CellState.MEASURED
        if was_measured and grid.state[spot.number] != CellState.MEASURED:
            self._coverage.add_suspect(cell, now)

    def _close(self, spot: Spot, by: str, because: str, now: int) -> CellUpdate:
        self.register.close(spot, by=by, because=because)
        at = float(self._grid.scan.centres[spot.number])
        zone = ExcludedZone(spot.name, (at - 0.5, at + 0.5), None, by, now, because=because)
        update = self._requests.exclude(zone, self._grid, self._coverage)
        self._zones[spot.number] = self._requests.zones[-1]
        return update

    def _reopen(self, spot: Spot, by: str, because: str, now: int) -> None:
        zone = self._zones.pop(spot.number, None)
        if zone is not None:
            self._requests.zones.remove(zone)
            self._coverage.include(np.array([spot.number]), now)
        self.register.reopen(spot, by=by, because=because)

    def is_to_do(self, spot: Spot) -> bool:
        """Return whether a spot is not measured, or suspect, and not closed."""
        state = self._grid.state[spot.number]
        return bool(state not in (CellState.MEASURED, CellState.EXCLUDED))

    @property
    def done(self) -> int:
        """Spots that are done, and not suspect."""
        spots = self.register.spots
        return sum(one.state is SpotState.DONE and not self.is_to_do(one) for one in spots)

    def next_after(self, number: int) -> int | None:
        """Return the next spot that is to be done after a number, round the plan; None for none."""
        spots = self.register.spots
        order = [*spots[number + 1 :], *spots[: number + 1]]
        return next((spot.number for spot in order if self.is_to_do(spot)), None)
