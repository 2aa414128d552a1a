"""Numbers in decimal notation, many at a time.

What counts as a number: an optional sign, digits with at most one point, an optional exponent;
nothing else, in particular neither digit grouping nor hexadecimal nor `inf` or `nan`.

Plain numbers (no exponent, at most 18 digits) are read for all rows at once as an integer
mantissa and a number of places. The quotient mantissa / 10**places of two exactly known
doubles is the correctly rounded value (W. D. Clinger, "How to read floating point numbers
accurately", PLDI 1990), so it equals what `float` gives. Whatever is not plain is left to the
functions that take one text.
"""

import re
from dataclasses import dataclass
from decimal import Decimal, localcontext
from math import isinf
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.records import FaultReason

_MAX_DIGITS: Final = 18  # 10**18 < 2**63
_NARROW_DIGITS: Final = 9  # 10**9 < 2**32; narrow numbers are multiplied several times as fast
_MAX_EXACT: Final = 2**53  # integers up to here are exact doubles, and so is 10**22
_MAX_TEXT: Final = 64
_POWERS: Final = 10.0 ** np.arange(_MAX_DIGITS + 1)
_INT_POWERS: Final = 10 ** np.arange(_MAX_DIGITS + 1, dtype=np.int64)
_INT64_MAX: Final = 2**63 - 1

_POINT: Final = ord(".")

_NUMBER: Final = re.compile(rb"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_INTEGER: Final = re.compile(rb"[+-]?[0-9]+")
_NOT_FINITE: Final = re.compile(rb"[+-]?(?:inf(?:inity)?|nan)", re.IGNORECASE)


class NumberError(ValueError):
    """A text is not a number its column may hold; stays inside this package.

    Attributes:
        reason: kind of the fault.
        problem: phrase that follows the quoted text.
    """

    def __init__(self, reason: FaultReason, problem: str) -> None:
        super().__init__(reason, problem)
        self.reason = reason
        self.problem = problem


@dataclass(frozen=True, slots=True, eq=False)
class Plain:
    """Numbers read at once: value = mantissa / 10**places, only where `good`; shape (n,).

    `minus` marks those with a minus sign, which zero has none of as an integer.
    """

    minus: NDArray[np.bool_]
    mantissa: NDArray[np.int64]
    places: NDArray[np.int64]
    has_point: NDArray[np.bool_]
    good: NDArray[np.bool_]

    def floats(self) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """Values, and where they are right; a zero keeps its sign, as `float` has it."""
        good = self.good & (np.abs(self.mantissa) <= _MAX_EXACT)
        values = self.mantissa / _POWERS[self.places]
        if self.minus.any():
            values = np.where(self.minus, -np.abs(values), values)
        return values, good

    def integers(self) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """Values, and where they are right: a number with a point is not an integer."""
        return self.mantissa, self.good & ~self.has_point

    def scaled(self, power: int) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """Values times 10**power, and where that is a whole number without rounding."""
        shift = power - self.places
        factor = _INT_POWERS[np.maximum(shift, 0)]
        good = self.good & (shift >= 0) & (np.abs(self.mantissa) <= _INT64_MAX // factor)
        return self.mantissa * factor, good


def read_plain(
    block: NDArray[np.uint8],
    starts: NDArray[np.int64],
    ends: NDArray[np.int64],
    *,
    point: int = _POINT,
) -> Plain:
    """Read the texts `block[starts[i]:ends[i]]`; no spaces around them.

    Every start must be a valid index of `block`; `point` is the byte of the decimal point.
    """
    first = block[starts]
    minus = first == ord("-")
    signed = minus | (first == ord("+"))
    if signed.any():
        starts = starts + signed
    lengths = ends - starts
    n = starts.size
    mantissa: NDArray[Any] = np.zeros(n, np.uint32)
    digits = np.zeros(n, np.int64)
    points = np.zeros(n, np.int64)
    places = np.zeros(n, np.int64)
    shortest = int(lengths.min())
    for k in range(min(int(lengths.max()), _MAX_DIGITS + 1)):
        if k == _NARROW_DIGITS:
            mantissa = mantissa.astype(np.int64)
        char = block[k:].take(starts, mode="clip")
        digit = char - np.uint8(ord("0"))  # wraps round, so that all else is > 9
        is_digit = digit <= 9
        if k < shortest and is_digit.all():
            mantissa *= 10
            mantissa += digit
            digits += 1
            continue
        inside = lengths > k
        is_point = (char == point) & inside
        if is_point.all():
            points += 1
            places = lengths - (1 + k)
            continue
        is_digit &= inside
        mantissa = np.where(is_digit, mantissa * 10 + digit, mantissa)
        digits += is_digit
        points += is_point
        places[is_point] = lengths[is_point] - 1 - k
    mantissa = mantissa.astype(np.int64, copy=False)
    # Whatever is neither a digit nor the one point makes the sum fall short of the length.
    good = (digits + points == lengths) & (points <= 1) & (digits >= 1) & (digits <= _MAX_DIGITS)
    places[~good] = 0
    if minus.any():
        mantissa = np.where(minus, -mantissa, mantissa)
    return Plain(minus, mantissa, places, points > 0, good)


def read_float(text: bytes) -> float:
    """One number.

    Raises:
        NumberError: it is none, or too large for a double; count it as a fault.
    """
    if len(text) <= _MAX_TEXT and text.replace(b".", b"", 1).isdigit():  # the usual case
        return float(text)
    if len(text) > _MAX_TEXT or _NUMBER.fullmatch(text) is None:
        if _NOT_FINITE.fullmatch(text) is not None:
            raise NumberError(FaultReason.NOT_FINITE, "is not a finite number")
        raise NumberError(FaultReason.NUMBER, "is not a decimal number")
    value = float(text)
    if isinf(value):
        raise NumberError(FaultReason.NOT_FINITE, "is not a finite number")
    return value


def read_integer(text: bytes) -> int:
    """One integer, of the size of an int64.

    Raises:
        NumberError: it is none, or too large; count it as a fault.
    """
    if len(text) <= _MAX_DIGITS and text.isdigit():  # the usual case
        return int(text)
    if len(text) > _MAX_TEXT or _INTEGER.fullmatch(text) is None:
        if _NOT_FINITE.fullmatch(text) is not None:
            raise NumberError(FaultReason.NOT_FINITE, "is not a finite number")
        raise NumberError(FaultReason.NUMBER, "is not a whole decimal number")
    value = int(text)
    if not -_INT64_MAX <= value <= _INT64_MAX:
        raise NumberError(FaultReason.OUT_OF_RANGE, "does not fit into 64 bits")
    return value


def read_scaled(text: bytes, power: int) -> int:
    """One number times 10**power, rounded to the nearest integer (half to even).

    Raises:
        NumberError: it is none, or too large for an int64; count it as a fault.
    """
    if len(text) < _MAX_DIGITS - power and text.isdigit():  # the usual case, far from any limit
        return int(text) * int(10**power)
    read_float(text)
    with localcontext(prec=2 * _MAX_TEXT) as context:
        # The exponent may be huge: look at the size before the digits are written out.
        context.Emax, context.Emin = 999_999_999_999, -999_999_999_999
        value = Decimal(text.decode("ascii"))
        if value.is_zero() or value.adjusted() + power < -1:
            return 0
        if value.adjusted() + power > _MAX_DIGITS:
            raise NumberError(FaultReason.OUT_OF_RANGE, "does not fit into 64 bits")
        scaled = int(value.scaleb(power).to_integral_value())
    if abs(scaled) > _INT64_MAX:  # pragma: no cover - 19 digits at most get here
        raise NumberError(FaultReason.OUT_OF_RANGE, "does not fit into 64 bits")
    return scaled
