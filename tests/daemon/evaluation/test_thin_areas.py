"""Connected thin areas, against `scipy.ndimage` on the whole wall, joined over the seams by hand."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import ndimage

from daemon.evaluation.walls import UNCONFIRMED, arrays_of, random_wall, source_of
from swathe.evaluation import CellSource, ThicknessLevel, ThinAreas, ThinAreasBelow
from swathe.evaluation.regions import arc_over
from swathe.pipeline import CellState

SHAPE = (9, 12)
LEVEL = 9.95


def areas_of(
    source: CellSource, *, level: float = LEVEL, corners: bool = False, most: int = 1000
) -> ThinAreasBelow:
    """Return the areas below the level."""
    areas = ThinAreas(source, ThicknessLevel(level), corners=corners)
    for band in source.bands():
        areas.add(band)
    return areas.result(most)


def labels_by_hand(thin: np.ndarray, wrapped: tuple[bool, bool], corners: bool) -> np.ndarray:
    """Return labels of the whole wall; those that touch across a seam become one."""
    labels, _ = ndimage.label(thin, ndimage.generate_binary_structure(2, 2 if corners else 1))
    rows, columns = thin.shape
    reach = (-1, 0, 1) if corners else (0,)
    touching = []
    if wrapped[0]:
        touching += [((rows - 1, c), (0, c + d)) for c in range(columns) for d in reach]
    if wrapped[1]:
        touching += [((r, columns - 1), (r + d, 0)) for r in range(rows) for d in reach]
    for one, (down, right) in touching:
        row = down % rows if wrapped[0] else down
        column = right % columns if wrapped[1] else right
        if 0 <= row < rows and 0 <= column < columns and thin[one] and thin[row, column]:
            labels[labels == labels[row, column]] = labels[one]
    return np.asarray(labels)


@given(st.integers(0, 10_000), st.integers(1, 110), st.booleans(), st.booleans(), st.booleans())
def test_areas_are_those_of_scipy_for_any_band(
    seed: int, band_cells: int, around: bool, along: bool, corners: bool
) -> None:
    """Number, size, lowest cell, mean, extents and neighbours of every area, over the seams too."""
    wall = random_wall(seed, SHAPE, digits=1)
    wall.scan.attrs["wrapped"], wall.index.attrs["wrapped"] = along, around
    source = source_of(wall, band_cells=band_cells)
    found = areas_of(source, corners=corners)
    (whole,) = source_of(wall).bands()
    thin = whole.sound & (whole.thickness < np.float32(LEVEL))
    labels = labels_by_hand(thin, (around, along), corners)
    assert found.count == len(found.areas) == np.unique(labels[thin]).size
    assert found.cells == np.count_nonzero(thin)
    expected = []
    for label in np.unique(labels[thin]):
        row, column = np.nonzero(labels == label)
        values = whole.thickness[row, column]
        at = int(np.argmin(values))
        near = {
            (r, c)
            for y, x in zip(row, column, strict=True)
            for r, c in neighbours(int(y), int(x), (around, along), corners)
        }
        expected.append(
            (
                float(values[at]), 12 * row[at] + column[at], row.size,
                round(float(values.astype(float).mean()), 6), set(column), set(row),
                any(whole.unseen[each] for each in near),
                any(whole.excluded[each] for each in near),
            )
        )  # fmt: skip
    expected.sort(key=lambda each: each[:2])
    for area, (low, cell, size, mean, columns, rows, unseen, excluded) in zip(
        found.areas, expected, strict=True
    ):
        assert (area.lowest.thickness, area.cells) == (low, size)
        assert (area.lowest.scan, area.lowest.index / 2) == (cell % 12, cell // 12)
        assert area.mean == pytest.approx(mean, abs=2e-6)
        assert area.depth == LEVEL - low
        assert area.area == size * 2.0
        for (low_edge, high_edge), width, cells, axis_size, turns in (
            (area.scan, 1.0, columns, 12, along), (area.index, 2.0, rows, 9, around)
        ):  # fmt: skip
            covered = np.arange(round(low_edge / width + 0.5), round(high_edge / width - 0.5) + 1)
            assert turns or (covered[0] >= 0 and covered[-1] < axis_size)
            assert covered.size <= axis_size
            assert {int(each) % axis_size for each in covered} == cells
        assert (area.borders_unseen, area.borders_excluded) == (unseen, excluded)
        assert area.borders_edge == (
            (not along and bool({0, 11} & columns)) or (not around and bool({0, 8} & rows))
        )
    assert found.borders_unseen == sum(each[6] for each in expected)


def neighbours(
    row: int, column: int, wrapped: tuple[bool, bool], corners: bool
) -> list[tuple[int, int]]:
    """Return the cells next to one."""
    found = []
    for down, right in product((-1, 0, 1), repeat=2):
        if (down, right) == (0, 0) or (not corners and down and right):
            continue
        y, x = row + down, column + right
        y = y % SHAPE[0] if wrapped[0] else y
        x = x % SHAPE[1] if wrapped[1] else x
        if 0 <= y < SHAPE[0] and 0 <= x < SHAPE[1]:
            found.append((y, x))
    return found


def test_connectivity_of_scipys_example() -> None:
    """The docs of `scipy.ndimage.label`: 4 regions by sides, 2 with corners."""
    picture = ["001100", "000100", "110010", "000100"]
    wall = np.array([[10.0 if mark == "0" else 9.0 for mark in row] for row in picture])
    source = source_of(arrays_of(wall), band_cells=6)
    assert areas_of(source).count == 4
    assert areas_of(source, corners=True).count == 2


def test_an_area_over_the_seam_is_one_with_its_extent_beyond_the_turn() -> None:
    """Of 12 cells of 1 mm, the last two and the first one: from 9.5 to 12.5 mm."""
    wall = np.full((3, 12), 10.0)
    wall[1, [10, 11, 0]] = [8.0, 7.0, 9.0]
    (area,) = areas_of(source_of(arrays_of(wall, wrapped=(False, True)))).areas
    assert area.scan == (9.5, 12.5)
    assert area.index == (1.0, 3.0)
    assert (area.lowest.thickness, area.lowest.scan) == (7.0, 11.0)
    assert not area.borders_edge
    assert areas_of(source_of(arrays_of(wall))).count == 2


def test_doubtful_cells_are_in_no_area_and_are_reported_next_to_it() -> None:
    """An unconfirmed cell parts two areas; each of them borders on what is not known."""
    wall = np.full((1, 7), 10.0)
    wall[0, 2:5] = 8.0
    quality = np.zeros(wall.shape, int)
    quality[0, 3] = UNCONFIRMED
    found = areas_of(source_of(arrays_of(wall, quality=quality)))
    assert [each.borders_unseen for each in found.areas] == [True, True]
    assert found.cells == 2
    states = np.full(wall.shape, CellState.MEASURED)
    states[0, 3] = CellState.EXCLUDED
    found = areas_of(source_of(arrays_of(wall, state=states)))
    assert [each.borders_excluded for each in found.areas] == [True, True]
    assert found.borders_unseen == 0


def test_all_areas_are_counted_and_the_lowest_are_described(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Memory holds a bounded number of areas."""
    monkeypatch.setattr("swathe.evaluation.thin_areas._MOST_KEPT", 3)
    wall = np.full((8, 8), 10.0)
    wall[::2, ::2] = 9.0 - 0.1 * np.arange(16).reshape(4, 4)
    found = areas_of(source_of(arrays_of(wall), band_cells=8))
    assert (found.count, found.cells) == (16, 16)
    assert [round(each.depth, 2) for each in found.areas] == [2.45, 2.35, 2.25]


@given(st.lists(st.tuples(st.integers(0, 9), st.integers(1, 10)), min_size=1, max_size=5))
def test_arc_holds_all_arcs_and_leaves_the_largest_hole(arcs: list[tuple[int, int]]) -> None:
    """On a circumference of 10 cells, against every arc there is."""
    covered = {(first + k) % 10 for first, count in arcs for k in range(count)}
    begins, counts = np.array(arcs).T
    first, count = arc_over(begins, counts, 10)
    assert covered <= {(first + k) % 10 for k in range(count)}
    shortest = min(
        size
        for begin, size in product(range(10), range(1, 11))
        if covered <= {(begin + k) % 10 for k in range(size)}
    )
    assert count == shortest


@pytest.mark.parametrize("band_cells", [6, 100])
@pytest.mark.parametrize(
    "thin", [((0, 5), (1, 0)), ((0, 0), (1, 5)), ((2, 5), (0, 0)), ((0, 2), (2, 3))]
)
def test_corners_join_over_the_seams(thin: tuple[tuple[int, int], ...], band_cells: int) -> None:
    """Two cells that share a corner over one seam or both, in one band and in several."""
    wall = np.full((3, 6), 10.0)
    for cell in thin:
        wall[cell] = 9.0
    source = source_of(arrays_of(wall, wrapped=(True, True)), band_cells=band_cells)
    assert areas_of(source).count == 2
    assert areas_of(source, corners=True).count == 1
