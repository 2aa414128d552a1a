"""The cells of a survey, read band by band: which were measured, which count, which were not seen."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools
from swathe.errors import SwatheError
from swathe.pipeline import CellState
from swathe.reading_flags import are_unconfirmed
from swathe.station import Axis

__all__ = ["BAND_CELLS", "Arrays", "Band", "CellSource"]

BAND_CELLS = 2_000_000
"""So many cells are read at a time: some 20 bytes of layers each, and what is computed from them."""

# Chunks that are higher than a band are read several times; up to here a band is a chunk high.
_MOST_BAND_CELLS = 8 * BAND_CELLS
_CHUNK_ROWS = 64
_LAYERS = ("hits", "thickness", "state", "quality")


class Arrays(Protocol):
    """Layers by name: a zarr group or an xarray Dataset, in memory, lazy, or on dask."""

    def __getitem__(self, name: str, /) -> Any:  # noqa: ANN401  arrays of any of these libraries
        """Return a layer."""


@dataclass(frozen=True, slots=True)
class Band:
    """A rectangle of cells; all arrays have the shape (rows, columns).

    Attributes:
        row: number of its first row in the grid.
        column: number of its first column.
        columns: of the whole grid.
        thickness: mm, float32; only what `sound` or `apart` marks is a thickness.
        state: `CellState` of each cell.
        sound: measured, with a value that is not doubtful or was confirmed: these count.
        unconfirmed: read, with a doubtful value that nothing confirms, suspect or not.
        suspect: read; a failed calibration check or a slip makes it suspect.
    """

    row: int
    column: int
    columns: int
    thickness: NDArray[np.float32]
    state: NDArray[np.uint8]
    sound: Bools
    unconfirmed: Bools
    suspect: Bools

    @property
    def apart(self) -> Bools:
        """Cells that were read and do not count."""
        return self.suspect | self.unconfirmed

    @property
    def excluded(self) -> Bools:
        """Cells that the plan or an operator excludes."""
        return np.asarray(self.state == CellState.EXCLUDED)

    @property
    def unseen(self) -> Bools:
        """Required cells that do not count: not read, suspect or unconfirmed."""
        return np.asarray(~self.sound & ~self.excluded)

    def cells(self, where: Bools) -> NDArray[np.int64]:
        """Return the flat grid cells that a mask marks, rising."""
        row, column = np.nonzero(where)
        return (row + self.row) * self.columns + column + self.column

    def part(self, rows: slice, columns: slice) -> Band:
        """Return a rectangle of the band, by its rows and columns of the grid.

        What is outside the band is left out.
        """
        height, width = self.state.shape
        inner = (
            slice(max(rows.start - self.row, 0), max(min(rows.stop - self.row, height), 0)),
            slice(
                max(columns.start - self.column, 0), max(min(columns.stop - self.column, width), 0)
            ),
        )
        return Band(
            self.row + inner[0].start,
            self.column + inner[1].start,
            self.columns,
            self.thickness[inner],
            self.state[inner],
            self.sound[inner],
            self.unconfirmed[inner],
            self.suspect[inner],
        )


@dataclass(frozen=True, slots=True)
class CellSource:
    """The cells of a survey's arrays.

    Attributes:
        arrays: layers over (index, scan), as the survey store has them.
        scan: the scan axis.
        index: the index axis.
        band_cells: so many cells are read at a time, or one row if that is more.
    """

    arrays: Arrays
    scan: Axis
    index: Axis
    band_cells: int = BAND_CELLS

    @classmethod
    def of(cls, arrays: Arrays, *, band_cells: int = BAND_CELLS) -> CellSource:
        """Return the source for arrays as a survey has them.

        Raises:
            SwatheError: they are none.
        """
        for name in ("scan", "index", *_LAYERS):
            try:
                arrays[name]
            except KeyError as error:
                message = (
                    f"the arrays are none of a survey, or of an old one: '{name}' is missing; "
                    "`swathe rebuild` writes a survey's arrays again"
                )
                raise SwatheError(message) from error
        scan, index = (_axis(name, arrays[name]) for name in ("scan", "index"))
        for name in _LAYERS:
            shape = tuple(arrays[name].shape)
            if shape != (index.cells, scan.cells):
                message = (
                    f"the arrays are none of a survey: '{name}' has the shape {shape}, "
                    f"the axes {index.cells, scan.cells}"
                )
                raise SwatheError(message)
        return cls(arrays, scan, index, band_cells)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows (index) and columns (scan)."""
        return self.index.cells, self.scan.cells

    @property
    def cell_area(self) -> float:
        """Area of a cell on the scanned surface, mm²."""
        return self.scan.resolution * self.index.resolution

    def place(self, cell: int) -> tuple[float, float]:
        """Return the (scan, index) position of the centre of a flat cell, mm."""
        row, column = divmod(cell, self.scan.cells)
        return (
            self.scan.start + column * self.scan.resolution,
            self.index.start + row * self.index.resolution,
        )

    def read(self, rows: slice, columns: slice | None = None) -> Band:
        """Return a rectangle of cells.

        Raises:
            SurveyError: what is read is not what was written.
            SwatheError: a cell has a state that there is not.
        """
        whole = slice(0, self.scan.cells) if columns is None else columns
        hits, thickness, state, quality = (
            np.asarray(self.arrays[name][rows, whole]) for name in _LAYERS
        )
        state = state.astype(np.uint8, copy=False)
        if state.max(initial=0) > max(CellState):
            message = f"the arrays are none of a survey: a cell has the state {state.max()}"
            raise SwatheError(message)
        # As the minimum thickness of the pipeline takes them: see `MinimumThickness`.
        read = (hits > 0) & (state != CellState.EXCLUDED) & np.isfinite(thickness)
        unconfirmed = read & are_unconfirmed(quality.astype(np.uint16, copy=False))
        return Band(
            rows.start,
            whole.start,
            self.scan.cells,
            thickness.astype(np.float32, copy=False),
            state,
            read & (state == CellState.MEASURED) & ~unconfirmed,
            unconfirmed,
            read & (state != CellState.MEASURED),
        )

    def bands(self) -> Iterator[Band]:
        """Yield all cells in bands of whole rows, in their order."""
        rows, columns = self.shape
        height = self.band_rows(_chunk_rows(self.arrays["state"]))
        for row in range(0, rows, height):
            yield self.read(slice(row, min(row + height, rows)), slice(0, columns))

    def band_rows(self, unit: int) -> int:
        """Return how many rows to read at a time: a multiple of `unit` where memory allows it."""
        fits = max(1, self.band_cells // self.scan.cells)
        if fits >= unit:
            return fits // unit * unit
        most = self.band_cells * (_MOST_BAND_CELLS // BAND_CELLS)
        return unit if unit * self.scan.cells <= most else fits


def _axis(name: str, positions: Any) -> Axis:  # noqa: ANN401  see `Arrays`
    """Return the axis of a coordinate.

    Raises:
        SwatheError: it is none.
    """
    try:
        start, resolution = (
            float(np.asarray(positions[:1])[0]),
            float(positions.attrs["resolution"]),
        )
        cells, wrapped = int(positions.shape[0]), bool(positions.attrs.get("wrapped", False))
    except (KeyError, IndexError, TypeError, ValueError) as error:
        message = f"the coordinate '{name}' is none of a survey: {error}"
        raise SwatheError(message) from error
    if not (math.isfinite(start) and math.isfinite(resolution) and resolution > 0):
        message = f"the coordinate '{name}' is none of a survey: its resolution is {resolution}"
        raise SwatheError(message)
    return Axis(name, start, resolution, cells, wrapped)


def _chunk_rows(layer: Any) -> int:  # noqa: ANN401  see `Arrays`
    """Return the rows of a chunk; a usual number where the array does not say."""
    chunks = getattr(layer, "chunks", None)
    if not chunks:
        return _CHUNK_ROWS
    first = chunks[0]
    return int(first[0] if isinstance(first, tuple) else first)
