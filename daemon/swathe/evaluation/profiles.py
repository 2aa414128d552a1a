"""Profiles of the lowest thickness along each axis, over all cells across it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Floats, Ints
from swathe.evaluation.cells import Band, CellSource
from swathe.station import Axis

__all__ = ["LowestProfile", "LowestProfiles"]


@dataclass(frozen=True, slots=True)
class LowestProfile:
    """The lowest thickness at each position of an axis, over all positions of the other axis.

    All arrays have the shape (n,), the cells of the axis.

    Attributes:
        axis: along which the profile runs.
        positions: centres of the cells, mm.
        lowest: of the cells that count, mm; NaN without one.
        lowest_at: where across the axis that is, mm; NaN without one.
        measured: cells across that count.
        unseen: required cells across on which nothing is known, or which are suspect or unconfirmed.
    """

    axis: Literal["scan", "index"]
    positions: Floats
    lowest: NDArray[np.float32]
    lowest_at: Floats
    measured: Ints
    unseen: Ints


class LowestProfiles:
    """Follows the lowest thickness of each row and column; bands of whole rows in their order.

    Args:
        source: of the cells.
    """

    def __init__(self, source: CellSource) -> None:
        self._source = source
        rows, columns = source.shape
        self._lowest = {
            "scan": np.full(columns, np.inf, np.float32),
            "index": np.full(rows, np.inf, np.float32),
        }
        self._at = {"scan": np.zeros(columns, np.int64), "index": np.zeros(rows, np.int64)}
        self._measured = {name: np.zeros(at.size, np.int64) for name, at in self._at.items()}
        self._unseen = {name: np.zeros(at.size, np.int64) for name, at in self._at.items()}

    def add(self, band: Band) -> None:
        """Take the cells of a band."""
        values = np.where(band.sound, band.thickness, np.float32(np.inf))
        unseen = band.unseen
        rows = slice(band.row, band.row + values.shape[0])
        self._lowest["index"][rows] = values.min(axis=1)
        self._at["index"][rows] = values.argmin(axis=1)
        lowest = values.min(axis=0)
        # Of equal cells the first one of the grid counts.
        lower = lowest < self._lowest["scan"]
        self._lowest["scan"][lower] = lowest[lower]
        self._at["scan"][lower] = values[:, lower].argmin(axis=0) + band.row
        for counts, where in ((self._measured, band.sound), (self._unseen, unseen)):
            counts["index"][rows] = np.count_nonzero(where, axis=1)
            counts["scan"] += np.count_nonzero(where, axis=0)

    def profiles(self) -> tuple[LowestProfile, LowestProfile]:
        """Return the profiles along the scan and the index axis."""
        scan, index = self._source.scan, self._source.index
        return self._profile("scan", scan, index), self._profile("index", index, scan)

    def _profile(self, name: Literal["scan", "index"], axis: Axis, across: Axis) -> LowestProfile:
        lowest = self._lowest[name]
        known = np.isfinite(lowest)
        return LowestProfile(
            name,
            axis.centres,
            np.where(known, lowest, np.float32(np.nan)),
            np.where(known, across.start + self._at[name] * across.resolution, np.nan),
            self._measured[name],
            self._unseen[name],
        )
