"""Numbers in frames that are no type of numpy: 24 bits, BCD, 6 or 7 bits a byte, and digits as text."""

import re
from functools import cache
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.decimals import read_plain

BcdType = Literal["bcd1", "bcd2", "bcd3", "bcd4", "bcd5", "bcd6"]
DigitsType = Literal[
    "digits1",
    "digits2",
    "digits3",
    "digits4",
    "digits5",
    "digits6",
    "digits7",
    "digits8",
    "digits9",
    "digits10",
    "digits11",
    "digits12",
]

SignedBcdType = Literal["sbcd1", "sbcd2", "sbcd3", "sbcd4", "sbcd5", "sbcd6"]
SeptetType = Literal["septet1", "septet2", "septet3", "septet4", "septet5"]

SextetType = Literal["sextet1", "sextet2", "sextet3", "sextet4", "sextet5"]

_PACKED: Final = re.compile(r"(bcd|sbcd|digits|s?septet|s?sextet)(\d+)-?")
"""Types by name and bytes; `sseptet3` is a two's complement, `digits5-` has its sign behind."""
_SIGNS: Final = {
    0x0: 1,
    0xA: 1,
    0xC: 1,
    0xE: 1,
    0xF: 1,
    0x1: -1,
    0x8: -1,
    0x9: -1,
    0xB: -1,
    0xD: -1,
}
"""Signs by the first half-byte: 0 is plus; 1, 8 and 9 are minus; A to F as packed decimals have them."""
_SIGN_OF: Final = np.array([_SIGNS.get(half, 0) for half in range(16)], np.int64)
_SPACE: Final = ord(" ")


@cache
def bytes_of_type(kind: str) -> int:
    """Return the bytes of a number of a type."""
    packed = _PACKED.fullmatch(kind)
    return int(packed[2] if packed else kind[1])


def is_packed(kind: str) -> bool:
    """Whether numpy has no such type."""
    return kind in ("u3", "i3") or _PACKED.fullmatch(kind) is not None


def digits_of(kind: str) -> int | None:
    """Return how many decimal digits a type has; None for a binary one."""
    packed = _PACKED.fullmatch(kind)
    if packed is None or packed[1].endswith(("septet", "sextet")):
        return None
    if packed[1] == "sbcd":
        return 2 * int(packed[2]) - 1
    return int(packed[2]) * (2 if packed[1] == "bcd" else 1)


def bits_of_type(kind: str) -> int:
    """Return the bits of a type of binary numbers."""
    return bytes_of_type(kind) * (7 if "septet" in kind else 6 if "sextet" in kind else 8)


@cache
def limits(kind: str) -> tuple[int, int]:
    """Return the minimum and maximum of a type of whole numbers."""
    digits = digits_of(kind)
    if kind.startswith("sbcd") and digits is not None:
        return 1 - 10**digits, 10**digits - 1
    if digits is not None:
        # Of digits as text one place may be a sign.
        return (0 if kind.startswith("bcd") else 1 - 10 ** (digits - 1)), 10**digits - 1
    bits = bits_of_type(kind)
    return (
        (0, (1 << bits) - 1)
        if kind[0] == "u" or kind.startswith(("septet", "sextet"))
        else (-(1 << (bits - 1)), (1 << (bits - 1)) - 1)
    )


def read_packed(
    places: NDArray[np.uint8], kind: str, *, little: bool, point: bool
) -> tuple[NDArray[Any], NDArray[np.bool_]]:
    """Return the numbers of a packed type, and where they are right; 0 elsewhere.

    Args:
        places: the bytes of each number, shape (n, width).
        kind: the type.
        little: the lowest byte comes first; means nothing for digits as text.
        point: digits may have a decimal point, and the numbers are doubles.
    """
    if kind.startswith("digits"):
        return _read_text(places, point=point, sign_behind=kind.endswith("-"))
    ordered = places[:, ::-1] if little else places
    good = np.ones(places.shape[0], np.bool_)
    values = np.zeros(places.shape[0], np.int64)
    sign: NDArray[Any] | int = 1
    if kind.startswith("sbcd") and ordered.shape[1]:
        ordered = ordered.copy()
        sign = _SIGN_OF[ordered[:, 0] >> 4]
        good &= sign != 0
        ordered[:, 0] &= 15
    for place in range(ordered.shape[1]):
        byte = ordered[:, place]
        if kind.endswith("septet", 0, -1):
            good &= byte < 128
            values = values * 128 + byte
        elif kind.endswith("sextet", 0, -1):
            values = values * 64 + (byte & 63)
        elif kind.startswith(("bcd", "sbcd")):
            high, low = byte >> 4, byte & 15
            good &= (high <= 9) & (low <= 9)
            values = values * 100 + high * np.int64(10) + low
        else:
            values = values * 256 + byte
    if kind == "i3" or kind.startswith(("sseptet", "ssextet")):
        bits = bits_of_type(kind)
        values = np.where(values >> (bits - 1), values - (1 << bits), values)
    return np.where(good, values * sign, 0), good


def _read_text(
    places: NDArray[np.uint8], *, point: bool, sign_behind: bool
) -> tuple[NDArray[Any], NDArray[np.bool_]]:
    """Digits with spaces before or behind them, a sign, and perhaps a point."""
    count, width = places.shape
    block = np.ascontiguousarray(places).reshape(-1)
    solid = places != _SPACE
    rows = np.arange(count) * width
    starts = rows + solid.argmax(axis=1)
    ends = rows + width - solid[:, ::-1].argmax(axis=1)
    some = solid.any(axis=1)
    minus = np.zeros(count, np.bool_)
    if sign_behind:
        last, first = block[np.maximum(ends - 1, 0)], block[np.minimum(starts, block.size - 1)]
        minus = last == ord("-")
        some &= (first != ord("-")) & (first != ord("+"))
        ends = ends - (minus | (last == ord("+")))
        # Spaces between the number and its sign.
        inner = solid & (np.arange(width) < (ends - rows)[:, np.newaxis])
        some &= inner.any(axis=1)
        ends = rows + width - inner[:, ::-1].argmax(axis=1)
    plain = read_plain(block, starts, ends)
    values, good = plain.floats() if point else plain.integers()
    values = np.where(minus, -values, values)
    good = good & some
    return np.where(good, values, values.dtype.type(0)), good
