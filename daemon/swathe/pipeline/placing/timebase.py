"""The time base of a device's records: the best one that the device gives.

A device's own clock is the best; else a running number or a steady rate, where records are made by
time; else one that was asked for has a moment between request and answer; else each record has the
time of its arrival. See `clock`, `pulses` and `polled`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Times
from swathe.pipeline.placing.clock import DeviceClock
from swathe.pipeline.placing.polled import PolledAnswers, Stream
from swathe.pipeline.placing.pulses import PulseTimes
from swathe.pipeline.placing.still_times import StillTimes
from swathe.pipeline.placing.timing import TimeBase, TimeBaseKind, Timing
from swathe_drivers import Decoder

__all__ = ["ArrivalTimes", "ClockTimes", "PollTimes", "time_base_of"]


class _ImmediateTimes:
    """What time bases share that know a record's time with the record."""

    kind: TimeBaseKind
    held_since: int | None = None
    period_found: float | None = None

    def __init__(self) -> None:
        self._resolved: list[Timing] = []
        self.counts: dict[TimeBaseKind, int] = {}

    @property
    def newest(self) -> TimeBaseKind:
        """What the time of the newest record rests on."""
        return self.kind

    def resolve(self, now: int, *, flush: bool = False) -> Timing:  # noqa: ARG002
        """Return the times of all records that were taken; see `TimeBase`."""
        parts, self._resolved = self._resolved, []
        if not parts:
            empty = np.empty(0, np.int64)
            return Timing.of(empty, empty)
        timing = Timing.joined(parts)
        self.counts[self.kind] = self.counts.get(self.kind, 0) + timing.time.size
        return timing


class ClockTimes(_ImmediateTimes):
    """Times by the device's clock; see `DeviceClock`.

    Args:
        clock: of the device; readings and positions that come apart share it.
        wrap: records after which a running number starts again at 0; None if never or without one.
    """

    kind = TimeBaseKind.CLOCK
    period_ns: float | None = None

    def __init__(self, clock: DeviceClock, *, wrap: int | None = None) -> None:
        super().__init__()
        self._clock = clock
        self._still = StillTimes()
        self._wrap = wrap
        self._last = -1

    @property
    def breaks(self) -> int:
        """How often the clock was set."""
        return self._clock.restarts

    def take(
        self, device: Times, sequence: NDArray[np.int64], arrival: Times, known: Times
    ) -> None:
        """Take the next records; see `TimeBase`."""
        if arrival.size:
            resumed = self._still.resumed(device, known)
            time = self._clock.to_host(device, arrival, known, set_at=resumed)
            missing = _missing(sequence, self._last, self._wrap)
            self._last = int(sequence[-1])
            smear = np.zeros(time.shape, np.int64)
            self._resolved.append(Timing(time, known, missing, self._clock.uncertainty, smear))


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
            missing = _missing(sequence, self._last, self._wrap)
            self._last = int(sequence[-1])
            self._resolved.append(Timing.of(arrival, known, missing, smear=self._smear))


def _missing(sequence: NDArray[np.int64], last: int, wrap: int | None) -> NDArray[np.int64]:
    """Return how many records are missing before each, by their running numbers, shape (n,)."""
    before = np.concatenate(([last], sequence[:-1]))
    steps = sequence - before
    if wrap is not None:
        # The shorter way round: a device that restarted has not lost a whole turn of records.
        steps = (steps + wrap // 2) % wrap - wrap // 2
    steps[(before < 0) | (sequence < 0)] = 0
    return np.maximum(steps - 1, 0)


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
        return ClockTimes(clock, wrap=decoder.sequence_wrap)
    if not by_time:
        return ArrivalTimes(wrap=decoder.sequence_wrap, smear_ns=smear_ns)
    return PulseTimes(
        numbered=decoder.numbered,
        wrap=decoder.sequence_wrap,
        period_ns=decoder.pulse_period_ns or period_ns,
        smear_ns=smear_ns,
    )
