"""Waveforms of readings that are not placed yet."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["PendingWaveforms"]


class PendingWaveforms:
    """Keeps each reading's waveform, by its byte offset, until the reading is placed.

    A reading waits for the encoder sample after it; its waveform of a kilobyte is not copied with
    it meanwhile. An offset in a port's stream belongs to one record only.
    """

    def __init__(self) -> None:
        self._offsets: NDArray[np.int64] = np.empty(0, np.int64)
        self._rows: NDArray[Any] | None = None

    def put(self, readings: NDArray[Any], waveforms: NDArray[Any]) -> None:
        """Keep the waveforms, shape (n, samples), of n readings that follow those kept before."""
        rows = waveforms if self._rows is None else np.concatenate((self._rows, waveforms))
        self._rows = rows
        self._offsets = np.concatenate((self._offsets, readings["offset"]))

    def take(self, offsets: NDArray[np.int64]) -> NDArray[Any]:
        """Return the waveforms of readings by their offsets, shape (n, samples).

        Raises:
            LookupError: one of them was dropped: its reading was placed too late.
        """
        row = np.searchsorted(self._offsets, offsets)
        row = np.minimum(row, self._offsets.size - 1)
        if self._rows is None or not np.array_equal(self._offsets[row], offsets):
            message = "a waveform was dropped before its reading was placed"
            raise LookupError(message)
        return np.asarray(self._rows[row])

    def forget_before(self, offset: int | None) -> None:
        """Drop the waveforms before a byte offset; all of them with None."""
        if self._rows is None:
            return
        keep = self._offsets.size
        if offset is not None:
            keep = int(np.searchsorted(self._offsets, offset))
        if keep:
            self._offsets = self._offsets[keep:]
            self._rows = self._rows[keep:].copy()
