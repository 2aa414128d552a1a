"""The newest readings of a device as they were decoded, for a live view.

Nothing in the pipeline is computed from them: they are the pipeline's only window on readings that
wait for their time, or belong to no cell.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import distinct
from swathe_drivers.records import READING

__all__ = ["NEVER_ARRIVED", "NEWEST_READINGS", "NewestReadings"]

NEWEST_READINGS = 20
"""So many readings are kept."""
NEVER_ARRIVED: Final = -1
"""In place of the journal time of a reading of an input that has sent none."""


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
        # Of each input the newest one, by its number; and of several inputs the newest ones.
        self._each: dict[int, tuple[NDArray[Any], NDArray[np.int64]]] = {}
        self._of_input: NDArray[Any] = np.empty(0, READING)
        self._known_of: NDArray[np.int64] = np.empty(0, np.int64)

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
        inputs = readings["probe"]
        missing = int(inputs.max()) + 1 - self._known_of.size
        if missing > 0:
            self._of_input = np.concatenate((self._of_input, np.zeros(missing, READING)))
            never = np.full(missing, NEVER_ARRIVED)
            self._known_of = np.concatenate((self._known_of, never))
        # Of several readings of one input the last one stays.
        self._of_input[inputs] = readings
        self._known_of[inputs] = known
        if np.count_nonzero(self._known_of != NEVER_ARRIVED) > 1:
            for number in distinct(np.ascontiguousarray(inputs)).tolist():
                rows = np.flatnonzero(inputs == number)[newest]
                before, arrived = self._each.get(number, (readings[:0], known[:0]))
                self._each[number] = (
                    np.concatenate((before, readings[rows]))[newest].copy(),
                    np.concatenate((arrived, known[rows]))[newest].copy(),
                )

    def all_of_input(self, number: int | None) -> tuple[NDArray[Any], NDArray[np.int64]]:
        """Return the newest readings of an input, and the journal times they are known from, ns.

        Args:
            number: as for `of_input`.

        Returns:
            Shape (n,) each, n at most `NEWEST_READINGS`; of several inputs those since a second one came.
        """
        if number is None or not self._each:
            kept = slice(None) if number is None else self.readings["probe"] == number
            return self.readings[kept], self.known[kept]
        return self._each.get(number, (self.readings[:0], self.known[:0]))

    def of_input(self, number: int | None) -> tuple[NDArray[Any], int]:
        """Return the newest reading of an input, shape (), and the journal time it is known from, ns.

        Args:
            number: of the input, as the device has it; None for whatever the device sends.

        Returns:
            A reading of zeros and `NEVER_ARRIVED` before any.
        """
        if number is None and self.readings.size:
            return self.readings[-1], int(self.known[-1])
        if number is None or number >= self._known_of.size:
            return np.zeros((), READING), NEVER_ARRIVED
        return self._of_input[number], int(self._known_of[number])
