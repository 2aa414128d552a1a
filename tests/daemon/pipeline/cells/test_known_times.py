"""A time that cannot be right is stored as none."""

from __future__ import annotations

import numpy as np

from swathe.pipeline.cells.known_times import EARLIEST_NS, NO_TIME, known_times


def test_times_of_a_clock_that_was_not_set_are_none() -> None:
    """1970, and the day before Swathe existed; that of a cell without a reading is none as well."""
    times = np.array([12 * 10**9, EARLIEST_NS - 1, EARLIEST_NS, EARLIEST_NS + 5, EARLIEST_NS])
    read = np.array([True, True, True, True, False])
    assert known_times(times, read).tolist() == [
        NO_TIME, NO_TIME, EARLIEST_NS, EARLIEST_NS + 5, NO_TIME
    ]  # fmt: skip
    assert np.datetime64(EARLIEST_NS, "ns") == np.datetime64("2026-01-01T00:00:00")
    assert np.isnat(np.datetime64(NO_TIME, "ns"))
