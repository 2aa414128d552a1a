"""Connected regions of cells, seams included, against walking from cell to cell."""

from __future__ import annotations

import itertools

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from daemon.strategies import Shape, cell_sets, flood_fill
from swathe.pipeline.cells.regions import label_regions, neighbours, runs_of


@given(cell_sets(), st.tuples(st.booleans(), st.booleans()))
def test_label_regions_is_a_flood_fill(
    found: tuple[Shape, NDArray[np.int64]], wrapped: tuple[bool, bool]
) -> None:
    """The regions are those of a flood fill, numbered by their first cell, on any seams."""
    shape, cells = found
    labels = label_regions(cells, shape, wrapped=wrapped)
    assert labels.shape == cells.shape
    regions = [frozenset(cells[labels == k].tolist()) for k in range(labels.max(initial=-1) + 1)]
    assert regions == flood_fill(cells.tolist(), shape, wrapped)


@given(cell_sets(), st.tuples(st.booleans(), st.booleans()))
def test_neighbours_share_a_side(
    found: tuple[Shape, NDArray[np.int64]], wrapped: tuple[bool, bool]
) -> None:
    """Every cell has the four neighbours of the grid, over the seam where there is one."""
    (rows, columns), cells = found
    around = neighbours(cells, (rows, columns), wrapped=wrapped)
    assert around.shape == (4, cells.size)
    for k, cell in enumerate(cells.tolist()):
        row, column = divmod(cell, columns)
        expected = []
        for r, c in ((row - 1, column), (row + 1, column), (row, column - 1), (row, column + 1)):
            r_on = r % rows if wrapped[0] else r
            c_on = c % columns if wrapped[1] else c
            inside = 0 <= r_on < rows and 0 <= c_on < columns
            expected.append(r_on * columns + c_on if inside else -1)
        assert around[:, k].tolist() == expected


@given(st.sets(st.integers(0, 60)))
def test_runs_of_cover_exactly_the_cells(cells: set[int]) -> None:
    """The runs hold all cells and nothing else, and no two of them touch."""
    runs = runs_of(np.array(sorted(cells), np.int64))
    assert {cell for first, last in runs for cell in range(first, last + 1)} == cells
    assert all(b - a > 1 for (_, a), (b, _) in itertools.pairwise(runs))


def test_label_regions_long_snake_is_one() -> None:
    """A region that winds through many rows, as missed lines do, is still one."""
    rows, columns = 60, 41
    field = np.zeros((rows, columns), bool)
    field[::2] = True
    field[1::4, -1] = True
    field[3::4, 0] = True
    cells = np.flatnonzero(field)
    assert set(label_regions(cells, field.shape).tolist()) == {0}


def test_axes_do_not_wrap_unless_stated() -> None:
    """By default both ends of a line, and of a column, are borders of the grid."""
    shape = (4, 5)
    for ends in ((0, 4), (0, 15)):
        assert label_regions(np.array(ends), shape).tolist() == [0, 1]
    assert neighbours(np.array([0, 19]), shape).T.tolist() == [[-1, 5, -1, 1], [14, -1, 18, -1]]
