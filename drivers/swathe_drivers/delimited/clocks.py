"""Times of day, and dates with times, in a column: many texts to ns.

A time of day is `hh:mm:ss` or `hhmmss`, each perhaps with decimals; it starts again at midnight. A
date and time is as ISO 8601 has it: `2026-03-29T01:59:59.98Z`, with a `T` or a space between, an
offset from UTC (`Z`, `+01:00`, `+0100`) or none. Its ns are counted from 1970-01-01 00:00, in UTC
where there is an offset. Digits beyond a nanosecond are a fault.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.decimals import read_plain

_HOUR: Final = 3600
_COLON: Final = ord(":")
_DASH: Final = ord("-")
_NS: Final = 9
_POWER: Final = 10**_NS
_EARLIEST, _LATEST = 1970, 2261  # what fits into 63 bits of ns


@dataclass(frozen=True, slots=True, eq=False)
class ReadClocks:
    """Times of n texts in ns, where they are `good`; shape (n,) each."""

    ns: NDArray[np.int64]
    good: NDArray[np.bool_]


def read_clock(
    block: NDArray[np.uint8],
    starts: NDArray[np.int64],
    ends: NDArray[np.int64],
    *,
    written: str,
    point: int,
) -> ReadClocks:
    """Read the texts `block[starts[i]:ends[i]]`; `point` is the byte of the decimal point.

    `written` is `hh:mm:ss`, `hhmmss` or `ISO 8601`.
    """
    if written == "ISO 8601":
        return _read_date(block, starts, ends, point)
    return _read_day(block, starts, ends, colons=written == "hh:mm:ss", point=point)


def _read_day(
    block: NDArray[np.uint8],
    starts: NDArray[np.int64],
    ends: NDArray[np.int64],
    *,
    colons: bool,
    point: int,
) -> ReadClocks:
    """ReadClocks of day as ns since midnight."""
    step = 3 if colons else 2
    text = _Texts(block, starts)
    hours, minutes = text.number(0, 2), text.number(step, 2)
    if colons:
        text.expect(2, _COLON)
        text.expect(5, _COLON)
    text.number(2 * step, 2)  # both digits of the seconds have to be there
    text.good &= ends - starts >= 2 * step + 2
    begin = np.minimum(starts + 2 * step, block.size - 1)
    seconds, exact = read_plain(block, begin, ends, point=point).scaled(_NS)
    # The texts may be so short that these indices are behind their ends: not good as it is.
    good = text.good & exact & (hours < 24) & (minutes < 60)
    good &= (seconds >= 0) & (seconds < 60 * _POWER)
    ns = (hours * _HOUR + minutes * 60) * _POWER + seconds
    return ReadClocks(np.where(good, ns, 0), good)


def _read_date(
    block: NDArray[np.uint8], starts: NDArray[np.int64], ends: NDArray[np.int64], point: int
) -> ReadClocks:
    """Dates with times as ns since 1970."""
    text = _Texts(block, starts)
    text.good &= ends - starts >= 19
    years, months, days = text.number(0, 4), text.number(5, 2), text.number(8, 2)
    text.expect(4, _DASH)
    text.expect(7, _DASH)
    between = text.at(10)
    good = text.good & ((between == ord("T")) | (between == ord(" ")))
    good &= (years >= _EARLIEST) & (years <= _LATEST) & (months >= 1) & (months <= 12)
    index = np.where(good, (years - 1970) * 12 + months - 1, 0)
    first, behind = _month_begin(index), _month_begin(index + 1)
    good &= (days >= 1) & (days <= behind - first)
    offsets, time_ends, known = _offsets(block, starts, ends)
    day = _read_day(
        block, np.minimum(starts + 11, block.size - 1), time_ends, colons=True, point=point
    )
    good &= day.good & known
    ns = (first + days - 1) * (24 * _HOUR * _POWER) + day.ns - offsets * (60 * _POWER)
    return ReadClocks(np.where(good, ns, 0), good)


def _month_begin(months: NDArray[np.int64]) -> NDArray[np.int64]:
    """Days from 1970-01-01 to the first of each month, counted from January 1970."""
    dates = months.astype("datetime64[M]").astype("datetime64[D]")
    return np.asarray(dates.astype(np.int64))


def _offsets(
    block: NDArray[np.uint8], starts: NDArray[np.int64], ends: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
    """Offsets from UTC in minutes, where the times before them end, and whether they are right."""
    minutes = np.zeros(starts.size, np.int64)
    good = np.ones(starts.size, np.bool_)
    size = ends - starts
    last = block.take(np.maximum(ends - 1, 0), mode="clip")
    stop = np.where((size > 19) & (last == ord("Z")), ends - 1, ends)
    for width in (6, 5):  # +01:00 and +0100
        sign = block.take(np.maximum(ends - width, 0), mode="clip")
        has = (size >= 19 + width) & (stop == ends) & ((sign == ord("+")) | (sign == _DASH))
        if not has.any():
            continue
        text = _Texts(block, np.maximum(ends - width, 0))
        hours, rest = text.number(1, 2), text.number(width - 2, 2)
        if width == 6:
            text.expect(3, _COLON)
        right = text.good & (hours < 24) & (rest < 60)
        total = hours * 60 + rest
        minutes = np.where(has, np.where(sign == _DASH, -total, total), minutes)
        good &= right | ~has
        stop = np.where(has, ends - width, stop)
    return minutes, stop, good


class _Texts:
    """Characters at certain places of many texts.

    Attributes:
        good: texts in which all that was looked for is there, shape (n,).
    """

    def __init__(self, block: NDArray[np.uint8], starts: NDArray[np.int64]) -> None:
        self._block = block
        self._starts = starts
        self.good = np.ones(starts.size, np.bool_)

    def at(self, place: int) -> NDArray[np.uint8]:
        """The character at a place."""
        found: NDArray[np.uint8] = self._block.take(self._starts + place, mode="clip")
        return found

    def expect(self, place: int, char: int) -> None:
        """Demand a character."""
        self.good &= self.at(place) == char

    def number(self, place: int, digits: int) -> NDArray[np.int64]:
        """The number of so many digits."""
        value: NDArray[Any] = np.zeros(self._starts.size, np.int64)
        for step in range(digits):
            digit = self.at(place + step) - np.uint8(ord("0"))  # wraps round: all else is > 9
            self.good &= digit <= 9
            value = value * 10 + digit
        return value
