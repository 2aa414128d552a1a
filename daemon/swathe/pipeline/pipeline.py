"""The path of the data from journal entries to cells, gaps and alarms.

`Pipeline.feed` is a deterministic function of the entries fed so far: it reads no clock, draws no
random number and does no input or output. The live run and a rebuild feed the same entries, so
they have the same arrays, bit for bit.

Entries are collected; what they determine is computed by the stages of `stages`, at each tick of a
live run, or once for an hour of journal.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

import numpy as np

from swathe.errors import MisuseError
from swathe.journal import Chunk, Entry, Lost, Mark, MarkKind, PortChange, Sent, Tick
from swathe.pipeline.alarms.delay_unknown import DelayWatch
from swathe.pipeline.applied_revisions import AppliedRevisions
from swathe.pipeline.crawler_history import CRAWLER
from swathe.pipeline.instants import last_instant_before
from swathe.pipeline.operator_requests import ExcludedZone, gap_meant
from swathe.pipeline.placing.delays_in_force import EstimatedDelay, MeasuredDelay
from swathe.pipeline.placing.inputs import DeviceInputs
from swathe.pipeline.placing.placed import PlacingObserver
from swathe.pipeline.placing.placed_share import PlacedShare
from swathe.pipeline.placing.standstill import STANDSTILL_NS
from swathe.pipeline.progress.progress import RunRates
from swathe.pipeline.rare_entries import RareEntries
from swathe.pipeline.references import Reference
from swathe.pipeline.revisions import REVISION_MARKS, Revision
from swathe.pipeline.setup_history import SETUP_MARKS
from swathe.station import DelaySetting, Station, delay_pairs, gauge_of

__all__ = ["Pipeline"]

_CHECK_MARKS = (
    MarkKind.CHECK_BEGUN,
    MarkKind.CHECK_STEP,
    MarkKind.CHECK_ENDED,
    MarkKind.CHECK_GIVEN_UP,
    MarkKind.CHECK_OVERRIDDEN,
)
# Marks behind which records mean something else, whatever their times.
_MARKS_BETWEEN = (*_CHECK_MARKS, MarkKind.REFERENCED, MarkKind.SPOT_READ, MarkKind.ENDED)
# Marks on which no cell and no gap depends; what is noticed takes effect at an instant.
_MARKS_APART = (
    MarkKind.NOTE,
    MarkKind.MOTION,
    MarkKind.FIRST_MOVE,
    MarkKind.HEALTH,
    MarkKind.INHERITED,
    *REVISION_MARKS,
    *SETUP_MARKS,
)

MarkHandler = Callable[[DeviceInputs, Mark, int], None]


class Pipeline(RareEntries):
    """Takes a survey through its journal, entry by entry.

    Args:
        station: the plan: the station file with which the survey began, with the grid that later
            runs extended.
        amend: changes each run's station file before it is applied, as a rebuild with another
            delay does; the grid must stay what it is.
        observer: receives placed readings and the probe's path.
        delays: measured by the survey, by device; each applies to the runs whose station file says
            ``auto``.
        revisions: in force, in their order: what operators discarded or moved.
    """

    def __init__(
        self,
        station: Station,
        *,
        amend: Callable[[Station], Station] | None = None,
        observer: PlacingObserver | None = None,
        delays: Mapping[str, MeasuredDelay] | None = None,
        revisions: Iterable[Revision] = (),
    ) -> None:
        super().__init__(station, observer=observer)
        self.measured_delays = dict(delays or {})
        self.applied_revisions = AppliedRevisions(revisions, self.grid)
        self._placed_with: int | None = None  # difference of delays in the last run
        self._amend = amend
        self._mark_handlers: dict[MarkKind, MarkHandler] = {
            MarkKind.LINE: self._set_line,
            MarkKind.LINE_BLOCKED: self._block_line,
            MarkKind.NOTE: self._add_note,
            **dict.fromkeys(_CHECK_MARKS, self._take_check_mark),
            MarkKind.PAUSED: self._pause,
            MarkKind.RESUMED: self._resume,
            MarkKind.ZONE_EXCLUDED: self._exclude_zone,
            MarkKind.GAP_REQUESTED: self._request_gap,
            MarkKind.ALARM_ACKNOWLEDGED: self._acknowledge_alarm,
            MarkKind.MOTION: self._take_motion_mark,
            MarkKind.FIRST_MOVE: self._take_first_move,
            MarkKind.RASTER_PLANNED: self._plan_raster,
            MarkKind.STRETCH_BEGUN: self._begin_stretch,
            MarkKind.HEALTH: self._take_health,
            MarkKind.REFERENCED: self._reference,
            MarkKind.DELAY: self._take_delay,
            MarkKind.DELAY_ESTIMATED: self._take_estimate,
            **dict.fromkeys(REVISION_MARKS, self._list_revision),
            MarkKind.SPOT_READ: self._take_spot_mark,
            MarkKind.SPOT_ACCEPTED: self._take_spot_mark,
            MarkKind.SPOT_CLOSED: self._take_spot_mark,
            MarkKind.SPOT_REOPENED: self._take_spot_mark,
            MarkKind.CONFIRMED: self._decide,
            MarkKind.REJECTED: self._decide,
            **dict.fromkeys(SETUP_MARKS, self._take_setup_mark),
            MarkKind.INHERITED: self._inherit,
            MarkKind.ENDED: self._end_run,
        }

    def feed(self, entry: Entry) -> None:
        """Take the next entry of the journal; a tick computes all that it determines.

        Raises:
            MisuseError: an entry comes before the mark that opens the run.
        """
        self.collect(entry)
        if isinstance(entry, Tick):
            self.advance()

    def collect(self, entry: Entry) -> None:
        """Take the next entry of the journal, which takes effect with the next `advance`.

        Raises:
            MisuseError: an entry comes before the mark that opens the run.
        """
        if isinstance(entry, Mark):
            self._take_mark(entry)
            return
        if isinstance(entry, Lost):
            self._take_lost(entry)
            return
        inputs = self._required_inputs()
        if entry.time - self._now > STANDSTILL_NS:
            inputs.standstills.add(self._now, entry.time)
        self._now = max(self._now, entry.time)
        match entry:
            case Chunk():
                if (link := inputs.links.get(entry.port)) is not None:
                    link.take(entry.data, entry.time, self._now)
            case Sent():
                if (link := inputs.links.get(entry.port)) is not None:
                    self._take_sent(inputs, link, entry)
            case PortChange():
                if (link := inputs.links.get(entry.port)) is not None:
                    link.end_answers(self._now)
                    self._decode(inputs, entry.port, flush=True)
                    self._advance(inputs, None)
                    link.lose(entry.state, entry.detail)
                    inputs.port_changed(entry.port, self._now)
                    self.lifts.break_off(self._now)
                    if self.spots is not None:
                        self.spots.interrupt()
                    self._alarm_evaluation.state_changed()

    def collect_all(self, entries: Iterable[Entry]) -> None:
        """Take the next entries of the journal, as `collect` does each, at less cost.

        Raises:
            MisuseError: an entry comes before the mark that opens the run.
        """
        links = None
        for entry in entries:
            if type(entry) is not Chunk:
                self.collect(entry)
                links = None  # a mark may open a run, with other devices
                continue
            if links is None:
                links = self._required_inputs().links
            time, port, data = entry
            if time > self._now:
                if time - self._now > STANDSTILL_NS:
                    self._required_inputs().standstills.add(self._now, time)
                self._now = time
            if (link := links.get(port)) is not None:
                link.take(data, time, self._now)

    def _required_inputs(self) -> DeviceInputs:
        if self._inputs is None:
            message = "the journal's first entry must be the mark that opens the run"
            raise MisuseError(message)
        return self._inputs

    def _take_mark(self, mark: Mark) -> None:
        if mark.kind is MarkKind.OPENED:
            if self._inputs is not None:
                self._inputs.end_answers(self._now)
                self._advance(self._inputs, None, flush=True, end=True)
                if self._slip_events:  # of a run that was killed
                    self.coverage.evaluate(self._now, self.time)
                    self._apply_slips(self._now)
            self._open_run(mark)
            return
        inputs = self._required_inputs()
        if mark.time - self._now > STANDSTILL_NS:
            inputs.standstills.add(self._now, mark.time)
        self._now = max(self._now, mark.time)
        if mark.kind not in _MARKS_APART:
            if mark.kind is MarkKind.ENDED:
                inputs.end_answers(self._now)
            # What a mark changes applies from it on: all that was received before it comes first.
            ends = mark.kind is MarkKind.ENDED
            self._advance(inputs, None, flush=mark.kind in _MARKS_BETWEEN, end=ends)
            self._evaluate(inputs, self._now, at_mark=True)
            self._alarm_evaluation.state_changed()
        self._mark_handlers[mark.kind](inputs, mark, mark.time + self._utc_offset)

    # --- marks: each handler takes the run's inputs, the mark and its time in ns UTC.

    def _open_run(self, mark: Mark) -> None:
        station = self.station_history.open_run(mark.detail)
        if self._amend is not None:
            station = self._amend(station)
        if self._inputs is not None:
            self._line = self.line
            if self._inputs.stepped is not None:
                self._in_doubt = self._inputs.stepped.in_doubt
                self.between_lines += self._inputs.stepped.between_lines
            self.unplaced += self._inputs.placer.unplaced + self._inputs.placer.pending
        self.station = station
        self.survey = self.survey or str(mark.detail["survey"])
        self.calibration.open_run(station)
        self.beams.open_run(station)
        self._flags_changed(self.spurious.open_run(station))
        before = None if self._inputs is None else self._inputs.positions
        was_set = () if before is None else before.not_by_counts
        self._inputs = DeviceInputs(
            station, self.tallies, line=self._line, in_doubt=self._in_doubt, delays=self.delays
        )
        carried = self.suspect_cells.checks.off_part
        stepped = self._inputs.stepped is not None
        unknown = self.losses.open_run(
            mark.time, stepped=stepped, bytes_lost=bool(before and before.unproven)
        )
        self.inherited = self._inheritance(self._inputs, was_set, carried=carried)
        self._inputs.positions.begin(was_set, mark.time, carried=carried, unknown=unknown)
        difference = self.delay_difference(gauge_of(station))
        if self._placed_with not in (None, difference):
            self.carriage.delay_changed()
        self._placed_with = difference
        self._waveforms.forget_before(None)
        self.lifts = self._new_lifts()
        self._utc_offset = int(mark.detail["utc_ns"]) - mark.time
        self.opened = int(mark.detail["utc_ns"])
        if self.reading_observer is not None:
            self.reading_observer.open_run(self._utc_offset)
        self.revisions.open_run()
        self.applied_revisions.open_run(self.revisions.run, self._utc_offset)
        self.carriage.open_run(station)
        self.suspect_cells.checks.abandon()
        self.slipped_cells.open_run()
        self._now = mark.time
        self._evaluated = last_instant_before(mark.time)
        self._due_later = np.empty(0, np.int64)
        self._placed_share = PlacedShare(mark.time)
        self._rates = RunRates(mark.time, readings=self.readings, measured=self.coverage.measured)
        self._delay_watch = self._watch_delay(station)
        self.pauses.reopen()
        self._inputs.pauses = self.pauses
        if station.spots is None:
            self._inputs.begin_sums(self.place_sums, station.scan)
        if self.spots is not None and station.spots is not None:
            self.spots.open_run(station.spots, station.display)
        self._alarm_evaluation.open_run(station, mark.time + self._utc_offset)
        # A run that only checks the calibration leaves the survey where it was.
        self._scanning = mark.detail.get("purpose", "scan") == "scan"
        if self._scanning:
            self.runs += 1
            if (operator := station.survey.operator) and operator not in self.operators:
                self.operators.append(operator)
            self._ended_complete = False
            self.coverage.reopen(mark.time + self._utc_offset)
            self._settle_gaps()

    def _end_run(self, _inputs: DeviceInputs, mark: Mark, now: int) -> None:
        self._alarm_evaluation.end_run(now)
        # A run that scans nothing leaves a pause as a killed one left it.
        if self._scanning:
            self.pauses.end(mark.time)
            self.slipped_cells.end_run()
            self._scanning = False
            self._ended_complete = mark.detail["status"] == "complete"
            self.coverage.close_out(self._now, now)
            self._settle_gaps()
            self.alarms.count_gaps_at_end(self.coverage.gaps.open_count, now)
            self._list_places(now)

    def _take_delay(self, inputs: DeviceInputs, mark: Mark, now: int) -> None:
        self.newest_delays[str(mark.detail["device"])] = MeasuredDelay.of_mark(mark.detail)
        self._take_estimate(inputs, mark, now)

    def _take_estimate(self, _inputs: DeviceInputs, mark: Mark, _now: int) -> None:
        device, estimate = str(mark.detail["device"]), EstimatedDelay.of_mark(mark.detail)
        self.estimated_delays[device] = estimate
        if self._delay_watch is not None:
            self._delay_watch.take(estimate)

    def _watch_delay(self, station: Station) -> DelayWatch | None:
        """Return what follows the delay of a run; None where it is given or does not matter."""
        pair = next(iter(delay_pairs(station)), None)
        if pair is None or pair.setting is DelaySetting.GIVEN:
            return None
        return DelayWatch(
            pair,
            in_force=self.delay_difference(pair.gauge),
            cell=self.grid.scan.resolution,
            estimate=self.estimated_delays.get(pair.gauge),
            units=station.display,
        )

    def _set_line(self, inputs: DeviceInputs, mark: Mark, _now: int) -> None:
        # A crawler reports where it is: it gives the line once it arrived there.
        doubt = mark.detail.get("by") != CRAWLER
        if inputs.stepped is not None:
            inputs.stepped.set_line(int(mark.detail["line"]), mark.time, doubt=doubt)
            self.losses.line_unknown.end(mark.time)

    def _block_line(self, inputs: DeviceInputs, mark: Mark, _now: int) -> None:
        if inputs.stepped is None:
            return
        if (line := mark.detail["line"]) is None:
            inputs.stepped.block(mark.time)
        else:
            inputs.stepped.set_line(int(line), mark.time, doubt=True, blocked=True)

    def _reference(self, inputs: DeviceInputs, mark: Mark, now: int) -> None:
        position = mark.detail.get("scan"), mark.detail.get("index")
        if mark.detail.get("by") == CRAWLER:
            self.crawler.set_reference(*position)
        else:
            self.references.append(Reference.from_detail(mark.detail, now))
        axes = self.grid.scan, self.grid.index
        off: list[float] = []
        for axis, place, known in zip(axes, position, inputs.position, strict=True):
            if place is not None and (known is not None or axis.name in inputs.positions.lost):
                self.slipped_cells.set_position(axis.name, mark.time)
            if place is not None and known is not None:
                off.append(axis.distance(place, known))
        self.lifts.set_position(mark.time, self._utc_offset, max(off, default=None))
        inputs.reference(*position, mark.time)

    def _pause(self, _inputs: DeviceInputs, mark: Mark, _now: int) -> None:
        self.pauses.begin(mark.time, **mark.detail)

    def _resume(self, _inputs: DeviceInputs, mark: Mark, _now: int) -> None:
        self.pauses.end(mark.time)
        self.coverage.break_off()
        if self.spots is not None:
            self.spots.interrupt()  # what was read in the pause belongs to no spot

    def _take_check_mark(self, inputs: DeviceInputs, mark: Mark, now: int) -> None:
        was_off = self.suspect_cells.checks.off_part
        # A check changes states only: neither minimum nor alarms depend on it.
        self.changed.add(self.suspect_cells.take(mark, now))
        self._settle_gaps()
        is_off = self.suspect_cells.checks.off_part
        if is_off and not was_off:
            inputs.leave_part(mark.time)
        elif was_off and not is_off:
            inputs.return_to_part(mark.time)
            self.lifts.break_off(mark.time)

    def _exclude_zone(self, _inputs: DeviceInputs, mark: Mark, now: int) -> None:
        zone = ExcludedZone.from_detail(mark.detail, now)
        self._notify(self.requests.exclude(zone, self.grid, self.coverage))
        self._settle_gaps()
        self._alarm_evaluation.evaluate_cells(now)

    def _decide(self, _inputs: DeviceInputs, mark: Mark, now: int) -> None:
        self._flags_changed(self.spurious.decide(mark, now))
        self._list_places(now)

    def _take_spot_mark(self, inputs: DeviceInputs, mark: Mark, now: int) -> None:
        if self.spots is None or (found := self._where_read(inputs, mark)) is None:
            return
        update = self.spots.take(found, self._utc_offset)
        if update is not None:
            self._notify(update)
            self.coverage.evaluate(self._now, now)
            self._settle_gaps()
            self._list_places(now)
            self._alarm_evaluation.evaluate_cells(now)

    def _request_gap(self, _inputs: DeviceInputs, mark: Mark, now: int) -> None:
        number = gap_meant(self.coverage.gaps, mark.detail)
        if number is not None:
            self.requests.request_gap(number, mark.detail["by"], now)

    def _acknowledge_alarm(self, _inputs: DeviceInputs, mark: Mark, now: int) -> None:
        number = self.alarms.alarm_meant(mark.detail)
        if number is not None:
            self.alarms.acknowledge(number, mark.detail["by"], now)
