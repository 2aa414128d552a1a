"""Type aliases of the arrays that the daemon computes with, and what is often done to them."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Bools",
    "Cells",
    "Floats",
    "Ints",
    "Times",
    "distinct",
    "run_lengths",
    "run_starts",
    "steps_of",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Cells = NDArray[np.int64]
"""Numbers of grid cells: ``scan number · number of lines + line``."""
Times = NDArray[np.int64]
"""Times in ns: of the host's monotonic clock, unless said otherwise."""

_Number = TypeVar("_Number", np.int64, np.float64)


def steps_of(values: NDArray[_Number], before: float) -> NDArray[_Number]:
    """Return each value less the one before it, shape (n,); `before` is before the first.

    For few values this takes a fraction of the time of ``np.diff(values, prepend=before)``.
    """
    steps = np.empty_like(values)
    np.subtract(values[1:], values[:-1], out=steps[1:])
    steps[:1] = values[:1] - before
    return steps


def run_starts(values: NDArray[_Number]) -> Ints:
    """Return the numbers of the values that differ from the one before, the first included."""
    if not values.size:
        return np.empty(0, np.int64)
    starts = (values[1:] != values[:-1]).nonzero()[0] + 1
    return np.concatenate((_FIRST, starts))


def run_lengths(starts: Ints, size: int) -> Ints:
    """Return the length of each run, given the starts of runs of `size` values in all."""
    lengths = np.empty_like(starts)
    np.subtract(starts[1:], starts[:-1], out=lengths[:-1])
    lengths[-1:] = size - starts[-1:]
    return lengths


def distinct(values: NDArray[_Number]) -> NDArray[_Number]:
    """Return each of the values once, rising.

    numpy's own search for distinct numbers takes several times as long, most of all for few ones.
    """
    values = np.sort(values)
    return values[run_starts(values)]


_FIRST: Ints = np.zeros(1, np.int64)
