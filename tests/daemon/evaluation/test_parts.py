"""Cells, levels and low places of a survey, against numpy on the whole arrays."""

from __future__ import annotations

import numpy as np
import pytest
import zarr
from hypothesis import given
from hypothesis import strategies as st

from daemon.evaluation.walls import UNCONFIRMED, arrays_of, random_wall, source_of
from swathe.errors import SwatheError
from swathe.evaluation import (
    CellSource,
    LowestPlaces,
    LowPlace,
    PartSummary,
    PartTally,
    ThicknessLevel,
    level_of,
)
from swathe.pipeline import CellState

SHAPE = (13, 11)


def summary_of(source: CellSource, *levels: float) -> PartSummary:
    """Return the figures of all cells."""
    tally = PartTally(source, [ThicknessLevel(level) for level in levels])
    for band in source.bands():
        tally.add(band)
    return tally.summary()


@given(st.integers(0, 10_000), st.integers(1, 90))
def test_figures_are_those_of_numpy_for_any_band(seed: int, band_cells: int) -> None:
    """Suspect and unconfirmed cells are counted apart, excluded ones not at all."""
    wall = random_wall(seed, SHAPE)
    found = summary_of(source_of(wall, band_cells=band_cells), 9.8, 10.0)
    assert repr(found) == repr(summary_of(source_of(wall), 9.8, 10.0))
    thickness, state, quality = (wall[n].values for n in ("thickness", "state", "quality"))
    read = np.isfinite(thickness) & (state != CellState.EXCLUDED)
    sound = read & (state == CellState.MEASURED) & (quality == 0)
    assert found.cells == np.count_nonzero(state != CellState.EXCLUDED)
    assert found.area == found.cells * 2.0
    assert found.measured == np.count_nonzero(sound)
    assert found.unconfirmed == np.count_nonzero(read & (quality == UNCONFIRMED))
    assert found.suspect == np.count_nonzero(read & (state == CellState.SUSPECT) & (quality == 0))
    assert (
        found.unconfirmed + found.suspect + found.measured + sum(found.not_read.values())
        == found.cells
    )
    assert found.percent_unseen == pytest.approx(100 - 100 * sound.sum() / found.cells)
    values = np.where(sound, thickness, np.inf)
    row, column = divmod(int(np.argmin(values)), SHAPE[1])
    assert found.minimum == LowPlace(float(values.min()), float(column), 2.0 * row)
    apart = np.where(read & ~sound, thickness, np.inf)
    row, column = divmod(int(np.argmin(apart)), SHAPE[1])
    assert found.minimum_apart == LowPlace(float(apart.min()), float(column), 2.0 * row)
    for each in found.levels:
        limit = np.float32(each.level.mm)
        assert each.cells == np.count_nonzero(values < limit)
        assert each.cells_apart == np.count_nonzero(apart < limit)
        assert each.area == each.cells * 2.0
    assert found.levels[1].percent_of_measured == pytest.approx(
        100 * np.mean(thickness[sound] < np.float32(10))
    )


def test_a_zarr_group_gives_what_the_dataset_gives() -> None:
    """The survey's store is read as it is."""
    wall = random_wall(4, SHAPE)
    group = zarr.open_group(zarr.storage.MemoryStore(), mode="w")
    for name, layer in wall.variables.items():
        group.create_array(
            str(name), data=layer.values, chunks=(5,) * layer.ndim, attributes=dict(layer.attrs)
        )
    assert repr(summary_of(CellSource.of(group, band_cells=100))) == repr(
        summary_of(source_of(wall))
    )


def slow_places(wall: np.ndarray, most: int, separation: float, turn: float) -> list[LowPlace]:
    """Return the lowest places by looking at every cell again for each; scan 1 mm, index 2 mm."""
    left, places = wall.astype(float).copy(), list[LowPlace]()
    rows, columns = np.indices(wall.shape)
    while len(places) < most and np.isfinite(left).any():
        row, column = np.unravel_index(int(np.argmin(left)), wall.shape)
        places.append(LowPlace(float(left[row, column]), float(column), 2.0 * row))
        across = np.abs(columns - column)
        across = np.minimum(across, turn - across)
        left[np.hypot(across, 2.0 * (rows - row)) < separation] = np.inf
        left[row, column] = np.inf
    return places


@given(st.integers(0, 10_000), st.integers(1, 90), st.floats(0.5, 9))
def test_lowest_places_are_those_of_a_search_over_all_cells(
    seed: int, band_cells: int, separation: float
) -> None:
    """On a pipe, with equal cells, for any band."""
    wall = random_wall(seed, SHAPE, digits=1)
    wall.scan.attrs["wrapped"] = True
    source = source_of(wall, band_cells=band_cells)
    lowest = LowestPlaces(source, 5, separation)
    for band in source.bands():
        lowest.add(band, band.sound)
    (whole,) = source_of(wall).bands()
    values = np.where(whole.sound, whole.thickness, np.inf)
    assert list(lowest.places()) == slow_places(values, 5, separation, 11.0)
    assert not lowest.exhausted


def test_places_that_the_kept_cells_cannot_separate_are_reported(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A pit that fills what is kept hides the second place: that is stated."""
    monkeypatch.setattr("swathe.evaluation.lowest._MOST_KEPT", 6)
    wall = np.full((4, 40), 10.0)
    wall[:, :4] = 5.0
    source = source_of(arrays_of(wall))
    lowest = LowestPlaces(source, 2, 12.0)
    for band in source.bands():
        lowest.add(band, band.sound)
    assert lowest.places() == (LowPlace(5.0, 0.0, 0.0),)
    assert lowest.exhausted


def test_levels_are_lengths_or_shares_of_the_nominal_thickness() -> None:
    """An inch counts as an inch; a share needs a nominal thickness."""
    assert level_of("0.25 in", None) == ThicknessLevel(6.35)
    assert level_of(" 75 % ", 12.0) == ThicknessLevel(9.0, 75.0)
    assert level_of(8, None) == ThicknessLevel(8.0)


@pytest.mark.parametrize(
    ("level", "nominal", "text"),
    [
        ("80 %", None, "needs a nominal thickness"),
        ("x %", 12.0, "share above zero"),
        ("-5 %", 12.0, "share above zero"),
        ("thin", 12.0, "share of the nominal thickness such as"),
        (0.0, None, "above zero"),
    ],
)
def test_a_level_that_is_none_is_refused(
    level: str | float, nominal: float | None, text: str
) -> None:
    """The text names what is required."""
    with pytest.raises(SwatheError, match=text):
        level_of(level, nominal)


def test_arrays_of_something_else_are_refused() -> None:
    """What is missing is named, and a state that there is not."""
    wall = random_wall(1, SHAPE)
    with pytest.raises(SwatheError, match="'state' is missing; `swathe rebuild`"):
        CellSource.of(wall.drop_vars("state"))
    with pytest.raises(SwatheError, match="'scan' is none of a survey"):
        CellSource.of(wall.drop_vars("scan"))
    wall["state"][3, 3] = 99
    with pytest.raises(SwatheError, match="the state 99"):
        list(source_of(wall).bands())
