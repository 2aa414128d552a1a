"""One device's bytes: decoded, counted, and mapped to the host's clock."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import run_starts
from swathe.echo import EchoSettings
from swathe.pipeline.placing.arrivals import Arrival, joined_chunks, journal_times
from swathe.pipeline.placing.channel_tally import ChannelTally
from swathe.pipeline.placing.clock import DeviceClock
from swathe.pipeline.placing.conditions import Condition
from swathe.pipeline.placing.damaged_lines import DamagedLines
from swathe.pipeline.placing.device_tally import DeviceTally
from swathe.pipeline.placing.driver_failures import DriverFailures
from swathe.pipeline.placing.held_values import HeldValues
from swathe.pipeline.placing.measured_readings import Gating, measure_by_input
from swathe.pipeline.placing.newest_readings import NewestReadings
from swathe.pipeline.placing.period_conditions import period_conditions
from swathe.pipeline.placing.pieces import Piece, pieces_between
from swathe.pipeline.placing.polled import PolledAnswers, Stream
from swathe.pipeline.placing.pulses import PulseTimes
from swathe.pipeline.placing.request_log import RequestLog
from swathe.pipeline.placing.stopped_clock import StoppedClock
from swathe.pipeline.placing.streams import RecordStream, TimedBatch
from swathe.pipeline.placing.time_tally import TimeTally
from swathe.pipeline.placing.timebase import PollTimes, time_base_of
from swathe.pipeline.placing.timing import TimeBase
from swathe_drivers import (
    Batch,
    CuttingDecoder,
    Decoder,
    Fault,
    FaultReason,
    GuardedDecoder,
    Polling,
    ToldDecoder,
    channels_of,
)
from swathe_drivers.records import MAX_FAULTS
from swathe_drivers.running_numbers import missing_before

__all__ = ["DeviceLink"]

_FEW = 2  # with more requests between chunks these are decoded in one go first; see `Piece`


class DeviceLink:
    """Decoder, clock and tally of one device through one run.

    Args:
        decoder: a fresh decoder.
        delay_ns: from the event to its first byte.
        tally: counts across the runs of a survey.
        echo: how A-scans are measured, for a device that sends them.
        zero_offset_us: of the calibration in force, µs; see `swathe.echo.measure`.
        of_inputs: both for inputs whose probes have others.
        by_time: whether the times of records without a device time are found from a running number
            or a steady rate; what is not known yet waits.
        period_ns: from record to record as the station file has it, ns; None if it has none.
        polling: how its answers belong to what it is sent; None for a device that is not polled.
        name: of the device, for its conditions.
        smear_ns: by how much a record may be older than its arrival says, ns, until it is measured.
        silent_at_rest: an encoder that sends nothing while it rests.

    Attributes:
        readings: the time base of the readings; None for a device without.
        positions: that of the positions; None for a device without, and where they come with
            readings.
        answers: matches records with requests; None for a device that is not polled.
        conditions: changes of the device's conditions, for alarms, since they were taken last.
        arrived: journal times of the chunks since they were taken last, ns, rising.
        unanswered: journal times at which requests were given up, likewise.
        decoded_known: journal times of the chunks that were decoded last, ns, rising, shape (n,).
        echo: how A-scans are measured; a live view may change it between two batches.
        newest: the newest readings, for a live view.
        damage: where silence is no rest; None for a device that is not silent at rest.
    """

    def __init__(
        self,
        *,
        decoder: Decoder,
        delay_ns: int,
        tally: DeviceTally,
        echo: EchoSettings | None = None,
        zero_offset_us: float = 0.0,
        of_inputs: Mapping[int, Gating] | None = None,
        by_time: bool = False,
        period_ns: float | None = None,
        polling: Polling | None = None,
        name: str = "",
        smear_ns: int = 0,
        silent_at_rest: bool = False,
    ) -> None:
        self.decoder = decoder
        self._channels = channels_of(decoder)  # asking a protocol for each batch takes longer
        self.tally = tally
        self._name = name
        self._delay = delay_ns
        self.echo = echo
        self.zero_offset_us = zero_offset_us
        self._of_inputs = of_inputs or {}
        self._clock = DeviceClock(wrap_ns=decoder.clock_wrap_ns) if decoder.has_clock else None
        self._requests: RequestLog | None = None
        self.answers: PolledAnswers | None = None
        if polling is not None:
            self._requests = RequestLog(polling, decoder, offset=tally.bytes)
            # A clock is better than any time between request and answer.
            taken_at = polling.taken_at if self._clock is None else None
            self.answers = PolledAnswers(taken_at, self._requests)
        # Where each record brings its own position, its time places nothing.
        by_time = by_time and not decoder.combined

        def time_base(stream: Stream) -> TimeBase:
            if self.answers is not None and self._clock is None:
                return PollTimes(self.answers, stream)
            return time_base_of(
                decoder, self._clock, by_time=by_time, period_ns=period_ns, smear_ns=smear_ns
            )

        self.readings = time_base("readings") if decoder.gives_readings else None
        apart = decoder.gives_positions and not decoder.combined
        self.positions = time_base("positions") if apart else None
        self._reading_stream = RecordStream(
            self.readings or time_base("readings"),
            tally.times.setdefault("readings", TimeTally()),
            numbered=decoder.numbered,
        )
        self._position_stream: RecordStream | None = None
        if self.positions is not None:
            positions = tally.times.setdefault("positions", TimeTally())
            self._position_stream = RecordStream(
                self.positions, positions, numbered=decoder.numbered
            )
        stops = decoder.has_clock
        self._reading_clock = StoppedClock(name) if stops and decoder.gives_readings else None
        self._position_clock = StoppedClock(name) if stops and apart else None
        after = decoder.held_after
        self._held = HeldValues(frozenset(after), max(after.values())) if after else None
        self.conditions: list[Condition] = []
        silent = silent_at_rest and apart
        self.damage = DamagedLines(tally.bytes) if silent else None
        self._failures = DriverFailures(name, decoder)
        self._faulty: list[int] = []
        self.arrived: list[int] = []
        self.unanswered: list[int] = []
        self.decoded_known: NDArray[np.int64] = np.empty(0, np.int64)
        self.newest = NewestReadings()
        self._sequence = -1
        self._received = tally.bytes
        self._chunks: list[Arrival] = []
        self._known: list[int] = []
        self._given = decoder.pulse_period_ns or period_ns
        for times in tally.times.values():
            times.given_ns = self._given
        # The stream's offsets continue across the runs of a survey, as the journal's bytes do.
        decoder.reset(tally.bytes)

    @property
    def clock(self) -> DeviceClock | None:
        """The fit of the device's clock; None for a device without one."""
        return self._clock

    @property
    def received(self) -> int:
        """Bytes received, those that are not decoded yet included."""
        return self._received

    def take(self, data: bytes, time: int, known: int | None = None) -> None:
        """Keep bytes, which arrived at `time`, ns, until `decode`; `known` is the journal time, ns."""
        known = time if known is None else known
        if self._requests is not None:
            time = self._requests.chunk(data, time)
        self._chunks.append((time, data))
        self._known.append(known)
        self.arrived.append(known)
        self._received += len(data)

    def send(self, data: bytes, time: int, known: int | None = None) -> None:
        """Take note of what was sent to the device at `time`, ns; `known` as for `take`."""
        if isinstance(self.decoder, ToldDecoder):
            self.decoder.asked(data, self.received)
        if self._requests is not None:
            self._requests.send(data, time, time if known is None else known)

    def give_up(self, known: int) -> None:
        """Take note, at a journal time in ns, that the newest request was given up."""
        self.unanswered.append(known)
        if self._requests is not None:
            self._requests.give_up(known)

    def end_answers(self, known: int) -> None:
        """Take note, at a journal time in ns, that what was sent before is answered no more."""
        if self._requests is not None:
            self._requests.end(known)

    @property
    def may_hold(self) -> bool:
        """Whether records may wait until their times are known."""
        return isinstance(self.readings, PulseTimes) or isinstance(self.positions, PulseTimes)

    @property
    def held_since(self) -> tuple[int | None, int | None]:
        """Journal times of the oldest reading and position that wait for their time, ns."""
        bases = self.readings, self.positions
        readings, positions = (None if base is None else base.held_since for base in bases)
        # What waits in a later stage was released by the time base before what waits there.
        for stage in (self._reading_clock, self._held):
            if stage is not None and (waiting := stage.oldest_waiting_arrival) is not None:
                readings = waiting
        if self._position_clock is not None:
            positions = self._position_clock.oldest_waiting_arrival or positions
        return readings, positions

    def take_dropped(self) -> NDArray[np.int64] | None:
        """Return the readings dropped for want of a time since the last call; None without any.

        See `StoppedClock.dropped`.
        """
        return None if self._reading_clock is None else self._reading_clock.take_dropped()

    def decode(
        self, before: int | None = None, *, now: int = 0, flush: bool = False
    ) -> TimedBatch | None:
        """Return what the bytes since the last call decode to, all times on the host's clock.

        What a record was known at is a journal time.

        Args:
            before: a journal time, ns: chunks known at it are kept, as more of the same time may
                follow; None for all chunks.
            now: the journal time, ns, for what waits for its time.
            flush: whether nothing waits for later records, as at the end of a run.
        """
        cuts: list[tuple[int, int]] = []
        if self._requests is not None and self._requests.holds:
            known = self._requests.release(before)
            cuts = self._requests.cuts
        else:
            count = len(self._known) if before is None else bisect_left(self._known, before)
            known = self._known[:count]
        count = len(known)
        fed: list[int] = []
        for piece in pieces_between(self._chunks[:count], cuts, each=self.damage is not None):
            whole: list[int] | None = None
            if not piece.sizes or len(piece.sizes) > _FEW:
                whole = self._feed(known[piece.begin : piece.end], piece.sizes)
            fed += self._feed_between(known, piece) if whole is None else whole
            for at in piece.asked_behind:
                self._cut(at)
        self.decoded_known = np.array(fed, np.int64)
        readings = self._reading_stream.release(now, flush=flush)
        if self._reading_clock is not None:
            readings = self._reading_clock.release_counted(
                readings, now, self.tally, self.conditions, flush=flush
            )
        if self._held is not None:
            readings = self._held.release(readings, now, flush=flush)
        positions = None
        if self._position_stream is not None:
            positions = self._position_stream.release(now, flush=flush)
        if self._position_clock is not None:
            positions = self._position_clock.release_counted(
                positions, now, self.tally, self.conditions, flush=flush
            )
            self._position_clock.take_dropped()
        self.conditions += period_conditions(
            (self.readings, self.positions), self._given, self._name
        )
        if not count and readings is None and positions is None:
            return None
        return TimedBatch.of(self.decoder, readings, positions, delay_ns=self._delay)

    def _feed_between(self, known: list[int], piece: Piece) -> list[int]:
        """Decode the chunks of a piece from one request to the next; as `_feed`."""
        fed: list[int] = []
        for begin, end, asked in piece.parts:
            fed += self._feed(known[begin:end]) or []
            if asked is not None:
                self._cut(asked)
        return fed

    def _feed(self, known: list[int], cuts: Sequence[int] = ()) -> list[int] | None:
        """Decode the first chunks that were taken; what they give goes to the time bases.

        Args:
            known: journal times from which they are known, one for each of these chunks, ns.
            cuts: requests that were sent between them: bytes before each.

        Returns:
            The same, one for each time of arrival; None, and nothing is changed, where a request may
            have been sent within a record.
        """
        count = len(known)
        if not count:
            return []
        chunks, known = joined_chunks(self._chunks[:count], known)
        batch: Batch | None = None
        if not cuts:
            batch = self.decoder.feed_chunks(chunks)
        elif isinstance(self.decoder, GuardedDecoder):
            batch = self.decoder.feed_whole(chunks, [self.tally.bytes + size for size in cuts])
        if batch is None:
            return None
        del self._known[:count], self._chunks[:count]
        self.tally.bytes += sum(len(data) for _, data in chunks)
        self.tally.last_data = chunks[-1][0]
        self._note_faulty(batch, chunks, known)
        self.conditions += self._failures.changes(batch, chunks, known)
        if self.answers is not None:
            batch = self.answers.match(batch, chunks, known)
        self._count(batch)
        if self.damage is not None:
            self.damage.take(batch, sum(len(data) for _, data in chunks), known[0])
        ChannelTally.count(self.tally.channels, self._channels, batch.channels)
        self.newest.note_sent(batch.readings)
        if batch.waveforms is not None and batch.readings.size:
            form = self.decoder.waveform
            assert form is not None  # noqa: S101  a decoder that gives waveforms has their format
            gates = self.echo, self.zero_offset_us, self._of_inputs
            measure_by_input(batch.readings, batch.waveforms, form, *gates, tally=self.tally)
        arrived = journal_times(batch.readings_known_at, chunks, known)
        self.newest.take(batch.readings, arrived, batch.waveforms)
        self._reading_stream.take_readings(batch, arrived)
        if self._position_stream is not None:
            arrived = journal_times(batch.positions_known_at, chunks, known)
            self._position_stream.take(batch.positions, arrived)
        return known

    def _cut(self, known: int) -> None:
        """Let no record begin with what is left over when a request is sent, at a journal time in ns."""
        if not isinstance(self.decoder, CuttingDecoder):
            return
        batch = self.decoder.cut()
        if batch.n_faults:
            if self.decoder.gives_readings:
                self._faulty.append(known)
            self._count(batch)

    def lose(self, state: str, detail: str) -> None:
        """Record a change of the port's state and drop an unfinished record; decode before it."""
        self.tally.state, self.tally.detail = state, detail
        batch = self.decoder.reset(self.tally.bytes)
        self._count(batch)
        if self.damage is not None:
            self.damage.take(batch, 0, 0)

    def take_faulty(self) -> list[int]:
        """Return the journal times with which bytes of readings became a fault since the last call, ns."""
        found, self._faulty = self._faulty, []
        return found

    def _note_faulty(self, batch: Batch, chunks: list[Arrival], known: list[int]) -> None:
        if not (self.decoder.gives_readings and batch.n_faults):
            return
        faulty = [time for time, _ in chunks]
        if isinstance(self.decoder, GuardedDecoder):
            faulty = self.decoder.faulty
        self._faulty += journal_times(np.array(faulty, np.int64), chunks, known).tolist()

    def miss(self, request: bytes, known: int) -> None:
        """Count a request without an answer as a fault that is known at a journal time, ns."""
        if self.decoder.gives_readings:
            self._faulty.append(known)
        fault = Fault(
            offset=self.tally.bytes,
            length=0,
            reason=FaultReason.UNANSWERED,
            excerpt=b"",
            detail=f"no answer in time to {request!r}",
        )
        self.tally.faults[str(fault.reason)] += 1
        self.tally.recent = [*self.tally.recent, fault][-MAX_FAULTS:]

    def _count(self, batch: Batch) -> None:
        tally = self.tally
        tally.readings += int(batch.readings.size)
        tally.positions += int(batch.positions.size)
        tally.undecoded += batch.fault_bytes + batch.ignored_bytes
        for reason, count in batch.n_faults.items():
            tally.faults[str(reason)] += count
        tally.recent = [*tally.recent, *batch.faults][-MAX_FAULTS:]
        records = batch.readings if self.decoder.gives_readings else batch.positions
        if batch.n_missing is not None:
            tally.missing += batch.n_missing
        elif records.size:
            self._count_sequence(records["sequence"][run_starts(records["offset"])])

    def _count_sequence(self, sequence: NDArray[np.int64]) -> None:
        sequence = sequence[sequence >= 0]
        if not sequence.size:
            return
        wrap = self.decoder.sequence_wrap
        self.tally.missing += int(missing_before(sequence, self._sequence, wrap).sum())
        self._sequence = int(sequence[-1])
