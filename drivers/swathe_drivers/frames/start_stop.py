"""Frames between a start and a stop byte, which are escaped where they occur within.

A start or stop byte with an odd number of escape bytes right before it is part of a frame, if
the byte behind an escape byte stands for itself; if it is xored, no start or stop byte is.
"""

from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.frames.framer import NO_INTS, Contents, Found, Framer, Frames, even_stride
from swathe_drivers.records import FaultReason

_NO_STOP: Final = "a start byte, but no stop byte before the next one"
_DANGLING: Final = "an escape byte right before the stop byte"


class StartStopFramer(Framer):
    """Finds frames by the bytes at their ends."""

    def __init__(
        self,
        *,
        start: int,
        stop: int,
        escape: int | None,
        xor: int = 0,
        replaced: Mapping[int, int] | None = None,
        tail: int = 0,
        wide: int = 1,
        stop_covered: bool = True,
        max_length: int,
        ns_per_byte: int,
    ) -> None:
        """Bytes behind `escape` are xored with `xor`, or stand for what `replaced` says.

        `tail` bytes of any value behind the stop byte belong to the frame. Its contents then have the
        stop byte, if it is covered, and these at their end. `wide` bytes mark each end of a frame,
        of which the last one is the start or the stop byte.
        """
        super().__init__(max_length=max_length, ns_per_byte=ns_per_byte)
        self._start = start
        self._stop = stop
        self._escape = escape
        self._xor = xor
        self._tail = tail
        self._wide = wide
        self._stop_covered = stop_covered
        self._meant = _meanings(xor, replaced)
        self._literal = escape is not None and xor == 0 and replaced is None
        self._odd = False  # an odd number of escape bytes is right before the buffer
        self._inside = False  # with one byte for both ends: a frame begins at `_pos`
        self._too_long = f"no stop byte within {max_length} bytes"

    def reset(self, offset: int) -> Frames | None:
        """Drop what is pending; see `Framer.reset`."""
        self._start_again()
        return super().reset(offset)

    def _start_again(self) -> None:
        self._odd = self._inside = False

    def _find(self, block: NDArray[np.uint8]) -> Found:
        ends = np.flatnonzero((block == self._start) | (block == self._stop))
        if self._literal:
            ends = ends[~after_odd(block, self._escape, before=self._odd)[ends]]
        ends = ends[ends >= self._pos]
        found = (
            self._between(block, ends)
            if self._start == self._stop
            else self._pairs(block, ends, block[ends] == self._start, block.size)
        )
        self._need = block.size + 1
        keep = self._pos if self._ledger.start is None else self._ledger.start - self._base
        if self._literal and keep:
            odd = after_odd(block[:keep], self._escape, before=self._odd)
            self._odd = bool(block[keep - 1] == self._escape) and not odd[-1]
        return found

    def _pairs(
        self,
        block: NDArray[np.uint8],
        ends: NDArray[np.int64],
        is_start: NDArray[np.bool_],
        size: int,
    ) -> Found:
        """Frames from each start to the stop that is the next of both.

        Args:
            block: the bytes in the buffer.
            ends: where the marks of starts and stops begin, shape (n,).
            is_start: which of them are starts, shape (n,).
            size: bytes of the block before which every mark is known.
        """
        index = np.flatnonzero(is_start)
        starts, known = ends[index], index + 1 < ends.size
        behind = np.where(known, ends.take(index + 1, mode="clip"), size)
        too_long = behind - starts > self._max_length - self._wide
        good = known & ~too_long & ~is_start.take(index + 1, mode="clip")
        wait = size
        if starts.size and not known[-1] and not too_long[-1]:
            wait = int(starts[-1])
        first, last = starts[good], behind[good] + self._wide
        undone = ~good & (starts < wait)
        failed, too_long = starts[undone], too_long[undone]
        if self._tail and first.size:
            first, last = self._with_tails(first, last)
            if last[-1] > block.size:  # its tail is still to come
                first, last, wait = first[:-1], last[:-1], int(first[-1])
            elif wait < last[-1]:  # the start byte that has no stop byte yet is in a tail
                wait = max(size, int(last[-1]))
        rest = self._pos
        if first.size:
            gaps = np.flatnonzero(first[1:] != last[:-1]) + 1
            for gap in (0, *gaps.tolist()):
                before = int(last[gap - 1]) if gap else self._pos
                self._account(before, int(first[gap]), failed, too_long)
                self._ledger.close(self._base + int(first[gap]))
            rest = int(last[-1])
        self._account(rest, wait, failed, too_long)
        self._pos = wait
        return Found(starts=first, sizes=last - first)

    def _with_tails(
        self, first: NDArray[np.int64], last: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return frames up to the end of their tails, without those that begin in the tail before."""
        last = last + self._tail
        if (first[1:] >= last[:-1]).all():
            return first, last
        keep, end = [], -1
        for row, (begin, until) in enumerate(zip(first.tolist(), last.tolist(), strict=True)):
            if begin >= end:
                keep.append(row)
                end = until
        return first[keep], last[keep]

    def _account(
        self,
        since: int,
        until: int,
        failed: NDArray[np.int64],
        too_long: NDArray[np.bool_],
    ) -> None:
        """Enter into the ledger the bytes `since` to before `until`, in which no frame is."""
        base, ledger = self._base, self._ledger
        low, high = np.searchsorted(failed, [since, until])
        for at, long in zip(failed[low:high].tolist(), too_long[low:high].tolist(), strict=True):
            ledger.no_frame(base + since, base + at)
            reason = FaultReason.TOO_LONG if long else FaultReason.FRAME
            ledger.failed(base + at, reason, self._too_long if long else _NO_STOP, base + at + 1)
        ledger.no_frame(base + since, base + until)

    def _between(self, block: NDArray[np.uint8], ends: NDArray[np.int64]) -> Found:
        """Frames up to each of the bytes that both end one and begin the next."""
        base, ledger, size = self._base, self._ledger, block.size
        if not self._inside:
            if not ends.size:
                ledger.no_frame(base + self._pos, base + size)
                self._pos = size
                return Found()
            first = int(ends[0])
            ledger.no_frame(base + self._pos, base + first)
            ledger.close(base + first)
            self._ignored += 1
            self._inside, self._pos, ends = True, first + 1, ends[1:]
        starts = np.append(self._pos, ends[:-1] + 1) if ends.size else NO_INTS
        sizes = ends + 1 - starts
        self._ignored += int(np.count_nonzero(sizes == 1))
        for row in np.flatnonzero(sizes > self._max_length).tolist():
            at, end = int(starts[row]), int(ends[row])
            self._fail(at, end)
            ledger.close(base + end)
            self._ignored += 1  # the byte at the end of what is dropped begins a frame
        if ends.size:
            self._pos = int(ends[-1]) + 1
        if size - self._pos >= self._max_length:
            self._fail(self._pos, size)
            self._inside, self._pos = False, size
        good = (sizes > 1) & (sizes <= self._max_length)
        return Found(starts=starts[good], sizes=sizes[good])

    def _fail(self, at: int, until: int) -> None:
        base = self._base
        self._ledger.failed(base + at, FaultReason.TOO_LONG, self._too_long, base + at + 1)
        self._ledger.no_frame(base + at, base + until)

    def _contents(self, block: NDArray[np.uint8], found: Found) -> Contents:
        """The frames' bytes as they were before they were escaped, without those at the ends."""
        skip = 0 if self._start == self._stop else self._wide
        starts, until = found.starts + skip, found.starts + found.sizes
        escape = self._escape
        # With a tail, that and perhaps the stop byte are contents, too.
        tail = (self._stop_covered + self._tail) if self._tail else 0
        ends = until - self._wide - self._tail
        lengths = ends - starts
        is_escape = block == escape
        if not starts.size or not is_escape.any():  # else two bytes at the ends: one is `escape`
            lengths = lengths + tail
            return Contents(
                block=block, starts=starts, lengths=lengths, stride=even_stride(starts, lengths)
            )
        # Every other one of a run of escape bytes is only what the one before stands for.
        is_escape &= ~after_odd(block, escape, before=False)
        inside = np.zeros(block.size + 1, np.int8)
        inside[starts] += 1
        inside[ends] -= 1
        within = np.cumsum(inside[:-1], dtype=np.int8).astype(np.bool_)
        is_escape &= within
        bad = dict.fromkeys(np.flatnonzero(is_escape[ends - 1] & (lengths > 0)).tolist(), _DANGLING)
        if not self._literal:
            behind = np.flatnonzero(is_escape[:-1]) + 1
            meant = self._meant[block[behind]]
            for at in behind[meant < 0].tolist():
                row = int(np.searchsorted(starts, at, side="right")) - 1
                bad.setdefault(
                    row, f"an escape byte before {int(block[at]):02X}, which stands for nothing"
                )
            block = block.copy()
            block[behind] = meant  # one that stands for nothing is in a bad frame
        kept = within & ~is_escape
        for place in range(1, tail + 1):
            kept[until - place] = True
        before = np.concatenate(([0], np.cumsum(kept)))
        starts, lengths = before[starts], before[until] - before[starts]
        return Contents(
            block=block[kept],
            starts=starts,
            lengths=lengths,
            stride=even_stride(starts, lengths),
            bad=bad,
        )


def _meanings(xor: int, replaced: Mapping[int, int] | None) -> NDArray[np.int16]:
    """What each byte behind an escape byte stands for; -1 for nothing."""
    if replaced is None:
        return np.arange(256, dtype=np.int16) ^ np.int16(xor)
    meant = np.full(256, -1, np.int16)
    meant[list(replaced)] = list(replaced.values())
    return meant


def after_odd(block: NDArray[np.uint8], escape: int | None, *, before: bool) -> NDArray[np.bool_]:
    """Bytes with an odd number of escape bytes right before them, shape (n,).

    Args:
        block: bytes.
        escape: the escape byte.
        before: an odd number of them is right before the block.
    """
    places = np.arange(block.size)
    other = np.where(block == escape, -2 if before else -1, places)
    last = np.maximum.accumulate(other)  # the last byte up to here that is no escape byte
    last = np.append(-2 if before else -1, last[:-1])
    return np.asarray((places - 1 - last) & 1, np.bool_)
