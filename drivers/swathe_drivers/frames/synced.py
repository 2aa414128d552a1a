"""Frames of a fixed length, or of a length that they carry, found by their first bytes.

Where a frame fails, by its length or its checksum, the search continues one byte behind its
beginning. As long as frames follow each other and are equally long, many are checked at once.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.frames.checker import Checked, Checker, rows_of
from swathe_drivers.frames.framer import NO_INTS, Found, Framer
from swathe_drivers.records import FaultReason

_FIRST_WINDOW: Final = 64  # frames checked at once after one has failed
_GROWTH: Final = 8
_FIRST_REACH: Final = 256  # bytes looked through at once for the next frame
_LAST_REACH: Final = 1 << 15


@dataclass(frozen=True, slots=True, kw_only=True)
class LengthLocation:
    """Where a frame carries its length: `adds` more than the number at `at` is that of all."""

    at: int
    dtype: np.dtype[np.generic]
    adds: int

    @property
    def end(self) -> int:
        """Bytes of a frame up to and with the length."""
        return self.at + self.dtype.itemsize


class SyncedFramer(Framer):
    """Finds frames by their first bytes, their length and their checksum."""

    def __init__(
        self,
        *,
        sync: bytes,
        length: int | LengthLocation,
        checker: Checker | None,
        max_length: int,
        ns_per_byte: int,
        first: tuple[int, int] | None = None,
    ) -> None:
        """Take how frames begin: `first` is mask and value of the first byte and of no other."""
        super().__init__(max_length=max_length, ns_per_byte=ns_per_byte)
        self._first = first
        self._sync = sync
        self._length = length
        self._checker = checker
        self._head = len(sync) if isinstance(length, int) else length.end
        tail = checker.size if checker is not None else 0
        self._reach = 0
        self._shortest = length if isinstance(length, int) else length.end + tail

    def _find(self, block: NDArray[np.uint8]) -> Found:
        runs: list[tuple[int, int, int]] = []
        reaches: list[int] = []  # for each run, behind the bytes of all that failed before
        self._reach = 0
        pos, window = self._pos, block.size
        while True:
            count, length = self._run(block, pos, window)
            if count:
                self._ledger.close(self._base + pos)
                if runs and runs[-1][2] == length and _end_of(runs[-1]) == pos:
                    runs[-1] = (runs[-1][0], runs[-1][1] + count, length)
                else:
                    runs.append((pos, count, length))
                    reaches.append(self._reach)
                pos += count * length
            if count == window:
                window *= _GROWTH
                continue
            at, need = self._hunt(block, pos)
            pos = at
            if need:
                break
            window = _FIRST_WINDOW
        self._pos, self._need = pos, need
        if not runs:
            return Found()
        if len(runs) == 1:
            first, count, length = runs[0]
            starts = np.arange(first, first + count * length, length, dtype=np.int64)
            return Found(
                starts=starts,
                sizes=np.full(count, length, np.int64),
                stride=length,
                decided=np.maximum(starts + length, reaches[0]) if reaches[0] else None,
            )
        starts = np.concatenate(
            [np.arange(at, at + n * length, length, dtype=np.int64) for at, n, length in runs]
        )
        counts = [n for _, n, _ in runs]
        sizes = np.repeat([length for _, _, length in runs], counts)
        return Found(
            starts=starts,
            sizes=sizes,
            decided=np.maximum(starts + sizes, np.repeat(reaches, counts)),
        )

    def _run(self, block: NDArray[np.uint8], pos: int, window: int) -> tuple[int, int]:
        """How many good frames follow each other from `pos` on, at most `window`; their length."""
        if pos + self._head > block.size:
            return 0, 0
        if isinstance(self._length, int):
            length = self._length
        else:
            length = int(self._lengths(block, np.array([pos]))[0])
            if not self._shortest <= length <= self._max_length:
                return 0, 0
        count = min((block.size - pos) // length, window)
        if not count:
            return 0, 0
        rows = block[pos : pos + count * length].reshape(count, length)
        for index, byte in enumerate(self._sync):
            rows = _prefix(rows, rows[:, index] == byte)
        if self._first is not None and rows.shape[0]:
            rows = _prefix(rows, self._is_marked(rows))
        if not isinstance(self._length, int) and rows.shape[0]:
            for index in range(self._length.at, self._length.end):
                rows = _prefix(rows, rows[:, index] == rows[0, index])
        if self._checker is not None and rows.shape[0]:
            rows = _prefix(rows, self._checker.check(rows).good)
        return rows.shape[0], length

    def _hunt(self, block: NDArray[np.uint8], pos: int) -> tuple[int, int]:
        """Where the next frame begins, and 0; or where one may, and the bytes it takes to know.

        Enters what is before into the ledger.
        """
        reach = _FIRST_REACH
        while pos < block.size:
            end = min(pos + reach, block.size)
            found = self._candidates(block, pos, end)
            cut, good = self._judge(block, found, pos)
            if cut < found.size:
                at = int(found[cut])
                self._ledger.no_frame(self._base + pos, self._base + at)
                if good:
                    return at, 0
                return at, self._needed(block, at)
            self._ledger.no_frame(self._base + pos, self._base + end)
            pos = end
            reach = min(reach * _GROWTH, _LAST_REACH)
        return pos, pos + 1

    def _candidates(self, block: NDArray[np.uint8], pos: int, end: int) -> NDArray[np.int64]:
        """Indices from `pos` to before `end` at which a frame may begin."""
        if self._first is not None:
            mask, value = self._first
            return np.flatnonzero(block[pos:end] & np.uint8(mask) == value) + pos
        if not self._sync:
            return np.arange(pos, end)
        found = np.flatnonzero(block[pos:end] == self._sync[0]) + pos
        for index in range(1, len(self._sync)):
            beyond = found + index >= block.size  # not yet known
            found = found[beyond | (block.take(found + index, mode="clip") == self._sync[index])]
        return found

    def _judge(
        self, block: NDArray[np.uint8], found: NDArray[np.int64], pos: int
    ) -> tuple[int, bool]:
        """Index in `found` of the first that has not failed, and whether it is a frame.

        Tells the ledger those that failed before, from `pos` on.
        """
        head = int(np.count_nonzero(found + self._head <= block.size))
        lengths = self._lengths(block, found[:head])
        fits = (lengths >= self._shortest) & (lengths <= self._max_length)
        whole = fits & (found[:head] + lengths <= block.size)
        unknown = fits & ~whole
        cut = int(unknown.argmax()) if unknown.any() else head  # behind it nothing is decided
        lengths, fits = lengths[:cut], fits[:cut]
        if self._first is not None and fits.any():  # its length is that of all
            fits = self._is_marked(rows_of(block, found[:cut], int(lengths[0])))
        good = fits
        result: Checked | None = None
        order = NO_INTS
        if self._checker is not None and fits.any():
            order = np.flatnonzero(fits)
            result = self._checker.check_each(block, found[order], lengths[order])
            good = fits.copy()
            good[order] = result.good
        is_frame = bool(good.any())
        if is_frame:
            cut = int(good.argmax())
        if fits[:cut].any():  # what failed by its checksum had to be here whole
            self._reach = max(self._reach, int((found[:cut] + lengths[:cut])[fits[:cut]].max()))
        at = 0
        while at < cut:
            place = int(found[at])
            if fits[at]:
                assert self._checker is not None  # noqa: S101  what fits fails only by it
                assert result is not None  # noqa: S101
                until = place + int(lengths[at])
                detail = self._checker.describe(result, int(np.searchsorted(order, at)))
                reason = FaultReason.CHECKSUM
            else:
                until = place + self._shortest
                reason = FaultReason.LENGTH
                detail = (
                    "another frame begins before its end"
                    if self._first is not None
                    else (
                        f"a length of {int(lengths[at])} bytes is not"
                        f" {self._shortest} to {self._max_length}"
                    )
                )
            self._ledger.no_frame(self._base + pos, self._base + place)
            self._ledger.failed(self._base + place, reason, detail, self._base + until)
            at = max(at + 1, int(np.searchsorted(found, self._ledger.until - self._base)))
        return cut, is_frame

    def _is_marked(self, rows: NDArray[np.uint8]) -> NDArray[np.bool_]:
        """Frames, shape (n, length), of which the first byte is one, and no other."""
        assert self._first is not None  # noqa: S101  for the type checker
        mask, value = self._first
        marked = rows & np.uint8(mask) == value
        return np.asarray(marked[:, 0] & ~marked[:, 1:].any(axis=1))

    def _lengths(self, block: NDArray[np.uint8], at: NDArray[np.int64]) -> NDArray[np.int64]:
        """Lengths of the frames that begin at `at`, whose heads are complete."""
        if isinstance(self._length, int):
            return np.full(at.shape, self._length, np.int64)
        if not at.size:
            return NO_INTS
        raw = rows_of(block, at + self._length.at, self._length.dtype.itemsize)
        sent = np.ascontiguousarray(raw).view(self._length.dtype)[:, 0]
        return np.asarray(sent.astype(np.int64) + self._length.adds, np.int64)

    def _needed(self, block: NDArray[np.uint8], at: int) -> int:
        """Bytes in the buffer that the frame at `at` takes, as far as it is known."""
        if at + len(self._sync) > block.size:
            return block.size + 1  # the next byte may show that it is none
        if at + self._head > block.size:
            return at + self._head
        return at + int(self._lengths(block, np.array([at]))[0])


def _end_of(run: tuple[int, int, int]) -> int:
    """Index behind the last frame of a run of start, count and length."""
    first, count, length = run
    return first + count * length


def _prefix(rows: NDArray[np.uint8], good: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """The rows before the first that is not good."""
    return rows if good.all() else rows[: int(good.argmin())]
