"""The stages that take a survey from bytes to cells, gaps and alarms.

`advance` takes whole columns through all stages: `_decode` (bytes to readings and positions), the
placer (readings to positions on the grid, and the probe's path), the block (positions to cells),
and, from instant to instant, `_put` (readings and path into the cells) and `_evaluate` (gaps and
alarms). Each reading and each piece of path has the journal time with which
it became known. Gaps and alarms change at the instants of `instants` and at marks; `_due` finds the
instants at which anything can change, and all that lies between two of them is put in one piece.
So the result does not depend on how often `advance` is called: at each tick of a live run, or once
for an hour of journal.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Cells, distinct
from swathe.journal import Sent
from swathe.pipeline.block import Block, counted, first_known
from swathe.pipeline.carriage_cells import CarriageCells
from swathe.pipeline.cells.grid import CellUpdate
from swathe.pipeline.cells.waveforms import PendingWaveforms
from swathe.pipeline.checks.suspect_cells import measures_nothing
from swathe.pipeline.instants import (
    INSTANT_NS,
    SECOND_NS,
    instant_of,
    instants_between,
    last_instant_before,
    second_of,
)
from swathe.pipeline.placing.channel_tally import channels_by_name
from swathe.pipeline.placing.device import DeviceLink
from swathe.pipeline.placing.fates import ReadingFate, ReadingObserver
from swathe.pipeline.placing.inputs import DeviceInputs
from swathe.pipeline.placing.placed import Placed, PlacingObserver
from swathe.pipeline.placing.placed_share import PlacedShare
from swathe.pipeline.placing.reading_keys import oldest_offsets
from swathe.pipeline.placing.slip import PositionSet, Slip
from swathe.pipeline.placing.track import NEVER_KNOWN
from swathe.pipeline.progress.probe_snapshot import count_by_probe
from swathe.pipeline.survey_state import SurveyState
from swathe.station import Station, gauge_of
from swathe_drivers import channels_of

__all__ = ["SurveyStages"]

CellListener = Callable[[CellUpdate], None]


class SurveyStages(SurveyState):
    """Computes what the collected entries determine; `Pipeline` collects them and handles the marks.

    Args:
        station: as for `SurveyState`.
        observer: receives placed readings and the probe's path.

    Attributes:
        carriage: its probes, on the grid.
        reading_observer: is shown what becomes of each reading; may be set before the first entry.
    """

    def __init__(self, station: Station, *, observer: PlacingObserver | None = None) -> None:
        super().__init__(station)
        self.reading_observer: ReadingObserver | None = None
        self._waveforms = PendingWaveforms()
        self._placed: list[Placed] = []
        self._placed_share = PlacedShare()
        self.carriage = CarriageCells(station, self.grid, self.coverage, observer)
        self._evaluated = 0  # the last instant of which all is evaluated
        self._due_later = np.empty(0, np.int64)  # instants that readings on the grid require
        self._slip_events: list[Slip | PositionSet] = []  # not applied yet
        # Of cells read or excluded. None reads what another one computes; `changed` shows them, last.
        self._cell_listeners: tuple[CellListener, ...] = (
            self.suspect_cells.cells_changed,
            self.coverage.cells_changed,
            self._alarm_evaluation.cells_changed,
            self.beams.cells_changed,
            self.changed.cells_changed,
        )

    def link_of(self, device: str = "") -> DeviceLink | None:
        """Return decoder and newest readings of a device, by default the gauge; None before a run."""
        device = device or gauge_of(self.station)
        return None if self._inputs is None else self._inputs.links[device]

    def _take_sent(self, inputs: DeviceInputs, link: DeviceLink, sent: Sent) -> None:
        if not sent.unanswered:
            link.send(sent.data, sent.time, self._now)
            return
        link.give_up(self._now)
        self._decode(inputs, sent.port)
        link.miss(sent.data, self._now)
        inputs.note_unread(sent.port)

    def advance(self) -> None:
        """Compute all that the entries collected so far determine.

        What arrived at the time of the last entry waits: more of that time may follow.
        """
        if self._inputs is not None:
            self._advance(self._inputs, self._now)

    def _advance(
        self, inputs: DeviceInputs, before: int | None, *, flush: bool = False, end: bool = False
    ) -> None:
        """Compute from all that arrived before a journal time, ns; None for all.

        With `flush`, records do not wait for later ones any more for their time to be found; with
        `end`, readings do not wait for the probe to move on.
        """
        for device in inputs.links:
            self._decode(inputs, device, before, flush=flush)
        inputs.advance(self._now)
        self._slip_events += inputs.take_slip_events()
        if self._scanning:
            self._alarm_evaluation.add_conditions(inputs.take_conditions())
        block = self._take_block(inputs, end=end)
        self.carriage.silences.doubt(inputs.placer.probe_times.take_doubts())
        last = last_instant_before(self._now)
        # A slip changes what the readings after it do: up to it, and then from it on.
        slips = np.array([event.known for event in self._slip_events], np.int64)
        instants = distinct(instant_of(slips))
        for instant in instants[instants < last].tolist():
            self._evaluate_until(inputs, block, instant)
        self._evaluate_until(inputs, block, last)
        self._put(block, self._now)
        inputs.placer.forget(self._now)
        if self._waveforms.keeps or self.reading_observer is not None:
            oldest = oldest_offsets(inputs.waiting, len(inputs.probes))
            self._waveforms.forget_before(oldest)
            if self.reading_observer is not None:
                self.reading_observer.settled(oldest)

    def _evaluate_until(self, inputs: DeviceInputs, block: Block, last: int) -> None:
        """Put the block on the grid and evaluate, instant by instant, until the instant `last`."""
        due = deque(self._due(inputs, block, last).tolist())
        while True:
            next_alarm = self._alarm_evaluation.register.next_due
            instant = min(due[0] if due else NEVER_KNOWN, self._instant_of_utc(next_alarm))
            if instant > last:
                break
            while due and due[0] <= instant:
                due.popleft()
            self._put(block, instant)
            self._evaluate(inputs, instant)
            self._evaluated = instant
        self._due_later = np.array([*due], np.int64)
        if last > self._evaluated:  # what became known since belongs to a later instant
            self._put(block, last)
            self.coverage.evaluate(last, last + self._utc_offset)
            self._evaluated = last

    def _apply_slips(self, now: int) -> None:
        """Apply what is known of slips at the journal time `now`, ns.

        All before is on the grid, and what the probe has left behind is evaluated.
        """
        events = sorted(self._slip_events, key=lambda event: event.known)  # stable
        self._slip_events = [event for event in events if event.known > now]
        for event in events[: len(events) - len(self._slip_events)]:
            if isinstance(event, Slip):
                offset = self._utc_offset
                self.changed.add(self.slipped_cells.take(event, offset, now + offset))
            else:
                self.slipped_cells.set_position(event.axis, event.time)

    def _instant_of_utc(self, time: int | None) -> int:
        """Return the next instant at or after a time in ns UTC; `NEVER_KNOWN` for None."""
        if time is None:
            return NEVER_KNOWN
        instant = int(instant_of(np.array(time - self._utc_offset)))
        return max(instant, self._evaluated + INSTANT_NS)

    def _take_block(self, inputs: DeviceInputs, *, end: bool = False) -> Block:
        """Return what became known since the last call, but for pauses and discarded stretches.

        With `end`, readings do not wait for the probe to move on.
        """
        placed = Placed.joined([*self._placed, inputs.placer.place(self._now)])
        path = inputs.placer.take_path(self._now)  # after it: with the readings that were given up
        self._placed.clear()
        every = placed
        paused = self.pauses.holds(placed.readings["time"])
        held = paused | self.losses.holds(placed.readings["time"])
        if held.any():
            self._leave_out(placed[paused], ReadingFate.PAUSED)
            self._leave_out(placed[held & ~paused], ReadingFate.LINE_LOST)
            placed = placed[~held]
        self._follow_share(inputs, placed)
        path = None if path is None else self.pauses.cut(path)
        path = moved = None if path is None else self.losses.cut(path)
        self._standing.follow(placed, path)
        if inputs.stepped is not None:
            self._leave_out(placed, ReadingFate.BETWEEN_LINES)
            placed, path = inputs.stepped.take(placed, path, end=self._now if end else None)
            every = inputs.stepped.on_line_in_force(every)
        self.lifts.take(every, self._utc_offset)
        self._leave_out(placed, ReadingFate.DISCARDED)
        placed = self.applied_revisions.placed(placed).at_probes(inputs.probes)
        cells = self.grid.cells_at(placed.scan, placed.index)
        if self.reading_observer is not None:
            self.reading_observer.placed(placed, cells)
        if placed.spread is not None:
            self.place_sums.add_readings(placed.scan, placed.spread)
        crossed, first = None, None
        if path is not None:
            path, broken = self.applied_revisions.path(path)
        if path is not None:
            crossed, first = self.carriage.cross(path, broken)
        self.carriage.show(placed, first)
        # The speed is that of the probe now, whatever line it will turn out to be on.
        waits = inputs.stepped is not None and inputs.stepped.hand is not None
        return Block(placed, cells, moved if waits else path, crossed)

    def _leave_out(self, placed: Placed, fate: ReadingFate) -> None:
        """Let readings have no place for a reason, unless a later stage gives them one."""
        if self.reading_observer is not None:
            self.reading_observer.without_place(placed.readings, fate)

    def _follow_share(self, inputs: DeviceInputs, placed: Placed) -> None:
        """Follow the share of the readings that are placed on the plan."""
        times, given_up = inputs.placer.take_given_up()
        if self._scanning:
            counted = ~self.applied_revisions.unplaced(placed.readings["time"])
            placed = placed.at_probes(inputs.probes)
            on_plan = self.grid.cells_at(placed.scan, placed.index) >= 0
            cell = self.grid.scan.resolution, self.grid.index.resolution
            places = np.column_stack((placed.scan, placed.index)) / cell
            self._placed_share.add(placed.known[counted], on_plan[counted], places[counted])
            held = self.pauses.holds(times)
            held |= self.applied_revisions.unplaced(times)
            self._placed_share.add_unplaced(given_up[~held])
            changes = self._placed_share.follow(last_instant_before(self._now))
            self._alarm_evaluation.add_conditions(changes)

    def _due(self, inputs: DeviceInputs, block: Block, last: int) -> NDArray[np.int64]:
        """Return the instants at which gaps or alarms may change, rising, each once, ns.

        Until the instant `last`; those after it may be some that change nothing.
        """
        instants = instants_between(self._evaluated, last)
        placed, rest = block.rest()
        valid = counted(placed, rest)
        cells, known = rest[valid], placed.known[valid]
        thickness = placed.readings["thickness"][valid]
        below = known[self._alarm_evaluation.below_alert_due(thickness, cells)]
        unsound = measures_nothing(placed.readings[valid], self.suspect_cells, self.slipped_cells)
        if unsound is not None:
            cells, known = cells[~unsound], known[~unsound]
        cells, known = first_known(cells, known)
        fresh = np.sort(known[self.grid.missing(cells)])
        self._rates.follow(
            instants,
            path=block.take_path(last if last < last_instant_before(self._now) else self._now),
            readings=self.readings + np.searchsorted(placed.known, instants, side="right"),
            measured=self.coverage.measured + np.searchsorted(fresh, instants, side="right"),
        )
        slips = np.array([event.known for event in self._slip_events], np.int64)
        events = np.concatenate((below, slips, self.carriage.silences.due))
        due = [self._due_later, self.coverage.due(cells, known), instant_of(events)]
        # A stay that began with the block before is in this one again.
        seconds = distinct(second_of(block.known_rest()))
        due.append(seconds[seconds > self._evaluated])
        if self._scanning:
            due.append(self._alarm_evaluation.due(instants, self._utc_offset, inputs, self._rates))
            if self._delay_watch is not None:
                self._alarm_evaluation.add_conditions(
                    self._delay_watch.follow(instants, self._rates.usual_speeds)
                )
            due.append(self._alarm_evaluation.conditions_due())
        return distinct(np.concatenate(due))

    def _evaluate(self, inputs: DeviceInputs, now: int, *, at_mark: bool = False) -> None:
        """Evaluate gaps and alarms at `now`, host time in ns; all before is on the grid.

        At whole seconds and at marks also the places to confirm.
        """
        time = now + self._utc_offset
        whole = at_mark or now % SECOND_NS == 0
        self.changed.add(self.carriage.withdraw(now, whole=whole))
        self.coverage.evaluate(now, time)
        self._apply_slips(now)
        self._settle_gaps()
        if whole:
            self._list_places(time)
        if self._scanning and now % SECOND_NS == 0:
            self._alarm_evaluation.add_conditions(self.carriage.compare(now))
        self._alarm_evaluation.evaluate_cells(time)
        if self._scanning:
            self._alarm_evaluation.evaluate(now, self._utc_offset, inputs)

    def _decode(
        self,
        inputs: DeviceInputs,
        device: str,
        before: int | None = None,
        *,
        flush: bool = False,
    ) -> None:
        """Decode what a device sent; readings of a check or of a run without scan end here."""
        link = inputs.links[device]
        batch = link.decode(before, now=self._now, flush=flush)
        inputs.note_unread(device)
        self._alarm_evaluation.add_bytes(device, link.decoded_known)
        if batch is None:
            return
        counts = True
        if batch.readings.size:
            batch = inputs.probe_numbers.assign(device, batch)
            if self.reading_observer is not None:
                for part in inputs.probe_numbers.left_out:
                    self.reading_observer.decoded(part, ReadingFate.NO_PROBE)
            inputs.probe_numbers.left_out.clear()
        if batch.readings.size:
            if self.grid.channels is not None or batch.channels is not None:
                sent = channels_of(link.decoder)
                channels = channels_by_name(sent, batch, self.grid.channel_names)
                batch = replace(batch, channels=channels)
            self.calibration.fill(batch.readings)
            checks = self.suspect_cells.checks
            if checks.in_progress:
                checks.add_readings(batch.readings)
            if self._scanning and not checks.in_progress:
                self.spurious.flag_readings(batch.readings)
            if self.reading_observer is not None:
                self.reading_observer.decoded(batch.readings, self._fate_without_place())
            self._alarm_evaluation.add_readings(batch.readings, batch.readings_known_at)
            if self.spots is not None and self._scanning and not checks.in_progress:
                self.spots.add_readings(batch)
            if checks.in_progress or not self._scanning or self.spots is not None:
                counts, batch = False, replace(batch, waveforms=None, channels=None)
            waveforms = None if self.grid.waveform is None else batch.waveforms
            if waveforms is not None or batch.channels is not None:
                self._waveforms.put(batch.readings, waveforms, batch.channels)
        placed = inputs.take(device, batch, counts=counts)
        if placed is not None:
            self._placed.append(placed)

    def _fate_without_place(self) -> ReadingFate | None:
        """Return why readings of now have no place whatever comes; None where they may have one."""
        if self.suspect_cells.checks.in_progress:
            return ReadingFate.IN_CHECK
        if not self._scanning:
            return ReadingFate.NOT_SCANNING
        return None if self.spots is None else ReadingFate.OF_SPOT

    def _put(self, block: Block, until: int) -> None:
        """Put the readings and stays that are known at `until`, ns, into their cells."""
        placed, cells = block.take_readings(until)
        if cells.size:
            self.readings += int(cells.size)
            if self.carriage.has_several:
                count_by_probe(self._of_probes, placed.readings)
            self.calibration.count(placed.readings[counted(placed, cells)])
            uncertain = self.carriage.put(placed, cells)
            for rows, unsound in self.slipped_cells.pieces(placed.readings["time"]):
                suspect = unsound or self.suspect_cells.suspect_readings(placed.readings[rows])
                update = self.grid.begin_update(cells[rows])
                self.grid.add(
                    placed.readings[rows],
                    cells[rows],
                    self._utc_offset,
                    suspect=suspect,
                    waveforms=self._waveforms,
                    uncertain=uncertain[rows],
                    place=(placed.scan[rows], placed.index[rows]),
                    datum=None if placed.datum is None else placed.datum[rows],
                )
                if unsound:
                    self.slipped_cells.cells_read(update)
                self._notify(update)
                self.beams.add(placed[rows], suspect=suspect)
        if (stays := block.take_stays(until)) is not None:
            self.changed.add(self.carriage.pass_through(stays))

    def _notify(self, update: CellUpdate) -> None:
        flagged = self.spurious.cells_changed(update)
        self.minimum.cells_changed(np.concatenate((update.cells, flagged)))
        for listener in self._cell_listeners:
            listener(update)
        self.changed.add(flagged)

    def _flags_changed(self, cells: Cells) -> None:
        """Take cells whose flags changed though they got no reading."""
        self.minimum.cells_changed(cells)
        self.changed.add(cells)

    def _list_places(self, time: int) -> None:
        """Bring the places to confirm up to date at `time`, ns UTC; all before is on the grid."""
        self.spurious.evaluate(time, self.coverage.has_left, self.minimum.raw_cell)
        self._alarm_evaluation.confirmations_changed()
