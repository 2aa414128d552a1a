"""Checksums of many equally long pieces of bytes at once: sums, exclusive or, and CRC.

A CRC is given by the parameters of the public catalogue of parametrised CRC algorithms: width,
polynomial (without its highest bit), initial value, whether each byte goes in with its lowest
bit first, whether the result is mirrored, and what it is xored with at the end.

The remainder is linear in the message, so that each byte adds what a table holds for its value
and the number of bytes behind it. Blocks of bytes are looked up together and joined by further
tables, which is slicing-by-N with a large N (after F. L. Berry and M. E. Kounavis, "Novel
table lookup-based algorithms for high-performance CRC generation", IEEE Transactions on
Computers, November 2008, pp. 1550-1560), here for all pieces at once.
"""

from dataclasses import dataclass
from functools import cache
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

SumKind = Literal["sum8", "sum16", "xor8", "fletcher16"]

_BLOCK: Final = 128  # a table of 128 × 256 × 4 bytes stays in the second cache
_AT_ONCE: Final = 1 << 18  # looked up together, to bound the memory taken

_SHORT: Final = 48  # rows of so many bytes are summed place by place
_MANY: Final = 8  # so many times as many rows as places: one place of all rows at a time

_BYTES: Final = np.arange(256, dtype=np.uint32)


@dataclass(frozen=True, slots=True, kw_only=True)
class CrcParameters:
    """A CRC of 8, 16 or 32 bits; the names are those of the catalogue but for `reflect`."""

    width: Literal[8, 16, 32]
    poly: int
    init: int = 0
    reflect_in: bool = False
    reflect_out: bool = False
    xorout: int = 0


def simple_sums(
    kind: SumKind, pieces: NDArray[np.uint8], modulo: int | None = None
) -> NDArray[np.uint32]:
    """The sum (modulo 2**8 or 2**16), exclusive or, or Fletcher's checksum of each row.

    Fletcher's is 256 times the sum of all sums up to a byte, and the sum of the bytes, both modulo 255 unless
    given (J. G. Fletcher, "An arithmetic checksum for serial transmissions", IEEE Transactions on
    Communications 30 (1), January 1982, pp. 247-252).

    Args:
        kind: of the checksum.
        pieces: bytes, shape (n, length).
        modulo: of a sum, if it is another.
    """
    if kind == "fletcher16":
        behind = np.arange(pieces.shape[1], 0, -1, dtype=np.int64)
        of = np.int64(modulo or 255)
        numbers = pieces.astype(np.int64)
        both = 256 * (numbers @ behind % of) + numbers.sum(axis=1) % of
        return np.asarray(both, np.uint32)
    axis = 1
    if pieces.shape[1] <= _SHORT:  # many short rows are quicker place by place
        pieces, axis = np.ascontiguousarray(pieces.T), 0
    if kind == "xor8":
        return np.asarray(np.bitwise_xor.reduce(pieces, axis=axis, initial=0), np.uint32)
    if modulo is not None:
        return np.asarray(pieces.sum(axis=axis, dtype=np.uint32) % np.uint32(modulo), np.uint32)
    # Unsigned sums wrap round at the width of their type, which is the modulus.
    width = np.uint8 if kind == "sum8" else np.uint16
    return np.asarray(pieces.sum(axis=axis, dtype=width), np.uint32)


def as_sent(
    sums: NDArray[np.uint32],
    bits: int,
    *,
    negated: bool,
    mask: int | None,
    not_below: int | None,
    modulo: int | None = None,
) -> NDArray[np.uint32]:
    """Return sums of so many bits as devices send them: negated, with fewer bits, or moved up."""
    if negated and modulo is not None:
        sums = (np.uint32(modulo) - sums) % np.uint32(modulo)
    elif negated:
        sums = -sums & np.uint32((1 << bits) - 1)
    if mask is not None:
        sums = sums & np.uint32(mask)
    if not_below is not None:
        sums = np.where(sums < not_below, sums + np.uint32(not_below), sums)
    return sums


class Crc:
    """Computes one kind of CRC; see `CrcParameters`."""

    def __init__(self, parameters: CrcParameters) -> None:
        self.parameters: Final = parameters
        self._tables = _tables(parameters.width, parameters.poly, parameters.reflect_in)
        self._inits = self._initial()

    def of(self, pieces: NDArray[np.uint8]) -> NDArray[np.uint32]:
        """The CRC of each row.

        Args:
            pieces: bytes, shape (n, length); any n and length, also 0.
        """
        rows, length = pieces.shape
        step = max(1, _AT_ONCE // max(1, min(length, _BLOCK)))
        states = np.empty(rows, np.uint32)
        for first in range(0, rows, step):
            states[first : first + step] = self._remainders(pieces[first : first + step])
        known = self.parameters
        if known.reflect_in != known.reflect_out:
            states = _mirrored(states, known.width)
        return states ^ np.uint32(known.xorout)

    def _initial(self) -> NDArray[np.uint32]:
        """The initial value behind 0 to `_BLOCK` - 1 zero bytes."""
        known = self.parameters
        value = np.array([known.init], np.uint32)
        if known.reflect_in:  # the register then holds its bits mirrored
            value = _mirrored(value, known.width)
        values = [value]
        while len(values) < _BLOCK:
            values.append(self._tables.next_of(values[-1]))
        return np.concatenate(values)

    def _remainders(self, pieces: NDArray[np.uint8]) -> NDArray[np.uint32]:
        tables = self._tables
        rows, length = pieces.shape
        begin = length % _BLOCK  # the short block comes first, so that all others are alike
        states = np.full(rows, self._inits[begin], np.uint32)
        if begin:
            states ^= tables.added(pieces[:, :begin])
        for at in range(begin, length, _BLOCK):
            states = tables.after_block(states) ^ tables.added(pieces[:, at : at + _BLOCK])
        return states


@dataclass(frozen=True, slots=True, eq=False)
class _Tables:
    """What bytes add to the remainder.

    Attributes:
        width: bits of the CRC.
        mirrored: bytes go in with their lowest bit first.
        behind: remainder of byte value b with k zero bytes behind it, shape (_BLOCK * 256,),
            at index k * 256 + b.
        shift: remainder of byte j of the register with a block of zero bytes behind it, shape
            (width / 8, 256).
    """

    width: int
    mirrored: bool
    behind: NDArray[np.uint32]
    shift: NDArray[np.uint32]

    def next_of(self, states: NDArray[np.uint32]) -> NDArray[np.uint32]:
        """Remainders after one more zero byte."""
        return _next(states, self.behind[:256], self.width, self.mirrored)

    def added(self, pieces: NDArray[np.uint8]) -> NDArray[np.uint32]:
        """Remainders of rows of at most `_BLOCK` bytes by themselves."""
        length = pieces.shape[1]
        if pieces.shape[0] >= _MANY * length:
            states = np.zeros(pieces.shape[0], np.uint32)
            for place in range(length):
                first = 256 * (length - 1 - place)
                states ^= self.behind[first : first + 256].take(pieces[:, place])
            return states
        index = pieces + (np.arange(length - 1, -1, -1, dtype=np.int32) * 256)
        return np.asarray(np.bitwise_xor.reduce(self.behind.take(index), axis=1), np.uint32)

    def after_block(self, states: NDArray[np.uint32]) -> NDArray[np.uint32]:
        """Remainders after a block of zero bytes."""
        out: NDArray[np.uint32] = self.shift[0].take(states & np.uint32(0xFF))
        for place in range(1, self.width // 8):
            out ^= self.shift[place].take((states >> np.uint32(8 * place)) & np.uint32(0xFF))
        return out


@cache
def _tables(width: int, poly: int, mirrored: bool) -> _Tables:
    first = _BYTES.copy() if mirrored else _BYTES << np.uint32(width - 8)
    divisor = np.uint32(_mirrored(np.array([poly], np.uint32), width)[0] if mirrored else poly)
    mask = np.uint32((1 << width) - 1)
    for _ in range(8):  # long division, bit by bit
        if mirrored:
            first = (first >> np.uint32(1)) ^ np.where(first & np.uint32(1), divisor, np.uint32(0))
        else:
            top = first & np.uint32(1 << (width - 1))
            first = ((first << np.uint32(1)) & mask) ^ np.where(top, divisor, np.uint32(0))
    behind = [first]
    for _ in range(_BLOCK - 1):
        behind.append(_next(behind[-1], first, width, mirrored))
    shift = []
    for place in range(width // 8):
        states = _BYTES << np.uint32(8 * place)
        for _ in range(_BLOCK):
            states = _next(states, first, width, mirrored)
        shift.append(states)
    return _Tables(width, mirrored, np.concatenate(behind), np.array(shift))


def _next(
    states: NDArray[np.uint32],
    first: NDArray[np.uint32],
    width: int,
    mirrored: bool,
) -> NDArray[np.uint32]:
    """Remainders after one more zero byte; `first` is the table of single bytes."""
    if mirrored:
        return np.asarray(first[states & np.uint32(0xFF)] ^ (states >> np.uint32(8)), np.uint32)
    moved = (states << np.uint32(8)) & np.uint32((1 << width) - 1)
    return np.asarray(first[states >> np.uint32(width - 8)] ^ moved, np.uint32)


def _mirrored(values: NDArray[np.uint32], width: int) -> NDArray[np.uint32]:
    """The same bits in reverse order."""
    out: NDArray[Any] = np.zeros_like(values)
    for bit in range(width):
        out |= ((values >> np.uint32(bit)) & np.uint32(1)) << np.uint32(width - 1 - bit)
    return out
