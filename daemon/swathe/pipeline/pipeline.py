"""The path of the data from journal entries to cells, gaps and alarms.

`Pipeline.feed` is a deterministic function of the entries fed so far: it reads no clock, draws no
random number and does no input or output. The live run and a rebuild feed the same entries, so
they have the same arrays, bit for bit.

Bytes are kept until the next tick, a fiftieth of a second while they arrive. A tick then takes
whole columns through all stages: `_decode` (bytes to readings and positions), the placer
(readings to positions on the grid), `_add_placed` (readings to cells), `_add_path` (the probe's
path to crossed cells), and the evaluation of gaps and alarms.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from swathe.calibration import ThicknessLaw
from swathe.calibration.law import fill_thickness
from swathe.errors import MisuseError
from swathe.journal import Chunk, Entry, Mark, MarkKind, PortChange, Sent, Tick
from swathe.pipeline.cells.crossed import cross_cells
from swathe.pipeline.cells.grid import CellUpdate
from swathe.pipeline.cells.waveforms import PendingWaveforms
from swathe.pipeline.operator_requests import ExcludedZone
from swathe.pipeline.placing.inputs import DeviceInputs
from swathe.pipeline.placing.placer import Placed, PlacingObserver
from swathe.pipeline.progress.progress import RunRates
from swathe.pipeline.survey_state import SurveyState
from swathe.station import Station, law_of, station_in_journal

__all__ = ["Pipeline"]

MarkHandler = Callable[[DeviceInputs, Mark, int], None]
CellListener = Callable[[CellUpdate], None]


class Pipeline(SurveyState):
    """Takes a survey through its journal, entry by entry.

    Args:
        station: the station file with which the survey began; it fixes the grid for good.
        amend: changes each run's station file before it is applied, as a rebuild with another
            delay does; the grid must stay what it is.
        observer: receives placed readings and the probe's path.
    """

    def __init__(
        self,
        station: Station,
        *,
        amend: Callable[[Station], Station] | None = None,
        observer: PlacingObserver | None = None,
    ) -> None:
        super().__init__(station)
        self._amend = amend
        self._observer = observer
        self._law: ThicknessLaw | None = None
        self._waveforms = PendingWaveforms()
        self._placed: list[Placed] = []
        self._last_cell = -1
        # Called in this order for all cells that got readings or were excluded. No listener reads
        # what another one computes, but each listed one is done when `changed` calls its own
        # listener, which shows the cells to people.
        self._cell_listeners: tuple[CellListener, ...] = (
            self.suspect_cells.cells_changed,
            self.coverage.cells_changed,
            self.minimum.cells_changed,
            self._alarm_evaluation.cells_changed,
            self.changed.cells_changed,
        )
        self._mark_handlers: dict[MarkKind, MarkHandler] = {
            MarkKind.LINE: self._set_line,
            MarkKind.NOTE: self._add_note,
            MarkKind.CHECK_BEGUN: self._take_check_mark,
            MarkKind.CHECK_STEP: self._take_check_mark,
            MarkKind.CHECK_ENDED: self._take_check_mark,
            MarkKind.CHECK_OVERRIDDEN: self._take_check_mark,
            MarkKind.PAUSED: self._pause,
            MarkKind.RESUMED: self._resume,
            MarkKind.ZONE_EXCLUDED: self._exclude_zone,
            MarkKind.GAP_REQUESTED: self._request_gap,
            MarkKind.ALARM_ACKNOWLEDGED: self._acknowledge_alarm,
            MarkKind.MOTION: self._take_motion_mark,
            MarkKind.REFERENCED: self._reference,
            MarkKind.ENDED: self._end_run,
        }

    def feed(self, entry: Entry) -> None:
        """Take the next entry of the journal.

        Raises:
            MisuseError: an entry comes before the mark that opens the run.
        """
        if isinstance(entry, Mark) and entry.kind is MarkKind.OPENED:
            self._open_run(entry)
            return
        inputs = self._inputs
        if inputs is None:
            message = "the journal's first entry must be the mark that opens the run"
            raise MisuseError(message)
        match entry:
            case Chunk():
                if (link := inputs.links.get(entry.port)) is not None:
                    link.take(entry.data, entry.time)
            case Sent():
                if (link := inputs.links.get(entry.port)) is not None and entry.unanswered:
                    link.miss(entry.data)
            case Tick():
                self._tick(inputs, entry.time)
            case PortChange():
                if (link := inputs.links.get(entry.port)) is not None:
                    self._decode(inputs, entry.port)
                    link.lose(entry.state, entry.detail)
                    inputs.port_changed(entry.port)
            case Mark():
                self._mark_handlers[entry.kind](inputs, entry, entry.time + self._utc_offset)

    # --- marks: each handler takes the run's inputs, the mark and its time in ns UTC.
    # What a handler changes applies from the mark on: what was received before it is decoded
    # (a line) or taken through all stages (`_tick`) first.

    def _open_run(self, mark: Mark) -> None:
        # Each run may connect other ports and drivers; the grid stays what it is.
        station = station_in_journal(mark.detail, "station file in the journal")
        if self._amend is not None:
            station = self._amend(station)
        if self._inputs is not None:
            self._line = self.line
            self.unplaced += self._inputs.placer.unplaced + self._inputs.placer.pending
        self.station = station
        self.survey = self.survey or str(mark.detail["survey"])
        self._law = law_of(station)
        self._inputs = DeviceInputs(station, self.tallies, line=self._line)
        self._waveforms.forget_before(None)
        self._utc_offset = int(mark.detail["utc_ns"]) - mark.time
        self._last_cell = -1
        self.suspect_cells.checks.abandon()
        self._now = mark.time
        self._rates = RunRates()
        self.pauses.reopen()
        self._inputs.pauses = self.pauses
        self._alarm_evaluation.open_run(station, mark.time + self._utc_offset)
        # A run that only checks the calibration leaves the survey where it was.
        self._scanning = mark.detail.get("purpose", "scan") == "scan"
        if self._scanning:
            self.runs += 1
            self._ended_complete = False
            self.coverage.reopen(mark.time + self._utc_offset)
            self._settle_gaps()

    def _end_run(self, inputs: DeviceInputs, mark: Mark, now: int) -> None:
        self._tick(inputs, mark.time)
        self.pauses.end(mark.time)
        self.alarms.end_run(now)
        if self._scanning:
            self._scanning = False
            self._ended_complete = mark.detail["status"] == "complete"
            self.coverage.close_out(now)
            self._settle_gaps()

    def _set_line(self, inputs: DeviceInputs, mark: Mark, _now: int) -> None:
        # Samples before the mark may hold a return of the probe, which steps the line as well.
        self._decode_all(inputs)
        inputs.set_line(int(mark.detail["line"]), mark.time)

    def _reference(self, inputs: DeviceInputs, mark: Mark, _now: int) -> None:
        self._tick(inputs, mark.time)
        position = mark.detail.get("scan"), mark.detail.get("index")
        self.crawler.set_reference(*position)
        inputs.reference(*position)

    def _pause(self, inputs: DeviceInputs, mark: Mark, _now: int) -> None:
        self._tick(inputs, mark.time)
        self.pauses.begin(mark.time, **mark.detail)

    def _resume(self, inputs: DeviceInputs, mark: Mark, _now: int) -> None:
        self._tick(inputs, mark.time)
        self.pauses.end(mark.time)
        self.coverage.break_off()

    def _take_check_mark(self, inputs: DeviceInputs, mark: Mark, now: int) -> None:
        self._tick(inputs, mark.time)
        # A check changes states only: neither minimum nor alarms depend on it.
        self.changed.add(self.suspect_cells.take(mark, now))
        self._settle_gaps()

    def _exclude_zone(self, inputs: DeviceInputs, mark: Mark, now: int) -> None:
        self._tick(inputs, mark.time)
        zone = ExcludedZone.from_detail(mark.detail, now)
        self._notify(self.requests.exclude(zone, self.grid, self.coverage))
        self._settle_gaps()

    def _request_gap(self, _inputs: DeviceInputs, mark: Mark, now: int) -> None:
        self.requests.request_gap(int(mark.detail["gap"]), mark.detail["by"], now)

    def _acknowledge_alarm(self, _inputs: DeviceInputs, mark: Mark, now: int) -> None:
        self.alarms.acknowledge(int(mark.detail["alarm"]), mark.detail["by"], now)

    def _add_note(self, _inputs: DeviceInputs, mark: Mark, now: int) -> None:
        self.notes.append((now, str(mark.detail["text"])))

    def _take_motion_mark(self, _inputs: DeviceInputs, mark: Mark, now: int) -> None:
        self.crawler.take(mark, now)

    # --- stages

    def _tick(self, inputs: DeviceInputs, now: int) -> None:
        self._now = now
        self._decode_all(inputs)
        inputs.tick(now)
        self.slips += inputs.slips
        inputs.slips.clear()
        self._placed.append(inputs.placer.place())
        for placed in self._placed:
            self._add_placed(placed)
        self._placed.clear()
        self._waveforms.forget_before(inputs.placer.oldest_pending)
        self._add_path(inputs)
        self.coverage.evaluate(now + self._utc_offset)
        self._rates.update(now, readings=self.readings, measured=self.coverage.measured)
        self._settle_gaps()
        if self._scanning:
            self._alarm_evaluation.evaluate(now, self._utc_offset, inputs, self._rates)

    def _decode_all(self, inputs: DeviceInputs) -> None:
        for device in inputs.links:
            self._decode(inputs, device)

    def _decode(self, inputs: DeviceInputs, device: str) -> None:
        """Decode what a device sent; readings of a check or of a run without scan end here."""
        batch = inputs.links[device].decode()
        if batch is None:
            return
        if batch.readings.size:
            fill_thickness(batch.readings, self._law)
            checks = self.suspect_cells.checks
            if checks.in_progress:
                checks.add_readings(batch.readings)
            self._alarm_evaluation.add_readings(batch.readings)
            if checks.in_progress or not self._scanning:
                batch = replace(batch, readings=batch.readings[:0], waveforms=None)
            if self.grid.waveform is not None and batch.waveforms is not None:
                self._waveforms.put(batch.readings, batch.waveforms)
        placed = inputs.take(device, batch)
        if placed is not None:
            self._placed.append(placed)

    def _add_placed(self, placed: Placed) -> None:
        """Put placed readings into their cells, but for those taken in a pause."""
        held = self.pauses.holds(placed.readings["time"])
        if held.any():
            placed = Placed(placed.readings[~held], placed.scan[~held], placed.index[~held])
        if not placed.readings.size:
            return
        if self._observer is not None:
            self._observer.placed(placed)
        self.readings += int(placed.readings.size)
        cells = self.grid.cells_at(placed.scan, placed.index)
        update = self.grid.begin_update(cells, self.time)
        self.grid.add(
            placed.readings,
            cells,
            self._utc_offset,
            suspect=self.suspect_cells.in_force,
            waveforms=self._waveforms,
        )
        self._notify(update)

    def _notify(self, update: CellUpdate) -> None:
        for listener in self._cell_listeners:
            listener(update)

    def _add_path(self, inputs: DeviceInputs) -> None:
        """Pass the probe over the cells of its path since the last tick, but for pauses."""
        path = inputs.placer.take_path()
        if path is None or (path := self.pauses.cut(path)) is None:
            return
        if self._observer is not None:
            self._observer.moved_along(path)
        crossed = cross_cells(path, self.grid, self._last_cell)
        known = crossed.known
        self.grid.pass_over(crossed.cells[known], crossed.silent[known])
        self.coverage.add_path(path, crossed)
        self._last_cell = self.coverage.probe_cell
        self._rates.add_path(path)
        self.changed.add(crossed.cells)
