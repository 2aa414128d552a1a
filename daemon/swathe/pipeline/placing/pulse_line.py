"""The line below the arrivals of records over their numbers, and what proves that there is one."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Floats, Times, steps_of
from swathe.pipeline.placing.deliveries import Deliveries

__all__ = [
    "MAX_SKEW",
    "WINDOW_NS",
    "PulseLine",
    "PulseNumbers",
    "PulseRows",
    "counted_line",
    "delays_of",
    "fitted_line",
    "no_rows",
    "proven_line",
]

WINDOW_NS: Final = 100_000_000
"""Records are evaluated at the end of each window of arrivals; one point of the line for each, ns."""

MAX_SKEW: Final = 0.01
"""What is given or was found before may be off by this share: a rate is no quartz."""

_UNKNOWN_SKEW, _COUNTED_SKEW = 0.1, 0.0005
# A line is sought over so long a stretch and so many records. In each of so many parts of it a record
# must be on the line: within this share of a period, and of the standard deviation of delays within a
# part. A count falls behind by a period meanwhile. Intervals that differ by a third of their mean do not
# pass: their sum leaves any line by more.
_LEARN_NS, _FEWEST_NUMBERED, _FEWEST_COUNTED = 500_000_000, 16, 32
_PARTS = 8
_PROOF_SHARE, _PROOF_SHARE_COUNTED, _PROOF_NS, _PROOF_SPREAD = 0.25, 0.75, 0.5e6, 0.5
# A pause of so many mean intervals says nothing of the usual one.
_HOLE_INTERVALS = 20
# A number that falls by more was begun again; a record may be sent twice, or be overtaken.
_OVERTAKEN = 2
# A line is lifted to the fastest of so many newest points.
_LIFT_FEWEST, _LIFT_POINTS = 10, 100


@dataclass(frozen=True, slots=True)
class PulseRows:
    """Records, shape (n,) each, times in ns.

    Attributes:
        number: of the record.
        arrival: host time.
        known: journal time with which it arrived.
        missing: records lost between the one before and this one.
        doubt: by how much the number may be wrong, as a time.
    """

    number: NDArray[np.int64]
    arrival: Times
    known: Times
    missing: NDArray[np.int64]
    doubt: NDArray[np.int64]

    def __getitem__(self, rows: slice) -> PulseRows:
        return PulseRows(*(column[rows] for column in self._columns))

    def __len__(self) -> int:
        return int(self.number.size)

    @property
    def _columns(self) -> tuple[NDArray[np.int64], ...]:
        return self.number, self.arrival, self.known, self.missing, self.doubt

    def restarts(self, before: int | None = None) -> NDArray[np.int64]:
        """Return the records with which the numbering began again, rising.

        Args:
            before: number of the record before these; by default there is none.
        """
        first = self.number[:1] if before is None else before
        return np.flatnonzero(np.diff(self.number, prepend=first) < -_OVERTAKEN)

    def only(self, chosen: NDArray[np.bool_]) -> PulseRows:
        """Return some of these records."""
        return PulseRows(*(column[chosen] for column in self._columns))

    def shifted(self, by: int, *, first: int) -> PulseRows:
        """Return these records with numbers higher by `by` from the record `first` on."""
        number = self.number.copy()
        number[first:] += by
        return PulseRows(number, *self._columns[1:])

    def then(self, other: PulseRows) -> PulseRows:
        """Return these records and others behind them."""
        if not len(self):
            return other
        pairs = zip(self._columns, other._columns, strict=True)
        return PulseRows(*(np.concatenate(pair) for pair in pairs))


def no_rows() -> PulseRows:
    """Return no records."""
    empty = np.empty(0, np.int64)
    return PulseRows(empty, empty, empty, empty, empty)


class PulseNumbers:
    """Numbers the records of a device, by the number that it sends or by their count.

    Args:
        numbered: whether the device sends a number.
        wrap: records after which it starts again at 0; None if never.
    """

    def __init__(self, *, numbered: bool, wrap: int | None) -> None:
        self._numbered = numbered
        self._wrap = wrap
        self._sent = -1  # the newest number as sent; -1 before the first one
        self._number = 0
        self._arrival = 0

    def shift(self, by: int) -> None:
        """Number later records higher by `by`: so many more were lost."""
        self._number += by

    def restart(self) -> None:
        """Number the next record as a first one."""
        self._sent = -1

    def rows(
        self, sequence: NDArray[np.int64], arrival: Times, known: Times, period: float | None
    ) -> PulseRows:
        """Return the next records, shape (n,), n > 0, with their numbers.

        Args:
            sequence: numbers as sent, shape (n,).
            arrival: ns, rising, shape (n,).
            known: journal times with which they arrived, ns, shape (n,).
            period: from record to record, ns; None while unknown.
        """
        none = np.zeros(arrival.shape, np.int64)
        if not self._numbered:
            numbers = self._number + 1 + np.arange(arrival.size)
            self._number = int(numbers[-1])
            return PulseRows(numbers, arrival, known, none, none)
        first = self._sent < 0
        steps = steps_of(sequence, int(sequence[0]) - 1 if first else self._sent)
        if self._wrap is not None:
            half = self._wrap // 2
            steps = (steps + half) % self._wrap - half
            if period is not None and not first:
                # Over a silence in which it rolled over, the time gives the number of turns.
                pause = steps_of(arrival, self._arrival)
                turns = np.rint((pause / period - steps) / self._wrap).astype(np.int64)
                turns = np.where(pause > period * half, np.maximum(turns, 0), 0)
                steps = steps + turns * self._wrap
        numbers = self._number + np.cumsum(steps)
        self._sent, self._number = int(sequence[-1]), int(numbers[-1])
        self._arrival = int(arrival[-1])
        return PulseRows(numbers, arrival, known, np.where(steps > 1, steps - 1, 0), none)


class PulseLine:
    """The line below the arrivals of records over their numbers.

    Args:
        number: of a record on or above it.
        arrival: of that record, ns.
        period: ns.
        most_skew: by which share the period may be off.
    """

    def __init__(self, number: int, arrival: int, period: float, most_skew: float) -> None:
        self._origin = number, arrival
        self.scale = period
        self._deliveries = Deliveries(most_skew)
        self._height, self._skew = 0.0, 0.0
        self._newest: deque[tuple[float, float]] = deque(maxlen=_LIFT_POINTS)

    @property
    def period(self) -> float:
        """The period as fitted, ns."""
        return self.scale * (1 + self._skew)

    def late(self, rows: PulseRows) -> Floats:
        """Return by how much records are above the line, ns, shape (n,)."""
        x = self._x(rows)
        return np.asarray((rows.arrival - self._origin[1]) - self._height - (1 + self._skew) * x)

    def times(self, rows: PulseRows) -> Times:
        """Return the times of records on the line, none later than its arrival, ns, shape (n,)."""
        on_line = self._height + self._lift() + (1 + self._skew) * self._x(rows)
        above = (rows.arrival - self._origin[1]) - on_line
        on_line += min(float(above.min()), 0.0)
        return np.asarray(self._origin[1] + np.rint(on_line).astype(np.int64))

    @property
    def uncertainty(self) -> float:
        """Standard uncertainty of the newest times, ns; inf if unknown."""
        return self._deliveries.uncertainty(self._height + self._lift(), self._skew)

    def _x(self, rows: PulseRows) -> Floats:
        return np.asarray((rows.number - self._origin[0]) * self.scale)

    def _lift(self) -> float:
        """Return by how much the newest records show that the line is too low, ns.

        The edge of the hull over the mean number leads past the newest records, by as much as its
        slope is off. They are on the line or above it: the fastest of as many of them as are a
        quarter of all that the line is fitted to, but of one second at first.
        """
        count = min(max(len(self._deliveries) // 4, _LIFT_FEWEST), len(self._newest))
        newest = np.array(list(self._newest)[-count:])
        above = newest[:, 1] - self._height - (1 + self._skew) * newest[:, 0]
        return max(float(above.min()), 0.0)

    def fit(self, rows: PulseRows, pieces: int = 1) -> None:
        """Fit the line to further records: the fastest one of each piece."""
        late = self.late(rows)
        x = self._x(rows)
        y = (rows.arrival - self._origin[1]).astype(np.float64)
        size = -(-len(rows) // pieces)
        for begin in range(0, len(rows), size):
            k = begin + int(np.argmin(late[begin : begin + size]))
            point = float(x[k]), float(y[k])
            self._deliveries.add(point)
            self._newest.append(point)
        self._height, self._skew = self._deliveries.line()


def fitted_line(
    rows: PulseRows, period: float | None, most_skew: float = MAX_SKEW
) -> PulseLine | None:
    """Return the line below records, at about a period in ns if that is known."""
    steps = int(rows.number[-1] - rows.number[0])
    span = int(rows.arrival[-1] - rows.arrival[0])
    if steps < 1 or span < 1:
        return None
    most = most_skew if period is not None else _UNKNOWN_SKEW
    scale = span / steps if period is None else period
    line = PulseLine(int(rows.number[0]), int(rows.arrival[0]), scale, most)
    line.fit(rows, -(-span // WINDOW_NS))
    if period is None:  # again with this period: it may now be off by little
        return fitted_line(rows, line.period)
    return line


def proven_line(rows: PulseRows, *, numbered: bool, expected: float | None) -> PulseLine | None:
    """Return the line below records if they prove that their rate is steady.

    In each part of them one is on the line; or, where deliveries vary more, delays do not add up as
    independent intervals do.

    Args:
        rows: the records.
        numbered: whether the device sends their number.
        expected: period as given or as found before, ns; None without one.
    """
    fewest = _FEWEST_NUMBERED if numbered else _FEWEST_COUNTED
    shortest = _LEARN_NS if numbered else 2 * _LEARN_NS
    if len(rows) < fewest or rows.arrival[-1] - rows.arrival[0] < shortest:
        return None
    for period in (expected, None) if expected else (None,):
        line = fitted_line(rows, period)
        if line is None:
            continue
        parts = np.array_split(line.late(rows), _PARTS)
        spread = float(np.median([part.std() for part in parts]))
        share = _PROOF_SHARE if numbered else _PROOF_SHARE_COUNTED
        allowed = max(share * line.period, _PROOF_NS) + _PROOF_SPREAD * spread
        if max(float(part.min()) for part in parts) <= allowed:
            return line
    return None


def counted_line(rows: PulseRows, period: float) -> PulseLine | None:
    """Return the line below records whose period is known, ns; None while they are too few.

    Its slope is held: as records are lost, a count falls behind a line of the true period.
    """
    if len(rows) < _FEWEST_COUNTED or rows.arrival[-1] - rows.arrival[0] < _LEARN_NS:
        return None
    return fitted_line(rows, period, _COUNTED_SKEW)


def delays_of(rows: PulseRows) -> Floats:
    """Return by how much deliveries of records without a line were delayed, ns, shape (n,).

    What is late by more than both some record before it and some record after it was delayed; what
    stays late was lost before it, or made at another rate. Irregular intervals count as delays as
    well: by arrival they are not to be distinguished.

    Args:
        rows: at least two records.
    """
    spans, steps = np.diff(rows.arrival), np.maximum(np.diff(rows.number), 1)
    usual = spans <= _HOLE_INTERVALS * np.mean(spans) * steps
    period = float(np.sum(spans[usual])) / float(np.sum(steps[usual])) if usual.any() else 0.0
    late = (rows.arrival - rows.arrival[0]) - period * (rows.number - rows.number[0])
    before = np.minimum.accumulate(late)
    after = np.minimum.accumulate(late[::-1])[::-1]
    return np.asarray(late - np.maximum(before, after), np.float64)
