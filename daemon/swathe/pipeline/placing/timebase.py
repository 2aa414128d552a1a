"""The time base of a device's records: the best one that the device gives.

A device's own clock is the best; else a running number or a steady rate, where records are made by
time; else one that was asked for has a moment between request and answer; else each record has the
time of its arrival. See `clock`, `pulses` and `polled`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Times, steps_of
from swathe.pipeline.placing.clock import DeviceClock
from swathe.pipeline.placing.clock_restarts import ClockRestarts
from swathe.pipeline.placing.polled import PolledAnswers, Stream
from swathe.pipeline.placing.pulses import PulseTimes
from swathe.pipeline.placing.still_times import StillTimes
from swathe.pipeline.placing.timing import TimeBase, TimeBaseKind, Timing
from swathe_drivers import Decoder
from swathe_drivers.running_numbers import missing_before

__all__ = ["ArrivalTimes", "ClockTimes", "PollTimes", "time_base_of"]


class _TimesOfOneKind:
    """What time bases share whose times rest on one thing only."""

    kind: TimeBaseKind
    period_found: float | None = None

    def __init__(self) -> None:
        self.counts: dict[TimeBaseKind, int] = {}

    @property
    def newest(self) -> TimeBaseKind:
        """What the time of the newest record rests on."""
        return self.kind

    def _counted(self, parts: list[Timing]) -> Timing:
        """Return all parts as one, and count their records."""
        if not parts:
            empty = np.empty(0, np.int64)
            return Timing.of(empty, empty)
        timing = Timing.joined(parts)
        self.counts[self.kind] = self.counts.get(self.kind, 0) + timing.time.size
        return timing


class _ImmediateTimes(_TimesOfOneKind):
    """What time bases share that know a record's time with the record."""

    held_since: int | None = None

    def __init__(self) -> None:
        super().__init__()
        self._resolved: list[Timing] = []

    def resolve(self, now: int, *, flush: bool = False) -> Timing:  # noqa: ARG002
        """Return the times of all records that were taken; see `TimeBase`."""
        parts, self._resolved = self._resolved, []
        return self._counted(parts)


# A clock that is so far from where it was expected was set, as by a restart of the device.
_SET_NS = 1_000_000_000
# Behind that records wait for so long: the fastest of all that come meanwhile gives the offset.
_HOLD_NS = 300_000_000


class ClockTimes(_TimesOfOneKind):
    """Times by the device's clock; see `DeviceClock`.

    Behind a restart of the device the first records wait: of one alone the delay is not known.

    Args:
        clock: of the device; readings and positions that come apart share it.
        wrap: records after which a running number starts again at 0; None if never or without one.
        waits: whether records may wait.
    """

    kind = TimeBaseKind.CLOCK
    period_ns: float | None = None

    def __init__(self, clock: DeviceClock, *, wrap: int | None = None, waits: bool = False) -> None:
        super().__init__()
        self._clock = clock
        self._still = StillTimes()
        self._restarts = ClockRestarts(clock.wrap_ns)
        self._wrap = wrap
        self._waits = waits
        self._last = -1
        self._newest: tuple[int, int] | None = None  # device time and arrival of the newest record
        self._until: int | None = None  # journal time until which records wait
        self._columns: list[tuple[NDArray[np.int64], ...]] = []

    @property
    def breaks(self) -> int:
        """How often the clock was set."""
        return self._clock.restarts

    @property
    def held_since(self) -> int | None:
        """Journal time of the oldest record that waits, ns; None while none does."""
        return int(self._columns[0][3][0]) if self._columns else None

    def take(
        self, device: Times, sequence: NDArray[np.int64], arrival: Times, known: Times
    ) -> None:
        """Take the next records; see `TimeBase`."""
        if arrival.size:
            goes_again = np.zeros(arrival.shape, np.int64)
            goes_again[self._still.resumed(device, known)] = 1
            goes_again[self._restarts.restarts(device, known)] = 1
            self._columns.append((device, sequence, arrival, known, goes_again))

    def resolve(self, now: int, *, flush: bool = False) -> Timing:
        """Return the times known at `now`; see `TimeBase`."""
        parts: list[Timing] = []
        while self._columns:
            rows = [np.concatenate(column) for column in zip(*self._columns, strict=True)]
            if self._until is not None:
                if now < self._until and not flush:
                    break
                due = min(now, self._until)
                count = int(np.searchsorted(rows[3], self._until))
                parts.append(self._map([column[:count] for column in rows], due))
                self._until = None
            else:
                count = self._first_set(rows[0], rows[2])
                if count < rows[0].size:
                    self._until = int(rows[3][count]) + _HOLD_NS
                parts.append(self._map([column[:count] for column in rows]))
            rest = tuple(column[count:] for column in rows)
            self._columns = [rest] if rest[0].size else []
        return self._counted([part for part in parts if part.time.size])

    def _first_set(self, device: Times, arrival: Times) -> int:
        """Return the first record of a clock that was set; the number of records if none is."""
        if not self._waits:
            return int(device.size)
        first = self._newest or (int(device[0]), int(arrival[0]))
        steps, pauses = steps_of(device, first[0]), steps_of(arrival, first[1])
        if (wrap := self._clock.wrap_ns) is not None:  # the shorter way round
            steps = (steps + wrap // 2) % wrap - wrap // 2
        # Forth it goes also behind a burst of records that were held up.
        back = np.flatnonzero((steps < -_SET_NS) & (pauses > steps + _SET_NS))
        return int(back[0]) if back.size else int(device.size)

    def _map(self, rows: list[NDArray[np.int64]], due: int | None = None) -> Timing:
        """Return the times of records; those that waited until `due` are known as one chunk."""
        device, sequence, arrival, known, goes_again = rows
        if not device.size:
            return Timing.of(device, device)
        self._newest = int(device[-1]), int(arrival[-1])
        known = known if due is None else np.full(known.shape, due)
        time = self._clock.to_host(device, arrival, known, set_at=np.flatnonzero(goes_again))
        missing = missing_before(sequence, self._last, self._wrap)
        self._last = int(sequence[-1])
        smear = np.zeros(time.shape, np.int64)
        return Timing(time, known, missing, self._clock.uncertainty, smear)


class PollTimes(_ImmediateTimes):
    """Moments between request and answer, as `polled` finds them; any between is as likely.

    Args:
        answers: matches the records; it has found the moments of those that are taken next.
        stream: which of its records.
    """

    kind = TimeBaseKind.POLL
    period_ns: float | None = None
    breaks = 0

    def __init__(self, answers: PolledAnswers, stream: Stream) -> None:
        super().__init__()
        self._answers = answers
        self._stream: Stream = stream

    def take(
        self,
        device: Times,  # noqa: ARG002  there is none
        sequence: NDArray[np.int64],  # noqa: ARG002  what is missing was not asked for
        arrival: Times,
        known: Times,
    ) -> None:
        """Take the next records, whose times are their moments; see `TimeBase`."""
        # Standard deviation of a rectangular distribution (JCGM 100:2008, 4.3.7).
        bounds = self._answers.bounds[self._stream]
        uncertainty = np.rint(bounds / np.sqrt(3)).astype(np.int64)
        none = np.zeros(arrival.shape, np.int64)
        self._resolved.append(Timing(arrival, known, none, uncertainty, bounds))


class ArrivalTimes(_ImmediateTimes):
    """Times of arrival.

    Args:
        wrap: records after which a running number starts again at 0; None if never or without one.
        smear_ns: by how much a record may be older than its arrival says, ns: as records come at
            no rate, it cannot be measured.
    """

    kind = TimeBaseKind.ARRIVAL
    period_ns: float | None = None
    breaks = 0

    def __init__(self, *, wrap: int | None = None, smear_ns: int) -> None:
        super().__init__()
        self._wrap = wrap
        self._smear = smear_ns
        self._last = -1

    def take(
        self,
        device: Times,  # noqa: ARG002  there is none
        sequence: NDArray[np.int64],
        arrival: Times,
        known: Times,
    ) -> None:
        """Take the next records; see `TimeBase`."""
        if arrival.size:
            missing = missing_before(sequence, self._last, self._wrap)
            self._last = int(sequence[-1])
            self._resolved.append(Timing.of(arrival, known, missing, smear=self._smear))


def time_base_of(
    decoder: Decoder,
    clock: DeviceClock | None,
    *,
    by_time: bool,
    period_ns: float | None = None,
    smear_ns: int = 0,
) -> TimeBase:
    """Return the time base of a stream of a device's records.

    Args:
        decoder: of the device.
        clock: of the device, None for one without.
        by_time: whether the device makes records by time, rather than on change or on request, and
            their times matter.
        period_ns: from record to record as the station file has it, ns; None if it has none.
        smear_ns: by how much a record may be older than its arrival says, ns, unless that is
            measured.
    """
    if clock is not None:
        waits = by_time and not decoder.gives_positions
        return ClockTimes(clock, wrap=decoder.sequence_wrap, waits=waits)
    if not by_time:
        return ArrivalTimes(wrap=decoder.sequence_wrap, smear_ns=smear_ns)
    return PulseTimes(
        numbered=decoder.numbered,
        wrap=decoder.sequence_wrap,
        period_ns=decoder.pulse_period_ns or period_ns,
        smear_ns=smear_ns,
    )
