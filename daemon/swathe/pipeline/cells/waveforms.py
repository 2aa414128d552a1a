"""Waveforms and channels of readings that are not placed yet."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["PendingWaveforms"]


class PendingWaveforms:
    """Keeps each reading's waveform and channels, by its byte offset, until the reading is placed.

    A reading waits for the encoder sample after it; its waveform of a kilobyte is not copied with
    it meanwhile. An offset in a port's stream belongs to one record only.
    """

    def __init__(self) -> None:
        self._offsets: NDArray[np.int64] = np.empty(0, np.int64)
        self._rows: NDArray[Any] | None = None
        self._channels: NDArray[Any] | None = None

    def put(
        self,
        readings: NDArray[Any],
        waveforms: NDArray[Any] | None,
        channels: NDArray[Any] | None = None,
    ) -> None:
        """Keep what came with n readings that follow those before; always both, or the same one.

        Args:
            readings: dtype `READING`, shape (n,).
            waveforms: shape (n, samples).
            channels: shape (n, channels).
        """
        self._rows = _behind(self._rows, waveforms)
        self._channels = _behind(self._channels, channels)
        self._offsets = np.concatenate((self._offsets, readings["offset"]))

    def take(self, offsets: NDArray[np.int64]) -> NDArray[Any]:
        """Return the waveforms of readings by their offsets, shape (n, samples).

        Raises:
            LookupError: one of them was dropped: its reading was placed too late.
        """
        return self._of(self._rows, offsets)

    def take_channels(self, offsets: NDArray[np.int64]) -> NDArray[Any]:
        """Return the channels of readings by their offsets, shape (n, channels); raises as `take`."""
        return self._of(self._channels, offsets)

    def _of(self, kept: NDArray[Any] | None, offsets: NDArray[np.int64]) -> NDArray[Any]:
        row = np.searchsorted(self._offsets, offsets)
        row = np.minimum(row, self._offsets.size - 1)
        if kept is None or not np.array_equal(self._offsets[row], offsets):
            message = "a waveform was dropped before its reading was placed"
            raise LookupError(message)
        return np.asarray(kept[row])

    def forget_before(self, offset: int | None) -> None:
        """Drop the waveforms before a byte offset; all of them with None."""
        keep = self._offsets.size
        if offset is not None:
            keep = int(np.searchsorted(self._offsets, offset))
        if keep:
            self._offsets = self._offsets[keep:]
            self._rows = None if self._rows is None else self._rows[keep:].copy()
            self._channels = None if self._channels is None else self._channels[keep:].copy()


def _behind(kept: NDArray[Any] | None, rows: NDArray[Any] | None) -> NDArray[Any] | None:
    """Return the rows behind those that are kept."""
    return rows if kept is None or rows is None else np.concatenate((kept, rows))
