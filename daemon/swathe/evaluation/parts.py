"""Figures of a part of a survey: the whole, a zone, a square; and what of it was not seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from swathe.evaluation.cells import Band, CellSource
from swathe.evaluation.levels import ThicknessLevel
from swathe.evaluation.lowest import LowPlace
from swathe.evaluation.statistics import PERCENTILES, Statistics, Tally
from swathe.pipeline import CellState

__all__ = ["LevelArea", "PartSummary", "PartTally"]


@dataclass(frozen=True, slots=True)
class LevelArea:
    """Cells below a level.

    Attributes:
        level: the level.
        cells: that count, and are below it.
        area: of these cells on the scanned surface, mm².
        percent_of_measured: share of the cells that count; None without one.
        cells_apart: suspect or unconfirmed cells below it, which are not in `cells`.
    """

    level: ThicknessLevel
    cells: int
    area: float
    percent_of_measured: float | None
    cells_apart: int


@dataclass(frozen=True, slots=True)
class PartSummary:
    """Figures of a part of a survey.

    Attributes:
        cells: required ones: all but the excluded.
        area: of these on the scanned surface, mm².
        measured: cells that count: measured, and not suspect or unconfirmed.
        unconfirmed: cells with a doubtful value that nothing confirms.
        suspect: cells that a failed calibration check or a slip makes suspect; an unconfirmed one
            counts there.
        not_read: required cells without a reading, by the name of their state.
        excluded: cells that are not required.
        statistics: of the cells that count; None without one.
        minimum: the lowest of them, and its place.
        minimum_apart: the lowest suspect or unconfirmed cell; None without one.
        levels: cells below each level.
    """

    cells: int
    area: float
    measured: int
    unconfirmed: int
    suspect: int
    not_read: dict[str, int]
    excluded: int
    statistics: Statistics | None
    minimum: LowPlace | None
    minimum_apart: LowPlace | None
    levels: tuple[LevelArea, ...]

    @property
    def percent_unseen(self) -> float | None:
        """Share of the required cells on which no figure rests, %; None without a required cell."""
        return 100 * (self.cells - self.measured) / self.cells if self.cells else None


class PartTally:
    """Takes bands of a part, and gives its figures.

    Args:
        source: of the cells.
        levels: below which cells are counted.
    """

    def __init__(self, source: CellSource, levels: Sequence[ThicknessLevel]) -> None:
        self._source = source
        self._levels = levels
        # A cell is below a level by what it shows: both as float32.
        self._limits = [np.float32(level.mm) for level in levels]
        self._tally = Tally()
        self._below = np.zeros((2, len(levels)), np.int64)
        self._states = np.zeros(len(CellState), np.int64)
        self._unconfirmed = 0
        self._suspect = 0
        self._read = np.zeros(len(CellState), np.int64)
        self._minima: list[tuple[float, int] | None] = [None, None]

    def add(self, band: Band) -> None:
        """Take the cells of a band."""
        if not band.state.size:
            return
        apart = band.apart
        self._states += np.bincount(band.state.ravel(), minlength=self._states.size)
        self._read += np.bincount(band.state[band.sound | apart], minlength=self._states.size)
        self._unconfirmed += int(np.count_nonzero(band.unconfirmed))
        self._suspect += int(np.count_nonzero(band.suspect & ~band.unconfirmed))
        for kind, where in enumerate((band.sound, apart)):
            values = band.thickness[where]
            if not values.size:
                continue
            for number, limit in enumerate(self._limits):
                self._below[kind, number] += np.count_nonzero(values < limit)
            lowest = float(values.min())
            before = self._minima[kind]
            if before is None or lowest <= before[0]:
                cell = int(band.cells(where & (band.thickness == values.min()))[0])
                found = (lowest, cell)
                self._minima[kind] = found if before is None else min(before, found)
            if kind == 0:
                self._tally.add(values)

    def summary(self, percentiles: Sequence[float] = PERCENTILES, *, bins: int = 20) -> PartSummary:
        """Return the figures of what was taken."""
        area = self._source.cell_area
        excluded = int(self._states[CellState.EXCLUDED])
        required = int(self._states.sum()) - excluded
        measured = self._tally.count
        unread = self._states - self._read
        return PartSummary(
            cells=required,
            area=required * area,
            measured=measured,
            unconfirmed=self._unconfirmed,
            suspect=self._suspect,
            not_read={
                state.name.lower(): int(unread[state])
                for state in CellState
                if unread[state] and state is not CellState.EXCLUDED
            },
            excluded=excluded,
            statistics=self._tally.statistics(percentiles, bins=bins),
            minimum=self._place(0),
            minimum_apart=self._place(1),
            levels=tuple(
                LevelArea(
                    level,
                    int(below),
                    int(below) * area,
                    100 * int(below) / measured if measured else None,
                    int(apart),
                )
                for level, below, apart in zip(self._levels, *self._below, strict=True)
            ),
        )

    def _place(self, kind: int) -> LowPlace | None:
        found = self._minima[kind]
        return None if found is None else LowPlace(found[0], *self._source.place(found[1]))
