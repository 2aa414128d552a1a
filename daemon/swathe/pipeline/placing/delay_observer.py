"""Collects from a scan what the estimate of the delay needs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.pipeline.placing.delay import DelayEstimate, estimate_delay, find_passes
from swathe.pipeline.placing.placed import Placed, ProbePath
from swathe.station import Axis

__all__ = ["DelayObserver"]

Joined = tuple[NDArray[np.int64], list[NDArray[Any]]]
"""Where pieces end in the columns, and the columns of all pieces."""


class DelayObserver:
    """Keeps readings and path of a scan, as a pipeline's observer.

    It keeps about 40 bytes for a reading and for an encoder sample.

    Args:
        scan: the scan axis.
        index: the index axis.
        most: readings that are kept, the newest; None for all, for a whole survey.
    """

    def __init__(self, *, scan: Axis, index: Axis, most: int | None = None) -> None:
        self._scan = scan
        self._index = index
        self._most = most
        self._count = 0
        self._readings: list[tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]] = []
        self._path: list[tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.int64]]] = []

    def placed(self, placed: Placed) -> None:
        """Keep readings with their positions."""
        readings = placed.readings
        thickness = np.where(readings["valid"], readings["thickness"], np.nan)
        if not readings.size:
            return
        self._readings.append((self._index.cell(placed.index), readings["time"], thickness))
        self._count += int(readings.size)
        while self._most is not None and self._count > self._most and len(self._readings) > 1:
            self._count -= int(self._readings.pop(0)[1].size)
            oldest = int(self._readings[0][1][0])
            while len(self._path) > 1 and int(self._path[0][0][-1]) < oldest:
                del self._path[0]

    def moved_along(self, path: ProbePath) -> None:
        """Keep a piece of the probe's path."""
        # The first sample of a piece is the last of the piece before, but for the very first.
        new = slice(1 if self._path else 0, None)
        self._path.append((path.time[new], path.scan[new], self._index.cell(path.index[new])))

    def delay_changed(self) -> None:
        """Forget what was placed with another delay: together they show neither."""
        self._readings.clear()
        self._path.clear()
        self._count = 0

    def __getstate__(self) -> dict[str, Any]:
        """Return the state for a copy: its thousands of small pieces joined, which is much faster."""
        return {**self.__dict__, "_readings": _joined(self._readings), "_path": _joined(self._path)}

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__dict__.update(state)
        self._readings, self._path = _parted(*state["_readings"]), _parted(*state["_path"])

    def copy(self) -> DelayObserver:
        """Return a copy for another thread, while this one continues to collect."""
        other = DelayObserver(scan=self._scan, index=self._index)
        other._readings, other._path = self._readings.copy(), self._path.copy()
        return other

    def estimate(self, *, longest_ns: float = 200e6) -> DelayEstimate:
        """Return the delay in addition to the one in force, from all that was kept."""
        if not (self._readings and self._path):
            return DelayEstimate.unknown(0, "no reading was placed", "readings along the scan axis")
        rows, times, thickness = (
            np.concatenate(column) for column in zip(*self._readings, strict=True)
        )
        path_times, path, path_rows = (
            np.concatenate(column) for column in zip(*self._path, strict=True)
        )
        order = np.argsort(times, kind="stable")
        passes = find_passes(
            rows[order],
            times[order],
            thickness[order],
            path_times,
            path,
            path_rows,
            self._scan.resolution,
        )
        return estimate_delay(passes, resolution=self._scan.resolution, longest_ns=longest_ns)


def _joined(pieces: Sequence[tuple[NDArray[Any], ...]]) -> Joined:
    """Return columns of all pieces, and where each piece ends in them."""
    ends = np.cumsum([len(piece[0]) for piece in pieces], dtype=np.int64)
    return ends, [np.concatenate(column) for column in zip(*pieces, strict=True)]


def _parted(ends: NDArray[np.int64], columns: list[NDArray[Any]]) -> list[tuple[Any, ...]]:
    """Return the pieces again."""
    return list(zip(*(np.split(column, ends[:-1]) for column in columns), strict=True))
