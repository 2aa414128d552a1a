"""Where positions are within their cells, and where a carriage is on the grid or beyond it."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Cells, Floats
from swathe.pipeline.cells.cell_visits import place_numbers
from swathe.station import Axis

__all__ = ["PLACES", "carriage_places", "parts_within"]

PLACES: Final = 250
"""Parts of a cell, to each side half of them, by which `parts_within` counts."""


def parts_within(scan: Axis, index: Axis, place: tuple[Floats, Floats]) -> NDArray[np.int8]:
    """Return where scan and index positions in mm are in their cells, in 1/`PLACES`, shape (n, 2)."""
    offset = np.stack((scan.offset(place[0]), index.offset(place[1])), axis=1)
    return np.floor((offset - np.floor(offset) - 0.5) * PLACES).astype(np.int8)


def carriage_places(scan: Axis, index: Axis, datum: Floats) -> Cells:
    """Return the number of each place of a carriage, given its datum in mm, shape (n, 2); shape (n,)."""
    column, row = np.floor(scan.offset(datum[:, 0])), np.floor(index.offset(datum[:, 1]))
    return place_numbers(row.astype(np.int64), column.astype(np.int64))
