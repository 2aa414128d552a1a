"""Which times of a survey can be right."""

from __future__ import annotations

from typing import Final

import numpy as np

from swathe.arrays import Bools, Ints

__all__ = ["EARLIEST_NS", "NO_TIME", "known_times"]

EARLIEST_NS: Final = 1_767_225_600_000_000_000
"""2026-01-01; before it there was no Swathe, ns UTC: a computer without a clock starts in 1970, or when it was made."""

NO_TIME: Final = int(np.iinfo(np.int64).min)
"""NaT: what numpy, pandas and xarray read as no time."""


def known_times(times: Ints, read: Bools) -> Ints:
    """Return times as they are stored: `NO_TIME` where nothing was read, or by a clock that was not set.

    Args:
        times: of cells, ns UTC.
        read: which of them have a reading.
    """
    return np.where(read & (times >= EARLIEST_NS), times, NO_TIME)
