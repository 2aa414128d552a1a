"""Where the columns of many lines are."""

from dataclasses import dataclass
from typing import Final, Self

import numpy as np
from numpy.typing import NDArray

_SPACES: Final = b" \t"


@dataclass(frozen=True, slots=True, eq=False)
class Fields:
    """Bounds of the columns of n lines, without the spaces around them.

    Attributes:
        data: the bytes that the lines are in; `block` is the same as uint8.
        starts: index of the first byte of each column, shape (columns, n).
        ends: index behind its last byte, shape (columns, n).
    """

    data: bytearray
    block: NDArray[np.uint8]
    starts: NDArray[np.int64]
    ends: NDArray[np.int64]

    @property
    def rows(self) -> int:
        """Number of lines."""
        return int(self.starts.shape[1])

    def text(self, column: int, row: int) -> bytes:
        """One column of one line."""
        return bytes(self.data[self.starts[column, row] : self.ends[column, row]])

    def texts(self, column: int, rows: NDArray[np.int64] | None) -> list[bytes]:
        """One column of some lines; None: of all."""
        data, starts, ends = self.data, self.starts[column], self.ends[column]
        if rows is not None:
            starts, ends = starts[rows], ends[rows]
        bounds = zip(starts.tolist(), ends.tolist(), strict=True)
        return [bytes(data[start:end]) for start, end in bounds]

    def equal(self, column: int, text: bytes) -> NDArray[np.bool_]:
        """Lines whose column is `text`, shape (n,)."""
        starts = self.starts[column]
        same: NDArray[np.bool_] = self.ends[column] - starts == len(text)
        for index, byte in enumerate(text):
            same &= self.block.take(starts + index, mode="clip") == byte
        return same

    def begin(self, column: int, text: bytes) -> NDArray[np.bool_]:
        """Lines whose column begins with `text`, shape (n,)."""
        starts = self.starts[column]
        same: NDArray[np.bool_] = self.ends[column] - starts >= len(text)
        for index, byte in enumerate(text):
            same &= self.block.take(starts + index, mode="clip") == byte
        return same

    def only(self, keep: NDArray[np.bool_]) -> Self:
        """The lines where `keep`, shape (n,), is true."""
        return type(self)(self.data, self.block, self.starts[:, keep], self.ends[:, keep])


class Trimmer:
    """Leaves out the spaces around texts."""

    def __init__(self, spaces: bytes) -> None:
        self._spaces = spaces
        self._is_text = np.ones(256, np.bool_)
        self._is_text[list(spaces)] = False

    def strip(self, text: bytes) -> bytes:
        """`text` without the spaces around it."""
        return text.strip(self._spaces)

    def trim(
        self,
        data: bytearray,
        block: NDArray[np.uint8],
        left: NDArray[np.int64],
        right: NDArray[np.int64],
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Bounds without the spaces; `block` is `data` as uint8."""
        if not any(space in data for space in self._spaces):
            return left, right
        # The bytes that are no spaces, in order: the next one from the left end and the last
        # one before the right end bound the text. Linear, however many spaces there are.
        solid = np.flatnonzero(self._is_text[block])
        if solid.size == 0:
            return left, left.copy()
        after = solid.take(np.searchsorted(solid, left), mode="clip")
        before = solid.take(np.searchsorted(solid, right) - 1, mode="clip")
        empty = (after >= right) | (after < left)
        return np.where(empty, left, after), np.where(empty, left, before + 1)


class Splitter:
    """Finds the columns of lines that all have the same number of them."""

    def __init__(self, *, separator: bytes, columns: int) -> None:
        self._separator = separator[0]
        self._columns = columns
        self._trimmer = Trimmer(_SPACES.replace(separator, b""))

    def strip(self, text: bytes) -> bytes:
        """`text` without the spaces around it."""
        return self._trimmer.strip(text)

    def find(self, block: NDArray[np.uint8]) -> NDArray[np.int64]:
        """Indices of all separators of the block."""
        return np.flatnonzero(block == self._separator)

    def count(
        self,
        separators: NDArray[np.int64],
        starts: NDArray[np.int64],
        ends: NDArray[np.int64],
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """For each line, the index of its first separator in `separators`, and its columns."""
        each = self._columns - 1
        if each and separators.size == each * starts.size:  # as a rule: those of the lines alone
            first = np.arange(0, separators.size, each)
            if (separators[::each] >= starts).all() and (separators[each - 1 :: each] < ends).all():
                return first, np.full(starts.size, self._columns, np.int64)
        first = np.searchsorted(separators, starts)
        return first, np.searchsorted(separators, ends) - first + 1

    def split(
        self,
        data: bytearray,
        block: NDArray[np.uint8],
        separators: NDArray[np.int64],
        first: NDArray[np.int64],
        starts: NDArray[np.int64],
        ends: NDArray[np.int64],
    ) -> Fields:
        """Bounds of the columns; every line must have the right number of them."""
        n = self._columns
        left = np.empty((n, starts.size), np.int64)
        right = np.empty((n, starts.size), np.int64)
        left[0] = starts
        right[n - 1] = ends
        if n > 1:
            if separators.size == (n - 1) * starts.size:  # no others are between them
                right[: n - 1] = separators.reshape(-1, n - 1).T
            else:
                right[: n - 1] = separators[first + np.arange(n - 1)[:, np.newaxis]]
            np.add(right[: n - 1], 1, out=left[1:])
        left, right = self._trimmer.trim(data, block, left, right)
        return Fields(data, block, left, right)
