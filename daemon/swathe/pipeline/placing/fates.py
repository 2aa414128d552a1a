"""What becomes of each reading: its place, or why it has none."""

from __future__ import annotations

from enum import IntEnum
from typing import Any, Protocol

from numpy.typing import NDArray

from swathe.arrays import Cells, Ints
from swathe.pipeline.placing.placed import Placed

__all__ = ["ReadingFate", "ReadingObserver"]


class ReadingFate(IntEnum):
    """What became of a reading."""

    ON_PLAN = 0
    """It has a place, in a cell of the grid."""
    OUTSIDE_PLAN = 1
    """It has a place, in no cell."""
    POSITION_UNKNOWN = 2
    """No position was known at its time."""
    BETWEEN_LINES = 3
    """Its position along the scan axis is known; it belongs to no line."""
    PAUSED = 4
    """It was taken in a pause."""
    LINE_LOST = 5
    """Which line was in force was lost with marks of the journal."""
    DISCARDED = 6
    """An operator discarded it."""
    IN_CHECK = 7
    """It was taken on a block, in a calibration check."""
    NOT_SCANNING = 8
    """It was taken before or after the scan of its run, or in a run without one."""
    OF_SPOT = 9
    """The plan is one of spots, which have no positions."""
    NO_PROBE = 10
    """It is of an input of its device on which the station has no probe."""


class ReadingObserver(Protocol):
    """Is shown every reading that has a time, once, and then what becomes of it.

    A reading is known by its probe and its byte offset in the gauge's stream, within its run.
    """

    def open_run(self, utc_offset: int) -> None:
        """Take note that a run begins; what is left of the one before has no place.

        Args:
            utc_offset: from its host times to UTC, ns.
        """
        ...

    def decoded(self, readings: NDArray[Any], fate: ReadingFate | None) -> None:
        """Receive readings, dtype `READING`; their fate is decided later where it is None."""
        ...

    def without_place(self, readings: NDArray[Any], fate: ReadingFate) -> None:
        """Receive why readings have no place, unless they are given one before they are settled."""
        ...

    def placed(self, placed: Placed, cells: Cells) -> None:
        """Receive the places of readings, and their flat cells, -1 outside the grid."""
        ...

    def settled(self, before: Ints | None) -> None:
        """Take note that all before a byte offset of each probe is decided, shape (probes,).

        All that was shown, with None.
        """
        ...
