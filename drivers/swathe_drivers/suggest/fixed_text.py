"""Columns at fixed places of lines: where one ends and the next begins."""

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.suggest.cells import ColumnTexts, read_cells
from swathe_drivers.suggest.series import bits_of

__all__ = ["FixedPlace", "places_of_columns"]

_DIGITS: Final = frozenset("0123456789")
_PART: Final = frozenset("0123456789+-. ")
_HEX: Final = frozenset("0123456789ABCDEFabcdef")
_MOST_DIGITS: Final = 12
_PER_COLUMN: Final = 14.0
_WITHIN_DIGITS: Final = 0.8
"""Bits for each line that a border between two digits has to save: what belongs to another number saves more."""
_STEADY: Final = 0.97
_LOW_DIGIT: Final = 30.0
_BLOCKS: Final = 6
_BLOCK: Final = 60
_FEW: Final = 8


@dataclass(frozen=True, slots=True, eq=False)
class FixedPlace:
    """Characters of a line from `first` to the one before `end`, and what they are."""

    first: int
    end: int
    cells: ColumnTexts


def places_of_columns(
    lines: Sequence[str], times: NDArray[np.float64], *, worth: Callable[[ColumnTexts], float]
) -> list[FixedPlace]:
    """Divide lines of one length into columns.

    Args:
        lines: of one length.
        times: of each, s, shape (n,).
        worth: bits that a column is worth for what else is known of it.
    """
    length = len(lines[0])
    sets = [frozenset(line[at] for line in lines) for at in range(length)]
    runs = _runs(sets)
    found: list[FixedPlace] = []
    for first, end in runs:
        for a, b in _divided(lines, first, end, times, worth, sets):
            texts = [line[a:b].strip() for line in lines]
            found.append(FixedPlace(a, b, read_cells(len(found), texts, times)))
    return found


def _runs(sets: Sequence[frozenset[str]]) -> list[tuple[int, int]]:
    """Stretches between characters that always separate."""
    runs: list[tuple[int, int]] = []
    start: int | None = None
    for at, chars in enumerate([*sets, frozenset(",")]):
        separates = len(chars) == 1 and not chars & (_DIGITS | frozenset("+-."))
        if separates or at == len(sets):
            if start is not None:
                runs.append((start, at))
            start = None
        elif start is None:
            start = at
    return [run for run in runs if any(len(sets[at]) > 1 for at in range(*run))]


def _divided(
    lines: Sequence[str],
    first: int,
    end: int,
    times: NDArray[np.float64],
    worth: Callable[[ColumnTexts], float],
    sets: Sequence[frozenset[str]],
) -> list[tuple[int, int]]:
    """One stretch into columns, by the fewest bits."""
    best: list[tuple[float, int]] = [(np.inf, first)] * (end + 1)
    best[first] = (0.0, first)
    picked = _blocks(len(lines))
    sample, at_times = [lines[at] for at in picked], times[picked]
    for a in range(first, end):
        if not np.isfinite(best[a][0]):
            continue
        for b in range(a + 1, min(end, a + _MOST_DIGITS) + 1):
            cost = _cost([line[a:b] for line in sample], at_times, worth, sets[a:b])
            changes = any(len(one) > 1 for one in sets[best[a][1] : a])
            digits = changes and sets[a - 1] | sets[a] <= _DIGITS
            if cost is not None and digits:
                cost += _WITHIN_DIGITS * len(sample)
            if cost is not None and best[a][0] + cost < best[b][0]:
                best[b] = (best[a][0] + cost, a)
    cuts = [end]
    while cuts[-1] > first:
        cuts.append(best[cuts[-1]][1])
        if not np.isfinite(best[cuts[-2]][0]):
            return [(first, end)]
    cuts.reverse()
    return list(itertools.pairwise(cuts))


def _blocks(number: int) -> NDArray[np.int64]:
    """Indices of lines in a row, from all over the capture."""
    if number <= _BLOCKS * _BLOCK:
        return np.arange(number)
    starts = np.linspace(0, number - _BLOCK, _BLOCKS).astype(np.int64)
    return (starts[:, None] + np.arange(_BLOCK)).ravel()


def _cost(
    texts: Sequence[str],
    times: NDArray[np.float64],
    worth: Callable[[ColumnTexts], float],
    sets: Sequence[frozenset[str]],
) -> float | None:
    """Bits of one column; None if it cannot be one."""
    if len(sets) > 1 and any(" " in text.strip() for text in texts):
        return None
    stripped = [text.strip() for text in texts]
    different = len(set(stripped))
    cells = read_cells(0, stripped, times)
    if cells.kind == "words" or cells.kind == "constant":
        if len(sets) > 1 and sum(len(one) > 1 for one in sets) < len(sets) and len(sets) > 2:
            return None
        if different > _FEW or (len(sets) > 1 and any(one & _DIGITS for one in sets)):
            return None
        if any(sign in text for text in stripped for sign in "+-" if set(text) != {"-"}):
            return None  # a sign belongs to the number next to it
        if all(text in ("+", "-") for text in stripped):
            return None
        counts = np.unique(stripped, return_counts=True)[1]
        share = counts / counts.sum()
        return float(-(counts * np.log2(share)).sum()) + _PER_COLUMN
    if cells.series is None or cells.kind not in ("number", "time"):
        return None
    series = cells.series
    around = len(str(cells.notation.get("before", ""))), len(str(cells.notation.get("behind", "")))
    if any(len(one) > 1 for one in (*sets[: around[0]], *sets[len(sets) - around[1] :])):
        return None  # a letter that changes is a column of its own
    if any(sign in text[1:] for text in stripped for sign in "+") and "sign" not in cells.notation:
        return None
    values = series.values
    known = np.where(np.isfinite(values) & ~np.isin(values, series.sentinels), values, np.nan)
    filled = _filled(known)
    numbers = np.round(filled * 10.0**series.places).astype(np.int64)
    if any(text.endswith(".") for text in stripped) and len(sets) > 1:
        return None  # a point that ends a number is a flag behind it
    odd = 2.0 * len(series.texts)
    lows = [text[-1:] for text in stripped if text[-1:] in _DIGITS]
    if different > _FEW and max(map(lows.count, set(lows)), default=0) > _STEADY * len(lows):
        odd += _LOW_DIGIT  # what never changes is rather the first digit of the next column
    whole_digits = all(one <= _DIGITS for one in sets)
    span = (
        10 ** len(sets)
        if whole_digits and not series.places and "written" not in cells.notation
        else series.span
    )
    return bits_of(numbers, span) + _PER_COLUMN + odd - worth(cells)


def _filled(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Numbers that are none taken for those before them."""
    at = np.where(np.isfinite(values), np.arange(values.size), 0)
    np.maximum.accumulate(at, out=at)
    return np.nan_to_num(values[at])
