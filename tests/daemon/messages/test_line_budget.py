"""A line with very many stretches: its message is bounded, and hides no cell that is missing."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from daemon.messages.test_messages import OF, line
from swathe.messages import LineMessage
from swathe.messages.line_budget import MOST_STRETCHES, line_message
from swathe.pipeline.progress.fields import Extent

RESOLUTION = 0.5


def cells_in(stretches: tuple[Extent, ...], cells: int) -> np.ndarray:
    """Return which cells of a line stretches hold, shape (cells,)."""
    found = np.zeros(cells, bool)
    for one in stretches:
        found[round(one.low / RESOLUTION) : round(one.high / RESOLUTION)] = True
    return found


def of_cells(missing: np.ndarray) -> LineMessage:
    """Return the message of a line by its missing cells."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], missing.astype(int), [0])))) * RESOLUTION
    pairs = tuple(map(tuple, edges.reshape(-1, 2).tolist()))
    return line_message(line(3, missing=pairs), OF, resolution=RESOLUTION)


def test_few_stretches_are_as_they_are() -> None:
    """Up to the limit nothing is joined."""
    missing = np.tile([True, False], MOST_STRETCHES)
    found = of_cells(missing)
    assert (len(found.missing), found.joined) == (MOST_STRETCHES, 0)
    assert (cells_in(found.missing, missing.size) == missing).all()


@given(seed=st.integers(0, 2**32 - 1), share=st.floats(0.2, 0.8))
def test_no_missing_cell_is_hidden(seed: int, share: float) -> None:
    """Of any line; `joined` is how many cells more there are."""
    missing = np.random.default_rng(seed).random(3000) < share
    found = of_cells(missing)
    shown = cells_in(found.missing, missing.size)
    assert len(found.missing) == MOST_STRETCHES
    assert shown[missing].all()
    assert found.joined == np.count_nonzero(shown & ~missing)


def test_closest_are_joined() -> None:
    """What is far apart stays apart; a line of 100,000 stretches has a message of some kB."""
    missing = np.zeros(400_000, bool)
    missing[::4] = True
    missing[200_000:210_000] = False
    found = of_cells(missing)
    assert len(found.missing) == MOST_STRETCHES
    assert not cells_in(found.missing, missing.size)[200_001:209_999].any()
    assert len(found.model_dump_json(by_alias=True)) < 12_000
