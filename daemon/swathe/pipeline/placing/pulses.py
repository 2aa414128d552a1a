"""Host times of records that a device makes at a steady rate, without a clock that it sends.

A device that measures every few milliseconds is a clock by itself: record number n was made a period
after record n - 1. The number is the one that the device sends, or, where it sends none, the count
of records. As for a clock (see `clock`), no delivery is early: plotted as arrival over number, all
records are on or above one line, and those that were delivered without delay are on it.

What a number or a count cannot show by itself shows in the line. A record that was in time proves
that all before it are numbered right; those behind the newest such record wait. If none is in time
for a while, records were lost (a count falls behind by whole periods), or the rate changed or the
device was restarted (a line of its own is found). Records that come earlier than possible were sent
twice, or the device runs faster now.

A line is taken only with a proof that the rate is steady: in each part of a stretch of records, one
is within a fraction of the period of the line. Without it records have the time of their arrival,
and their smear: by how much deliveries differ.

What arrived within 100 ms is evaluated together, at the end of these, however it was batched.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Floats, Times
from swathe.pipeline.placing.pulse_line import (
    WINDOW_NS,
    PulseLine,
    PulseNumbers,
    PulseRows,
    fitted_line,
    no_rows,
    proven_line,
)
from swathe.pipeline.placing.timing import TimeBaseKind, Timing

__all__ = ["HELD_NS", "PulseTimes"]

HELD_NS: Final = 2_500_000_000
"""Time that a record waits, as a rule at most, until its time is known, ns."""

# Without a line for so long, arrival counts.
_LEARN_MOST_NS = 2_000_000_000
# On the line means within this share of a period, or within these times where it is short: a record
# behind a lost one is a whole period late by its count.
_IN_TIME, _IN_TIME_NUMBERED_NS, _IN_TIME_COUNTED_NS = 0.75, 2e6, 1e6
_PROOF_SHARE, _PROOF_NS = 0.25, 0.5e6
# Without a record in time for so long, the line no longer applies; while the records' delay falls,
# a queue is being worked off, and as long as this is waited.
_LATE_NS, _DRAIN_NS = 250_000_000, 10_000_000_000
_LATE_RECORDS = 128
# Delays that rise by so many periods meanwhile are those of another rate.
_RISE = 3
# A count that falls behind by more periods is not corrected, but begins again.
_MOST_LOST = 1000
# A number that falls by more was begun again; a record may be sent twice, or be overtaken.
_OVERTAKEN = 2
# A device whose line breaks so often in so long is not steady; it is tried again later.
_MOST_BREAKS, _BREAKS_NS, _REST_NS = 4, 10_000_000_000, 10_000_000_000
# Records by arrival of which a line is sought again, and their smear is found.
_HISTORY = 1024
_FEWEST_SMEAR = 16
# The minimum of a standard uncertainty.
_FLOOR_NS = 20_000


class PulseTimes:
    """Finds the times of the records of a device with a steady rate.

    Args:
        numbered: whether the device sends a running number, one higher for each record.
        wrap: records after which the number starts again at 0; None if never.
        period_ns: time from one record to the next as given, ns; None if it is to be found.

    Attributes:
        kind: what the newest times rest on.
        breaks: how often a line was given up.
        lost: records that a count fell behind.
    """

    def __init__(
        self, *, numbered: bool, wrap: int | None = None, period_ns: float | None = None
    ) -> None:
        self._numbered = numbered
        self._numbers = PulseNumbers(numbered=numbered, wrap=wrap)
        self._given = period_ns
        self._expected = period_ns  # as given, or as found before a break
        self._line: PulseLine | None = None
        self._learning = True
        self._raw: list[tuple[NDArray[np.int64], Times, Times]] = []
        self._held = no_rows()  # numbered, and not resolved
        self._history = no_rows()  # resolved by arrival
        self._began = 0  # journal time at which the records that are learnt from began
        self._due: int | None = None  # end of the window
        self._broken: list[int] = []
        self._rest_until = 0
        self._smear = 0
        self._spread = 0
        self._above, self._count = 0.0, 0  # sum of delays and count of the records on the line
        self.breaks = 0
        self.lost = 0

    @property
    def kind(self) -> TimeBaseKind:
        """What the newest times rest on."""
        if self._line is None:
            return TimeBaseKind.ARRIVAL
        return TimeBaseKind.PULSES if self._numbered else TimeBaseKind.RATE

    @property
    def period_ns(self) -> float | None:
        """The period that was found, ns; None without a line."""
        return None if self._line is None else self._line.period

    @property
    def held_since(self) -> int | None:
        """Journal time of the oldest record that waits, ns; None while none does."""
        if len(self._held):
            return int(self._held.known[0])
        return int(self._raw[0][2][0]) if self._raw else None

    def take(
        self,
        device: Times,  # noqa: ARG002  there is none, or it is not trusted
        sequence: NDArray[np.int64],
        arrival: Times,
        known: Times,
    ) -> None:
        """Take the next records; see `TimeBase`."""
        if arrival.size:
            self._raw.append((sequence, arrival, known))
            if self._due is None:
                self._due = int(known[0]) + WINDOW_NS

    def resolve(self, now: int, *, flush: bool = False) -> Timing:
        """Return the times known at `now`; see `TimeBase`."""
        parts: list[Timing] = []
        while self._due is not None:
            due = self._due
            rows = self._next_rows(due)
            if self._by_arrival:
                parts.append(self._pass_on(rows))
                self._history = self._history.then(rows)[-_HISTORY:]
            else:
                self._held = self._held.then(rows)
            if due > now:
                break
            parts += self._close(due)
            self._due = None
            if not self._by_arrival and len(self._held):
                self._due = due + WINDOW_NS
            elif self._raw:
                self._due = int(self._raw[0][2][0]) + WINDOW_NS
        if flush:
            parts += self._flush(now)
        parts = [part for part in parts if part.time.size]
        empty = np.empty(0, np.int64)
        return Timing.joined(parts) if parts else Timing.of(empty, empty)

    @property
    def _by_arrival(self) -> bool:
        return self._line is None and not self._learning

    def _next_rows(self, until: int) -> PulseRows:
        """Number and return the records that are known before `until`."""
        if not self._raw:
            return no_rows()
        sequence, arrival, known = (
            np.concatenate(column) for column in zip(*self._raw, strict=True)
        )
        count = int(np.searchsorted(known, until))
        self._raw = (
            [] if count == known.size else [(sequence[count:], arrival[count:], known[count:])]
        )
        if not count:
            return no_rows()
        period = self._expected if self._line is None else self._line.period
        return self._numbers.rows(sequence[:count], arrival[:count], known[:count], period)

    # --- by arrival

    def _pass_on(self, rows: PulseRows) -> Timing:
        return Timing.of(
            rows.arrival, rows.known, rows.missing, uncertainty=self._spread, smear=self._smear
        )

    def _find_smear(self, rows: PulseRows) -> None:
        """Find by how much the deliveries of the last records differ."""
        if len(rows) < _FEWEST_SMEAR:
            return
        line = fitted_line(rows, None)
        if line is not None:
            late = np.maximum(line.late(rows), 0.0)
            self._smear, self._spread = int(late.max()), int(np.sqrt(np.mean(late**2)))

    # --- windows

    def _close(self, due: int) -> list[Timing]:
        if self._by_arrival:
            self._find_smear(self._history)
            rows = self._history
            if due >= self._rest_until and len(rows):
                line = proven_line(rows, numbered=self._numbered, expected=self._expected)
                if line is not None:
                    self._begin(line)
                    self._history = no_rows()
            return []
        parts: list[Timing] = []
        if self._line is None:
            part, learnt = self._learn(due)
            parts += part
            if not learnt:
                return parts
        return parts + self._follow(due)

    def _learn(self, due: int, *, last: bool = False) -> tuple[list[Timing], bool]:
        """Seek a line below what is held; without one for long, resolve that by arrival."""
        parts: list[Timing] = []
        restart = self._restart_in(self._held)
        if restart:  # what came before is of another numbering
            parts += self._give_up(self._held[:restart], due)
            self._held = self._held[restart:]
            self._began = int(self._held.known[0])
        rows = self._held
        if not len(rows):
            return parts, False
        self._began = self._began or int(rows.known[0])
        line = proven_line(rows, numbered=self._numbered, expected=self._expected)
        if line is not None:
            self._begin(line)
            return parts, True
        if last or due - self._began >= _LEARN_MOST_NS:
            self._learning = False
            parts += self._give_up(rows, due)
            self._history = rows[-_HISTORY:]
            self._held = no_rows()
        return parts, False

    def _give_up(self, rows: PulseRows, due: int) -> list[Timing]:
        """Return the times of arrival of records that were held in vain."""
        if not len(rows):
            return []
        self._find_smear(rows)
        known = np.full(rows.known.shape, due)
        return [
            Timing.of(
                rows.arrival, known, rows.missing, uncertainty=self._spread, smear=self._smear
            )
        ]

    def _restart_in(self, rows: PulseRows) -> int:
        """Return the number of the last record with which the numbering began again; 0 for none."""
        back = np.flatnonzero(np.diff(rows.number) < -_OVERTAKEN)
        return int(back[-1]) + 1 if back.size else 0

    def _begin(self, line: PulseLine) -> None:
        self._line, self._learning = line, False
        self._expected = line.period
        self._above, self._count = 0.0, 0

    def _break(self, due: int) -> None:
        """Give up the line: what is held is learnt from."""
        self._line = None
        self.breaks += 1
        self._broken = [at for at in self._broken if due - at < _BREAKS_NS] + [due]
        self._learning = len(self._broken) < _MOST_BREAKS
        if not self._learning:
            self._rest_until = due + _REST_NS
        self._began = int(self._held.known[0]) if len(self._held) else 0

    def _follow(self, due: int) -> list[Timing]:
        """Resolve what the line is proven for; find out why if it is not."""
        assert self._line is not None  # noqa: S101  the state in which this is called
        rows, line = self._held, self._line
        if not len(rows):
            return []
        in_time = self._in_time(line)
        late = line.late(rows)
        early = late < -in_time
        back = np.flatnonzero(np.diff(rows.number) < -_OVERTAKEN) + 1
        end = min(
            int(np.argmax(early)) if early.any() else len(rows), *back[:1].tolist(), len(rows)
        )
        if end < len(rows):
            return self._follow_early(end, float(late[end:].min()), due)
        on_line = np.flatnonzero(late <= in_time)
        proven = int(on_line[-1]) + 1 if on_line.size else 0
        parts = [self._resolve(proven, late, due)] if proven else []
        if len(self._held):
            parts += self._follow_late(due)
        return parts

    def _in_time(self, line: PulseLine) -> float:
        """Return how late a record on the line may be, ns."""
        if not self._numbered:
            return max(_IN_TIME * line.period, min(_IN_TIME_COUNTED_NS, 0.9 * line.period))
        usual = self._above / self._count if self._count else 0.0
        return max(_IN_TIME * line.period, _IN_TIME_NUMBERED_NS, usual / 2)

    def _resolve(self, count: int, late: Floats, due: int, *, fit: bool = True) -> Timing:
        """Return the times of the first records that are held."""
        assert self._line is not None  # noqa: S101
        rows, self._held = self._held[:count], self._held[count:]
        if fit:
            self._line.fit(rows)
        self._above += float(np.maximum(late[:count], 0.0).sum())
        self._count += count
        bound = min(self._line.uncertainty, self._line.period)
        return Timing.of(
            self._line.times(rows),
            np.full(count, due),
            rows.missing,
            uncertainty=max(round(bound), _FLOOR_NS),
        )

    def _follow_early(self, end: int, earliest: float, due: int) -> list[Timing]:
        """Records from `end` on are earlier than the line allows, or numbered from the start."""
        assert self._line is not None  # noqa: S101
        line, rows = self._line, self._held
        period = line.period
        twice = round(-earliest / period)
        restart = end and int(rows.number[end] - rows.number[end - 1]) < -_OVERTAKEN
        if not self._numbered and not restart and 1 <= twice <= 3:
            # Sent twice, and counted twice. Which one was is not known; all behind it are too high.
            number = rows.number.copy()
            number[end:] -= twice
            self._held = PulseRows(number, rows.arrival, rows.known, rows.missing)
            self._numbers.shift(-twice)
            return self._follow(due)
        parts = []
        if end:  # in time or not, they are of the line so far
            self._held, rest = rows[:end], rows[end:]
            late = line.late(self._held)
            parts.append(self._resolve(end, late, due, fit=False))
            self._held = rest
        self._break(due)
        return parts + self._learn_at_once(due)

    def _learn_at_once(self, due: int) -> list[Timing]:
        """Seek a line in what is held after a break."""
        if not self._learning:
            rows, self._held = self._held, no_rows()
            self._history = rows[-_HISTORY:]
            return self._give_up(rows, due)
        parts, learnt = self._learn(due)
        return parts + self._follow(due) if learnt else parts

    def _follow_late(self, due: int) -> list[Timing]:
        """None of what is held is in time: after a while, find out why."""
        assert self._line is not None  # noqa: S101
        rows, line = self._held, self._line
        waited = due - int(rows.known[0])
        if waited < _LATE_NS or (len(rows) < _LATE_RECORDS and waited < 2 * _LEARN_MOST_NS):
            return []
        late, period = line.late(rows), line.period
        recent = late[min(int(np.searchsorted(rows.known, due - _LATE_NS)), len(rows) - 2) :]
        half = recent.size // 2
        rise = float(recent[half:].min()) - float(recent[:half].min()) if half else 0.0
        if rise < -max(_PROOF_SHARE * period, _PROOF_NS) and waited < _DRAIN_NS:
            return []  # a queue is being worked off
        if not self._numbered and rise < _RISE * period:
            # The fastest of them is on the line by its true number.
            lost = int((float(late.min()) + period - self._in_time(line)) / period)
            if 1 <= lost <= _MOST_LOST:
                missing = rows.missing.copy()
                missing[0] += lost
                self._held = PulseRows(rows.number + lost, rows.arrival, rows.known, missing)
                self._numbers.shift(lost)
                self.lost += lost
                return self._follow(due)
        if self._numbered and abs(rise) < _RISE * period and waited < _LEARN_MOST_NS:
            return []  # delayed alike
        self._break(due)
        return self._learn_at_once(due)

    def _flush(self, now: int) -> list[Timing]:
        """Resolve all: no more records come, or not for a while."""
        self._held = self._held.then(self._next_rows(now + 1))
        parts: list[Timing] = []
        if len(self._held) and self._line is None:
            part, _ = self._learn(now, last=True)
            parts += part
        if len(self._held) and self._line is not None:
            parts += self._follow(now)
        if len(self._held) and self._line is not None:
            late = self._line.late(self._held)
            parts.append(self._resolve(len(self._held), late, now, fit=False))
        if len(self._held):
            parts += self._give_up(self._held, now)
        self._held = self._history = no_rows()
        self._line, self._learning, self._began, self._due = None, True, 0, None
        self._numbers.restart()
        return parts
