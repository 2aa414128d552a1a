"""All readings of a survey with their places, from a replay of its journal, part by part."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Cells, Ints
from swathe.errors import MisuseError
from swathe.pipeline import Placed, ReadingFate, keys_of, rows_before
from swathe.store import SurveyFolder, replay_in_parts
from swathe_drivers.records import READING

__all__ = ["PLACED_READING", "ReadingFates", "ReadingParts", "fate_name"]

PLACED_READING = np.dtype(
    [
        ("run", "<u4"),
        ("utc", "<i8"),
        ("scan", "<f8"),
        ("index", "<f8"),
        ("cell", "<i8"),
        ("fate", "u1"),
        ("reading", READING),
    ]
)
"""Columns of a reading with its place: run from 1, time in ns UTC, position in mm, NaN without one, flat
cell of the grid, -1 without one, `ReadingFate`, and the reading itself."""

_UNDECIDED = 255


def fate_name(fate: ReadingFate) -> str:
    """Return what became of a reading, in words."""
    return fate.name.lower().replace("_", " ")


class ReadingFates:
    """Keeps readings until it is decided what becomes of them; see `ReadingObserver`."""

    def __init__(self) -> None:
        self._run = 0
        self._utc_offset = 0
        self._waiting: NDArray[Any] = np.empty(0, PLACED_READING)
        self._ready: list[NDArray[Any]] = []

    @property
    def ready(self) -> int:
        """How many readings can be taken."""
        return sum(part.size for part in self._ready)

    def take(self) -> NDArray[Any]:
        """Return the decided readings, dtype `PLACED_READING`, in the order in which they arrived."""
        parts, self._ready = self._ready, []
        return np.concatenate([np.empty(0, PLACED_READING), *parts])

    def open_run(self, utc_offset: int) -> None:
        """Decide on all that waits, and begin a run."""
        self.settled(None)
        self._run += 1
        self._utc_offset = utc_offset

    def decoded(self, readings: NDArray[Any], fate: ReadingFate | None) -> None:
        """Keep readings behind those that wait."""
        rows = np.zeros(readings.size, PLACED_READING)
        rows["run"], rows["cell"], rows["scan"], rows["index"] = self._run, -1, np.nan, np.nan
        rows["utc"] = readings["time"] + self._utc_offset
        rows["fate"] = _UNDECIDED if fate is None else fate
        rows["reading"] = readings
        self._waiting = np.concatenate((self._waiting, rows))
        keys = keys_of(self._waiting["reading"])
        if (keys[1:] < keys[:-1]).any():
            self._waiting = self._waiting[np.argsort(keys, kind="stable")]

    def without_place(self, readings: NDArray[Any], fate: ReadingFate) -> None:
        """Note why readings have no place."""
        if readings.size:
            self._waiting["fate"][self._rows(readings)] = fate

    def placed(self, placed: Placed, cells: Cells) -> None:
        """Note the places of readings."""
        if not cells.size:
            return
        rows = self._rows(placed.readings)
        self._waiting["scan"][rows] = placed.scan
        self._waiting["index"][rows] = placed.index
        self._waiting["cell"][rows] = cells
        on_plan = np.where(cells >= 0, ReadingFate.ON_PLAN, ReadingFate.OUTSIDE_PLAN)
        self._waiting["fate"][rows] = on_plan

    def settled(self, before: Ints | None) -> None:
        """Release what is decided."""
        decided = np.ones(self._waiting.shape, bool)
        if before is not None:
            decided = rows_before(keys_of(self._waiting["reading"]), before)
        if not decided.any():
            return
        part, self._waiting = self._waiting[decided], self._waiting[~decided]
        fate = part["fate"]
        fate[fate == _UNDECIDED] = ReadingFate.POSITION_UNKNOWN
        self._ready.append(part)

    def _rows(self, readings: NDArray[Any]) -> NDArray[np.intp]:
        """Return the rows of readings that wait.

        Raises:
            MisuseError: one of them does not: it was decided before.
        """
        waiting, keys = keys_of(self._waiting["reading"]), keys_of(readings)
        rows = np.searchsorted(waiting, keys)
        if rows.size and (rows.max() >= waiting.size or not np.array_equal(waiting[rows], keys)):
            message = "a reading was decided before its place was known"
            raise MisuseError(message)
        return rows


@dataclass
class ReadingParts:
    """The readings of a survey in the order in which they arrived; iterate over it once.

    Readings are those that have a time: records that came while the device's clock stood still, and
    damaged lines, are counted in the survey record only.

    Args:
        folder: the survey.
        size: so many readings are given at a time, or some more.

    Attributes:
        share: of the journal that is read, 0 to 1.
        without_time: records that were decoded and have no time, so far.
        shape: rows and columns of the grid; (0, 0) before the first part.
    """

    folder: SurveyFolder
    size: int = 1 << 18
    share: float = 0.0
    without_time: int = 0
    shape: tuple[int, int] = (0, 0)

    def __iter__(self) -> Iterator[NDArray[Any]]:
        """Yield parts, dtype `PLACED_READING`.

        Raises:
            JournalError: the journal cannot be read.
        """
        fates = ReadingFates()
        given = 0
        for pipeline, share in replay_in_parts(self.folder, fates):
            self.share, self.shape = share, pipeline.grid.shape
            if fates.ready >= self.size:
                part = fates.take()
                given += part.size
                yield part
        fates.settled(None)
        part = fates.take()
        given += part.size
        decoded = sum(tally.readings for tally in pipeline.tallies.values())
        self.without_time = decoded - given
        if part.size:
            yield part
