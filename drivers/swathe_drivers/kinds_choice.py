"""Which kind each record of a stream is: the first one that it fits, of those that it may be."""

from bisect import bisect_right
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.record_values import Bad
from swathe_drivers.records import FaultReason

Rows = NDArray[np.int64]
"""Numbers of records among those that came together, rising."""


class KindsAsked:
    """Which kinds of records may answer the newest request before a record's last byte."""

    def __init__(self, answers: Sequence[bytes | None]) -> None:
        """Take for each kind the request that it answers; None for any, and for none."""
        self._answers = tuple(answers)
        self.forget()

    @property
    def matters(self) -> bool:
        """Whether any kind answers one request only."""
        return any(answer is not None for answer in self._answers)

    def forget(self) -> None:
        """Forget what was sent: the port was lost."""
        self._requests: list[bytes] = []
        self._offsets: list[int] = []

    def asked(self, request: bytes, offset: int) -> None:
        """Take note that a request was sent when so many bytes had come."""
        if self.matters:
            self._requests.append(request)
            self._offsets.append(offset)

    def chosen(self, kind: int, lasts: NDArray[np.int64]) -> NDArray[np.bool_] | None:
        """Return which records may be of a kind, by the offsets of their last bytes; None: all."""
        answer = self._answers[kind]
        if answer is None:
            return None
        if not self._offsets:
            return np.zeros(lasts.shape, np.bool_)
        newest = np.searchsorted(np.array(self._offsets), lasts, side="right") - 1
        is_it = np.array([request == answer for request in self._requests])
        return np.asarray(is_it[np.maximum(newest, 0)] & (newest >= 0))

    def share_out(self, lasts: NDArray[np.int64], take: Callable[[int, Rows], Rows]) -> Rows:
        """Offer records to the kinds in their order; return those that no kind takes.

        Args:
            lasts: offsets of the records' last bytes, rising.
            take: decodes those of the records that are of a kind, given by its number, and returns the
                others.
        """
        rest = np.arange(lasts.size)
        for number in range(len(self._answers)):
            if not rest.size:
                break
            may = self.chosen(number, lasts[rest])
            if may is None:
                rest = take(number, rest)
            else:
                rest = np.sort(np.concatenate((rest[~may], take(number, rest[may]))))
        if lasts.size:
            self.done(int(lasts[-1]))
        return rest

    def done(self, end: int) -> None:
        """Forget the requests before the newest one that was sent up to an offset."""
        before = max(bisect_right(self._offsets, end) - 1, 0)
        del self._requests[:before], self._offsets[:before]


class Misfits:
    """Why records that came together are of no kind: what the kinds that they begin as have found wrong.

    Args:
        kinds: how many there are.
        wrong: reason of a record that begins as a kind and does not go on so.
        unknown: reason of one that fits none.
        ignores: whether one that fits none is ignored.
    """

    def __init__(
        self, kinds: int, *, wrong: FaultReason, unknown: FaultReason, ignores: bool
    ) -> None:
        self._kinds = kinds
        self._wrong, self._unknown = wrong, unknown
        self._ignores = ignores
        self._details: dict[int, list[str]] = {}

    def own(
        self, bad: Bad, rest: Rows, *, begins: bool = True
    ) -> tuple[NDArray[np.bool_], Rows, Bad]:
        """Return which of the records `rest` are of a kind, their places among these, and their faults.

        Args:
            bad: what the kind found wrong, by the place in `rest`.
            rest: the records, shape (n,).
            begins: whether a record that is wrong begins as the kind does.
        """
        mine = np.ones(rest.size, np.bool_)
        for row, (reason, detail) in bad.items():
            if reason is None or reason is self._wrong:
                mine[row] = False
                if detail and begins:
                    self._details.setdefault(int(rest[row]), []).append(detail)
        places = np.cumsum(mine) - 1
        return mine, places, {int(places[row]): fault for row, fault in bad.items() if mine[row]}

    def faults(self, rest: Rows) -> Bad:
        """Return what is wrong with the records `rest`, which are of no kind, by their places there."""
        return {
            place: self._fault(self._details.get(row, []))
            for place, row in enumerate(rest.tolist())
        }

    def _fault(self, details: Sequence[str]) -> tuple[FaultReason | None, str]:
        if len(details) == 1:
            return self._wrong, details[0]
        if self._ignores:
            return None, ""
        return self._unknown, f"it fits none of the {self._kinds} records described"
