"""Which cell a position belongs to, and where the cells are."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from daemon.strategies import axes
from swathe.station import Axis, cell_count
from swathe.units import length


def test_over_seven_by_three_inches() -> None:
    """7.000 in at 0.050 in by 3.000 in at 0.250 in has 141 × 13 positions.

    Both ends count: common practice, no source.
    """
    scan = Axis.over(name="scan", start=0.0, length=length("7 in"), resolution=length("0.05 in"))
    index = Axis.over(name="index", start=0.0, length=length("3 in"), resolution=length("0.25 in"))
    assert (scan.cells, index.cells) == (141, 13)
    assert scan.centres[-1] == pytest.approx(177.8)
    assert index.centres[-1] == pytest.approx(76.2)


@pytest.mark.parametrize(
    ("extent", "resolution", "wrapped", "cells"),
    [
        (10.0, 1.0, False, 11),
        (0.3, 0.1, False, 4),
        (10.4, 1.0, False, 11),
        (10.0, 10.0, False, 2),
        (5.0, 10.0, False, 1),
        (10.0, 1.0, True, 10),
        (10.1, 1.0, True, 11),
        (0.3, 0.1, True, 3),
        (5.0, 10.0, True, 1),
    ],
)
def test_cell_count_ends_and_seam(
    extent: float, resolution: float, wrapped: bool, cells: int
) -> None:
    """Both ends of a length belong to the grid; a circumference has no end to count."""
    assert cell_count(extent, resolution, wrapped=wrapped) == cells


@given(st.floats(1e-2, 1e5), st.floats(1e-2, 1e3))
def test_over_wrapped_fits_its_cells(circumference: float, resolution: float) -> None:
    """A circumference is a whole number of cells, no wider than asked, and no more than needed."""
    assume(circumference / resolution < 1e6)
    axis = Axis.over(
        name="index", start=3.0, length=circumference, resolution=resolution, wrapped=True
    )
    assert axis.cells * axis.resolution == pytest.approx(circumference)
    assert axis.resolution <= resolution * (1 + 2e-6) or axis.cells == 1
    assert circumference / max(axis.cells - 1, 1) > resolution or axis.cells == 1


@given(st.integers(0, 100_000), st.floats(1e-3, 1e3))
def test_over_whole_number_of_cells_counts_both_ends(steps: int, resolution: float) -> None:
    """A length that is a whole number of cells but for rounding has one cell more than steps."""
    assert cell_count(steps * resolution, resolution) == steps + 1


@given(axes(), st.data())
def test_cell_every_centre_is_in_its_own(axis: Axis, data: st.DataObject) -> None:
    """The centre of cell k is in cell k, and lies between its borders."""
    k = data.draw(st.integers(0, axis.cells - 1))
    centre = axis.centres[k]
    assert axis.cell(np.array([centre])).tolist() == [k]
    low, high = axis.edges(k, k)
    assert low < centre < high
    assert high - low == pytest.approx(axis.resolution, rel=1e-6)


@given(axes(wrapped=False), st.floats(-0.6, 1.6))
def test_cell_position_lies_between_the_edges(axis: Axis, share: float) -> None:
    """A position falls into the cell whose borders hold it, or outside all of them."""
    position = axis.start + share * axis.cells * axis.resolution
    found = int(axis.cell(np.array([position]))[0])
    whole = axis.edges(0, axis.cells - 1)
    slack = 1e-9 * (abs(position) + axis.resolution)
    if found < 0:
        assert position < whole[0] + slack or position > whole[1] - slack
    else:
        low, high = axis.edges(found, found)
        assert low - slack <= position <= high + slack


def test_cell_borders_are_half_open() -> None:
    """A position on the border between two cells belongs to the upper one; the last is outside."""
    axis = Axis(name="scan", start=0.0, resolution=1.0, cells=3)
    at = [-0.5000001, -0.5, 0.4999999, 0.5, 1.5, 2.4999999, 2.5]
    assert axis.cell(np.array(at)).tolist() == [-1, 0, 0, 1, 2, 2, -1]


@given(axes())
def test_cell_not_a_number_is_outside(axis: Axis) -> None:
    """NaN and infinity are on no grid, wrapped or not."""
    lost = np.array([math.nan, math.inf, -math.inf])
    assert axis.cell(lost).tolist() == [-1, -1, -1]


@given(axes(wrapped=True), st.integers(-50, 50), st.data())
def test_cell_wrapped_is_modulo_the_circumference(
    axis: Axis, turns: int, data: st.DataObject
) -> None:
    """Whole turns more or fewer do not change the cell; nothing on a pipe is outside."""
    k = data.draw(st.integers(0, axis.cells - 1))
    share = data.draw(st.floats(-0.49, 0.49))
    position = axis.start + (k + share + turns * axis.cells) * axis.resolution
    assume(abs(position) * 1e-12 < 0.005 * axis.resolution)
    assert axis.cell(np.array([position])).tolist() == [k]


def test_edges_of_several_cells_are_the_outer_ones() -> None:
    """The borders of a run of cells are those of its first and its last."""
    axis = Axis(name="scan", start=100.0, resolution=2.0, cells=50)
    assert axis.edges(0, 0) == (99.0, 101.0)
    assert axis.edges(3, 5) == (105.0, 111.0)
    assert axis.centres.shape == (50,)


@given(axes(wrapped=False))
def test_offset_counts_cells_from_the_lower_border(axis: Axis) -> None:
    """Offset 0 is the lower border of cell 0 and the offset of a centre ends in a half."""
    offsets = axis.offset(axis.centres)
    assert offsets == pytest.approx(np.arange(axis.cells) + 0.5, abs=1e-3)


def test_positions_on_a_circumference_read_within_a_turn() -> None:
    """After five turns a position reads as on the first one; the seam is as near as any place."""
    pipe = Axis.over(name="scan", start=10, length=684, resolution=4, wrapped=True)
    assert pipe.turn == (10.0, 694.0)
    assert pipe.onto(5 * 684 + 110.0) == pytest.approx(110.0)
    assert pipe.onto(8.0) == pytest.approx(692.0)
    assert pipe.distance(20.0, 690.0) == pytest.approx(14.0)
    assert pipe.distance(20.0 + 5 * 684, 690.0) == pytest.approx(14.0)
    line = Axis.over(name="scan", start=10, length=684, resolution=4)
    assert (line.turn, line.onto(5000.0), line.distance(20, 690)) == (None, 5000.0, 670)
