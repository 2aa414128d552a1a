"""One device's bytes: decoded, counted, and mapped to the host's clock."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.echo import EchoSettings, measure
from swathe.pipeline.placing.clock import DeviceClock
from swathe_drivers import Batch, Decoder, Fault, FaultReason
from swathe_drivers.records import MAX_FAULTS

__all__ = ["DeviceLink", "DeviceTally"]


@dataclass(slots=True)
class DeviceTally:
    """What came through a device's port so far.

    Attributes:
        state: ``open``, ``lost``, ... as the port reported last.
        detail: why, in words.
        bytes: bytes received.
        readings: readings decoded.
        positions: positions decoded.
        glitches: positions that no probe can have reached; they are discarded.
        missing: records lost, by their running number.
        faults: faults by reason.
        recent: the last faults, with byte offsets in the port's stream.
        saturated: readings whose echo was clipped: their thickness may be wrong.
        last_data: host time of the last bytes, ns; None before any.
    """

    state: str = "waiting"
    detail: str = ""
    bytes: int = 0
    readings: int = 0
    positions: int = 0
    glitches: int = 0
    missing: int = 0
    saturated: int = 0
    faults: Counter[str] = field(default_factory=Counter)
    recent: list[Fault] = field(default_factory=list)
    last_data: int | None = None


class DeviceLink:
    """Decoder, clock and tally of one device through one run.

    Args:
        decoder: a fresh decoder.
        delay_ns: from the event to its first byte.
        tally: counts across the runs of a survey.
        echo: how A-scans are measured, for a device that sends them.
    """

    def __init__(
        self,
        *,
        decoder: Decoder,
        delay_ns: int,
        tally: DeviceTally,
        echo: EchoSettings | None = None,
    ) -> None:
        self.decoder = decoder
        self.tally = tally
        self._delay = delay_ns
        self._echo = echo
        self._clock = DeviceClock(wrap_ns=decoder.clock_wrap_ns) if decoder.has_clock else None
        self._sequence = -1
        self._chunks: list[tuple[int, bytes]] = []
        self._known: list[int] = []
        self._arrived = int(np.iinfo(np.int64).min) // 2
        # The stream's offsets continue across the runs of a survey, as the journal's bytes do.
        decoder.reset(tally.bytes)

    @property
    def clock(self) -> DeviceClock | None:
        """The fit of the device's clock; None for a device without one."""
        return self._clock

    def take(self, data: bytes, time: int, known: int | None = None) -> None:
        """Keep bytes until the next `decode`.

        Args:
            data: the bytes.
            time: when they arrived, ns.
            known: the journal time, ns, which no later entry runs behind; by default `time`.
        """
        self._chunks.append((time, data))
        self._known.append(time if known is None else known)

    def decode(self) -> Batch | None:
        """Return what the bytes since the last call decode to, all times on the host's clock.

        What a record was known at is a journal time.
        """
        if not self._chunks:
            return None
        self._part_times()
        self.tally.bytes += sum(len(data) for _, data in self._chunks)
        self.tally.last_data = self._arrived
        batch = self.decoder.feed_chunks(self._chunks)
        self._count(batch)
        columns = [(batch.readings, batch.readings_known_at)]
        if not batch.combined:
            columns.append((batch.positions, batch.positions_known_at))
        for records, chunk in columns:
            if records.size:
                times = self._host_times(records["device_time"], records["time"], chunk)
                records["time"] = times
        batch = replace(
            batch,
            readings_known_at=self._journal_times(batch.readings_known_at),
            positions_known_at=self._journal_times(batch.positions_known_at),
        )
        self._chunks, self._known = [], []
        if batch.combined:
            batch.positions["time"] = batch.readings["time"]
        if self._echo is not None and batch.waveforms is not None and batch.readings.size:
            self._measure(batch.readings, batch.waveforms, self._echo)
        return batch

    def _part_times(self) -> None:
        """Let no two chunks arrive at one time, though a coarse clock may give them one."""
        times = np.array([self._arrived, *(time for time, _ in self._chunks)])
        if (np.diff(times) <= 0).any():
            number = np.arange(times.size)
            times = np.maximum.accumulate(times - number) + number
            parted = times[1:].tolist()
            self._chunks = [(t, data) for t, (_, data) in zip(parted, self._chunks, strict=True)]
        self._arrived = int(times[-1])

    def _journal_times(self, arrivals: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the journal times of chunks by their times of arrival, shape (n,)."""
        times, known = np.array([time for time, _ in self._chunks]), np.array(self._known)
        if not arrivals.size or np.array_equal(times, known):
            return arrivals
        chunk = np.searchsorted(times, arrivals, side="right") - 1
        return np.asarray(known[np.maximum(chunk, 0)])

    def _measure(
        self, readings: NDArray[Any], waveforms: NDArray[Any], settings: EchoSettings
    ) -> None:
        """Fill in time of flight, amplitude and validity from the A-scans, in place."""
        form = self.decoder.waveform
        assert form is not None  # noqa: S101  a decoder that gives waveforms has their format
        percent = (waveforms.astype(np.float32) - np.float32(form.zero)) * np.float32(
            100 / form.full_scale
        )
        echoes = measure(
            percent,
            interval_us=form.interval_us,
            start_us=form.start_us,
            settings=settings,
        )
        readings["time_of_flight"] = echoes.time_of_flight
        readings["amplitude"] = echoes.amplitude
        readings["valid"] &= echoes.found
        self.tally.saturated += int(np.count_nonzero(echoes.saturated & readings["valid"]))

    def lose(self, state: str, detail: str) -> None:
        """Record a change of the port's state and drop an unfinished record.

        Decode what came before it first.
        """
        self.tally.state, self.tally.detail = state, detail
        self._count(self.decoder.reset(self.tally.bytes))

    def miss(self, request: bytes) -> None:
        """Count a request without an answer as a fault."""
        fault = Fault(
            offset=self.tally.bytes,
            length=0,
            reason=FaultReason.UNANSWERED,
            excerpt=b"",
            detail=f"no answer in time to {request!r}",
        )
        self.tally.faults[str(fault.reason)] += 1
        self.tally.recent = [*self.tally.recent, fault][-MAX_FAULTS:]

    def _host_times(
        self,
        device: NDArray[np.int64],
        arrival: NDArray[np.int64],
        chunk: NDArray[np.int64],
    ) -> NDArray[np.int64]:
        host = self._clock.to_host(device, arrival, chunk) if self._clock else arrival
        return host - self._delay

    def _count(self, batch: Batch) -> None:
        tally = self.tally
        tally.readings += int(batch.readings.size)
        tally.positions += int(batch.positions.size)
        for reason, count in batch.n_faults.items():
            tally.faults[str(reason)] += count
        tally.recent = [*tally.recent, *batch.faults][-MAX_FAULTS:]
        records = batch.readings if self.decoder.gives_readings else batch.positions
        if records.size:
            self._count_sequence(records["sequence"])

    def _count_sequence(self, sequence: NDArray[np.int64]) -> None:
        sequence = sequence[sequence >= 0]
        if not sequence.size:
            return
        if self._sequence >= 0:
            sequence = np.concatenate(([self._sequence], sequence))
        steps = np.diff(sequence)
        if wrap := self.decoder.sequence_wrap:
            # The shorter way round: a device that restarted has not lost a whole turn of records.
            steps = (steps + wrap // 2) % wrap - wrap // 2
        self.tally.missing += int(np.sum(steps[steps > 1] - 1))
        self._sequence = int(sequence[-1])
