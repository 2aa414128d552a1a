"""Levels of the map: nothing that matters is lost by thinning out."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swathe.page import pyramid
from swathe.page.pyramid import NO_THICKNESS, TILE, Pyramid, levels_of
from swathe.pipeline import CellState, Grid
from swathe.report.thinning import URGENCY, thin_minimum, thin_worst
from swathe.station import Axis, CellRule


def grid_of(rows: int, columns: int, tall: float = 1.0, wide: float = 1.0) -> Grid:
    """Return an empty grid of cells of so many mm."""
    return Grid(
        scan=Axis(name="scan", start=0.0, resolution=wide, cells=columns),
        index=Axis(name="index", start=0.0, resolution=tall, cells=rows),
        rule=CellRule.MINIMUM,
    )


def fill(grid: Grid, seed: int, share: float) -> None:
    """Fill a share of the cells at random, and give every cell some state."""
    rng = np.random.default_rng(seed)
    grid.state[:] = rng.integers(0, len(CellState), grid.state.size)
    grid.touched.add_all()
    read = rng.random(grid.state.size) < share
    grid.hits[:] = read
    grid.thickness[:] = np.where(read, rng.uniform(2, 20, read.size), 0)


def whole(pyramid: Pyramid, number: int) -> tuple[np.ndarray, np.ndarray]:
    """Return a level put together from its tiles."""
    level = pyramid.levels[number]
    state = np.zeros((level.rows, level.columns), np.uint8)
    thickness = np.zeros((level.rows, level.columns), np.uint16)
    for row in range(0, level.rows, TILE):
        for column in range(0, level.columns, TILE):
            here = np.s_[row : row + TILE, column : column + TILE]
            state[here], thickness[here] = pyramid.tile(number, row // TILE, column // TILE)
    return state, thickness


def check_levels(pyramid: Pyramid, grid: Grid) -> None:
    """Each level is the grid thinned out by blocks, worked out another way."""
    held = np.where(grid.hits > 0, np.rint(grid.thickness * 100), np.nan).reshape(grid.shape)
    for number, level in enumerate(pyramid.levels):
        state, thickness = whole(pyramid, number)
        minimum = thin_minimum(held, (level.tall, level.wide))
        found = np.where(thickness == NO_THICKNESS, np.nan, thickness)
        np.testing.assert_array_equal(found, minimum)
        worst = thin_worst(grid.state.reshape(grid.shape), (level.tall, level.wide))
        np.testing.assert_array_equal(state, worst)


shapes = st.tuples(st.integers(1, 700), st.integers(1, 900))


@settings(max_examples=25)
@given(shape=shapes, seed=st.integers(0, 2**31), share=st.floats(0, 1))
def test_build_keeps_least_and_most_urgent(shape: tuple[int, int], seed: int, share: float) -> None:
    """Whatever the grid, each pixel has the minimum thickness and the most urgent state below it."""
    grid = grid_of(*shape)
    fill(grid, seed, share)
    pyramid = Pyramid(grid)
    for _ in pyramid.build():
        pass
    check_levels(pyramid, grid)
    top = whole(pyramid, len(pyramid.levels) - 1)[1]
    if grid.hits.any():
        thinnest = np.rint(grid.thickness[grid.hits > 0].min() * 100)
        assert top.min() == thinnest


@settings(max_examples=25)
@given(shape=shapes, seed=st.integers(0, 2**31), tall=st.sampled_from([0.5, 1.0, 8.0, 40.0]))
def test_update_is_as_good_as_building_anew(shape: tuple[int, int], seed: int, tall: float) -> None:
    """After any changes the levels are those that a new pyramid would have, thicker or thinner."""
    grid = grid_of(*shape, tall=tall)
    fill(grid, seed, 0.5)
    pyramid = Pyramid(grid)
    for _ in pyramid.build():
        pass
    before = [whole(pyramid, number) for number in range(len(pyramid.levels))]
    rng = np.random.default_rng(seed)
    cells = rng.integers(0, grid.state.size, 50)
    grid.state[cells] = rng.integers(0, len(CellState), 50)
    grid.hits[cells] = 1
    grid.thickness[cells] = rng.uniform(1, 30, 50)
    changed = pyramid.update(cells)
    check_levels(pyramid, grid)
    # Patched tiles equal fetched ones.
    for (state, thickness), pixels, number in zip(before, changed, range(99), strict=False):
        state.reshape(-1)[pixels.offset] = pixels.state
        thickness.reshape(-1)[pixels.offset] = pixels.thickness
        now = whole(pyramid, number)
        np.testing.assert_array_equal(state, now[0])
        np.testing.assert_array_equal(thickness, now[1])


@pytest.mark.parametrize(
    ("shape", "tall", "wide"),
    [((4000, 5000), 1.0, 1.0), ((1, 20_000), 1.0, 1.0), ((300, 30_000), 10.0, 0.5), ((9, 9), 1, 1)],
)
def test_levels_of_end_in_one_tile(shape: tuple[int, int], tall: float, wide: float) -> None:
    """The last level is one tile, and pixels become square before both axes are halved."""
    levels = levels_of(grid_of(*shape, tall=tall, wide=wide))
    assert (levels[0].rows, levels[0].columns) == shape
    assert max(levels[-1].rows, levels[-1].columns) <= TILE
    for level in levels[1:]:
        assert level.rows == -(-shape[0] // level.tall)
        assert level.columns == -(-shape[1] // level.wide)
    if shape == (300, 30_000):
        # 0.5 mm × 10 mm cells: along the scan axis alone until they are 8 mm × 10 mm.
        assert [(level.tall, level.wide) for level in levels[:6]] == [
            (1, 1), (1, 2), (1, 4), (1, 8), (1, 16), (2, 32),
        ]  # fmt: skip


def test_tile_outside_is_refused() -> None:
    """A missing tile is an error that names the existing ones."""
    pyramid = Pyramid(grid_of(300, 600))
    with pytest.raises(LookupError, match="the levels are 0 to 2"):
        pyramid.tile(3, 0, 0)
    with pytest.raises(LookupError, match="level 0 has 2 × 3 tiles"):
        pyramid.tile(0, 2, 0)
    state, thickness = pyramid.tile(0, 1, 2)
    assert state.shape == thickness.shape == (44, 88)


def test_urgency_has_every_state_once() -> None:
    """Each state has a rank of its own, and a missing echo is the most urgent."""
    assert sorted(URGENCY.tolist()) == list(range(len(CellState)))
    assert URGENCY.argmax() == CellState.NO_SIGNAL
    assert URGENCY.argmin() == CellState.MEASURED


def test_thickness_too_great_or_below_zero_is_kept_in_range() -> None:
    """A thickness that sixteen bits cannot hold becomes the largest one, not none."""
    grid = grid_of(1, 3)
    grid.hits[:] = 1
    grid.touched.add_all()
    grid.thickness[:] = (-1.0, 700.0, 12.345)
    assert Pyramid(grid).tile(0, 0, 0)[1].tolist() == [[0, NO_THICKNESS - 1, 1234]]


@pytest.mark.parametrize("shape", [(700, 900), (3, 70_000), (70_000, 3)])
def test_pyramid_of_touched_cells_is_that_of_all(
    shape: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was never visited is left out of the build, and is there in every tile."""
    monkeypatch.setattr(pyramid, "_STEP_CELLS", 5_000)
    grid, random = grid_of(*shape), np.random.default_rng(1)
    for first in (0, 100_000, grid.state.size - 300):
        cells = np.arange(first, first + 300)
        grid.touched.add(cells)
        grid.state[cells] = random.integers(0, len(CellState), 300)
        grid.hits[cells] = grid.state[cells] == CellState.MEASURED
        grid.thickness[cells] = random.uniform(1, 30, 300)
    some = Pyramid(grid)
    steps = sum(1 for _ in some.build())
    check_levels(some, grid)
    grid.touched.add_all()
    assert steps < sum(1 for _ in Pyramid(grid).build())
