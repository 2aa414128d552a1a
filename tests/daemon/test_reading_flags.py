"""The bits of readings and cells, and how the grid keeps them."""

from __future__ import annotations

import numpy as np
import pytest

from daemon.strategies import readings
from swathe.pipeline import Grid
from swathe.reading_flags import (
    CELL_BITS,
    READING_BITS,
    ReadingFlag,
    flag_attributes,
    flag_names,
)
from swathe.station import Axis, CellRule

F = ReadingFlag
AMPLITUDES = [50.0, 90.0, 20.0]
WALLS = [8.0, 7.0, 9.0]
FLAGS = [F.CLIPPED, F.AMBIGUOUS, F.OUTSIDE_CALIBRATION]


def grid(rule: CellRule) -> Grid:
    """Return a grid of one line of three cells."""
    return Grid(
        scan=Axis(name="scan", start=0.0, resolution=1.0, cells=3),
        index=Axis(name="index", start=0.0, resolution=1.0, cells=1),
        rule=rule,
    )


def test_flags_are_bits_of_a_uint16_and_named_by_cf() -> None:
    """Each mask is one bit of 16, and has its meaning at the same place (CF 1.11, section 3.5)."""
    attributes = flag_attributes()
    masks, meanings = attributes["flag_masks"], attributes["flag_meanings"].split()
    assert masks == [1 << bit for bit in range(10)]
    assert len(masks) == len(meanings)
    assert dict(zip(meanings, masks, strict=True))["lone_low"] == int(F.LONE_LOW)
    assert max(masks) <= np.iinfo(np.uint16).max


def test_each_flag_belongs_to_a_reading_or_to_a_cell() -> None:
    """No bit is both, and none is neither."""
    assert not READING_BITS & CELL_BITS
    assert sum(ReadingFlag) == READING_BITS | CELL_BITS


def test_flag_names_are_those_that_are_set() -> None:
    """By rising bit, in lower case."""
    assert flag_names(F.CONFIRMED | F.HALVED) == ("halved", "confirmed")
    assert flag_names(0) == ()


@pytest.mark.parametrize("cuts", [[3], [1, 1, 1], [2, 1]])
@pytest.mark.parametrize(
    ("rule", "expected"),
    [
        (CellRule.MINIMUM, F.AMBIGUOUS),
        (CellRule.STRONGEST, F.AMBIGUOUS),
        (CellRule.FIRST, F.CLIPPED),
        (CellRule.LAST, F.OUTSIDE_CALIBRATION),
        (CellRule.MEAN, F.CLIPPED | F.AMBIGUOUS | F.OUTSIDE_CALIBRATION),
    ],
)
def test_cell_has_the_bits_of_what_it_represents(
    rule: CellRule, expected: ReadingFlag, cuts: list[int]
) -> None:
    """By each rule, however the readings are cut into batches; bits of the cell stay."""
    made = grid(rule)
    made.quality[1] = F.CONFIRMED
    found = readings(range(3), WALLS, amplitude=AMPLITUDES)
    found["flags"] = FLAGS
    first = 0
    for size in cuts:
        made.add(found[first : first + size], np.ones(size, np.int64), 0)
        first += size
    layer = made.layer("quality", slice(None), slice(None))
    assert layer.tolist() == [[0, expected | F.CONFIRMED, 0]]
    assert layer.dtype == np.uint16


@pytest.mark.parametrize("rule", list(CellRule))
@pytest.mark.parametrize("order", [[0, 1], [1, 0]])
@pytest.mark.parametrize("at_once", [True, False])
def test_impossible_reading_marks_a_cell_that_has_no_valid_one(
    rule: CellRule, order: list[int], at_once: bool
) -> None:
    """A valid reading in the cell, before it or after it, leaves nothing of it."""
    made = grid(rule)
    found = readings(range(2), [1e20, 8.0], valid=[False, True])
    found["flags"] = [F.IMPOSSIBLE, 0]
    for rows in [order] if at_once else [[row] for row in order]:
        made.add(found[rows], np.zeros(len(rows), np.int64), 0)
    made.add(found[:1], np.array([2]), 0)
    assert made.quality.tolist() == [0, 0, F.IMPOSSIBLE]
    assert made.hits.tolist() == [1, 0, 0]


def test_cleared_cell_has_no_bits() -> None:
    """As if it had never been read."""
    made = grid(CellRule.MINIMUM)
    made.quality[:] = F.CLIPPED
    made.clear(np.array([0]))
    assert made.quality.tolist() == [0, F.CLIPPED, F.CLIPPED]
