"""Waveforms and channels of readings that are not placed yet."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Ints
from swathe.pipeline.placing.reading_keys import keys_of, rows_before

__all__ = ["PendingWaveforms"]


class PendingWaveforms:
    """Keeps each reading's waveform and channels, by its key, until the reading is placed.

    A reading waits for the encoder sample after it; its waveform of a kilobyte is not copied with
    it meanwhile.
    """

    def __init__(self) -> None:
        self._keys: Ints = np.empty(0, np.int64)
        self._order: Ints | None = None  # by rising key; None where the keys rise
        self._rows: NDArray[Any] | None = None
        self._channels: NDArray[Any] | None = None

    @property
    def keeps(self) -> bool:
        """Whether anything is kept."""
        return bool(self._keys.size)

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
        self._keep(np.concatenate((self._keys, keys_of(readings))))

    def _keep(self, keys: Ints) -> None:
        self._keys = keys
        rises = (keys[1:] >= keys[:-1]).all()
        self._order = None if rises else np.argsort(keys, kind="stable")

    def take(self, readings: NDArray[Any]) -> NDArray[Any]:
        """Return the waveforms of readings, dtype `READING`, shape (n, samples).

        Raises:
            LookupError: one of them was dropped: its reading was placed too late.
        """
        return self._of(self._rows, readings)

    def take_channels(self, readings: NDArray[Any]) -> NDArray[Any]:
        """Return the channels of readings, shape (n, channels); raises as `take`."""
        return self._of(self._channels, readings)

    def _of(self, kept: NDArray[Any] | None, readings: NDArray[Any]) -> NDArray[Any]:
        keys = keys_of(readings)
        row = np.searchsorted(self._keys, keys, sorter=self._order)
        row = np.minimum(row, self._keys.size - 1)
        if self._order is not None:
            row = self._order[row]
        if kept is None or not np.array_equal(self._keys[row], keys):
            message = "a waveform was dropped before its reading was placed"
            raise LookupError(message)
        return np.asarray(kept[row])

    def forget_before(self, before: Ints | None) -> None:
        """Drop the waveforms before a byte offset of each probe, shape (probes,); all with None."""
        if not self._keys.size:
            return
        dropped = (
            np.ones(self._keys.shape, bool) if before is None else rows_before(self._keys, before)
        )
        if dropped.any():
            self._keep(self._keys[~dropped])
            self._rows = None if self._rows is None else self._rows[~dropped]
            self._channels = None if self._channels is None else self._channels[~dropped]


def _behind(kept: NDArray[Any] | None, rows: NDArray[Any] | None) -> NDArray[Any] | None:
    """Return the rows behind those that are kept."""
    return rows if kept is None or rows is None else np.concatenate((kept, rows))
