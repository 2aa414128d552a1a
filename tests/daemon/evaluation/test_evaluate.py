"""The evaluation of a whole survey: zones, squares, extremes, and what is refused."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from daemon.evaluation.walls import arrays_of, random_wall, source_of
from swathe.errors import SwatheError
from swathe.evaluation import (
    PartTally,
    SquareGrid,
    ThicknessLevel,
    Zone,
    ZoneTally,
    evaluate_arrays,
)
from swathe.pipeline import CellState
from swathe.pipeline.progress.fields import Extent

SHAPE = (9, 12)
LEVELS = (ThicknessLevel(10.0),)


@settings(max_examples=2)
@given(st.integers(0, 10_000), st.integers(1, 110), st.integers(2, 7))
def test_squares_are_evaluated_as_walls_of_their_own(seed: int, band_cells: int, side: int) -> None:
    """Each one as if it were a survey, for any band; all of them have every cell once."""
    wall = random_wall(seed, SHAPE, digits=1)
    grid = SquareGrid.of(source_of(wall, band_cells=band_cells), side)
    squares = list(grid.squares(LEVELS))
    assert len(squares) == math.prod(grid.shape)
    for one in squares:
        rows = slice(one.row * grid.height, (one.row + 1) * grid.height)
        columns = slice(one.column * grid.width, (one.column + 1) * grid.width)
        part = wall.isel(index=rows, scan=columns)
        alone = PartTally(source_of(part), LEVELS)
        for band in source_of(part).bands():
            alone.add(band)
        assert repr(one.figures) == repr(alone.summary())
        assert one.scan == (columns.start - 0.5, min(columns.stop, 12) - 0.5)
        assert one.index == (2 * rows.start - 1, 2 * min(rows.stop, 9) - 1)
        assert one.whole == (part.state.shape == (grid.height, grid.width))


@pytest.mark.parametrize(
    ("scan", "columns"),
    [
        ((2.0, 4.0), [2, 3, 4]),
        ((2.5, 3.5), [3]),
        ((10.0, 1.0), [10, 11, 0, 1]),
        ((-2.0, 1.0), [10, 11, 0, 1]),
        ((3.0, 99.0), list(range(12))),
    ],
)
def test_a_zone_has_the_cells_with_their_centres_in_it(
    scan: tuple[float, float], columns: list[int]
) -> None:
    """On a circumference of 12 mm, across the seam too; a turn at most."""
    wall = random_wall(3, SHAPE)
    wall.scan.attrs["wrapped"] = True
    source = source_of(wall, band_cells=30)
    tally = ZoneTally(source, Zone("seam", Extent(*scan), Extent(4.0, 8.0)), LEVELS)
    for band in source.bands():
        tally.add(band)
    (whole,) = source_of(wall).bands()
    mine = np.ix_([2, 3, 4], columns)
    found = tally.summary().figures
    assert found.cells == np.count_nonzero(~whole.excluded[mine])
    assert found.measured == np.count_nonzero(whole.sound[mine])
    assert found.statistics is not None
    assert found.statistics.mean == pytest.approx(whole.thickness[mine][whole.sound[mine]].mean())


@pytest.mark.parametrize("extent", [(20.0, 30.0), (3.1, 3.9), (5.0, 4.0)])
def test_a_zone_without_a_cell_is_refused(extent: tuple[float, float]) -> None:
    """It names zone and axis."""
    with pytest.raises(
        SwatheError, match="'inlet' holds no cell: see its borders on the scan axis"
    ):
        ZoneTally(source_of(random_wall(1, SHAPE)), Zone("inlet", Extent(*extent)), ())


@settings(max_examples=4)
@example(696, 1)
@given(st.integers(0, 10_000), st.integers(1, 110))
def test_no_figure_depends_on_the_bands(seed: int, band_cells: int) -> None:
    """All of an evaluation, digit by digit."""
    wall = random_wall(seed, SHAPE, digits=1)
    made = [
        evaluate_arrays(
            wall, levels=["98 %"], square=4, zones=[Zone("a", Extent(1, 5))], band_cells=each
        )
        for each in (band_cells, 10_000)
    ]
    assert repr(made[0]) == repr(made[1])


def test_lazy_arrays_are_read_band_by_band() -> None:
    """Anything that gives arrays when it is indexed serves; here the largest read is observed."""
    wall = random_wall(5, SHAPE)
    sizes = list[int]()

    class Watched:
        def __init__(self, layer: object) -> None:
            self._layer = layer

        def __getattr__(self, name: str) -> object:
            return getattr(self._layer, name)

        def __getitem__(self, key: object) -> object:
            part = np.asarray(self._layer[key])  # type: ignore[index]
            sizes.append(part.size)
            return part

    lazy = {name: Watched(wall[name]) for name in (*wall.data_vars, *wall.coords)}
    found = evaluate_arrays(lazy, band_cells=24)
    assert repr(found.survey) == repr(evaluate_arrays(wall).survey)
    assert max(sizes) == 24


def test_low_places_are_three_cells_apart_unless_given() -> None:
    """Cells are 1 mm by 2 mm."""
    wall = random_wall(6, SHAPE)
    assert evaluate_arrays(wall).separation == 6.0
    assert evaluate_arrays(wall, separation=2.5).separation == 2.5
    assert evaluate_arrays(wall.isel(index=[0])).separation == 3.0


def test_squares_with_unseen_cells_are_left_out_of_extremes() -> None:
    """Squares of 2 by 2 cells: two with a hole, one with an excluded cell, a row that is cut off."""
    values = 9 - np.random.default_rng(1).gumbel(0, 0.2, (11, 40))
    state = np.full(values.shape, CellState.MEASURED)
    state[0, 0] = state[4, 6] = CellState.SUSPECT
    state[2, 2] = CellState.EXCLUDED
    state[6:8, 8:10] = CellState.UNVISITED
    wall = arrays_of(values, state=state, resolution=(2.0, 2.0))
    found = evaluate_arrays(wall, square=4, extremes=True).extremes
    assert found is not None
    assert (found.squares, found.incomplete) == (100 - 4, 2)
    assert found.square_area == 16.0
    assert found.area == 6 * 4.0
    assert found.ratio == 1.5
    given = evaluate_arrays(wall, square=4, extremes=True, not_scanned=1600.0).extremes
    assert given is not None
    assert given.ratio == 100
    assert given.refused == ()
    whole = evaluate_arrays(arrays_of(values), square=4, extremes=True).extremes
    assert whole is not None
    assert "all that the plan requires was seen" in whole.refused[0]


def test_what_is_asked_wrongly_is_refused() -> None:
    """Each text names what is required."""
    wall = random_wall(1, SHAPE)
    with pytest.raises(SwatheError, match="give their side"):
        evaluate_arrays(wall, extremes=True)
    with pytest.raises(SwatheError, match="from 0 to 100"):
        evaluate_arrays(wall, percentiles=[101])
    with pytest.raises(SwatheError, match="above zero"):
        evaluate_arrays(wall, square=0.0)
    with pytest.raises(SwatheError, match="take larger ones"):
        evaluate_arrays(arrays_of(np.ones((200, 200)), resolution=(1, 1)), square=1.0)


def test_layers_of_another_shape_are_refused() -> None:
    """A stranger's arrays need not fit together."""
    wall = random_wall(1, SHAPE)
    layers = {name: wall[name] for name in (*wall.data_vars, *wall.coords)}
    layers["hits"] = layers["hits"][:4]
    with pytest.raises(SwatheError, match="'hits' has the shape"):
        evaluate_arrays(layers)


def test_datasets_have_the_figures_by_position() -> None:
    """Profiles by axis, squares by their middles."""
    wall = random_wall(7, SHAPE)
    found = evaluate_arrays(wall, square=4.0)
    profiles, squares = found.profiles_dataset(), found.squares_dataset()
    np.testing.assert_array_equal(profiles.lowest_along_scan, found.profiles[0].lowest)
    np.testing.assert_array_equal(profiles.unseen_along_index, found.profiles[1].unseen)
    assert profiles.index.values.tolist() == [2.0 * row for row in range(9)]
    assert dict(squares.sizes) == {"index": 5, "scan": 3}
    one = found.squares[4]
    assert (one.row, one.column) == (1, 1)
    there = squares.sel(scan=5.5, index=5.0)
    assert one.figures.statistics is not None
    assert there.mean_thickness == one.figures.statistics.mean
    assert there.unseen == one.figures.cells - one.figures.measured
    with pytest.raises(SwatheError, match="no squares"):
        evaluate_arrays(wall).squares_dataset()
