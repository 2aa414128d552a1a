"""Visits of the probe to cells against a list of all of them, however the readings are cut."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathe.pipeline.cells.cell_visits import CellVisits
from swathe.pipeline.cells.plan_arrays import TouchedCells

COLUMNS = 8


def taken(path: list[tuple[int, float]], cuts: list[int], *, wrapped: bool = False) -> CellVisits:
    """Return the visits of one line of 8 cells after (cell, thickness) in turn, in pieces."""
    visits = CellVisits((1, COLUMNS), (False, wrapped), TouchedCells(COLUMNS))
    ends = sorted({min(cut, len(path)) for cut in cuts} | {0, len(path)})
    for begin, end in pairwise(ends):
        cells = np.array([cell for cell, _ in path[begin:end]], np.int64)
        wall = np.array([mm for _, mm in path[begin:end]])
        stays = visits.follow(cells)
        kept = np.flatnonzero((cells >= 0) & np.isfinite(wall))
        if kept.size:
            visits.add(stays, stays.of_reading[kept], wall[kept])
    return visits


def minima(path: list[tuple[int, float]], cell: int, *, wrapped: bool = False) -> list[float]:
    """Return the minimum of each visit to a cell with a valid reading, reading by reading."""
    found: list[float] = []
    away = True
    for at, wall in path:
        apart = abs(at - cell)
        apart = min(apart, COLUMNS - apart) if wrapped else apart
        if at >= 0 and apart >= 2:
            away = True
        if at == cell and np.isfinite(wall):
            if away:
                found.append(np.inf)
            away = False
            found[-1] = min(found[-1], wall)
    return found


PATHS = st.lists(
    st.tuples(st.integers(-1, COLUMNS - 1), st.sampled_from([3.0, 4.0, 5.0, 6.0, np.nan, np.inf])),
    max_size=25,
)


@given(path=PATHS, cuts=st.lists(st.integers(0, 25), max_size=4), wrapped=st.booleans())
def test_visits_are_those_of_a_search_reading_by_reading(
    path: list[tuple[int, float]], cuts: list[int], *, wrapped: bool
) -> None:
    """Their number and their two lowest minima, whatever the pieces."""
    visits = taken(path, cuts, wrapped=wrapped)
    for cell in range(COLUMNS):
        expected = sorted(minima(path, cell, wrapped=wrapped))
        assert visits.count[cell] == len(expected)
        if expected:
            second = expected[1] if len(expected) > 1 else np.inf
            assert (visits.lowest[cell], visits.second[cell]) == (expected[0], second)


def test_readings_of_a_probe_at_rest_are_one_visit() -> None:
    """Also where it rocks over the border of two cells for long."""
    path = [(3 + number % 2, 5.0) for number in range(200)]
    visits = taken(path, [50, 51, 120])
    assert visits.count.tolist() == [0, 0, 0, 1, 1, 0, 0, 0]
    assert visits.second[3] == np.inf


def test_another_pass_is_another_visit() -> None:
    """The probe went two cells away and came back."""
    visits = taken([(3, 5.0), (4, 9.0), (5, 9.0), (4, 9.0), (3, 5.1)], [])
    assert visits.count[3] == 2
    assert visits.second[3] == pytest.approx(5.1)
    assert visits.count[4] == 1


def test_couplings_of_a_spot_are_visits_of_their_own() -> None:
    """Where each call is a coupling, and a cleared cell has none."""
    visits = CellVisits((1, 2), (False, False), TouchedCells(2))
    visits.apart = True
    for wall in (5.0, 4.0, 6.0):
        stays = visits.follow(np.array([1]))
        visits.add(stays, stays.of_reading, np.array([wall]))
    assert (visits.count[1], visits.lowest[1], visits.second[1]) == (3, 4.0, 5.0)
    visits.clear(np.array([1]))
    assert visits.count.tolist() == [0, 0]
