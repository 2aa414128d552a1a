"""Collects from a scan what the estimate of the delay needs."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.pipeline.placing.delay import DelayEstimate, estimate_delay
from swathe.pipeline.placing.delay_passes import find_passes
from swathe.pipeline.placing.placed import Placed, ProbePath
from swathe.station import Axis

__all__ = ["DelayObserver"]

# Samples that are kept for a reading, where readings are limited.
_SAMPLES_PER_READING = 4
# So many pieces are joined at a time: an array of a few rows takes far more than its rows.
_PIECES = 256


class DelayObserver:
    """Keeps readings and path of a scan, as a pipeline's observer.

    It keeps about 20 bytes for a reading and 30 for an encoder sample, and of the path what is not older
    than the readings that are kept. What an estimate uses follows from the readings and samples alone,
    however they were batched.

    Args:
        scan: the scan axis.
        index: the index axis.
        most: readings that are kept, the newest, and a quarter of the samples; None for all, for a
            whole survey.
        few: of these, readings that are kept however old they are; None for all.
        recent_ns: age against the newest within which more are kept.
    """

    def __init__(
        self,
        *,
        scan: Axis,
        index: Axis,
        most: int | None = None,
        few: int | None = None,
        recent_ns: int = 3600 * 10**9,
    ) -> None:
        self._scan = scan
        self._index = index
        self._readings = _Newest(most, few, recent_ns)
        self._dropped = 0  # readings before which the path was dropped
        self._last_sample: int | None = None
        self._path = _Newest(None if most is None else most * _SAMPLES_PER_READING)

    @property
    def kept(self) -> int:
        """Number of readings that are kept."""
        return 0 if self._readings.empty else int(self._readings.columns()[0].size)

    def placed(self, placed: Placed) -> None:
        """Keep readings."""
        readings = placed.readings
        if readings.size:
            thickness = np.where(readings["valid"], readings["thickness"], np.nan)
            self._readings.append(readings["time"].copy(), thickness)
            if self._readings.dropped != self._dropped:  # now, or as it was copied
                self._path.drop_before(int(self._readings.columns()[0].min()))
                self._dropped = self._readings.dropped

    def moved_along(self, path: ProbePath) -> None:
        """Keep a piece of the probe's path."""
        # The first sample of a piece is the last of the piece before, unless that was left out.
        new = slice(int(path.time[0] == self._last_sample), None)
        self._last_sample = int(path.time[-1])
        self._path.append(
            path.time[new].copy(),
            path.scan[new].copy(),
            self._index.cell(path.index[new]),
            (path.resets | ~path.known)[new],
        )

    def delay_changed(self) -> None:
        """Forget what was placed with another delay: together they show neither."""
        self._readings.clear()
        self._dropped = 0
        self._path.clear()
        self._last_sample = None

    def used(self) -> tuple[tuple[NDArray[Any], ...], tuple[NDArray[Any], ...]]:
        """Return the columns of the readings and of the path from which an estimate is made."""
        readings, path = self._readings.columns(), self._path.columns()
        if self._readings.dropped:  # when the path before them was dropped depends on the batches
            kept = path[0] >= readings[0].min()
            path = tuple(column[kept] for column in path)
        return readings, path

    def copy(self) -> DelayObserver:
        """Return a copy for another thread, while this one continues to collect."""
        other = DelayObserver(scan=self._scan, index=self._index)
        other._readings, other._path = self._readings.copy(), self._path.copy()
        other._dropped = self._dropped
        return other

    def estimate(self, *, longest_ns: float = 200e6) -> DelayEstimate:
        """Return the delay in addition to the one in force, from all that was kept.

        Args:
            longest_ns: delays to either side of zero that are tried.
        """
        if self._readings.empty or self._path.empty:
            return DelayEstimate.unknown(0, "no reading was placed", "readings along the scan axis")
        (times, thickness), (path_times, path, path_rows, apart) = self.used()
        order = np.argsort(times, kind="stable")
        passes = find_passes(
            times[order],
            thickness[order],
            path_times,
            path,
            path_rows,
            self._scan.resolution,
            apart=apart,
        )
        return estimate_delay(
            passes,
            resolution=self._scan.resolution,
            spacing=self._index.resolution,
            longest_ns=longest_ns,
        )


class _Newest:
    """Columns to which rows are appended, and of which the newest rows are kept.

    Args:
        most: rows that are kept; None for all.
        few: of these, rows that are kept whatever their time is; None for all.
        recent_ns: beyond them, those whose first column, their time in ns, is no further back from
            the newest.

    Attributes:
        dropped: rows that are not kept any more.
    """

    def __init__(
        self, most: int | None, few: int | None = None, recent_ns: int = 3600 * 10**9
    ) -> None:
        self._most = most
        self._few = most if few is None else few
        self._recent_ns = recent_ns
        self._pieces: list[tuple[NDArray[Any], ...]] = []
        self._small = 0  # at the end of them, not joined yet
        self._count = 0
        self._newest: int | None = None  # time
        self._full = self._full_after(0)
        self.dropped = 0

    @property
    def empty(self) -> bool:
        """Whether no row was ever appended."""
        return not self._pieces

    def append(self, *columns: NDArray[Any]) -> None:
        """Append rows, given as columns."""
        self._pieces.append(columns)
        self._small += 1
        self._count += len(columns[0])
        if self._small == _PIECES:
            self._pieces[-_PIECES:] = [_joined(self._pieces[-_PIECES:])]
            self._small = 0
        if self._full is not None and self._count >= self._full:
            self._join()

    def drop_before(self, time: int) -> None:
        """Drop the rows whose first column, their time in ns, is before `time`."""
        if self._pieces:
            self._join()
            kept = self._pieces[0][0] >= time
            self._pieces = [tuple(column[kept] for column in self._pieces[0])]
            self._count = len(self._pieces[0][0])
            self._full = self._full_after(self._count)

    def columns(self) -> tuple[NDArray[Any], ...]:
        """Return the columns of the rows that are kept."""
        self._join()
        return self._pieces[0]

    def clear(self) -> None:
        """Drop all rows, as if none had been appended."""
        self._pieces, self._small, self._count, self._newest = [], 0, 0, None
        self._full = self._full_after(0)
        self.dropped = 0

    def copy(self) -> _Newest:
        """Return a copy that shares the rows so far."""
        other = _Newest(self._most, self._few, self._recent_ns)
        other._pieces = self._pieces.copy()
        other._small, other._count, other._full = self._small, self._count, self._full
        other._newest, other.dropped = self._newest, self.dropped
        return other

    def _full_after(self, kept: int) -> int | None:
        """Return at how many rows old ones are looked for; each row is moved a few times at most."""
        if self._most is None or self._few is None:
            return None
        more = min(max(kept, self._few), self._most)
        return more + max(more // 4, 1)

    def _first_kept(self, times: NDArray[np.int64]) -> int:
        """Return the number of the first row that is kept: never a lower one as rows are added."""
        if self._most is None or self._few is None:
            return 0
        first = max(len(times) - self._few, 0)
        if first:
            newest = int(times.max())
            self._newest = newest if self._newest is None else max(newest, self._newest)
            older = np.flatnonzero(times[:first] < self._newest - self._recent_ns)
            first = int(older[-1]) + 1 if older.size else 0
        return max(first, len(times) - self._most)

    def _join(self) -> None:
        if not self._pieces:
            return
        columns = self._pieces[0] if len(self._pieces) == 1 else _joined(self._pieces)
        first = self._first_kept(columns[0])
        if first:
            self.dropped += first
            columns = tuple(column[first:].copy() for column in columns)
        self._pieces, self._small, self._count = [columns], 0, len(columns[0])
        self._full = self._full_after(self._count)

    def __getstate__(self) -> dict[str, Any]:
        """Return the state for a copy: its thousands of small pieces joined, which is much faster."""
        self._join()
        return self.__dict__


def _joined(pieces: list[tuple[NDArray[Any], ...]]) -> tuple[NDArray[Any], ...]:
    """Return the columns of all pieces."""
    return tuple(np.concatenate(column) for column in zip(*pieces, strict=True))
