"""A device's records on their way through its time base."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Ints, Times, run_lengths, run_starts
from swathe.pipeline.placing.time_tally import TimeTally, TimeWatch
from swathe.pipeline.placing.timing import TimeBase, Timing
from swathe_drivers import Batch, Decoder
from swathe_drivers.records import ABSENT_SEQUENCE, no_positions, no_readings

__all__ = ["RecordStream", "Released", "TimedBatch", "WaitingRecords"]


@dataclass(frozen=True, slots=True)
class Released:
    """Records whose times are known, shape (n,) each.

    Attributes:
        records: readings or positions.
        timing: their times.
        arrived: journal times with which they arrived, ns.
        waveforms: A-scans of readings; None without.
        paired: positions that came with readings, row by row; None without.
        channels: further numbers of readings, shape (n, channels); None without.
    """

    records: NDArray[Any]
    timing: Timing
    arrived: Times
    waveforms: NDArray[Any] | None
    paired: NDArray[Any] | None
    channels: NDArray[Any] | None = None

    def __getitem__(self, rows: slice | NDArray[np.bool_] | Ints) -> Released:
        """Return some records."""
        return Released(
            self.records[rows],
            self.timing[rows],
            self.arrived[rows],
            None if self.waveforms is None else self.waveforms[rows],
            None if self.paired is None else self.paired[rows],
            None if self.channels is None else self.channels[rows],
        )

    def known_from(self, known: Times) -> Released:
        """Return the records, each known from `known` on, ns, and not before those before it."""
        return replace(self, timing=self.timing.known_from(known))

    @staticmethod
    def joined(one: Released, other: Released) -> Released:
        """Return the records of both, in order."""

        def both(a: NDArray[Any] | None, b: NDArray[Any] | None) -> NDArray[Any] | None:
            return None if a is None or b is None else np.concatenate((a, b))

        return Released(
            np.concatenate((one.records, other.records)),
            Timing.joined([one.timing, other.timing]),
            np.concatenate((one.arrived, other.arrived)),
            both(one.waveforms, other.waveforms),
            both(one.paired, other.paired),
            both(one.channels, other.channels),
        )


class WaitingRecords:
    """What keeps records back, in their order, until later ones decide about them."""

    def __init__(self) -> None:
        self._waiting: Released | None = None

    @property
    def oldest_waiting_arrival(self) -> int | None:
        """Journal time with which the oldest waiting record arrived, ns; None when none waits."""
        return None if self._waiting is None else int(self._waiting.arrived[0])

    def _waiting_and(self, released: Released | None) -> Released | None:
        """Return the records that wait and the next ones; None for none."""
        if self._waiting is None or released is None:
            return self._waiting or released
        return Released.joined(self._waiting, released)


class RecordStream:
    """Records of one kind from one device, which wait in their order until their times are known.

    Several readings of one record, as of several probes, are consecutive and have its byte offset: one
    record has one time.

    Args:
        base: finds the times.
        tally: counts them through the survey.
        numbered: whether the running number of each is one higher than that of the one before; it is not
            where records of other kinds share it.
    """

    def __init__(self, base: TimeBase, tally: TimeTally, *, numbered: bool) -> None:
        self._base = base
        self._numbered = numbered
        self._watch = TimeWatch(base, tally)
        self._columns: tuple[list[NDArray[Any]], ...] = ([], [], [], [], [])
        self._lengths: list[Ints] = []  # how many readings each record has

    def take_readings(self, batch: Batch, arrived: Times) -> None:
        """Take the readings of a batch with all that comes with them."""
        paired = batch.positions if batch.combined else None
        if paired is not None and paired.size < batch.readings.size:
            begins = run_starts(batch.readings["offset"])
            paired = np.repeat(paired, run_lengths(begins, batch.readings.size))
        self.take(batch.readings, arrived, batch.waveforms, paired, batch.channels)

    def take(
        self,
        records: NDArray[Any],
        arrived: Times,
        waveforms: NDArray[Any] | None = None,
        paired: NDArray[Any] | None = None,
        channels: NDArray[Any] | None = None,
    ) -> None:
        """Take the next records; see `Released`."""
        if not records.size:
            return
        begins = run_starts(records["offset"])
        self._lengths.append(run_lengths(begins, records.size))
        once = records if begins.size == records.size else records[begins]
        numbers = once["sequence"]
        if not self._numbered:
            numbers = np.full(numbers.shape, ABSENT_SEQUENCE)
        known = arrived if once is records else arrived[begins]
        self._base.take(once["device_time"], numbers, once["time"], known)
        for column, values in zip(
            self._columns, (records, arrived, waveforms, paired, channels), strict=True
        ):
            if values is not None:
                column.append(values)

    def release(self, now: int, *, flush: bool = False) -> Released | None:
        """Return the records whose times are known at the journal time `now`, ns; None for none.

        Args:
            now: see `TimeBase.resolve`.
            flush: likewise.
        """
        timing = self._base.resolve(now, flush=flush)
        self._watch.follow(timing)
        if not timing.time.size:
            return None
        timing = self._of_each_reading(timing)
        count = timing.time.size
        found: list[NDArray[Any] | None] = []
        for column in self._columns:
            if not column:
                found.append(None)
                continue
            values = column[0] if len(column) == 1 else np.concatenate(column)
            found.append(values[:count])
            column[:] = [values[count:]] if count < len(values) else []
        records, arrived, waveforms, paired, channels = found
        assert records is not None and arrived is not None  # noqa: S101, PT018  taken with each
        records["time"] = timing.time
        return Released(records, timing, arrived, waveforms, paired, channels)

    def _of_each_reading(self, timing: Timing) -> Timing:
        """Return the times of the next records for each of their readings."""
        lengths = np.concatenate(self._lengths)
        now, later = lengths[: timing.time.size], lengths[timing.time.size :]
        self._lengths = [later]
        if (now == 1).all():
            return timing
        rows = np.repeat(np.arange(now.size), now)
        begins = np.cumsum(now) - now
        missing = np.zeros(rows.shape, np.int64)
        missing[begins] = timing.missing  # before the first reading of the record
        return replace(timing[rows], missing=missing)


def _no_timing() -> Timing:
    empty = np.empty(0, np.int64)
    return Timing.of(empty, empty)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TimedBatch(Batch):
    """A batch with times on the host's clock.

    Attributes:
        readings_timing: what the times of the readings rest on.
        readings_arrived: journal times with which the readings arrived, ns.
        positions_timing: as of the readings.
    """

    readings_timing: Timing = field(default_factory=_no_timing)
    readings_arrived: Times = field(default_factory=lambda: np.empty(0, np.int64))
    positions_timing: Timing = field(default_factory=_no_timing)

    def with_readings(self, rows: NDArray[np.bool_]) -> TimedBatch:
        """Return the batch with some of its readings, and all positions; they are not combined."""
        return replace(
            self,
            readings=self.readings[rows],
            waveforms=None if self.waveforms is None else self.waveforms[rows],
            channels=None if self.channels is None else self.channels[rows],
            readings_known_at=self.readings_known_at[rows],
            readings_timing=self.readings_timing[rows],
            readings_arrived=self.readings_arrived[rows],
        )

    @classmethod
    def of(
        cls,
        decoder: Decoder,
        readings: Released | None,
        positions: Released | None,
        *,
        delay_ns: int,
    ) -> TimedBatch:
        """Return the batch of what was released, each time earlier by the device's delay."""
        for released in (readings, positions):
            if released is not None:
                released.records["time"] -= delay_ns
        paired = None
        if readings is not None and readings.paired is not None:
            paired = Released(readings.paired, readings.timing, readings.arrived, None, None)
            paired.records["time"] = readings.records["time"]
            begins = run_starts(readings.records["offset"])
            if begins.size < readings.records.size:  # each position once
                paired = paired[begins]
        positions = paired or positions
        empty = _no_timing()
        return cls(
            readings=no_readings() if readings is None else readings.records,
            waveforms=None if readings is None else readings.waveforms,
            channels=None if readings is None else readings.channels,
            positions=no_positions(len(decoder.axes)) if positions is None else positions.records,
            readings_known_at=empty.known if readings is None else readings.timing.known,
            positions_known_at=empty.known if positions is None else positions.timing.known,
            combined=decoder.combined,
            readings_timing=empty if readings is None else readings.timing,
            readings_arrived=empty.known if readings is None else readings.arrived,
            positions_timing=empty if positions is None else positions.timing,
        )
