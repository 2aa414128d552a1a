"""The whole way from journal entries to grid, coverage and notes.

`Pipeline.feed` is a deterministic function of the entries fed so far: it reads no clock, draws no
random number and does no input or output. The live run and a rebuild feed the same entries, so
they have the same arrays, bit for bit.

Bytes are kept until the next tick, a fiftieth of a second while they arrive; then everything
happens in whole columns.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Literal

import numpy as np

from swathe.calibration import ThicknessLaw
from swathe.calibration.law import fill_thickness
from swathe.errors import MisuseError
from swathe.journal import Chunk, Entry, Mark, MarkKind, PortChange, Sent, Tick
from swathe.pipeline.alarms.evaluation import AlarmEvaluation
from swathe.pipeline.cells.coverage import Coverage
from swathe.pipeline.cells.crossed import cross_cells
from swathe.pipeline.cells.grid import ChangedCells, Grid
from swathe.pipeline.cells.minimum import MinimumThickness
from swathe.pipeline.cells.waveforms import PendingWaveforms
from swathe.pipeline.checks.suspect_cells import SuspectCells
from swathe.pipeline.crawler_history import CrawlerHistory
from swathe.pipeline.operator_requests import OperatorRequests, Zone
from swathe.pipeline.placing.device import DeviceTally
from swathe.pipeline.placing.inputs import DeviceInputs
from swathe.pipeline.placing.pauses import Pauses
from swathe.pipeline.placing.placer import Placed, PlacingObserver
from swathe.pipeline.placing.slip import Slip
from swathe.pipeline.progress.progress import RunRates, progress_of
from swathe.pipeline.progress.snapshots import (
    GapSnapshot,
    LineSnapshot,
    ProgressSnapshot,
    gap_snapshot,
    line_snapshot,
)
from swathe.station import (
    Station,
    excluded_cells,
    kept_waveforms,
    law_of,
    station_in_journal,
)

__all__ = ["Pipeline", "Status"]

Status = Literal["scanning", "complete", "incomplete"]


class Pipeline:
    """Turns journal entries into a grid, its coverage and notes of what changed.

    Args:
        station: the station file with which the survey began; it fixes the grid for good.
        amend: changes each run's station file before it acts, as a rebuild with another delay
            does; the grid must stay what it is.
        observer: is shown readings and way.

    Attributes:
        grid: the cells.
        coverage: what is measured and what is missing.
        tallies: counts by device.
        survey: identity of the survey, from its first run.
        runs: runs so far.
        slips: where two sources of the scan position parted.
        minimum: the least thickness.
        suspect_cells: checks of the calibration, and what they make of it.
        notes: operator's notes as (ns UTC, text).
        pauses: whether readings count now, and why not.
        requests: zones excluded and gaps wanted while the survey goes on.
        alarms: what somebody should look at.
        changed: tells which cells changed.
        crawler: what a machine that moves the probe did.
    """

    def __init__(
        self,
        station: Station,
        *,
        amend: Callable[[Station], Station] | None = None,
        observer: PlacingObserver | None = None,
    ) -> None:
        self.station = station
        self._amend = amend
        self._observer = observer
        scan, index = station.scan_axis, station.index_axis
        self.grid = Grid(scan=scan, index=index, rule=station.survey.cell_rule)
        for zone in station.exclude:
            self.grid.exclude(*excluded_cells(zone, scan, index))
        if (form := kept_waveforms(station)) is not None:
            self.grid.keep_waveforms(form.samples, form.dtype)
        self._waveforms = PendingWaveforms()
        self.coverage = Coverage(self.grid, stepped=not station.index_encoded)
        self.tallies: dict[str, DeviceTally] = {}
        self.survey = ""
        self._ended_complete = False
        self.runs = 0
        self.notes: list[tuple[int, str]] = []
        self.readings = 0
        self.unplaced = 0
        self.slips: list[Slip] = []
        self.suspect_cells = SuspectCells(self.grid, self.coverage)
        self._inputs: DeviceInputs | None = None
        self._law: ThicknessLaw | None = None
        self._line = 0
        self._placed: list[Placed] = []
        self._last_cell = -1
        self._utc_offset = 0
        self._now = 0
        self.minimum = MinimumThickness(self.grid)
        self._changed_gaps: dict[int, GapSnapshot] = {}
        self.changed = ChangedCells(self.grid.shape[1])
        self._scanning = False
        self._rates = RunRates()
        self.pauses = Pauses()
        self.requests = OperatorRequests()
        self.crawler = CrawlerHistory()
        self._alarm_evaluation = AlarmEvaluation(
            station,
            grid=self.grid,
            coverage=self.coverage,
            suspect_cells=self.suspect_cells,
            pauses=self.pauses,
            tallies=self.tallies,
        )
        self.alarms = self._alarm_evaluation.book

    @property
    def line(self) -> int:
        """The line in force on a stepped index axis."""
        return self._inputs.stepped.line if self._inputs and self._inputs.stepped else self._line

    @property
    def position(self) -> tuple[float | None, float | None]:
        """Where the probe stands, scan and index in mm; None while unknown."""
        return self._inputs.position if self._inputs else (None, None)

    @property
    def last_sample_times(self) -> tuple[int | None, int | None]:
        """Host time of the newest sample of scan and index, ns; None where there is none."""
        return self._inputs.last_sample_times if self._inputs else (None, None)

    @property
    def status(self) -> Status:
        """Whether a run goes on, or how the survey stands; a failed check makes it incomplete."""
        if self._scanning:
            return "scanning"
        return "complete" if self._ended_complete and self.target_reached else "incomplete"

    @property
    def utc_offset(self) -> int:
        """Ns to add to this run's host times for UTC."""
        return self._utc_offset

    @property
    def time(self) -> int:
        """Time of the last tick, ns UTC."""
        return self._now + self._utc_offset

    @property
    def target_reached(self) -> bool:
        """Whether the measured share is what the plan asks for."""
        # A share is compared as a count of cells: 99.99999 % shown as 100 % is not 100 %.
        coverage = self.coverage
        needed = self.station.survey.target_coverage / 100 * coverage.required
        return coverage.measured >= needed - 1e-9

    def feed(self, entry: Entry) -> None:
        """Take the next entry of the journal.

        Raises:
            MisuseError: an entry stands before the mark that opens the run.
        """
        if isinstance(entry, Mark) and entry.kind is MarkKind.OPENED:
            self._open(entry)
            return
        if self._inputs is None:
            msg = "the journal's first entry must be the mark that opens the run"
            raise MisuseError(msg)
        match entry:
            case Chunk():
                if (link := self._inputs.links.get(entry.port)) is not None:
                    link.take(entry.data, entry.time)
            case Sent():
                if (link := self._inputs.links.get(entry.port)) is not None and entry.unanswered:
                    link.miss(entry.data)
            case Tick():
                self._tick(self._inputs, entry.time)
            case PortChange():
                if (link := self._inputs.links.get(entry.port)) is not None:
                    self._decode(self._inputs, entry.port)
                    link.lose(entry.state, entry.detail)
                    self._inputs.port_changed(entry.port)
            case Mark():
                self._take_mark(self._inputs, entry)

    def _open(self, mark: Mark) -> None:
        # Each run may wire other ports and drivers; the grid stays what it is.
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
            self._collect()

    def _decode(self, inputs: DeviceInputs, device: str) -> None:
        batch = inputs.links[device].decode()
        if batch is None:
            return
        if batch.readings.size:
            fill_thickness(batch.readings, self._law)
            if self.suspect_cells.checks.going:
                self.suspect_cells.checks.take(batch.readings)
            self._alarm_evaluation.note_readings(batch.readings)
            if self.suspect_cells.checks.going or not self._scanning:
                batch = replace(batch, readings=batch.readings[:0], waveforms=None)
            if self.grid.waveform is not None and batch.waveforms is not None:
                self._waveforms.put(batch.readings, batch.waveforms)
        placed = inputs.take(device, batch)
        if placed is not None:
            self._placed.append(placed)

    def _take_mark(self, inputs: DeviceInputs, mark: Mark) -> None:
        now = mark.time + self._utc_offset
        match mark.kind:
            case MarkKind.LINE:
                # What came before the mark belongs to the line before, back to the start or not.
                self._decode_all(inputs)
                inputs.set_line(int(mark.detail["line"]), mark.time)
            case MarkKind.NOTE:
                self.notes.append((now, str(mark.detail["text"])))
            case MarkKind.MOTION:
                self.crawler.take(mark, now)
            case MarkKind.REFERENCED:
                self._tick(inputs, mark.time)
                place = mark.detail.get("scan"), mark.detail.get("index")
                self.crawler.refer(*place)
                inputs.reference(*place)
            case MarkKind.PAUSED:
                self._tick(inputs, mark.time)
                self.pauses.begin(mark.time, **mark.detail)
            case MarkKind.RESUMED:
                self._tick(inputs, mark.time)
                self.pauses.end(mark.time)
                self.coverage.break_off()
            case MarkKind.ZONE_EXCLUDED:
                self._tick(inputs, mark.time)
                cells = self.requests.exclude(Zone.told(mark.detail, now), self.grid, self.coverage)
                self.minimum.note(cells)
                self._alarm_evaluation.note_cells(cells, now)
                self.changed.note(cells)
                self._collect()
            case MarkKind.GAP_WANTED:
                self.requests.want(int(mark.detail["gap"]), mark.detail["by"], now)
            case MarkKind.ALARM_ACKNOWLEDGED:
                self.alarms.acknowledge(int(mark.detail["alarm"]), mark.detail["by"], now)
            case MarkKind.ENDED:
                self._tick(inputs, mark.time)
                self.pauses.end(mark.time)
                self.alarms.end_run(now)
                if self._scanning:
                    self._scanning = False
                    self._ended_complete = mark.detail["status"] == "complete"
                    self.coverage.close_out(now)
                    self._collect()
            case _:
                # What came before the mark belongs to what went before, cells or step.
                self._tick(inputs, mark.time)
                cells = self.suspect_cells.take(mark, now)
                self.changed.note(cells)
                self._collect()

    def _decode_all(self, inputs: DeviceInputs) -> None:
        for device in inputs.links:
            self._decode(inputs, device)

    def _tick(self, inputs: DeviceInputs, now: int) -> None:
        self._now = now
        self._decode_all(inputs)
        inputs.tick(now)
        self.slips += inputs.slips
        inputs.slips.clear()
        self._placed.append(inputs.placer.place())
        for placed in self._placed:
            self._bin(placed)
        self._placed.clear()
        self._waveforms.forget_before(inputs.placer.oldest_pending)
        self._follow(inputs)
        self.coverage.evaluate(now + self._utc_offset)
        self._rates.note(now, readings=self.readings, measured=self.coverage.measured)
        self._collect()
        if self._scanning:
            self._alarm_evaluation.look(now, self._utc_offset, inputs, self._rates)

    def _bin(self, placed: Placed) -> None:
        held = self.pauses.holds(placed.readings["time"])
        if held.any():
            placed = Placed(placed.readings[~held], placed.scan[~held], placed.index[~held])
        if not placed.readings.size:
            return
        if self._observer is not None:
            self._observer.placed(placed)
        self.readings += int(placed.readings.size)
        grid = self.grid
        cells = grid.cells_at(placed.scan, placed.index)
        touched = np.unique(cells[cells >= 0])
        before = grid.state[touched].copy()
        grid.add(
            placed.readings,
            cells,
            self._utc_offset,
            suspect=self.suspect_cells.in_force,
            waveforms=self._waveforms,
        )
        self.suspect_cells.note_readings(touched, before)
        self.coverage.note_readings(touched, before)
        self.minimum.note(touched)
        self._alarm_evaluation.note_cells(touched, self.time)
        self.changed.note(touched)

    def _follow(self, inputs: DeviceInputs) -> None:
        path = inputs.placer.take_path()
        if path is not None and (path := self.pauses.cut(path)) is not None:
            if self._observer is not None:
                self._observer.moved_along(path)
            crossed = cross_cells(path, self.grid, self._last_cell)
            known = crossed.known
            self.grid.pass_over(crossed.cells[known], crossed.silent[known])
            self.coverage.note_path(path, crossed)
            self._last_cell = self.coverage.probe_cell
            self._rates.go(path)
            self.changed.note(crossed.cells)

    def _collect(self) -> None:
        for gap in self.coverage.gaps.settle():
            self._changed_gaps[gap.number] = gap_snapshot(gap)
            self.requests.note_gap(gap)

    def take_changed_rows(self) -> list[int]:
        """Return the rows of the grid that changed since the last call."""
        return self.changed.take_rows()

    def take_gap_snapshots(self) -> list[GapSnapshot]:
        """Return the gaps that changed since the last call, newest snapshot of each."""
        notes = [self._changed_gaps[number] for number in sorted(self._changed_gaps)]
        self._changed_gaps.clear()
        return notes

    def open_gap_snapshots(self) -> list[GapSnapshot]:
        """Return the open gaps, by number."""
        return [gap_snapshot(gap) for gap in self.coverage.gaps.open]

    def gap_snapshots(self) -> list[GapSnapshot]:
        """Return every gap of the survey, open and ended, by number."""
        return [gap_snapshot(gap) for gap in self.coverage.gaps]

    def line_snapshot(self, row: int) -> LineSnapshot:
        """Return a summary of one line of the grid."""
        return line_snapshot(self.grid, self.coverage, row)

    def progress(self) -> ProgressSnapshot:
        """Return the progress at the last tick."""
        unplaced, inputs = self.unplaced, self._inputs
        if inputs is not None:
            unplaced += inputs.placer.unplaced
            if self.status != "scanning":  # what still waited for its bracket when the run ended
                unplaced += inputs.placer.pending
        return progress_of(
            time=self.time, station=self.station, grid=self.grid,
            coverage=self.coverage, inputs=inputs, suspect_cells=self.suspect_cells, minimum=self.minimum,
            rates=self._rates, slips=self.slips, readings=self.readings, unplaced=unplaced,
        )  # fmt: skip
