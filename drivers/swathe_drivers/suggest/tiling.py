"""Into which fields the bytes of frames are best divided."""

from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.frames.fields import ByteOrder
from swathe_drivers.suggest.encodings import Encoded, encodings_at
from swathe_drivers.suggest.series import bits_of

__all__ = ["sampled_rows", "tiled"]

_BLOCKS: Final = 5
_BLOCK: Final = 300
_MOST_BYTES: Final = 96
_PER_FIELD: Final = 10.0  # bits that one more field has to save
_CONSTANT_ABOVE: Final = 9.0
"""Bits that a constant byte other than 0 costs as the highest byte of a number that never changes it."""
_ALIGNED: Final = 1.5
_UPSIDE_DOWN: Final = 80.0


def sampled_rows(number: int) -> NDArray[np.int64]:
    """Indices of rows in a row, from all over a capture and to its end, as an axis may rest for long."""
    if number <= _BLOCKS * _BLOCK:
        return np.arange(number)
    starts = np.linspace(0, number - _BLOCK, _BLOCKS).astype(np.int64)
    return (starts[:, None] + np.arange(_BLOCK)).ravel()


def tiled(
    rows: NDArray[np.uint8],
    order: ByteOrder,
    *,
    worth: Callable[[Encoded], float],
    first: int = 0,
    sizes: Sequence[int] | None = None,
    apart: frozenset[int] = frozenset(),
) -> tuple[float, list[Encoded]]:
    """Return the cheapest division of the bytes into fields, and its bits.

    Args:
        rows: frames, shape (n, length).
        order: of the bytes of numbers.
        worth: bits that a field is worth for what else is known of it, such as what the display shows.
        first: byte of the frame at which fields begin.
        sizes: sizes that numbers have; None: any.
        apart: bytes of the frame that belong to no number with others.
    """
    length = min(rows.shape[1], _MOST_BYTES)
    best: list[tuple[float, Encoded | None]] = [(np.inf, None)] * (length + 1)
    best[first] = (0.0, None)
    for at in range(first, length):
        if not np.isfinite(best[at][0]):
            continue
        for one in encodings_at(rows[:, :length], at, order):
            if sizes is not None and one.size not in sizes:
                continue
            if one.size > 1 and apart & {*range(at, at + one.size)}:
                continue
            cost = best[at][0] + _cost(rows, one, order) - worth(one)
            if cost < best[at + one.size][0]:
                best[at + one.size] = (cost, one)
    found: list[Encoded] = []
    at = length
    while at > first:
        one = best[at][1]
        if one is None:
            return np.inf, []
        found.append(one)
        at = one.first
    return best[length][0], found[::-1]


def _cost(rows: NDArray[np.uint8], one: Encoded, order: ByteOrder) -> float:
    span = one.span if one.kind[0] in "ui" else None
    bits = bits_of(one.steps, span)
    if one.kind[0] in "ui" and one.size > 1:
        bits = min(bits, bits_of(_without_outliers(one), span))
    cost = bits + _PER_FIELD - one.bonus
    if one.kind.startswith("digits"):
        lead = rows[:, one.first]
        if (lead == lead[0]).all() and chr(lead[0]) in "123456789":
            cost += 30.0  # a constant, not the first digit of a number
    if one.kind.startswith("bcd") and one.size > 1:
        present = np.isfinite(one.values)
        top = rows[present, one.first if order == "big" else one.first + one.size - 1]
        # The same digits at the top of all numbers are a mark before the number.
        cost += 30.0 if top.size and top[0] and (top == top[0]).all() else 0.0
    if one.size > 1 and one.kind[0] in "ui":
        piece = rows[:, one.first : one.first + one.size]
        piece = piece if order == "big" else piece[:, ::-1]
        steady = [bool((piece[:, at] == piece[0, at]).all()) for at in range(one.size)]
        # Constant bytes at the top of a number: 0, or another one that nothing shows to belong to it.
        for at in range(one.size):
            if not steady[at]:
                break
            cost += 1.0 if piece[0, at] == 0 else _CONSTANT_ABOVE
        if steady[-1]:  # the lowest byte never changes
            cost += 12.0
        # The lower a byte of a number, the more often it changes.
        changes = [int(np.count_nonzero(np.diff(piece[:, at]))) for at in range(one.size)]
        if any(high > 1.1 * low + 2 for high, low in pairwise(changes)):
            cost += _UPSIDE_DOWN
        if one.size in (3, 8):
            cost += 4.0
        cost -= _ALIGNED * (one.first % one.size == 0)
    return cost


def _without_outliers(one: Encoded) -> NDArray[np.int64]:
    """The numbers with those at the ends of the type taken for the ones before them."""
    steps, span, low = one.steps, one.span, one.low
    if span is None:
        return steps
    ends = (low, low + span - 1) if low else (0, span - 1, span // 2, span // 2 - 1)
    odd = np.isin(steps, ends)
    if not odd.any() or odd.mean() > 0.5:
        return steps
    at = np.where(odd, 0, np.arange(steps.size))
    np.maximum.accumulate(at, out=at)
    filled = steps[at]
    return filled if filled.size else steps
