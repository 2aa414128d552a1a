"""Whether this machine itself ran: a fault is blamed on a device only if loop and readers did."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

__all__ = ["HostWatch"]

# Every watched thread takes a turn within 50 ms; this much later, it was not given the processor.
_TOLERANCE_NS = 150_000_000
_KEPT = 1024
_LOOP = "the loop"


@dataclass(slots=True)
class _HoldUp:
    """A time without a turn of one thread: its name, begin and end in host time, ns."""

    name: str
    begin: int
    end: int


class HostWatch:
    """Remembers when the daemon's loop and the threads that feed it were held up.

    A pure function of the times it is given: `note` is called by the loop each round.
    """

    def __init__(self) -> None:
        self._threads: dict[str, Callable[[], int | None]] = {}
        self._round: int | None = None
        self._hold_ups: deque[_HoldUp] = deque(maxlen=_KEPT)

    def add(self, name: str, last_turn: Callable[[], int | None]) -> None:
        """Watch a thread of this process.

        Args:
            name: as messages write it.
            last_turn: returns the host time of its last turn, ns; None while it has none to take.
        """
        self._threads[name] = last_turn

    def note(self, now: int) -> None:
        """Note a round of the loop. `now` is the host time, ns."""
        self._collect(now)
        self._round = now

    def held_up(self, since: int, until: int) -> int:
        """Return for how much of a time the loop or a watched thread was held up, ns."""
        self._collect(until)
        spans = ((max(each.begin, since), min(each.end, until)) for each in self._hold_ups)
        total, reached = 0, since
        for begin, end in sorted(spans):
            total += max(0, end - max(begin, reached))
            reached = max(reached, end)
        return total

    def words(self, since: int, until: int) -> str:
        """Return which thread was held up longest in a time; empty if none was."""
        self._collect(until)
        inside = [each for each in self._hold_ups if each.end > since and each.begin < until]
        if not inside:
            return ""
        longest = max(inside, key=lambda each: each.end - each.begin)
        return f"{longest.name} was held up for {(longest.end - longest.begin) / 1e6:,.0f} ms"

    def steady_for(self, now: int) -> float:
        """Return for how long nothing was held up, s; infinite if nothing ever was."""
        self._collect(now)
        return min(((now - each.end) / 1e9 for each in self._hold_ups), default=float("inf"))

    def _collect(self, now: int) -> None:
        if self._round is not None:
            self._add(_LOOP, self._round, now)
        for name, last_turn in self._threads.items():
            if (turn := last_turn()) is not None:
                self._add(name, turn, now)

    def _add(self, name: str, begin: int, end: int) -> None:
        if end - begin <= _TOLERANCE_NS:
            return
        for each in reversed(self._hold_ups):
            if each.name == name and each.begin == begin:
                each.end = max(each.end, end)
                return
        self._hold_ups.append(_HoldUp(name, begin, end))
