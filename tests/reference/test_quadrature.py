"""Quadrature decoding against its truth table and the order of an encoder's states."""

from __future__ import annotations

import numpy as np
import pytest

from swathe_drivers import load_driver
from swathe_drivers.delimited.values import (
    QUADRATURE_INVALID,
    QUADRATURE_STEPS,
    QuadratureCounter,
)

# Steps for before << 2 | now, 0 to 15, and the four in which both lines changed: as two independent
# public texts give them, and as follows from the definition. Which way is up is a convention.
TABLE = [0, 1, -1, 0, -1, 0, 0, 1, 1, 0, 0, -1, 0, -1, 1, 0]
BOTH_CHANGED = [3, 6, 9, 12]


def test_table_is_the_published_one() -> None:
    """Each of the sixteen transitions has its step."""
    assert QUADRATURE_STEPS.tolist() == TABLE
    assert np.flatnonzero(QUADRATURE_INVALID).tolist() == BOTH_CHANGED


@pytest.mark.parametrize(("states", "step"), [([0, 1, 3, 2], 1), ([0, 2, 3, 1], -1)])
def test_a_period_is_four_counts(states: list[int], step: int) -> None:
    """Two lines a quarter of a period apart pass four states (Linux input, rotary-encoder)."""
    counter = QuadratureCounter()
    counts = counter.count(np.array(states * 5 + [0]))
    assert counts.tolist() == [step * k for k in range(21)]
    assert counter.errors == 0


def test_both_lines_at_once_is_an_error_and_moves_nothing() -> None:
    """A step that may have gone either way is counted and not guessed."""
    counter = QuadratureCounter()
    assert counter.count(np.array([0, 1])).tolist() == [0, 1]
    assert counter.count(np.array([2, 2, 3])).tolist() == [1, 1, 0]
    assert counter.errors == 1


def test_column_counts_over_chunks_and_bad_lines() -> None:
    """The column of a text line is counted across chunks; a line that is no state is a fault."""
    driver = load_driver("delimited")
    columns = [{"is": "quadrature", "axis": "scan"}, {"is": "index_mark", "axis": "scan"}]
    settings = driver.Settings.model_validate({"columns": columns})
    decoder = driver(settings).decoder(ns_per_byte=0)
    first = decoder.feed(b"0,0\r\n1,0\r\n3,1\r\n", 10)
    second = decoder.feed(b"7,0\r\n2,0\r\n0,0\r\n", 20)
    assert first.positions["counts"][:, 0].tolist() == [0, 1, 2]
    assert first.positions["mark"][:, 0].tolist() == [False, False, True]
    assert second.positions["counts"][:, 0].tolist() == [3, 4]
    assert {str(reason): n for reason, n in second.n_faults.items()} == {"out_of_range": 1}
    third = decoder.feed(b"3,0\r\n", 30)
    assert {str(reason): n for reason, n in third.n_faults.items()} == {"quadrature": 1}
    assert third.positions["counts"][:, 0].tolist() == [4]


def test_index_mark_without_counts_is_refused() -> None:
    """A mark needs an axis whose counts it can put right."""
    driver = load_driver("delimited")
    columns = [{"is": "index_mark", "axis": "scan"}, {"is": "thickness", "unit": "mm"}]
    with pytest.raises(ValueError, match="must have counts for the axis of the index mark 'scan'"):
        driver.Settings.model_validate({"columns": columns})
