"""The cells of a survey as coarse as a map shows them, read band by band."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools
from swathe.evaluation import CellSource
from swathe.report.thinning import thin_minimum, thin_worst

__all__ = ["MapCells", "read_map_cells"]


@dataclass(frozen=True, slots=True)
class MapCells:
    """Blocks of cells; all arrays have the shape (rows, columns).

    Attributes:
        thickness: lowest of the cells that count, or else of those that do not, mm; NaN without one.
        apart: whether only cells that do not count were read in a block.
        state: the most urgent of a block's cells.
        origin: low border of all cells on the (scan, index) axis, mm.
        size: of all cells along both axes, mm.
        block: sides of a block along both axes, mm; the last ones may stick out.
    """

    thickness: NDArray[np.float32]
    apart: Bools
    state: NDArray[np.uint8]
    origin: tuple[float, float]
    size: tuple[float, float]
    block: tuple[float, float]

    @property
    def extent(self) -> tuple[float, float, float, float]:
        """Left, right, bottom and top of the blocks, mm, as of ``imshow``; index rises downwards."""
        rows, columns = self.state.shape
        (left, top), (width, height) = self.origin, self.block
        return left, left + columns * width, top + rows * height, top


def read_map_cells(source: CellSource, most: tuple[int, int]) -> MapCells:
    """Return the cells of a survey in blocks: no low place and no gap is lost.

    Args:
        source: of the cells.
        most: so many blocks, (rows, columns).

    Raises:
        SurveyError: what is read is not what was written.
    """
    rows, columns = source.shape
    step = (max(1, -(-rows // most[0])), max(1, -(-columns // most[1])))
    height = max(step[0], source.band_rows(64) // step[0] * step[0])
    thickness, apart, state = [], [], []
    for row in range(0, rows, height):
        band = source.read(slice(row, min(row + height, rows)))
        nothing = np.float32(np.nan)
        sound = thin_minimum(np.where(band.sound, band.thickness, nothing), step)
        others = thin_minimum(np.where(band.apart, band.thickness, nothing), step)
        only = np.isnan(sound) & ~np.isnan(others)
        thickness.append(np.where(only, others, sound))
        apart.append(only)
        state.append(thin_worst(band.state, step))
    scan, index = source.scan, source.index
    return MapCells(
        np.concatenate(thickness),
        np.concatenate(apart),
        np.concatenate(state),
        (scan.start - scan.resolution / 2, index.start - index.resolution / 2),
        (scan.cells * scan.resolution, index.cells * index.resolution),
        (step[1] * scan.resolution, step[0] * index.resolution),
    )
