"""The flags of cells, as a function of the grid's state, kept up as cells change."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Cells
from swathe.pipeline.cells.grid import CellUpdate, Grid
from swathe.pipeline.spurious.cycle_skip import is_cycle_skip, thickness_of_period
from swathe.pipeline.spurious.decisions import Decision
from swathe.pipeline.spurious.doubled import is_doubled, is_twice_nominal
from swathe.pipeline.spurious.halved import is_half
from swathe.pipeline.spurious.lone import (
    MIN_SHARE,
    high_tolerance,
    is_lone_high,
    is_lone_low,
    low_tolerance,
    was_read_high_again,
    was_read_low_again,
)
from swathe.pipeline.spurious.neighbourhood import Neighbourhood
from swathe.reading_flags import CELL_BITS, SPURIOUS_BITS, ReadingFlag
from swathe.station import Station, law_of

__all__ = ["SpuriousCells", "SpuriousSettings"]

_AMBIGUOUS = np.uint16(ReadingFlag.AMBIGUOUS)
_CELL_BITS = np.uint16(CELL_BITS)
_AT_ONCE = 65_536


@dataclass(frozen=True, slots=True)
class SpuriousSettings:
    """What the rules know of the part and the probe.

    Attributes:
        nominal: thickness, mm; None where it is not known.
        period: thickness of one period of the probe's frequency, mm; None likewise.
    """

    nominal: float | None = None
    period: float | None = None

    @classmethod
    def of_station(cls, station: Station) -> SpuriousSettings:
        """Return the settings of a station file."""
        law, probe = law_of(station), station.probe
        period = None
        if law is not None and probe is not None:
            period = thickness_of_period(law.velocity, probe.frequency)
        return cls(station.survey.nominal_thickness, period)


class SpuriousCells:
    """Keeps the bits of the layer ``quality`` that follow from cells and their surroundings.

    Args:
        grid: the cells.
        settings: of the run in force.
        apart: whether no cell is near another one, as with spots.

    Attributes:
        decisions: of persons, by cell.
    """

    def __init__(
        self, grid: Grid, settings: SpuriousSettings | None = None, *, apart: bool = False
    ) -> None:
        self._grid = grid
        self._neighbourhood = Neighbourhood(grid, apart=apart)
        self._settings = settings or SpuriousSettings()
        self.decisions: dict[int, Decision] = {}

    def set_settings(self, settings: SpuriousSettings) -> Cells:
        """Apply the settings of another run; return the cells whose bits changed."""
        if settings == self._settings:
            return np.empty(0, np.int64)
        self._settings = settings
        hits = self._grid.hits
        return self._evaluate(self._grid.touched.find(lambda cells: np.asarray(hits[cells] > 0)))

    def decide(self, cell: int, decision: Decision) -> Cells:
        """Apply a person's decision about a cell; return the cells whose bits changed."""
        self.decisions[cell] = decision
        return self._evaluate(np.array([cell]))

    def cells_changed(self, update: CellUpdate) -> Cells:
        """Evaluate the cells of an update and those near them; return those whose bits changed."""
        return self._evaluate(self._neighbourhood.reached_from(update.cells))

    def _evaluate(self, cells: Cells) -> Cells:
        pieces = [
            self._evaluate_piece(cells[begin : begin + _AT_ONCE])
            for begin in range(0, cells.size, _AT_ONCE)
        ]
        return np.concatenate(pieces) if pieces else np.empty(0, np.int64)

    def _evaluate_piece(self, cells: Cells) -> Cells:
        quality = self._grid.quality
        bits = np.zeros(cells.shape, np.uint16)
        rows = np.flatnonzero(self._may_be_doubtful(cells))
        if rows.size:
            bits[rows] = self._bits(cells[rows])
        before = quality[cells]
        changed = (before & _CELL_BITS) != bits
        cells = cells[changed]
        quality[cells] = (before[changed] & ~_CELL_BITS) | bits[changed]
        return cells

    def _may_be_doubtful(self, cells: Cells) -> Bools:
        """Return which cells a rule may apply to: most agree with a cell next to them.

        What agrees within the lowest of all tolerances agrees by every rule.
        """
        grid, settings = self._grid, self._settings
        may = self._neighbourhood.are_read(cells)
        value = grid.thickness[cells]
        within = MIN_SHARE * value
        if settings.period is not None:
            within = np.minimum(within, settings.period / 3)
        may &= ~self._neighbourhood.have_equal(cells, within)
        may |= (grid.quality[cells] & _AMBIGUOUS) > 0
        if settings.nominal is not None:
            may |= is_twice_nominal(value, settings.nominal)
        return may & self._neighbourhood.are_read(cells)

    def _bits(self, cells: Cells) -> NDArray[np.uint16]:
        """Return the bits of cells that were read, shape (n,)."""
        settings = self._settings
        around = self._neighbourhood.around(cells)
        low, high = is_lone_low(around), is_lone_high(around)
        halved = low & is_half(around.value, around.wall)
        doubled = high & is_doubled(around.value, around.wall)
        if settings.nominal is not None:
            halved |= ~around.known & is_half(around.value, settings.nominal)
            doubled |= is_twice_nominal(around.value, settings.nominal)
        skip = np.zeros(cells.shape, bool)
        if settings.period is not None:
            skip = is_cycle_skip(around, settings.period)
        below = low | halved | (skip & (around.value < around.wall))
        above = ~below & (high | doubled | skip)
        confirmed = below & was_read_low_again(around) | above & was_read_high_again(around)
        confirmed |= self._are_supported(cells, below | above)
        bits = np.zeros(cells.shape, np.uint16)
        for flag, found in (
            (ReadingFlag.LONE_LOW, low),
            (ReadingFlag.LONE_HIGH, high),
            (ReadingFlag.HALVED, halved),
            (ReadingFlag.DOUBLED, doubled),
            (ReadingFlag.CYCLE_SKIP, skip),
            (ReadingFlag.CONFIRMED, confirmed),
        ):
            bits[found] |= np.uint16(flag)
        self._apply_decisions(cells, bits)
        return bits

    def _are_supported(self, cells: Cells, doubtful: Bools) -> Bools:
        """Return which ambiguous cells a second reading or an unambiguous neighbour confirms."""
        supported = np.zeros(cells.shape, bool)
        rows = np.flatnonzero(((self._grid.quality[cells] & _AMBIGUOUS) > 0) & ~doubtful)
        if rows.size:
            around = self._neighbourhood.around(cells[rows], without=int(_AMBIGUOUS))
            low, high = low_tolerance(around), high_tolerance(around)
            agrees = (around.lowest <= around.value + low) & (around.highest >= around.value - high)
            supported[rows] = agrees | was_read_low_again(around)
        return supported

    def _apply_decisions(self, cells: Cells, bits: NDArray[np.uint16]) -> None:
        """Confirm what persons confirmed; what a person rejected only a second reading confirms."""
        doubted = np.uint16(SPURIOUS_BITS)
        for cell, decision in self.decisions.items():
            row = int(np.searchsorted(cells, cell))
            if row == cells.size or cells[row] != cell or not decision.is_real:
                continue
            is_doubted = bits[row] & doubted or self._grid.quality[cell] & _AMBIGUOUS
            if is_doubted and decision.is_about(float(self._grid.thickness[cell])):
                bits[row] |= np.uint16(ReadingFlag.CONFIRMED)

    def is_read(self, cell: int) -> bool:
        """Return whether a cell has a reading and is required."""
        return bool(self._neighbourhood.are_read(np.array([cell]))[0])

    def wall_around(self, cell: int) -> float | None:
        """Return the median of the cells around a cell, mm; None where too few were read."""
        wall = float(self._neighbourhood.around(np.array([cell])).wall[0])
        return wall if math.isfinite(wall) else None
