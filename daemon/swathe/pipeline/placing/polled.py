"""Which request a record answers, and the moment at which a polled device took it.

A record answers the newest request before its last byte, if that request is under way: sent, not
given up, the port not lost since. (Its first byte may be older: what ends a line, or a prompt behind
an answer, begins the next record of some devices.) Where records carry a number, as the transaction
of Modbus TCP, it must be that request's, and the first record with it is the answer; all others are
faults.

Where they carry none, one record behind a request is its answer, and of several nobody knows which
is: unless they are the same, in which case the answer was sent twice, all are faults. So a record
counts once the next entry about requests shows that no other one came: its journal time is that of
this entry.

The moment is the sending of the request, the first byte of the answer, or the middle between them,
as the station file states; it is off by half of the time between them, at most, in the last case.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Ints, Times, run_lengths, run_starts, steps_of
from swathe.pipeline.placing.request_log import RECENT_REQUESTS, RequestLog
from swathe_drivers import Batch, Fault, FaultReason, TakenAt
from swathe_drivers.records import MAX_EXCERPT, MAX_FAULTS

__all__ = ["PolledAnswers", "Stream"]

Stream = Literal["readings", "positions"]

# So many of the newest latencies are kept, to be shown.
_LATENCIES: Final = 1000


class PolledAnswers:
    """Matches the records of a polled device with the requests that it was sent.

    Args:
        taken_at: when the device takes what it answers; None for one whose records have a time.
        log: the requests.

    Attributes:
        taken_at: as given.
        bounds: of the records with readings and with positions that were matched last: by how much the
            moment may be off, ns.
        latencies: time from request to first byte, ns, of the newest answers.
    """

    def __init__(self, taken_at: TakenAt | None, log: RequestLog) -> None:
        self.taken_at = taken_at
        self._log = log
        self.bounds: dict[Stream, Ints] = {}
        self._answered: dict[Stream, int] = {
            "readings": -1,
            "positions": -1,
        }  # newest request with an answer
        self.latencies: Ints = np.empty(0, np.int64)

    def match(
        self, batch: Batch, chunks: Sequence[tuple[int, bytes]], known: Sequence[int]
    ) -> Batch:
        """Return the records that are answers, with their moments, and all others as faults.

        Args:
            batch: what `chunks` decode to, with times of arrival.
            chunks: the next ones with their times of arrival, ns, rising.
            known: journal times from which they are known, ns.
        """
        self._log.remember(chunks)
        arrivals, journal = np.array([time for time, _ in chunks]), np.array(known)
        positions_known = journal[np.searchsorted(arrivals, batch.positions_known_at)]
        # An answer may have readings of several inputs.
        begins = run_starts(batch.readings["offset"])
        lengths = run_lengths(begins, batch.readings.size)
        readings_known = journal[np.searchsorted(arrivals, batch.readings_known_at[begins])]
        contents = [
            batch.readings,
            *(one for one in (batch.channels, batch.waveforms) if one is not None),
        ]
        readings = self._matched(
            "readings",
            batch.readings[begins],
            [
                *(_of_records(one, begins, lengths) for one in contents),
                *([batch.positions] if batch.combined else []),
            ],
            readings_known,
            _rows(batch.readings_request, begins),
        )
        positions = readings
        if not batch.combined:
            positions = self._matched(
                "positions",
                batch.positions,
                [batch.positions],
                positions_known,
                batch.positions_request,
            )
        kept_readings = np.repeat(readings.keep, lengths)
        found = [readings] if batch.combined else [readings, positions]
        self.latencies = np.concatenate([self.latencies, *(one.latency for one in found)])
        self.latencies = self.latencies[-_LATENCIES:]
        kept = replace(
            batch,
            readings=batch.readings[kept_readings],
            readings_known_at=batch.readings_known_at[kept_readings],
            readings_request=_rows(batch.readings_request, kept_readings),
            waveforms=None if batch.waveforms is None else batch.waveforms[kept_readings],
            channels=None if batch.channels is None else batch.channels[kept_readings],
            positions=batch.positions[positions.keep],
            positions_known_at=batch.positions_known_at[positions.keep],
            positions_request=_rows(batch.positions_request, positions.keep),
        )
        for one in found:
            kept = _with_faults(kept, one.refused)
        self._log.forget()
        self.bounds = {"readings": readings.bounds, "positions": positions.bounds}
        if self.taken_at is not None:
            kept.readings["time"] = np.repeat(readings.times, lengths[readings.keep])
            kept.positions["time"] = positions.times
        return kept

    def _matched(
        self,
        stream: Stream,
        records: NDArray[Any],
        contents: Sequence[NDArray[Any]],
        known: Times,
        numbers: Ints,
    ) -> _Matched:
        """Match records, of which `contents` have all that they hold, shape (n, ...) each."""
        offsets = records["offset"]
        lasts = offsets + np.maximum(records["size"] - 1, 0)
        requests = self._log.requests
        newest = np.searchsorted(requests["offset"], lasts, side="right") - 1
        if not requests.size:
            requests = np.zeros(1, requests.dtype)  # none is the newest one of any record
        request = np.maximum(newest, 0)
        under_way = (newest >= 0) & (lasts < requests["over"][request])
        if numbers.size:
            under_way &= numbers == requests["number"][request]
        rows = under_way.nonzero()[0]
        keep = np.zeros(offsets.shape, np.bool_)
        if rows.size:
            accepted = self._accepted(stream, request[rows], known[rows])
            several = accepted.several
            if several.any():
                same = _same_as_before([one[rows] for one in contents], rows)
                alike = np.logical_and.reduceat(same | accepted.is_first, accepted.starts)
                accepted.is_answer[several] &= alike[several]
            keep[rows[accepted.starts[accepted.is_answer]]] = True
        sent = requests["time"][request[keep]]
        first = np.maximum(offsets, requests["offset"][request])[keep]
        arrived = np.maximum(self._log.arrived(first, records["time"][keep]), sent)
        times, bounds = self._moments(sent, arrived)
        refused = self._refused(~keep, records, newest, under_way, numbers)
        return _Matched(keep, times, bounds, arrived - sent, refused)

    def _accepted(self, stream: Stream, request: Ints, known: Times) -> _Groups:
        """Return the records under way in groups that are decided together, each of one request."""
        apart = steps_of(request, -1) != 0
        if self._log.holds:
            apart |= steps_of(known, 0) != 0
        apart[0] = True
        starts = apart.nonzero()[0]
        of_group = request[starts] + self._log.forgotten
        is_answer = steps_of(of_group, self._answered[stream]) != 0
        self._answered[stream] = int(of_group[-1])
        several = np.zeros(starts.shape, np.bool_)
        if self._log.holds:
            several = run_lengths(starts, request.size) > 1
        return _Groups(starts, apart, is_answer, several)

    def _moments(self, sent: Times, arrived: Times) -> tuple[Times, Ints]:
        if self.taken_at is TakenAt.REQUEST:
            return sent, np.zeros_like(sent)
        if self.taken_at in (TakenAt.ANSWER, None):
            return arrived, np.zeros_like(sent)
        half = (arrived - sent + 1) // 2
        return arrived - half, half

    def _refused(
        self, refused: Bools, records: NDArray[Any], newest: Ints, under_way: Bools, numbers: Ints
    ) -> _Refused:
        """Return the faults of records that are no answer: how many by reason, and the newest."""
        found = _Refused(Counter(), [])
        rows = refused.nonzero()[0].tolist()
        for row in rows:
            offset, size = int(records["offset"][row]), int(records["size"][row])
            last = offset + max(size - 1, 0)
            number = int(numbers[row]) if numbers.size else -1
            reason, detail = self._reason(
                int(newest[row]), last, number, under_way=bool(under_way[row])
            )
            found.counts[reason] += 1
            if len(rows) - found.counts.total() < MAX_FAULTS:
                excerpt = self._log.bytes_at(offset, min(size, MAX_EXCERPT))
                found.newest.append(Fault(offset, size, reason, excerpt, detail))
        return found

    def _reason(
        self, newest: int, last: int, number: int, *, under_way: bool
    ) -> tuple[FaultReason, str]:
        if under_way:
            return FaultReason.FOREIGN, "more than one answer came to one request"
        if newest < 0:
            return FaultReason.FOREIGN, f"no request was sent yet; {_UNASKED}"
        asked = newest
        if number >= 0:
            first = max(0, newest + 1 - RECENT_REQUESTS)
            recent = self._log.requests["number"][first : newest + 1]
            same = (recent == number).nonzero()[0]
            if not same.size:
                return FaultReason.FOREIGN, f"no recent request has the number {number}"
            asked = first + int(same[-1])
        request = self._log.requests[asked]
        if request["given_up"] and last >= request["over"]:
            return FaultReason.LATE, "the answer came after its request was given up"
        if asked != newest:
            return FaultReason.FOREIGN, "a later request was under way"
        return FaultReason.FOREIGN, f"no request was under way; {_UNASKED}"


_UNASKED: Final = "state unasked = true in 'talk' if the device sends by itself"


@dataclass(frozen=True, slots=True)
class _Groups:
    """Records of one request that are decided together.

    Attributes:
        starts: row of the first of each group.
        is_first: for each row, whether it is the first of a group.
        is_answer: for each group, whether its first row is the answer.
        several: for each group, whether more rows than one must be the same for that.
    """

    starts: Ints
    is_first: Bools
    is_answer: Bools
    several: Bools


@dataclass(frozen=True, slots=True)
class _Refused:
    """Faults of records that are no answers: how many by reason, and the newest `MAX_FAULTS`."""

    counts: Counter[FaultReason]
    newest: list[Fault]


@dataclass(frozen=True, slots=True)
class _Matched:
    """Which records are answers; moment, bound and latency of these, ns; why the others are none."""

    keep: Bools
    times: Times
    bounds: Ints
    latency: Ints
    refused: _Refused


def _rows(column: Ints, keep: Bools | Ints) -> Ints:
    return column[keep] if column.size else column


def _of_records(column: NDArray[Any], begins: Ints, lengths: Ints) -> NDArray[Any]:
    """Return what readings have by records, shape (records, most readings, ...); 0 where one has fewer."""
    most = int(lengths.max(initial=1))
    if most == 1:
        return column
    found = np.zeros((begins.size, most, *column.shape[1:]), column.dtype)
    place = np.arange(column.shape[0]) - np.repeat(begins, lengths)
    found[np.repeat(np.arange(begins.size), lengths), place] = column
    return found


def _same_as_before(contents: Sequence[NDArray[Any]], rows: Ints) -> Bools:
    """Return for each row whether it holds what the row before it holds, but for when it came."""
    same = np.ones(rows.shape, np.bool_)
    blocks = []
    for records in contents:
        plain = records.copy()
        if plain.dtype.names:  # channels have none
            plain["time"] = plain["offset"] = 0
        blocks.append(plain)
    for block in blocks:
        data = np.ascontiguousarray(block).view(np.uint8).reshape(rows.size, -1)
        same[1:] &= (data[1:] == data[:-1]).all(axis=1)
    return same


def _with_faults(batch: Batch, refused: _Refused) -> Batch:
    """Return the batch with more faults."""
    if not refused.newest:
        return batch
    faults = sorted([*batch.faults, *refused.newest], key=lambda fault: fault.offset)
    counts = Counter(batch.n_faults) + refused.counts
    return replace(batch, faults=tuple(faults[-MAX_FAULTS:]), n_faults=dict(counts))
