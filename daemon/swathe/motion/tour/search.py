"""Making a long tour shorter: 2-opt and Or-opt over neighbour lists, then small kicks.

2-opt turns a piece of the tour round (G. A. Croes, Operations Research 6, 791, 1958); Or-opt moves
one to three visits elsewhere, turned round or not (I. Or, thesis, Northwestern University, 1976).
Only visits near each other are tried, and only where something changed since (D. S. Johnson and
L. A. McGeoch in Aarts and Lenstra, Local Search in Combinatorial Optimization, 1997). A kick swaps
two neighbouring pieces, which neither can undo (O. Martin, S. W. Otto and E. W. Felten, Complex
Systems 5, 299, 1991); it is kept if the tour that follows from it is quicker. The same visits give
the same tour on every machine: the kicks come from a fixed seed.
"""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Callable, Iterable

import numpy as np

from swathe.arrays import Floats, Ints
from swathe.motion.limits.metric import Metric
from swathe.motion.tour.visits import WAYS, Visits

__all__ = ["TourSearch"]

_LONGEST_MOVED = 3
_LONGEST_SWAPPED = 30
# Less is rounding: a search that took it could go round and round, s.
_GAIN = 1e-6


class TourSearch:
    """A tour that is being made shorter.

    Args:
        order: codes of a first tour.
        visits: to be made.
        metric: seconds between places.
        begin: where the tour begins, shape (2,).
        home: where it ends; None for wherever the last visit does.
        near: of `nearest_ends`.
    """

    def __init__(
        self,
        order: list[int],
        visits: Visits,
        metric: Metric,
        begin: Floats,
        home: Floats | None,
        near: Ints,
    ) -> None:
        n = visits.count
        place = visits.entry.reshape(-1, 2)
        ends = [begin] * WAYS + [begin if home is None else home] * WAYS
        table = np.concatenate((place, np.array(ends)))
        self._x: list[float] = table[:, 0].tolist()
        self._y: list[float] = table[:, 1].tolist()
        self._own: list[float] = visits.own.reshape(-1).tolist()
        # Most visits take as long one way as the other; then turning a piece round needs no sum.
        self._even = bool((visits.own[:, ::2] == visits.own[:, 1::2]).all())
        self._begin, self._end = n * WAYS, (n + 1) * WAYS
        self._open = home is None
        self._apart: Callable[[float, float, float, float], float] = metric.function()
        self._near: list[list[int]] = near.tolist()
        self._seq = [self._begin, *order, self._end]
        self._pos = [0] * (n + 2)
        self._index(0, n + 2)

    @property
    def order(self) -> list[int]:
        """Codes of the tour as it is now."""
        return self._seq[1:-1]

    def set_order(self, order: list[int]) -> None:
        """Take another tour, or other ways of the same visits."""
        self._seq[1:-1] = order
        self._index(0, len(self._seq))

    def improve(self, visits: Iterable[int] | None = None) -> float:
        """Apply 2-opt and Or-opt until neither helps; return the seconds gained.

        Args:
            visits: near which something changed; None for everywhere.
        """
        last = len(self._seq) - 2
        queue = deque(range(last) if visits is None else visits)
        waiting = [False] * (last + 2)
        for visit in queue:
            waiting[visit] = True
        gained = 0.0
        while queue:
            visit = queue.popleft()
            waiting[visit] = False
            while True:
                gain, touched = self._try_after(visit)
                if gain == 0.0:
                    gain, touched = self._try_before(visit)
                if gain == 0.0:
                    break
                gained += gain
                for code in touched:
                    other = code >> 2
                    if other < last and not waiting[other]:
                        waiting[other] = True
                        queue.append(other)
        return gained

    def kick(self, count: int) -> float:
        """Swap neighbouring pieces `count` times and keep what helps; return the seconds gained."""
        chance = random.Random(len(self._seq))  # the same tour whenever it is planned
        n = len(self._seq) - 2
        if n < 3:
            return 0.0
        longest = min(_LONGEST_SWAPPED, n // 2)
        total = 0.0
        for _ in range(count):
            first = 1 + int(chance.random() * longest)
            second = 1 + int(chance.random() * longest)
            room = n - first - second + 1
            if room < 1:
                continue
            a = 1 + int(chance.random() * room)
            seq, pos = self._seq.copy(), self._pos.copy()
            b, c = a + first, a + first + second
            before = self._edge(seq[a - 1], seq[a]) + self._edge(seq[b - 1], seq[b])
            before += self._edge(seq[c - 1], seq[c])
            self._seq[a:c] = seq[b:c] + seq[a:b]
            self._index(a, c)
            after = self._edge(seq[a - 1], seq[b]) + self._edge(seq[c - 1], seq[a])
            after += self._edge(seq[b - 1], seq[c])
            ends = [seq[k] >> 2 for k in (a - 1, a, b - 1, b, c - 1, c)]
            gain = before - after + self.improve(v for v in dict.fromkeys(ends) if v < n)
            if gain > _GAIN:
                total += gain
            else:
                self._seq, self._pos = seq, pos
        return total

    def _edge(self, code: int, after: int) -> float:
        """Return the seconds from where a way ends to where the next one begins."""
        if after == self._end and self._open:
            return 0.0
        x, y = self._x, self._y
        code ^= 1
        return self._apart(x[code], y[code], x[after], y[after])

    def _try_after(self, visit: int) -> tuple[float, tuple[int, ...]]:
        """Look for a better step out of a visit; take the first that is found."""
        seq, pos, x, y, edge = self._seq, self._pos, self._x, self._y, self._edge
        i = pos[visit]
        code, after = seq[i], seq[i + 1]
        end = code ^ 1
        now = edge(code, after)
        for q in self._near[end]:
            g = self._apart(x[end], y[end], x[q], y[q])
            if now - g <= _GAIN:
                break
            j = pos[q >> 2]
            there = seq[j]
            if there ^ 1 == q:  # its end next to this end: reverse the part between
                low, high = (i, j) if i < j else (j, i)
                a, b = seq[low + 1], seq[high + 1]
                gain = now + edge(there, seq[j + 1]) - g - edge(a ^ 1, b)
                gain -= self._turned(low + 1, high, gain)
                if gain > _GAIN:
                    touched: tuple[int, ...] = (seq[low], a, seq[high], b)
                    self._reverse(low + 1, high)
                    return gain, touched
            gain, touched = self._try_insert(i, i + 1, q, now - g, ahead=True)
            if gain:
                return gain, touched
        return 0.0, ()

    def _try_before(self, visit: int) -> tuple[float, tuple[int, ...]]:
        """Look for a better step into a visit; take the first that is found."""
        seq, pos, x, y, edge = self._seq, self._pos, self._x, self._y, self._edge
        i = pos[visit]
        code, before = seq[i], seq[i - 1]
        now = edge(before, code)
        for q in self._near[code]:
            g = self._apart(x[code], y[code], x[q], y[q])
            if now - g <= _GAIN:
                break
            j = pos[q >> 2]
            there = seq[j]
            if there == q:  # its begin next to this begin: reverse the part between
                low, high = (i, j - 1) if i < j else (j, i - 1)
                a, b = seq[low - 1], seq[high]
                gain = now + edge(seq[j - 1], there) - g - edge(a, b ^ 1)
                gain -= self._turned(low, high, gain)
                if gain > _GAIN:
                    touched: tuple[int, ...] = (a, seq[low], b, seq[high + 1])
                    self._reverse(low, high)
                    return gain, touched
            gain, touched = self._try_insert(i - 1, i, q, now - g, ahead=False)
            if gain:
                return gain, touched
        return 0.0, ()

    def _try_insert(
        self, left: int, right: int, q: int, saved: float, *, ahead: bool
    ) -> tuple[float, tuple[int, ...]]:
        """Try to move one to three visits between the places `left` and `right`.

        Args:
            left: place in the tour.
            right: the next place.
            q: the end that shall be next to the visit at `left` (ahead) or at `right`.
            saved: seconds of the step between them, less those of the new step to `q`.
            ahead: which of both.
        """
        seq, edge, own = self._seq, self._edge, self._own
        j = self._pos[q >> 2]
        there = seq[j]
        for length in range(1, _LONGEST_MOVED + 1):
            if length == 1:
                low = high = j
                piece = [q if ahead else q ^ 1]
            elif there == q if ahead else there ^ 1 == q:  # as it is
                low, high = (j, j + length - 1) if ahead else (j - length + 1, j)
                piece = seq[low : high + 1]
            elif there ^ 1 == q if ahead else there == q:  # turned round
                low, high = (j - length + 1, j) if ahead else (j, j + length - 1)
                piece = [code ^ 1 for code in seq[low : high + 1][::-1]]
            else:
                break
            if low < 1 or high > len(seq) - 2 or (low <= right and left <= high):
                break
            out = edge(seq[low - 1], seq[low]) + edge(seq[high], seq[high + 1])
            gain = saved + out - edge(seq[low - 1], seq[high + 1])
            gain -= edge(piece[-1], seq[right]) if ahead else edge(seq[left], piece[0])
            if gain > _GAIN:
                gain += sum(own[c] for c in seq[low : high + 1]) - sum(own[c] for c in piece)
            if gain > _GAIN:
                touched = (seq[low - 1], seq[high + 1], seq[left], seq[right], piece[0], piece[-1])
                if left < low:
                    seq[right : high + 1] = piece + seq[right:low]
                    self._index(right, high + 1)
                else:
                    seq[low:right] = seq[high + 1 : right] + piece
                    self._index(low, right)
                return gain, touched
        return 0.0, ()

    def _turned(self, low: int, high: int, gain: float) -> float:
        """Return by how much a piece takes longer turned round; asked only if it may matter."""
        if self._even or gain <= _GAIN:
            return 0.0
        own = self._own
        return sum(own[code ^ 1] - own[code] for code in self._seq[low : high + 1])

    def _reverse(self, low: int, high: int) -> None:
        self._seq[low : high + 1] = [code ^ 1 for code in self._seq[high : low - 1 : -1]]
        self._index(low, high + 1)

    def _index(self, low: int, high: int) -> None:
        pos = self._pos
        for k, code in enumerate(self._seq[low:high], low):
            pos[code >> 2] = k
