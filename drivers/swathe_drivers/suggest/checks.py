"""Which checksum fits: families searched over kinds, ranges and orders, with the chance that it only seems to.

A sum or a CRC whose initial value or final exclusive or is not known differs from what is computed with zeros
by the same number in all pieces of one length. So one pass over the bytes tests a polynomial with all such
values at once; the number itself shows them.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from math import lgamma, log, log10
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["MAX_CHANCE_LOG10", "FoundCheck", "Pieces", "chance_log10", "find_check", "pieces_of"]

MAX_CHANCE_LOG10: Final = -6.0
"""A checksum is accepted if it would fit by chance in fewer captures than one of a million."""

_MOST_ROWS: Final = 64
_SCREENED: Final = 8
_SCREENED_FIT: Final = 6
_FITS: Final = 0.9  # of the pieces: some may be damaged, that is what it is there for
_NAMED: Final[dict[int, tuple[int, ...]]] = {
    8: (0x07, 0x31, 0x9B, 0x39, 0xD5, 0x1D, 0x2F, 0xA7, 0x49, 0x4D, 0x8D, 0x5D, 0x97, 0x25),
    16: (
        *(0x1021, 0x8005, 0x3D65, 0x8BB7, 0x0589, 0xC867, 0xA097, 0x5935, 0x6F63, 0x080B, 0x1DCF),
        *(0x755B, 0x8BA5, 0x5B2F, 0xA2EB, 0xB2AA),
    ),
    32: (0x04C11DB7, 0x1EDC6F41, 0xA833982B, 0x814141AB, 0x741B8CD7, 0xF4ACFB13, 0x000000AF),
}
"""Polynomials of the public catalogue of parametrised CRC algorithms, by width (from memory)."""
_INITS: Final[dict[int, tuple[int, ...]]] = {
    8: (0x00, 0xFF, 0xFD, 0xC7, 0x52),
    16: (0x0000, 0xFFFF, 0x1D0F, 0x800D, 0xB2AA, 0x89EC, 0xC6C6, 0x554D, 0x496E),
    32: (0x00000000, 0xFFFFFFFF, 0x52325032),
}


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """Bytes that may be covered and what was sent with them.

    Attributes:
        rows: covered bytes, zeros before shorter ones, shape (n, length).
        lengths: bytes of each, shape (n,).
        sent: the number that was sent, shape (n,).
        width: its bits.
    """

    rows: NDArray[np.uint8]
    lengths: NDArray[np.int64]
    sent: NDArray[np.uint32]
    width: int

    @property
    def of_one_length(self) -> bool:
        """All are equally long."""
        return bool((self.lengths == self.lengths[0]).all())


@dataclass(frozen=True, slots=True)
class FoundCheck:
    """A checksum that fits.

    Attributes:
        table: settings of its kind, as `kind` and those of a CRC; empty for one that no driver has.
        name: in words.
        fitting: pieces it fits, of those that differ.
        pieces: that differ.
        chance: common logarithm of a bound on how often any of those tested would fit by chance.
    """

    table: dict[str, Any]
    name: str
    fitting: int
    pieces: int
    chance: float

    @property
    def accepted(self) -> bool:
        """It is no coincidence."""
        return self.chance < MAX_CHANCE_LOG10 and self.fitting >= _FITS * self.pieces


def pieces_of(
    covered: Sequence[bytes], sent: Sequence[int], width: int, most: int = _MOST_ROWS
) -> Pieces:
    """Return the pieces that differ, `most` of them, from all over the capture."""
    different = list(dict(zip(covered, sent, strict=True)).items())
    if len(different) > most:
        at = np.linspace(0, len(different) - 1, most).astype(int)
        different = [different[one] for one in at]
    longest = max((len(data) for data, _ in different), default=0)
    joined = b"".join(data.rjust(longest, b"\0") for data, _ in different)
    rows = np.frombuffer(joined, np.uint8).reshape(len(different), longest)
    lengths = np.array([len(data) for data, _ in different], np.int64)
    return Pieces(rows, lengths, np.array([s for _, s in different], np.uint32), width)


def chance_log10(tested: float, fitting: int, pieces: int, width: int, *, free: int = 0) -> float:
    """Return the common logarithm of a bound on the chance that one of `tested` fits random numbers.

    The union bound over what was tested and over which pieces fit: `tested` times the ways to choose
    `fitting` of `pieces`, times 2**-width for each, but for those that only settle a free parameter.
    """
    ways = lgamma(pieces + 1) - lgamma(fitting + 1) - lgamma(pieces - fitting + 1)
    exponent = -width * log10(2.0) * max(0, fitting - free)
    return log10(max(tested, 1.0)) + ways / log(10) + exponent


def find_check(pieces: Pieces, tested: float) -> FoundCheck | None:
    """Return the simplest checksum that fits nearly all pieces; None if none does by more than chance.

    Args:
        pieces: covered bytes and numbers sent.
        tested: how many other ranges, places and orders are tried with it, for the bound.
    """
    if pieces.rows.shape[0] < 4 or pieces.rows.shape[1] < 1:
        return None
    if np.unique(pieces.sent).size < 3:
        return None
    found = _sums(pieces, tested)
    if found is None and _may_be_crc(pieces):
        found = _crcs(pieces, tested)
    return found


def _fit(rest: NDArray[Any], wanted: int | None) -> tuple[int, int]:
    """The number that most are, and how many; `wanted` only where that is given."""
    if wanted is not None:
        return wanted, int(np.count_nonzero(rest == wanted))
    numbers, counts = np.unique(rest, return_counts=True)
    at = int(counts.argmax())
    return int(numbers[at]), int(counts[at])


def _sums(pieces: Pieces, tested: float) -> FoundCheck | None:
    width, mask = pieces.width, (1 << pieces.width) - 1
    total = pieces.rows.sum(axis=1, dtype=np.int64)
    sent = pieces.sent.astype(np.int64)
    numbers = pieces.rows.shape[0]
    families: list[tuple[dict[str, Any], str, NDArray[Any], int]] = []
    if width == 8:
        exclusive = np.bitwise_xor.reduce(pieces.rows, axis=1).astype(np.int64)
        families.append(({"kind": "xor"}, "exclusive or", sent ^ exclusive, 0))
    if width in (8, 16):
        kind = f"sum{width}"
        families.append(({"kind": kind}, f"sum of {width} bits", (sent - total) & mask, 0))
        two = {"kind": kind, "negated": True}
        families.append(
            (two, f"two's complement of the sum, {width} bits", (sent + total) & mask, 0)
        )
        families.append(
            ({}, f"one's complement of the sum, {width} bits", (sent + total) & mask, mask)
        )
    if width == 8 and sent.max() < 128:
        seven = {"mask": 0x7F}
        low = {"kind": "sum8"} | seven
        families.append((low, "sum of 7 bits", (sent - total) & 0x7F, 0))
        families.append(
            ({"kind": "xor"} | seven, "exclusive or of 7 bits", sent ^ exclusive & 0x7F, 0)
        )
        two = {"kind": "sum8", "negated": True} | seven
        families.append((two, "two's complement of the sum, 7 bits", (sent + total) & 0x7F, 0))
    if width == 8:
        families.append(({}, "exclusive or, inverted", sent ^ exclusive, mask))
        by_255 = np.where(sent == 255, 0, sent)
        families.append(({}, "sum modulo 255", (by_255 - total) % 255, 0))
    if width == 16 and pieces.of_one_length:
        families += _running_sums(pieces.rows.astype(np.int64), sent)
        families += _word_sums(pieces.rows.astype(np.int64), sent)
    for table, name, rest, wanted in families:
        _, count = _fit(rest, wanted)
        chance = chance_log10(tested * 20, count, numbers, width)
        found = FoundCheck(table, name, count, numbers, chance)
        if found.accepted:
            return found
    return None


def _running_sums(
    rows: NDArray[np.int64], sent: NDArray[np.int64]
) -> list[tuple[dict[str, Any], str, NDArray[Any], int]]:
    """Fletcher's checksum, modulo 255 and 256 (RFC 1146), which no driver has."""
    found: list[tuple[dict[str, Any], str, NDArray[Any], int]] = []
    weights = np.arange(rows.shape[1], 0, -1)
    for modulus in (255, 256):
        low = rows.sum(axis=1) % modulus
        high = (rows @ weights) % modulus
        name = f"Fletcher's checksum modulo {modulus}"
        found.append(({}, name, sent - (high << 8 | low), 0))
        found.append(({}, name, sent - (low << 8 | high), 0))
    return found


def _word_sums(
    rows: NDArray[np.int64], sent: NDArray[np.int64]
) -> list[tuple[dict[str, Any], str, NDArray[Any], int]]:
    """Sums and exclusive or of 16-bit words, which no driver has."""
    if rows.shape[1] % 2:
        return []
    found: list[tuple[dict[str, Any], str, NDArray[Any], int]] = []
    for order in ("little", "big"):
        low, high = (
            (rows[:, ::2], rows[:, 1::2]) if order == "little" else (rows[:, 1::2], rows[:, ::2])
        )
        words = low + 256 * high
        total = words.sum(axis=1)
        found.append(({}, f"sum of 16-bit words, {order} endian", (sent - total) & 0xFFFF, 0))
        found.append(
            (
                {},
                f"two's complement of the sum of words, {order} endian",
                (sent + total) & 0xFFFF,
                0,
            )
        )
        exclusive = np.bitwise_xor.reduce(words, axis=1)
        found.append(({}, f"exclusive or of 16-bit words, {order} endian", sent ^ exclusive, 0))
    return found


def _crcs(pieces: Pieces, tested: float) -> FoundCheck | None:
    width = pieces.width
    polys = np.array(_NAMED[width], np.uint32)
    count, ones = pieces.rows.shape[0], (1 << width) - 1
    tries = tested * polys.size * 4 * (2 * len(_INITS[width]) + 1)
    best: FoundCheck | None = None
    for reflect_in in (False, True):
        for init in _INITS[width] if not pieces.of_one_length else (0,):
            rows = _with_init(pieces, init, reflected=reflect_in)
            if rows is None:
                continue
            states = _states(rows, polys, width, reflected=reflect_in)
            for reflect_out in (reflect_in, not reflect_in):
                out = states if reflect_out == reflect_in else mirrored(states, width)
                rest = out ^ pieces.sent
                for at in range(polys.size):
                    xorout, fitting = _fit(rest[at], None)
                    chance = chance_log10(tries, fitting, count, width, free=1)
                    if chance >= MAX_CHANCE_LOG10 or fitting < _FITS * count:
                        continue
                    if not pieces.of_one_length and xorout not in (0, ones) and width > 8:
                        continue
                    table = _crc_table(
                        pieces, int(polys[at]), init, xorout, reflect_in, reflect_out
                    )
                    found = FoundCheck(table, f"CRC of {width} bits", fitting, count, chance)
                    if best is None or found.fitting > best.fitting:
                        best = found
    return best


def _may_be_crc(pieces: Pieces) -> bool:
    """Whether a look at a few of the pieces leaves a CRC possible, as most ranges have none."""
    longest = int(pieces.lengths.max())
    same = np.flatnonzero(pieces.lengths == np.bincount(pieces.lengths).argmax())[:_SCREENED]
    if same.size < _SCREENED:
        return True
    width = pieces.width
    polys = np.array(_NAMED[width], np.uint32)
    rows = pieces.rows[same, longest - int(pieces.lengths[same[0]]) :]
    sent = pieces.sent[same]
    for reflect_in in (False, True):
        states = _states(rows, polys, width, reflected=reflect_in)
        for out in (states, mirrored(states, width)):
            rest = np.sort(out ^ sent, axis=1)
            # The number that most are takes the middle place of all in order.
            middle = rest[:, _SCREENED // 2 : _SCREENED // 2 + 1]
            if (np.count_nonzero(rest == middle, axis=1) >= _SCREENED_FIT).any():
                return True
    return False


def _crc_table(
    pieces: Pieces, poly: int, init: int, xorout: int, reflect_in: bool, reflect_out: bool
) -> dict[str, Any]:
    """The settings; of pieces of one length the usual initial value in place of a final exclusive or."""
    width, ones = pieces.width, (1 << pieces.width) - 1
    if pieces.of_one_length and xorout:
        wanted = np.array([poly], np.uint32)
        for usual in _INITS[width]:
            rows = _with_init(pieces, usual, reflected=reflect_in)
            if rows is None:
                break
            states = _states(rows, wanted, width, reflected=reflect_in)[0]
            out = states if reflect_out == reflect_in else mirrored(states, width)
            left, _ = _fit(out ^ pieces.sent, None)
            if left in (0, ones):
                init, xorout = usual, left
                break
    table: dict[str, Any] = {"kind": "crc", "width": width, "poly": poly}
    table |= {"init": init} if init else {}
    table |= {"reflect_in": True} if reflect_in else {}
    table |= {"reflect_out": True} if reflect_out else {}
    return table | ({"xorout": xorout} if xorout else {})


def _with_init(pieces: Pieces, init: int, *, reflected: bool) -> NDArray[np.uint8] | None:
    """The rows with the initial value in their first bytes, where it has the same effect."""
    if not init:
        return pieces.rows
    size = pieces.width // 8
    if int(pieces.lengths.min()) < size:
        return None
    value = int(mirrored(np.array([init], np.uint32), pieces.width)[0]) if reflected else init
    rows = pieces.rows.copy()
    first = rows.shape[1] - pieces.lengths
    for place, byte in enumerate(value.to_bytes(size, "little" if reflected else "big")):
        rows[np.arange(rows.shape[0]), first + place] ^= byte
    return rows


@cache
def _table(poly: int, width: int, reflected: bool) -> NDArray[np.uint32]:
    """The remainder of each byte."""
    values = np.arange(256, dtype=np.uint32)
    mask = np.uint32((1 << width) - 1)
    if reflected:
        divisor = mirrored(np.array([poly], np.uint32), width)[0]
        for _ in range(8):
            values = (values >> np.uint32(1)) ^ np.where(
                values & np.uint32(1), divisor, np.uint32(0)
            )
        return values
    values = values << np.uint32(width - 8)
    for _ in range(8):
        top = values & np.uint32(1 << (width - 1))
        values = ((values << np.uint32(1)) & mask) ^ np.where(top, np.uint32(poly), np.uint32(0))
    return values


def _states(
    rows: NDArray[np.uint8], polys: NDArray[np.uint32], width: int, *, reflected: bool
) -> NDArray[np.uint32]:
    """Remainders of all rows by all polynomials, beginning with 0, shape (polynomials, n)."""
    tables = np.stack([_table(int(poly), width, reflected) for poly in polys])
    states = np.zeros((polys.size, rows.shape[0]), np.uint32)
    which = np.arange(polys.size)[:, None]
    mask = np.uint32((1 << width) - 1)
    for place in range(rows.shape[1]):
        byte = rows[:, place].astype(np.uint32)[None, :]
        if reflected:
            states = tables[which, (states ^ byte) & np.uint32(0xFF)] ^ (states >> np.uint32(8))
        else:
            index = (states >> np.uint32(width - 8)) ^ byte
            moved = (states << np.uint32(8)) & mask if width > 8 else np.uint32(0)
            states = tables[which, index & np.uint32(0xFF)] ^ moved
    return states


def mirrored(values: NDArray[np.uint32], width: int) -> NDArray[np.uint32]:
    """The same bits in reverse order."""
    out: NDArray[Any] = np.zeros_like(values)
    for bit in range(width):
        out |= ((values >> np.uint32(bit)) & np.uint32(1)) << np.uint32(width - 1 - bit)
    return out
