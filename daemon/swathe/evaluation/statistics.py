"""Mean, standard deviation, percentiles and histogram of thicknesses, in pieces of any size.

All sums are whole numbers, so that no result depends on how the values were cut into pieces or in
which order they came: thicknesses count in nm, percentiles and histogram in bins of 0.001 mm.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Ints
from swathe.errors import SwatheError

__all__ = ["PERCENTILES", "Histogram", "Statistics", "Tally"]

PERCENTILES = (1.0, 5.0, 25.0, 50.0, 75.0, 95.0, 99.0)
"""Computed unless others are given, %."""

_NM_PER_MM = 1_000_000
_NM_PER_BIN = 1_000
_MOST_BINS = 1 << 20
# Of so many values the sums of squares of their 18 lower and upper bits stay within 63 bits.
_PIECE = 1 << 22
_LOW_BITS = 18
_MOST_MM = 60_000.0


@dataclass(frozen=True, slots=True)
class Histogram:
    """How many cells are between borders.

    Attributes:
        low: lower border of the first bin, mm.
        width: of a bin, mm.
        counts: of each bin, shape (bins,); a value on a border counts in the upper bin.
    """

    low: float
    width: float
    counts: Ints


@dataclass(frozen=True, slots=True)
class Statistics:
    """Of the cells that count, mm.

    Attributes:
        cells: how many.
        mean: arithmetic mean.
        standard_deviation: of the cells, with n - 1; None of a single one. It is the variation of the
            wall and of the readings together.
        minimum: the lowest.
        maximum: the highest.
        percentiles: by per cent: between two cells linearly (definition 7 of Hyndman and Fan, The
            American Statistician 50, 1996; that numbering is from memory).
        resolution: width of the bins from which the percentiles are; each is off by half of it at most.
        histogram: of the cells.
    """

    cells: int
    mean: float
    standard_deviation: float | None
    minimum: float
    maximum: float
    percentiles: dict[float, float]
    resolution: float
    histogram: Histogram


class Tally:
    """Takes thicknesses in pieces, and gives their statistics."""

    def __init__(self) -> None:
        self.count = 0
        self._sum = 0
        self._squares = 0
        self._lowest = math.inf
        self._highest = -math.inf
        # From the first bin that has a value to the last one.
        self._bins = np.zeros(0, np.int64)
        self._first = 0
        self._doublings = 0

    def add(self, values: NDArray[np.float32]) -> None:
        """Take thicknesses, mm, shape (n,).

        Raises:
            SwatheError: one is not between 0 and 60 m.
        """
        for first in range(0, values.size, _PIECE):
            self._add(values[first : first + _PIECE])

    def _add(self, values: NDArray[np.float32]) -> None:
        low, high = float(values.min()), float(values.max())
        if not (low >= 0 and high <= _MOST_MM):
            message = (
                f"the arrays have a thickness of {low if low < 0 else high:g} mm, which no wall has"
            )
            raise SwatheError(message)
        self._lowest, self._highest = min(self._lowest, low), max(self._highest, high)
        units = np.rint(values.astype(np.float64) * _NM_PER_MM).astype(np.int64)
        upper, lower = units >> _LOW_BITS, units & ((1 << _LOW_BITS) - 1)
        self.count += units.size
        self._sum += int(units.sum())
        self._squares += (
            (int(np.dot(upper, upper)) << 2 * _LOW_BITS)
            + (int(np.dot(upper, lower)) << _LOW_BITS + 1)
            + int(np.dot(lower, lower))
        )
        self._count_bins((units + _NM_PER_BIN // 2) // _NM_PER_BIN)

    def _count_bins(self, numbers: Ints) -> None:
        while int(numbers.max()) >> self._doublings >= _MOST_BINS:
            self._doublings += 1
            # A pair begins with an even number.
            before = self._first % 2
            bins = np.pad(self._bins, (before, (before + self._bins.size) % 2))
            self._bins, self._first = bins.reshape(-1, 2).sum(axis=1), self._first // 2
        numbers = numbers >> self._doublings
        first, last = int(numbers.min()), int(numbers.max())
        if self._bins.size:
            first, last = min(first, self._first), max(last, self._first + self._bins.size - 1)
        counts = np.bincount(numbers - first, minlength=last - first + 1)
        counts[self._first - first :][: self._bins.size] += self._bins
        self._bins, self._first = counts, first

    def statistics(
        self, percentiles: Sequence[float] = PERCENTILES, *, bins: int = 20
    ) -> Statistics | None:
        """Return the statistics of what was taken; None of nothing.

        Args:
            percentiles: in per cent, 0 to 100.
            bins: of the histogram at most, each a round number of mm wide.
        """
        if not self.count:
            return None
        n, total = self.count, self._sum
        variance = (n * self._squares - total * total) / (n * (n - 1)) if n > 1 else None
        return Statistics(
            n,
            total / n / _NM_PER_MM,
            None if variance is None else math.sqrt(max(variance, 0.0)) / _NM_PER_MM,
            self._lowest,
            self._highest,
            {float(share): self._percentile(share) for share in percentiles},
            self._bin_width / 1000,
            self._histogram(bins),
        )

    @property
    def _bin_width(self) -> int:
        """Of the fine bins, thousandths of a mm."""
        return 1 << self._doublings

    def _percentile(self, share: float) -> float:
        rank = (self.count - 1) * share / 100
        first = math.floor(rank)
        ends = self._first + np.searchsorted(
            np.cumsum(self._bins), [first, min(first + 1, self.count - 1)], "right"
        )
        low, high = (
            float(end * self._bin_width + (self._bin_width - 1) / 2) / 1000 for end in ends
        )
        value = low + (rank - first) * (high - low)
        return min(max(value, self._lowest), self._highest)

    def _histogram(self, bins: int) -> Histogram:
        filled = np.flatnonzero(self._bins)
        counts_of = self._bins[filled]
        filled += self._first
        first, last = (int(end) * self._bin_width for end in (filled[0], filled[-1]))
        width = _round_width(first, last, bins, self._bin_width)
        numbers = filled * self._bin_width // width
        counts = np.zeros(int(numbers[-1] - numbers[0]) + 1, np.int64)
        np.add.at(counts, numbers - numbers[0], counts_of)
        return Histogram(float(numbers[0] * width) / 1000, width / 1000, counts)


def _round_width(first: int, last: int, bins: int, unit: int) -> int:
    """Return the lowest round multiple of `unit` with which `bins` bins hold all from first to last."""
    decade = 1
    while True:
        for step in (1, 2, 5):
            width = step * decade * unit
            if last // width - first // width < bins:
                return width
        decade *= 10
