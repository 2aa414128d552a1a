"""The cells that the probe goes through, against walking its way in very small steps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from swathe.pipeline import Grid
from swathe.pipeline.cells.crossed import CrossedCells, cross_cells
from swathe.pipeline.placing.placed import ProbePath
from swathe.station import Axis, CellRule


def grid(rows: int = 6, columns: int = 30, *, wrapped: bool = False) -> Grid:
    """Return a grid of cells of 1 mm."""
    return Grid(
        scan=Axis(name="scan", start=0.0, resolution=1.0, cells=columns, wrapped=wrapped),
        index=Axis(name="index", start=0.0, resolution=1.0, cells=rows),
        rule=CellRule.MINIMUM,
    )


def path(
    scan: list[float],
    index: list[float] | None = None,
    *,
    known: list[bool] | None = None,
    silent: list[bool] | None = None,
) -> ProbePath:
    """Return a path through samples 5 ms apart, each settled 1 ms later."""
    n = len(scan)
    return ProbePath(
        time=np.arange(n, dtype=np.int64) * 5_000_000,
        scan=np.array(scan, float),
        index=np.zeros(n) if index is None else np.array(index, float),
        known=np.ones(n, bool) if known is None else np.array(known),
        resets=np.zeros(n, bool),
        silent=np.zeros(n, bool) if silent is None else np.array(silent),
        settled=np.arange(n, dtype=np.int64) * 5_000_000 + 1_000_000,
        blur=np.zeros((n, 2)),
    )


def entered(way: ProbePath, made: Grid, last_cell: int = -1) -> CrossedCells:
    """Return the stays of a path with which a cell was entered."""
    crossed = cross_cells(way, made, last_cell)
    return crossed[crossed.entered]


def test_cross_every_cell_of_a_fast_pass_in_order() -> None:
    """Samples ten cells apart still enter every cell between them, in the order of travel."""
    there = entered(path([0.0, 10.0, 7.0]), grid())
    assert there.cells.tolist() == [*range(11), 9, 8, 7]
    assert there.known.all()
    assert not there.silent.any()


def test_cross_tells_when_the_probe_was_in_a_cell() -> None:
    """Half a cell on, it is in the next one, 1.25 ms behind each: two mm in 5 ms."""
    there = cross_cells(path([0.0, 2.0, 2.0, 4.0]), grid(), -1)
    assert there.cells.tolist() == [0, 1, 2, 3, 4]
    assert (there.time / 1e6).tolist() == [0.0, 5.0, 5.0, 15.0, 15.0]
    begins = there.since / 1e6
    assert np.allclose(begins, [0.0, 1.25, 3.75, 11.25, 13.75], atol=1.3)
    assert begins[3] > 10.0


def test_cross_last_cell_is_not_entered_again() -> None:
    """A piece that begins where the last one ended does not pass that cell twice."""
    assert entered(path([3.0, 3.2, 5.0]), grid(), 3).cells.tolist() == [4, 5]
    assert entered(path([3.0, 3.2, 3.4]), grid(), 3).cells.size == 0
    assert entered(path([3.0, 4.0, 3.0, 4.0]), grid()).cells.tolist() == [3, 4, 3, 4]


def test_cross_unknown_stretch_has_no_state_of_its_own() -> None:
    """Between samples too far apart the cells were passed, but nobody knows how."""
    there = entered(path([0.0, 4.0, 5.0], known=[True, False, True]), grid())
    assert there.cells.tolist() == [0, 1, 2, 3, 4, 5]
    assert there.known.tolist() == [True, False, False, False, True, True]


def test_cross_jump_is_no_way() -> None:
    """A jump over lines without samples, and one longer than the grid, pass nothing between."""
    over_lines = path([0.0, 9.0], [0.0, 2.0], known=[True, False])
    assert entered(over_lines, grid()).cells.tolist() == [0, 2 * 30 + 9]
    assert entered(path([0.0, -500.0, 5.0]), grid()).cells.tolist() == [0, 5]
    along_index = path([0.0, 0.0], [0.0, 500.0])
    assert entered(along_index, grid()).cells.tolist() == [0]


@pytest.mark.parametrize(("to", "passed"), [(0.4, 10), (0.9, 11), (1.0, 2), (1.1, 2)])
def test_cross_unknown_stretch_over_a_whole_line_is_a_jump(to: float, passed: int) -> None:
    """Without samples, less than a line's width across is a way past cells, and from there on none."""
    unknown = path([0.0, 9.0], [0.0, to], known=[True, False])
    assert entered(unknown, grid()).cells.size == passed
    sampled = entered(path([0.0, 9.0], [0.0, to]), grid())
    assert sampled.cells.size >= 10


@pytest.mark.parametrize("is_scan", [True, False])
def test_cross_far_is_more_than_twice_the_grid(is_scan: bool) -> None:
    """Twice the grid's length on an axis between two samples is travel, a little more is none."""
    length, step = (30, 1) if is_scan else (6, 30)
    for to, expected in ((2.0 * length, length), (2.0 * length + 0.1, 1)):
        ends, still = [0.0, to], [0.0, 0.0]
        far = path(ends, still) if is_scan else path(still, ends)
        crossed = entered(far, grid()).cells.tolist()
        assert crossed == [step * k for k in range(expected)]


def test_cross_reset_of_the_position_passes_nothing() -> None:
    """From before to after a position reset the probe did not move, however near they are."""
    reset = replace(path([2.0, 3.0, 9.0, 10.0]), resets=np.array([False, False, True, False]))
    assert entered(reset, grid()).cells.tolist() == [2, 3, 9, 10]


def test_cross_outside_the_grid_is_nothing() -> None:
    """What the probe does beside the grid enters no cell; coming back enters the first one."""
    there = entered(path([-3.0, -1.0, 1.0]), grid())
    assert there.cells.tolist() == [0, 1]


def test_cross_wrapped_goes_over_the_seam() -> None:
    """On a circumference the cell after the last is the first, also when going backwards."""
    assert entered(path([28.0, 32.0]), grid(wrapped=True)).cells.tolist() == [
        28,
        29,
        0,
        1,
        2,
    ]
    assert entered(path([1.0, -2.0]), grid(wrapped=True)).cells.tolist() == [1, 0, 29, 28]


def test_cross_silent_by_the_pause_around_each_sample() -> None:
    """A cell is silent as the sample is towards which the probe entered it."""
    there = entered(path([0.0, 1.0, 2.0], silent=[False, False, True]), grid())
    assert dict(zip(there.cells.tolist(), there.silent.tolist(), strict=True)) == {
        0: False,
        1: False,
        2: True,
    }


def test_stay_is_settled_with_the_sample_towards_which_it_began() -> None:
    """Cells between two samples are known to be crossed when the second one is settled."""
    there = cross_cells(path([0.0, 2.0, 4.0]), grid(), -1)
    assert there.cells.tolist() == [0, 1, 2, 3, 4]
    assert (there.settled // 1_000_000).tolist() == [1, 6, 6, 11, 11]


def test_stay_outside_the_grid_and_in_the_last_cell_is_not_entered() -> None:
    """All stays are given in their order; those that enter a cell of the grid are marked."""
    there = cross_cells(path([1.0, -2.0, 1.0]), grid(), 1)
    assert there.cells.tolist() == [1, 0, -1, 0, 1]
    assert there.entered.tolist() == [False, True, False, True, True]


def brute_force(scan: NDArray[np.float64], index: NDArray[np.float64]) -> tuple[set[int], set[int]]:
    """Return cells crossed at full width on either axis, and all cells touched at all.

    A cell is crossed at full width by a stretch of the way that enters it by one border and leaves
    it by the opposite one.
    """
    made = grid()
    steps = 2000
    crossed: set[int] = set()
    touched: set[int] = set()
    share = np.arange(steps + 1) / steps
    for k in range(scan.size - 1):
        x = scan[k] + (scan[k + 1] - scan[k]) * share
        y = index[k] + (index[k + 1] - index[k]) * share
        cells = made.cells_at(x, y)
        for cell in np.unique(cells[cells >= 0]).tolist():
            touched.add(cell)
            row, column = divmod(cell, made.shape[1])
            inside = np.flatnonzero(cells == cell)
            if inside[0] == 0 or inside[-1] == steps:
                continue
            widths = (
                np.abs((x - column)[[inside[0], inside[-1]]]).min(),
                np.abs((y - row)[[inside[0], inside[-1]]]).min(),
            )
            sides = (
                (x[inside[0]] - column) * (x[inside[-1]] - column) < 0,
                (y[inside[0]] - row) * (y[inside[-1]] - row) < 0,
            )
            if any(side and width > 0.48 for side, width in zip(sides, widths, strict=True)):
                crossed.add(cell)
    return crossed, touched


@given(st.lists(st.tuples(st.floats(-2, 31), st.floats(-1, 6)), min_size=2, max_size=4))
def test_cross_enters_what_is_crossed_at_full_width(samples: list[tuple[float, float]]) -> None:
    """No cell crossed from side to side is stepped over; none is entered that was not touched."""
    scan = np.array([x for x, _ in samples])
    index = np.array([y for _, y in samples])
    there = set(entered(path(scan.tolist(), index.tolist()), grid()).cells.tolist())
    crossed, touched = brute_force(scan, index)
    near = touched | set(grid().cells_at(scan, index).tolist())
    assert crossed <= there
    assert there <= near | edge_cells(scan, index)


def edge_cells(scan: NDArray[np.float64], index: NDArray[np.float64]) -> set[int]:
    """Return the cells within a hair of the way, which rounding may put on either side."""
    made = grid()
    share = np.arange(4001) / 4000
    found: set[int] = set()
    for k in range(scan.size - 1):
        x = scan[k] + (scan[k + 1] - scan[k]) * share
        y = index[k] + (index[k + 1] - index[k]) * share
        for dx in (-0.01, 0.0, 0.01):
            for dy in (-0.01, 0.0, 0.01):
                found.update(np.unique(made.cells_at(x + dx, y + dy)).tolist())
    return found


def test_cross_diagonal_enters_the_cells_that_it_cuts() -> None:
    """Two points per cell find the cells of a slanted path that one per cell steps over."""
    there = entered(path([0.1, 2.1], [0.0, 1.2]), grid())
    assert there.cells.tolist() == [0, 1, 30 + 1, 30 + 2]


def test_cross_unknown_step_to_the_next_line_passes_nothing_between() -> None:
    """Within a line an unknown stretch was passed; to another line the path is not known at all."""
    one_line = path([0.0, 3.0], [0.0, 1.0], known=[True, False])
    assert entered(one_line, grid()).cells.tolist() == [0, 30 + 3]
    within = path([0.0, 3.0], [0.0, 0.4], known=[True, False])
    assert entered(within, grid()).cells.tolist() == [0, 1, 2, 3]


@pytest.mark.parametrize(("axis", "half"), [(0, 0.5), (1, 1.5)])
def test_blur_of_half_a_cell_is_uncertain(axis: int, half: float) -> None:
    """Where readings may be off by half a cell of either axis, no stay is silent or skipped."""
    made = Grid(
        scan=Axis(name="scan", start=0.0, resolution=1.0, cells=30),
        index=Axis(name="index", start=0.0, resolution=3.0, cells=6),
        rule=CellRule.MINIMUM,
    )
    way = path([0.0, 1.0, 2.0, 3.0], silent=[True, True, False, False])
    blur = np.zeros((4, 2))
    blur[:, axis] = half - 0.01, half, half - 0.01, half
    there = entered(replace(way, blur=blur), made)
    assert there.uncertain.tolist() == [False, True, False, True]
    assert there.silent.tolist() == [True, False, False, False]


def test_lost_reading_is_missing_in_its_own_cell() -> None:
    """Of ten cells that are crossed in 5 ms, only that where the reading would have been is silent."""
    way = replace(path([0.0, 10.0]), lost=np.array([3_600_000]))
    there = entered(way, grid())
    assert there.cells[there.silent].tolist() == [7]
    assert there.cells[there.lost].tolist() == [7]


def test_reading_lost_where_bytes_were_damaged_is_no_silence() -> None:
    """It was sent, and not received whole; nor is what is silent there."""
    way = replace(path([0.0, 10.0, 20.0], silent=[False, False, True]), lost=np.array([3_600_000]))
    there = entered(replace(way, unread=np.array([False, True, True])), grid())
    assert there.unread.tolist() == [False] + 20 * [True]
    assert not (there.lost | there.silent | there.uncertain).any()


def test_readings_lost_elsewhere_change_nothing() -> None:
    """What was lost before or after the piece, or over a stretch without path, is in no cell of it."""
    for lost, known in ((0, True), (-1, True), (5_000_001, True), (3_000_000, False)):
        way = replace(path([0.0, 10.0], known=[True, known]), lost=np.array([lost]))
        assert not cross_cells(way, grid(), -1).silent.any()
