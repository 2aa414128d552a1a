"""Checks the checksums of frames, as many at a time as are equally long."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.checksums import as_sent, simple_sums
from swathe_drivers.frames.fields import ByteOrder
from swathe_drivers.frames.framing import CrcChecksum, SumChecksum, checksum_size


@dataclass(frozen=True, slots=True, eq=False)
class Checked:
    """Checksums of n frames, as sent and as computed, and whether they end as they must, shape (n,) each."""

    sent: NDArray[np.uint32]
    computed: NDArray[np.uint32]
    ended: NDArray[np.bool_] | None = None

    @property
    def good(self) -> NDArray[np.bool_]:
        """Frames in which they agree."""
        same = np.asarray(self.sent == self.computed)
        return same if self.ended is None else same & self.ended


class Checker:
    """Checks one kind of checksum at the end of frames.

    Attributes:
        size: bytes of the checksum and of what is behind it.
    """

    def __init__(
        self, settings: SumChecksum | CrcChecksum, byte_order: ByteOrder, end: bytes = b""
    ) -> None:
        """Frames have the bytes `end` behind the checksum."""
        self._own: Final = checksum_size(settings)
        self.size: Final = self._own + len(end)
        self._end = np.frombuffer(end, np.uint8)
        self._kind = settings.kind
        self._first = settings.first
        self._altered: dict[str, Any] = {}
        if isinstance(settings, SumChecksum):
            names = ("negated", "mask", "not_below", "modulo")
            self._altered = {name: getattr(settings, name) for name in names}
        self._crc = settings.crc() if isinstance(settings, CrcChecksum) else None
        order = settings.byte_order or byte_order
        self._dtype = np.dtype(f"{'<' if order == 'little' else '>'}u{self._own}")

    def check(self, frames: NDArray[np.uint8]) -> Checked:
        """Check the rows of an array of shape (n, length); a length of at least `size`."""
        covered = frames[:, self._first : frames.shape[1] - self.size]
        if self._crc is not None:
            computed = self._crc.of(covered)
        else:
            assert self._kind != "crc"  # noqa: S101  for the type checker
            computed = simple_sums(self._kind, covered, self._altered.get("modulo"))
            if self._altered:
                computed = as_sent(computed, 8 * self._own, **self._altered)
        behind = frames.shape[1] - self._end.size
        tail = np.ascontiguousarray(frames[:, behind - self._own : behind])
        sent = tail.view(self._dtype)[:, 0].astype(np.uint32)
        if not self._end.size:
            return Checked(sent, computed)
        return Checked(sent, computed, (frames[:, behind:] == self._end).all(axis=1))

    def check_each(
        self,
        block: NDArray[np.uint8],
        starts: NDArray[np.int64],
        lengths: NDArray[np.int64],
    ) -> Checked:
        """Check the frames `block[starts[i]:starts[i] + lengths[i]]`; one shorter is bad."""
        sent = np.ones(starts.size, np.uint32)
        computed = np.zeros(starts.size, np.uint32)
        ended = np.ones(starts.size, np.bool_) if self._end.size else None
        for length in np.unique(lengths).tolist():
            if length < self.size:
                continue
            rows = lengths == length
            result = self.check(rows_of(block, starts[rows], length))
            sent[rows], computed[rows] = result.sent, result.computed
            if ended is not None and result.ended is not None:
                ended[rows] = result.ended
        return Checked(sent, computed, ended)

    def describe(self, result: Checked, row: int) -> str:
        """The sentence for a frame whose checksum is wrong."""
        if result.ended is not None and not result.ended[row]:
            return f"the frame does not end with {self._end.tobytes().hex(' ').upper()}"
        digits = 2 * self._own
        return (
            f"the frame carries {int(result.sent[row]):0{digits}X}"
            f" but its bytes give {int(result.computed[row]):0{digits}X}"
        )


def rows_of(
    block: NDArray[np.uint8], starts: NDArray[np.int64], width: int, stride: int | None = None
) -> NDArray[np.uint8]:
    """The bytes `block[starts[i]:starts[i] + width]` as rows, without a copy if evenly spaced.

    Args:
        block: the bytes, contiguous.
        starts: index of the first byte of each row, shape (n,).
        width: bytes of a row.
        stride: `starts[i + 1] - starts[i]`, at least `width`, if it is the same everywhere.
    """
    if starts.size == 0:
        return np.empty((0, width), np.uint8)
    if stride is None:  # rows that begin at each byte, and of them those that are wanted
        every: NDArray[np.uint8]
        every = np.ndarray((block.size - width + 1, width), np.uint8, block, 0, (1, 1))
        return every[starts]
    return np.ndarray((starts.size, width), np.uint8, block, int(starts[0]), (stride, 1))
