"""A large plan gives what a small one gives: mapped arrays, copies of touched blocks, runs of cells."""

from __future__ import annotations

import pickle
import resource
import sys
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.pipeline.cells.test_coverage import Probe
from swathe.pipeline import CellState, Grid
from swathe.pipeline.cells import coverage, plan_arrays
from swathe.pipeline.cells.gaps import GapRegister
from swathe.pipeline.cells.plan_arrays import BLOCK, PlanMemoryError, TouchedCells, plan_zeros
from swathe.pipeline.cells.unvisited import Runs, touched_runs, unvisited_runs
from swathe.station import Axis, CellRule


def grid_of(rows: int, columns: int, wrapped: tuple[bool, bool] = (False, False)) -> Grid:
    """Return a grid of cells of 1 mm."""
    return Grid(
        scan=Axis(name="scan", start=0.0, resolution=1.0, cells=columns, wrapped=wrapped[1]),
        index=Axis(name="index", start=0.0, resolution=1.0, cells=rows, wrapped=wrapped[0]),
        rule=CellRule.MINIMUM,
    )


def walk(probe: Probe, seed: int) -> None:
    """Scan some stretches of some lines, some of them without an echo or without readings."""
    random = np.random.default_rng(seed)
    rows, columns = probe.grid.shape
    for _ in range(3):
        row = float(random.integers(rows))
        ends = np.sort(random.integers(0, columns, 2)).astype(float)
        echo = [True, True, False, None][int(random.integers(4))]
        probe.go(
            *np.arange(float(ends[0]), float(ends[1]), 50.0).tolist(),
            float(ends[1]),
            row=row,
            echo=echo,
        )


def described(probe: Probe) -> list[tuple[Any, ...]]:
    """Return all that is known of each gap, its cells in order."""
    probe.coverage.gaps.settle()
    return [
        (
            gap.number, gap.size, gap.scan, gap.index, gap.area, gap.causes, gap.parts, gap.probes,
            gap.opened, gap.closed, gap.end, gap.merged_into,
            np.sort(np.concatenate((gap.cells, gap.unvisited.cells()))).tolist(),
        )
        for gap in probe.coverage.gaps
    ]  # fmt: skip


@settings(max_examples=8)  # each is four surveys
@given(
    shape=st.sampled_from(((24, 150), (3, 1300), (40, 64), (1, 3000))),
    wrapped=st.tuples(st.booleans(), st.booleans()),
    seeds=st.tuples(st.integers(0, 999), st.integers(0, 999)),
    stepped=st.booleans(),
)
def test_gaps_of_unvisited_runs_are_those_of_listed_cells(
    shape: tuple[int, int], wrapped: tuple[bool, bool], seeds: tuple[int, int], *, stepped: bool
) -> None:
    """At the end of a run, in the next one and at its end, also from a copy of the state."""
    found = []
    for most, large in ((1 << 20, 1 << 30), (-1, 1)):
        states = []
        with (
            patch.object(coverage, "MOST_LISTED", most),
            patch.object(plan_arrays, "_LARGE_BYTES", large),
        ):
            grid = grid_of(*shape, wrapped)
            grid.exclude(np.arange(shape[0] // 3), np.arange(4, min(20, shape[1])))
            probe = Probe(grid, stepped=stepped)
            for number, seed in enumerate(seeds):
                walk(probe, seed)
                probe.coverage.close_out(probe.now, probe.now)
                states.append(described(probe))
                probe = pickle.loads(pickle.dumps(probe))  # noqa: S301
                probe.coverage.reopen(100 + number)
                states.append(described(probe))
                some = range(0, grid.touched.size, 7)
                states.append([probe.grid.state[some].tolist(), probe.coverage.measured])
                states.append([probe.coverage.has_left(cell) for cell in some])
        found.append(states)
    assert found[1] == found[0]


def test_unvisited_runs_join_gaps_that_have_some_already() -> None:
    """Two gaps with runs of their own become one at a third; what is explicit is divided again."""
    columns = 3 * BLOCK
    left, right = np.arange(BLOCK), np.arange(2 * BLOCK, columns)
    gaps = (columns + left, columns + right)
    unvisited = Runs(
        np.array([0, 2 * BLOCK, 2 * columns]), np.array([BLOCK - 1, columns - 1, 3 * columns - 1])
    )
    grid, found = grid_of(3, columns), []
    for as_runs in (True, False):
        book = GapRegister(grid)
        for cells in gaps:
            book.add(cells, 1)
        none = np.empty(0, np.int64)
        if as_runs:
            book.add_unvisited(none, unvisited, 2)
        else:
            book.add(unvisited.cells(), 2)
        states = [book.settle()[0]]
        assert states[0].size == 2 * BLOCK + unvisited.size
        found.append([(g.number, g.size, g.scan, g.index, g.causes, g.end) for g in states])
        book.reopen(none if as_runs else unvisited.cells(), 3)
        found[-1] += [(g.number, g.size, g.scan, g.index, g.causes, g.end) for g in book.settle()]
    assert found[0] == found[1]


def test_a_mapped_array_takes_memory_where_it_is_written() -> None:
    """Of a billion cells, and what is not written reads as zero."""
    if sys.platform != "linux":
        pytest.skip("of /proc")

    def resident() -> int:
        pages = int(Path("/proc/self/statm").read_text().split()[1])
        return pages * resource.getpagesize()

    before = resident()
    array = plan_zeros(10**9, np.int64)
    at = np.arange(0, 10**9, 10**7)
    array[at] = 7
    assert array[at].sum() == 700
    assert array[1 + at].sum() == 0
    assert resident() - before < 2 << 20


def test_more_than_the_address_space_is_refused_by_its_remedy() -> None:
    """No traceback: the plan is too large for the computer."""
    with pytest.raises(PlanMemoryError, match="raise a resolution"):
        plan_zeros(10**15, np.int64)


@given(size=st.integers(1, 5 * BLOCK), cells=st.lists(st.integers(0, 5 * BLOCK - 1), max_size=5))
def test_touched_cells_are_whole_blocks_in_their_order(size: int, cells: list[int]) -> None:
    """Also the last block, which may have fewer cells; what is left is unvisited."""
    touched, here = TouchedCells(size), [cell for cell in cells if cell < size]
    touched.add(np.array(here, np.int64))
    wanted = [cell for cell in range(size) if cell // BLOCK in {one // BLOCK for one in here}]
    assert np.concatenate([*touched.cells(), np.empty(0, np.int64)]).tolist() == wanted
    grid = grid_of(1, size)
    grid.touched.add(np.array(here, np.int64))
    rest = unvisited_runs(grid)
    assert rest.cells().tolist() == sorted(set(range(size)) - set(wanted))
    assert rest.size == size - len(wanted)
    assert touched_runs(grid).cells().tolist() == wanted


@given(st.sets(st.integers(0, 59)), st.sampled_from((4, 7, 60)))
def test_runs_hold_their_cells_and_end_with_their_rows(cells: set[int], columns: int) -> None:
    """Cut, merged, and found again."""
    runs = Runs.of_cells(np.array(sorted(cells), np.int64), columns)
    assert runs.cells().tolist() == sorted(cells)
    assert (runs.first // columns == runs.last // columns).all()
    halves = Runs.joined([runs[np.arange(runs.first.size) % 2 == k] for k in (1, 0)])
    assert halves.merged(columns).cells().tolist() == sorted(cells)
    inside = runs.of(np.arange(-1, 61)) >= 0
    assert np.flatnonzero(inside).tolist() == [cell + 1 for cell in sorted(cells)]
    if cells:
        wanted = sorted({cell % columns for cell in cells})
        assert runs.columns(columns, each=True).tolist() == wanted
        assert runs.columns(columns, each=False).tolist() == [wanted[0], wanted[-1]]


def test_find_gives_the_cells_of_a_state_without_the_others() -> None:
    """In touched blocks only, rising."""
    grid = grid_of(50, 100)
    grid.pass_over(np.array([4999, 3, 700]), np.zeros(3, bool), np.zeros(3, bool))
    found = grid.touched.find(lambda cells: grid.state[cells] == CellState.SKIPPED)
    assert found.tolist() == [3, 700, 4999]
