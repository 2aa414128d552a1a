"""The newest readings of a device as they were decoded, for a live view.

Nothing in the pipeline is computed from them: they are the pipeline's only window on readings that
wait for their time, or belong to no cell.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.records import READING

__all__ = ["NEWEST_READINGS", "NewestReadings"]

NEWEST_READINGS = 20
"""So many readings are kept."""


class NewestReadings:
    """Keeps the newest readings; newer ones replace them.

    Attributes:
        readings: the newest ones, shape (n,), n at most `NEWEST_READINGS`; times of flight and
            amplitudes as sent or measured, thicknesses as sent.
        known: journal times from which each is known, ns, shape (n,).
        sent_valid: whether the device sent the last one as valid, before it was measured.
        waveform: A-scan of the last one, as sent, shape (samples,); None without any.
    """

    def __init__(self) -> None:
        self.readings: NDArray[Any] = np.empty(0, READING)
        self.known: NDArray[np.int64] = np.empty(0, np.int64)
        self.sent_valid = False
        self.waveform: NDArray[Any] | None = None

    def note_sent(self, readings: NDArray[Any]) -> None:
        """Note readings as the device sent them, shape (n,), before their A-scans are measured."""
        if readings.size:
            self.sent_valid = bool(readings["valid"][-1])

    def take(
        self, readings: NDArray[Any], known: NDArray[np.int64], waveforms: NDArray[Any] | None
    ) -> None:
        """Take readings that were decoded.

        Args:
            readings: shape (n,).
            known: journal times from which they are known, ns, shape (n,).
            waveforms: their A-scans, shape (n, samples); None without.
        """
        if not readings.size:
            return
        newest = slice(-NEWEST_READINGS, None)
        self.readings = np.concatenate((self.readings, readings[newest]))[newest].copy()
        self.known = np.concatenate((self.known, known[newest]))[newest].copy()
        if waveforms is not None:
            self.waveform = waveforms[-1].copy()
