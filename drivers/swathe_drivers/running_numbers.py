"""Records that are missing by their running numbers, of one kind of records or of several.

Whether several kinds share a counter, or each has its own, no description need say. What is missing is
then counted for each way of sharing that may be, and the fewest count: never more than was lost.
"""

from collections.abc import Sequence
from itertools import combinations
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

NumbersShared = Literal["shared", "separate"]
"""Whether the kinds of records share one running number, or each has its own."""

MOST_NUMBERED: Final = 5
"""Of so many kinds whose numbers may be shared in any way missing records are counted at most."""


def missing_before(sequence: NDArray[np.int64], last: int, wrap: int | None) -> NDArray[np.int64]:
    """Return how many records are missing before each, by their running numbers, shape (n,).

    Args:
        sequence: as sent; below 0 where there is none, shape (n,).
        last: that of the record before; below 0 for none.
        wrap: records after which it starts again at 0; None if never.
    """
    before = np.concatenate(([last], sequence[:-1]))
    steps = sequence - before
    if wrap is not None:
        # The shorter way round: a device that restarted has not lost a whole turn of records.
        steps = (steps + wrap // 2) % wrap - wrap // 2
    steps[(before < 0) | (sequence < 0)] = 0
    return np.maximum(steps - 1, 0)


class MissingOfKinds:
    """Counts the records that are missing by the running numbers of several kinds of records.

    Args:
        wraps: for each kind that has a number, by its own number: records after which it starts again
            at 0, None if never. Kinds that differ in it have counters of their own.
        shared: whether they share a counter; None if that is not known.
    """

    def __init__(self, wraps: dict[int, int | None], shared: NumbersShared | None) -> None:
        groups: dict[int | None, list[int]] = {}
        for kind, wrap in wraps.items():
            groups.setdefault(wrap, []).append(kind)
        self._groups: list[list[int]] = []
        self._counters: dict[frozenset[int], _Counter] = {}
        for wrap, kinds in groups.items():
            sizes: Sequence[int] = range(1, len(kinds) + 1)
            if shared == "separate":
                sizes = (1,)
            elif shared == "shared":
                sizes = (len(kinds),)
            elif len(kinds) > MOST_NUMBERED:  # too many ways of sharing: nothing is claimed
                continue
            self._groups.append(kinds)
            for size in sizes:
                for some in combinations(kinds, size):
                    self._counters[frozenset(some)] = _Counter(wrap)
        self._total = 0

    def count(self, kinds: NDArray[np.int64], numbers: NDArray[np.int64]) -> int:
        """Return how many records more are known to be missing with the next ones.

        Args:
            kinds: number of each record's kind, in the stream's order, shape (n,).
            numbers: their running numbers, shape (n,).
        """
        changed = False
        for some, counter in self._counters.items():
            of = numbers if len(some) == 1 and (kinds == next(iter(some))).all() else None
            if of is None:
                of = numbers[np.isin(kinds, list(some))]
            changed |= counter.take(of)
        if not changed:
            return 0
        before, self._total = self._total, sum(self._fewest(group) for group in self._groups)
        return self._total - before

    def _fewest(self, kinds: Sequence[int]) -> int:
        """Return the fewest missing of all ways in which the kinds may share counters."""
        if not kinds:
            return 0
        first, rest = kinds[0], kinds[1:]
        found = [
            counter.missing + self._fewest([kind for kind in rest if kind not in others])
            for size in range(len(rest) + 1)
            for others in combinations(rest, size)
            if (counter := self._counters.get(frozenset((first, *others)))) is not None
        ]
        return min(found)


class _Counter:
    """Counts what is missing of one running number."""

    def __init__(self, wrap: int | None) -> None:
        self._wrap = wrap
        self._last = -1
        self.missing = 0

    def take(self, numbers: NDArray[np.int64]) -> bool:
        """Take the next numbers; return whether some are missing."""
        if not numbers.size:
            return False
        missing = int(missing_before(numbers, self._last, self._wrap).sum())
        self._last = int(numbers[-1])
        self.missing += missing
        return missing > 0
