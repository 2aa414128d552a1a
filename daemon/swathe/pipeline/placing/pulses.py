"""Host times of records that a device makes at a steady rate, without a clock that it sends.

A device that measures every few milliseconds is a clock by itself: record number n was made a period
after record n - 1. The number is the one that the device sends, or, where it sends none, the count
of records. As for a clock (see `clock`), no delivery is early: plotted as arrival over number, all
records are on or above one line, and those that were delivered without delay are on it.

Which numbers or counts are right is found by `pulse_follow`.

A line is taken only with a proof that the rate is steady: in each part of a stretch of records, one
is on the line or close to it. Without it records have the time of their arrival,
and their smear: by how much deliveries differ.

What arrived within 100 ms is evaluated together, at the end of these, however it was batched.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Times
from swathe.pipeline.placing.pulse_follow import LineFollower
from swathe.pipeline.placing.pulse_line import (
    WINDOW_NS,
    PulseLine,
    PulseNumbers,
    PulseRows,
    counted_line,
    delays_of,
    no_rows,
    proven_line,
)
from swathe.pipeline.placing.pulse_period import PeriodSearch
from swathe.pipeline.placing.timing import TimeBaseKind, Timing

__all__ = ["HELD_NS", "PulseTimes"]

HELD_NS: Final = 2_500_000_000
"""Time that a record waits, as a rule at most, until its time is known, ns."""

# Without a line for so long, arrival counts.
_LEARN_MOST_NS = 2_000_000_000
# A device whose line breaks so often in so long is not steady; it is tried again later.
_MOST_BREAKS, _BREAKS_NS, _REST_NS = 4, 10_000_000_000, 10_000_000_000
# Records by arrival of which a line is sought again, and their smear is found.
_HISTORY = 1024
_FEWEST_SMEAR = 16

# A period that is found is another one than that which is given, beyond this share of it.
_SAME_PERIOD = 0.01


class PulseTimes:
    """Finds the times of the records of a device with a steady rate.

    Args:
        numbered: whether the device sends a running number, one higher for each record.
        wrap: records after which the number starts again at 0; None if never.
        period_ns: time from one record to the next as given, ns; None if it is to be found.
        smear_ns: by how much a record may be older than its arrival says, ns, until it is measured.

    Attributes:
        kind: what the newest times rest on.
        breaks: how often a line was given up.
        lost: records that a count fell behind.
        newest: what the time of the newest record that was resolved rests on.
        counts: records that were resolved, by what their times rest on.
        period_found: the period that was found last, ns; None without one.
        contradictions: journal times, ns, from which the period that was found is another one than
            that which is given, and that period, ns; None where they agree again.
    """

    def __init__(
        self,
        *,
        numbered: bool,
        wrap: int | None = None,
        period_ns: float | None = None,
        smear_ns: int = 0,
    ) -> None:
        self._numbered = numbered
        self._numbers = PulseNumbers(numbered=numbered, wrap=wrap)
        self._given = period_ns
        # As given, or as found before a break; whether the count is compared with it.
        self._expected = period_ns
        self._sure = period_ns is not None and not numbered
        self._search = PeriodSearch()  # of a count
        self._follower: LineFollower | None = None
        self._learning = True
        self._raw: list[tuple[NDArray[np.int64], Times, Times]] = []
        self._held = no_rows()  # numbered, and not resolved
        self._history = no_rows()  # resolved by arrival
        self._began = 0  # journal time at which the records that are learnt from began
        self._due: int | None = None  # end of the window
        self._broken: list[int] = []
        self._rest_until = 0
        self._smear = smear_ns
        self._spread = 0
        self.breaks = 0
        self.lost = 0
        self.newest = TimeBaseKind.ARRIVAL
        self.counts: dict[TimeBaseKind, int] = {}
        self.period_found: float | None = None
        self.contradictions: list[tuple[int, float | None]] = []
        self._differs = False

    @property
    def kind(self) -> TimeBaseKind:
        """What the newest times rest on."""
        if self._follower is None:
            return TimeBaseKind.ARRIVAL
        return self._by_line

    @property
    def _by_line(self) -> TimeBaseKind:
        return TimeBaseKind.PULSES if self._numbered else TimeBaseKind.RATE

    def _note(self, kind: TimeBaseKind, count: int, line: PulseLine | None = None) -> None:
        """Count records that are resolved."""
        if count:
            self.newest = kind
            self.counts[kind] = self.counts.get(kind, 0) + count
            self.period_found = self.period_found if line is None else line.period

    @property
    def period_ns(self) -> float | None:
        """The period that was found, ns; None without a line."""
        return None if self._follower is None else self._follower.line.period

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
                parts.append(self._pass_on(rows, rows.known))
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
        return self._follower is None and not self._learning

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
        period = self.period_ns or self._expected
        return self._numbers.rows(sequence[:count], arrival[:count], known[:count], period)

    # --- by arrival

    def _pass_on(self, rows: PulseRows, known: Times) -> Timing:
        self._note(TimeBaseKind.ARRIVAL, len(rows))
        return Timing.of(
            rows.arrival, known, rows.missing, uncertainty=self._spread, smear=self._smear
        )

    def _find_smear(self, rows: PulseRows) -> None:
        """Find by how much the deliveries of the last records differ."""
        if len(rows) < _FEWEST_SMEAR:
            return
        late = delays_of(rows)
        self._smear, self._spread = int(late.max()), int(np.sqrt(np.mean(late**2)))

    # --- windows

    def _close(self, due: int) -> list[Timing]:
        if self._by_arrival:
            self._find_smear(self._history)
            rows = self._history
            if due >= self._rest_until and len(rows):
                line = self._proven(rows)
                if line is not None:
                    self._begin(line)
                    self._history = no_rows()
                elif not self._numbered:
                    self._lock(self._search_by_arrival(rows, due))
            return []
        parts: list[Timing] = []
        if self._follower is None:
            part, learnt = self._learn(due)
            parts += part
            if not learnt:
                return parts
        return parts + self._follow(due)

    def _learn(self, due: int, *, last: bool = False) -> tuple[list[Timing], bool]:
        """Seek a line below what is held; without one for long, resolve that by arrival."""
        parts: list[Timing] = []
        restarts = self._held.restarts()
        if restarts.size:  # what came before is of another numbering
            restart = int(restarts[-1])
            parts += self._give_up(self._held[:restart], due)
            self._held = self._held[restart:]
            self._began = int(self._held.known[0])
        rows = self._held
        if not len(rows):
            return parts, False
        self._began = self._began or int(rows.known[0])
        line = self._proven(rows)
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
        return [self._pass_on(rows, np.full(rows.known.shape, due))]

    def _proven(self, rows: PulseRows) -> PulseLine | None:
        if self._sure and self._expected is not None:
            return counted_line(rows, self._expected)
        return proven_line(rows, numbered=self._numbered, expected=self._expected)

    def _begin(self, line: PulseLine) -> None:
        self._learning = False
        self._expected = line.period
        self._search.clear()
        self._follower = LineFollower(line, self._numbers, numbered=self._numbered, sure=self._sure)

    def _break(self, due: int) -> None:
        """Give up the line: what is held is learnt from."""
        self._follower = None
        self.breaks += 1
        self._sure = False
        self._broken = [at for at in self._broken if due - at < _BREAKS_NS] + [due]
        self._learning = len(self._broken) < _MOST_BREAKS
        if not self._learning:
            self._rest_until = due + _REST_NS
        self._began = int(self._held.known[0]) if len(self._held) else 0

    def _follow(self, due: int) -> list[Timing]:
        """Resolve what the line is proven for; learn another one from the rest where it is broken."""
        follower = self._follower
        if follower is None:
            return []
        lost = follower.lost
        parts, self._held = follower.follow(self._held, due)
        self.lost += follower.lost - lost
        self._note(self._by_line, sum(part.time.size for part in parts), follower.line)
        if parts and self._given is not None:
            period = follower.line.period
            differs = abs(period - self._given) > _SAME_PERIOD * self._given
            if differs != self._differs:
                self._differs = differs
                self.contradictions.append((due, period if differs else None))
        if follower.broken:
            self._break(due)
            return parts + self._learn_at_once(due)
        self._lock(follower.period)
        return parts

    def _search_by_arrival(self, rows: PulseRows, due: int) -> float | None:
        """Return the period of records by arrival, if it is significant; it shows behind losses."""
        about = float(rows.arrival[-1] - rows.arrival[0]) / max(len(rows) - 1, 1)
        window = rows[int(np.searchsorted(rows.known, due - WINDOW_NS)) :]
        if not len(window) or about <= 0:
            return None
        late = window.arrival - about * window.number
        fastest = int(np.argmin(late))
        return self._search.add(int(window.arrival[fastest]), float(late[fastest]), about)

    def _lock(self, period: float | None) -> None:
        """Learn a line of a period that was found; nothing changes without one."""
        if period is None:
            return
        self._expected, self._sure = period, True
        self._follower, self._learning = None, True
        self._history = no_rows()
        self._began = int(self._held.known[0]) if len(self._held) else 0

    def _learn_at_once(self, due: int) -> list[Timing]:
        """Seek a line in what is held after a break."""
        if not self._learning:
            rows, self._held = self._held, no_rows()
            self._history = rows[-_HISTORY:]
            return self._give_up(rows, due)
        parts, learnt = self._learn(due)
        return parts + self._follow(due) if learnt else parts

    def _flush(self, now: int) -> list[Timing]:
        """Resolve all: no more records come, or not for a while."""
        self._held = self._held.then(self._next_rows(now + 1))
        parts: list[Timing] = []
        if len(self._held) and self._follower is None:
            part, _ = self._learn(now, last=True)
            parts += part
        if len(self._held):
            parts += self._follow(now)
        if len(self._held) and self._follower is not None:
            self._note(self._by_line, len(self._held), self._follower.line)
            parts.append(self._follower.resolve_all(self._held, now))
        elif len(self._held):
            parts += self._give_up(self._held, now)
        self._held = self._history = no_rows()
        self._follower, self._learning, self._began, self._due = None, True, 0, None
        self._numbers.restart()
        return parts
