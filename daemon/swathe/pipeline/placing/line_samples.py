"""Samples of a path along lines, marks between them, and what is decided about both."""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Ints

__all__ = ["BLOCKED", "NM_PER_MM", "NO_LINE", "SAMPLE", "Decided"]

NM_PER_MM: Final = 1e6
"""The course along the scan axis is summed in whole nanometres: no sum depends on a cut."""

SAMPLE: Final = np.dtype(
    [
        ("time", np.int64),  # ns
        ("scan", np.float64),  # mm
        ("settled", np.int64),  # journal time from which it is known, ns
        ("course", np.int64),  # nm; without what was not seen
        ("far", np.bool_),  # away from the one before, and no motion seen that leads to it
        ("line", np.int64),  # begins after this time; `NO_LINE` or `BLOCKED` where none does
        ("doubt", np.bool_),  # whether that line is in doubt
        ("blocked", np.bool_),  # whether the line before is blocked here
        ("real", np.bool_),  # a sample of the path; else a mark between two samples
        # As of the path:
        ("known", np.bool_),
        ("reset", np.bool_),
        ("silent", np.bool_),
        ("unread", np.bool_),
        ("blur", np.float64, (2,)),
    ]
)
"""A sample of the path, or a mark between two samples."""

NO_LINE: Final = int(np.iinfo(np.int64).min)
"""The sample begins no line."""

BLOCKED: Final = NO_LINE + 1
"""The line is blocked here; the next one begins at an end."""


class Decided(NamedTuple):
    """Samples of which it is decided whether they belong to a line, shape (n,) each.

    Attributes:
        samples: dtype `SAMPLE`.
        kept: whether readings between the sample before and this one belong to the line.
        begins: whether the sample belongs to it though these readings do not: the path begins there.
        known: journal time from which that is known, ns.
        line: the line.
    """

    samples: NDArray[Any]
    kept: Bools
    begins: Bools
    known: Ints
    line: Ints
