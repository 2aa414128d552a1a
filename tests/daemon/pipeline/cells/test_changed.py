"""Where cells changed, as checkpoints take it."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from swathe.pipeline.cells.changed import ChangedCells

COLUMNS = 7

updates = st.lists(st.lists(st.integers(0, 5 * COLUMNS - 1), max_size=8), max_size=6)


def spans_of(cells: Iterable[int]) -> dict[int, tuple[int, int]]:
    """Return first and last column by row, cell by cell."""
    spans: dict[int, tuple[int, int]] = {}
    for cell in cells:
        row, column = divmod(cell, COLUMNS)
        first, last = spans.get(row, (column, column))
        spans[row] = min(first, column), max(last, column)
    return spans


@given(updates)
def test_spans_hold_what_changed_and_no_more(batches: list[list[int]]) -> None:
    """Each row has its first and last changed column, however the cells came."""
    changed = ChangedCells(COLUMNS)
    for batch in batches:
        changed.add(np.array(batch, np.int64))
    assert changed.take_spans() == spans_of(cell for batch in batches for cell in batch)


def test_what_was_taken_is_not_taken_again() -> None:
    """A second checkpoint has what changed since the first."""
    changed = ChangedCells(COLUMNS)
    changed.add(np.array([3, 5]))
    changed.take_spans()
    assert changed.take_spans() == {}
    changed.add(np.array([4]))
    assert changed.take_spans() == {0: (4, 4)}


def test_listener_gets_the_cells_as_they_came() -> None:
    """Who draws the cells gets each batch; an empty one is none."""
    changed = ChangedCells(COLUMNS)
    got: list[list[int]] = []
    changed.listener = lambda cells: got.append(cells.tolist())
    changed.add(np.array([9, 2, 9]))
    changed.add(np.array([], np.int64))
    assert got == [[9, 2, 9]]
