"""The minimum thickness and its cell, as readings come, are replaced and are excluded."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from daemon.strategies import readings
from swathe.pipeline import CellState, Grid
from swathe.pipeline.cells.minimum import MinimumThickness
from swathe.reading_flags import ReadingFlag
from swathe.station import Axis, CellRule

F = ReadingFlag


def grid(rule: CellRule = CellRule.LAST) -> Grid:
    """Return a grid of 2 lines of 3 cells, which hold their last reading by default."""
    return Grid(
        scan=Axis(name="scan", start=10.0, resolution=2.0, cells=3),
        index=Axis(name="index", start=0.0, resolution=5.0, cells=2),
        rule=rule,
    )


def read(made: Grid, minimum: MinimumThickness, thickness: dict[int, float]) -> None:
    """Put one reading into each of some cells."""
    cells = np.array(list(thickness))
    update = made.begin_update(cells)
    made.add(readings(range(cells.size), thickness.values()), cells, 0)
    minimum.cells_changed(update.cells)


def test_minimum_has_no_cell_before_the_first_reading() -> None:
    """Neither a cell without a reading nor an update of one is a minimum."""
    made = grid()
    minimum = MinimumThickness(made)
    minimum.cells_changed(np.array([0, 1]))
    assert (minimum.value, minimum.cell, minimum.position) == (None, -1, None)


def test_minimum_is_the_first_of_the_thinnest_cells() -> None:
    """Of cells as thin the first of the grid counts, whichever was read first; at its centre."""
    made = grid()
    minimum = MinimumThickness(made)
    for thickness, cell in (({0: 9.0, 3: 8.0}, 3), ({5: 8.0}, 3), ({1: 8.0}, 1), ({4: 7.9}, 4)):
        read(made, minimum, thickness)
        assert minimum.cell == cell
    assert (minimum.value, minimum.position) == (7.9, (12.0, 5.0))


def test_minimum_moves_on_when_its_cell_is_read_thicker_or_excluded() -> None:
    """The next thinnest of all cells follows, and none when all of them are excluded."""
    made = grid()
    minimum = MinimumThickness(made)
    read(made, minimum, {0: 9.0, 2: 7.0, 3: 8.0})
    read(made, minimum, {2: 9.5})
    assert (minimum.value, minimum.cell) == (8.0, 3)
    update = made.begin_update(np.array([3]))
    made.state[3] = CellState.EXCLUDED
    minimum.cells_changed(update.cells)
    assert (minimum.value, minimum.cell) == (9.0, 0)
    update = made.begin_update(np.arange(6))
    made.state[:] = CellState.EXCLUDED
    minimum.cells_changed(update.cells)
    assert (minimum.value, minimum.position) == (None, None)


Step = tuple[list[int], list[int], bool, list[int]]


@given(
    steps=st.lists(
        st.tuples(
            st.lists(st.integers(0, 5), max_size=5),
            st.lists(st.integers(3, 9), min_size=5, max_size=5),
            st.booleans(),
            st.lists(st.integers(0, 5), max_size=2),
        ),
        max_size=12,
    ),
    rule=st.sampled_from(CellRule),
)
def test_minimum_agrees_with_a_search_over_all_cells(steps: list[Step], rule: CellRule) -> None:
    """Whatever is read, made suspect or excluded, the minimum is that of the cells that have one."""
    made = grid(rule)
    minimum = MinimumThickness(made)
    for time, (at, thickness, suspect, excluded) in enumerate(steps):
        cells = np.array(at, np.int64)
        update = made.begin_update(cells)
        wall = [float(mm) for mm in thickness[: len(at)]]
        made.add(readings([time] * len(at), wall), cells, 0, suspect=suspect)
        minimum.cells_changed(update.cells)
        if excluded:
            update = made.begin_update(np.array(excluded, np.int64))
            made.state[update.cells] = CellState.EXCLUDED
            minimum.cells_changed(update.cells)
        wall_cells = np.flatnonzero((made.hits > 0) & (made.state != CellState.EXCLUDED))
        if not wall_cells.size:
            assert minimum.value is None
            continue
        assert minimum.value == made.thickness[wall_cells].min()
        assert minimum.cell in wall_cells
        assert made.thickness[minimum.cell] == minimum.value


def test_unconfirmed_cell_is_the_raw_minimum_only() -> None:
    """Once it is confirmed it is both; without any confirmed cell there is none."""
    made = grid()
    minimum = MinimumThickness(made)
    read(made, minimum, {0: 9.0, 2: 4.0})
    for flags, cell in ((F.LONE_LOW, 0), (F.LONE_LOW | F.CONFIRMED, 2), (F.AMBIGUOUS, 0)):
        made.quality[2] = flags
        minimum.cells_changed(np.array([2]))
        assert (minimum.cell, minimum.raw_cell, minimum.raw_value) == (cell, 2, 4.0)
        assert minimum.is_confirmed == (cell == 2)
    made.quality[0] = F.HALVED
    minimum.cells_changed(np.array([0]))
    assert (minimum.value, minimum.cell, minimum.position) == (None, -1, None)
    assert minimum.raw_position == (14.0, 0.0)


def test_minimum_of_many_cells_is_that_of_all_blocks() -> None:
    """Of equal cells in two blocks the first one counts."""
    made = Grid(
        scan=Axis(name="scan", start=0.0, resolution=1.0, cells=5000),
        index=Axis(name="index", start=0.0, resolution=1.0, cells=1),
        rule=CellRule.LAST,
    )
    minimum = MinimumThickness(made)
    read(made, minimum, {4999: 7.0, 1500: 8.0})
    assert minimum.cell == 4999
    read(made, minimum, {1024: 7.0})
    assert minimum.cell == 1024
    read(made, minimum, {1024: 9.0})
    assert (minimum.cell, minimum.value) == (4999, 7.0)
