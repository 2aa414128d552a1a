"""How numbers are written in a column: sign behind, decimal comma, hexadecimal, texts around them.

A column of numbers written as `decimals` takes them needs none of this. For the others the texts
around the number and the sign behind it are left out for all lines at once, and what remains is read
as an integer mantissa and a number of places, as plain numbers are.
"""

import re
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.decimals import NumberError, Plain, read_plain
from swathe_drivers.delimited.fields import Fields, Trimmer
from swathe_drivers.records import FaultReason

BASES: Final = {"decimal": 10, "hex": 16, "octal": 8}
"""Base by the key `written`."""

_NAMES: Final = {16: "hexadecimal", 8: "octal"}
_MAX_DIGITS: Final = {16: 15, 8: 20}  # so many digits are always below 2**63
_NO_DIGIT: Final = 255


def _digit_table() -> NDArray[np.uint8]:
    table = np.full(256, _NO_DIGIT, np.uint8)
    for value, digit in enumerate(b"0123456789ABCDEF"):
        table[digit] = value
    for value, digit in enumerate(b"abcdef"):
        table[digit] = 10 + value
    return table


DIGITS: Final = _digit_table()
"""Value of each byte as a hexadecimal digit, in either case; above 15 for others."""

_SPACES: Final = Trimmer(b" \t")
_PLUS: Final = ord("+")
_MINUS: Final = ord("-")


@dataclass(frozen=True, slots=True, eq=False)
class Bare:
    """Where the numbers of a column are, without the texts around them, shape (n,).

    Attributes:
        starts: index of the first byte.
        ends: index behind the last one.
        minus: rows with a minus sign behind the number.
        behind: index of the text behind the number; 0 where there is none.
        problems: rows that lack a text or have the sign elsewhere, and what is wrong with each.
    """

    starts: NDArray[np.int64]
    ends: NDArray[np.int64]
    minus: NDArray[np.bool_]
    behind: NDArray[np.int8]
    problems: tuple[tuple[NDArray[np.bool_], str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Notation:
    """How the numbers of a column are written.

    Attributes:
        base: 10, 16 or 8.
        point: the decimal point.
        sign_behind: the sign is behind the number, not before it.
        before: text before the number.
        behind: texts of which one is behind it; none: nothing is.
    """

    base: int = 10
    point: bytes = b"."
    sign_behind: bool = False
    before: bytes = b""
    behind: tuple[bytes, ...] = ()

    @property
    def is_usual(self) -> bool:
        """Numbers are written as `decimals` takes them."""
        return self == _USUAL

    def bare(self, fields: Fields, index: int) -> Bare:
        """Return where the numbers of a column are."""
        data, block = fields.data, fields.block
        starts, ends = fields.starts[index], fields.ends[index]
        problems: list[tuple[NDArray[np.bool_], str]] = []
        behind = np.zeros(starts.size, np.int8)
        minus = np.zeros(starts.size, np.bool_)
        if self.before:
            has = _equal(block, starts, ends - starts, self.before)
            starts = np.where(has, starts + len(self.before), starts)
            problems.append((~has, f"does not begin with {_shown(self.before)}"))
        if self.behind:
            found = np.zeros(starts.size, np.bool_)
            wide = ends
            # The longest first: 'm' is also the end of 'mm'.
            for number in sorted(range(len(self.behind)), key=lambda one: -len(self.behind[one])):
                text = self.behind[number]
                has = _equal(block, wide - len(text), wide - starts, text) & ~found
                ends = np.where(has, wide - len(text), ends)
                behind[has] = number
                found |= has
            texts = " or ".join(_shown(text) for text in self.behind)
            problems.append((~found, f"does not end with {texts}"))
        if self.before or self.behind:
            starts, ends = _SPACES.trim(data, block, starts, ends)
        if self.sign_behind:
            last = np.where(ends > starts, block.take(ends - 1, mode="clip"), 0)
            minus = last == _MINUS
            ends = ends - (minus | (last == _PLUS))
            starts, ends = _SPACES.trim(data, block, starts, ends)
            first = np.where(ends > starts, block.take(starts, mode="clip"), 0)
            signed = (first == _MINUS) | (first == _PLUS)
            problems.append((signed, "has its sign before it, not behind"))
        return Bare(starts, ends, minus, behind, tuple(problems))

    def equal(self, fields: Fields, index: int, text: bytes) -> NDArray[np.bool_]:
        """Rows whose column, without the texts around the number, is `text`, shape (n,)."""
        bare = self.bare(fields, index)
        lengths = bare.ends - bare.starts
        same: NDArray[np.bool_] = lengths == len(text)
        return same & _equal(fields.block, bare.starts, lengths, text)

    def plain(self, block: NDArray[np.uint8], bare: Bare) -> Plain:
        """Read the numbers of all rows at once."""
        starts = np.minimum(bare.starts, block.size - 1)
        if self.base == 10:
            plain = read_plain(block, starts, bare.ends, point=self.point[0])
        else:
            plain = read_digits(block, starts, bare.ends, base=self.base)
        if bare.minus.any():
            mantissa = np.where(bare.minus, -plain.mantissa, plain.mantissa)
            plain = replace(plain, minus=plain.minus | bare.minus, mantissa=mantissa)
        return plain

    def usual(self, text: bytes, *, minus: bool) -> bytes:
        """One number, without the texts around it, written as `decimals` takes it.

        Raises:
            NumberError: it is none; count it as a fault.
        """
        sign = b"-" if minus else b""
        if self.base == 10:
            if self.point != b".":
                if b"." in text:
                    point = self.point.decode()
                    raise NumberError(FaultReason.NUMBER, f"is not a number with {point!r}")
                text = text.replace(self.point, b".")
            return sign + text
        if _INTEGERS[self.base].fullmatch(text) is None:
            raise NumberError(FaultReason.NUMBER, f"is not a whole {_NAMES[self.base]} number")
        return sign + str(int(text, self.base)).encode()


_USUAL: Final = Notation()
_INTEGERS: Final = {
    16: re.compile(rb"[+-]?(?:0[xX])?[0-9A-Fa-f]{1,16}"),
    8: re.compile(rb"[+-]?[0-7]{1,21}"),
}


def read_digits(
    block: NDArray[np.uint8], starts: NDArray[np.int64], ends: NDArray[np.int64], *, base: int
) -> Plain:
    """Read whole numbers in base 16 or 8, with a sign and, in base 16, a `0x` if there is one.

    Every start must be a valid index of `block`. Numbers with so many digits that they may not fit
    into 63 bits are not `good`.
    """
    first = block[starts]
    minus = first == _MINUS
    starts = starts + (minus | (first == _PLUS))
    if base == 16:
        has = (ends - starts > 2) & (block.take(starts, mode="clip") == ord("0"))
        has &= (block.take(starts + 1, mode="clip") | 0x20) == ord("x")
        starts = starts + 2 * has
    lengths = ends - starts
    most = _MAX_DIGITS[base]
    good = (lengths >= 1) & (lengths <= most)
    mantissa: NDArray[Any] = np.zeros(starts.size, np.int64)
    for place in range(min(most, int(lengths.max(initial=0)))):
        digit = DIGITS[block.take(starts + place, mode="clip")]
        inside = lengths > place
        good &= (digit < base) | ~inside
        mantissa = np.where(inside, mantissa * base + digit, mantissa)
    mantissa = np.where(minus, -mantissa, mantissa)
    none = np.zeros(starts.size, np.bool_)
    return Plain(minus, mantissa, np.zeros(starts.size, np.int64), none, good)


def _equal(
    block: NDArray[np.uint8], at: NDArray[np.int64], room: NDArray[np.int64], text: bytes
) -> NDArray[np.bool_]:
    """Rows with `text` at index `at`, shape (n,); `room` is how many bytes it may take there."""
    same: NDArray[np.bool_] = room >= len(text)
    for place, byte in enumerate(text):
        same &= block.take(at + place, mode="clip") == byte
    return same


def _shown(text: bytes) -> str:
    return repr(text.decode("latin-1"))
