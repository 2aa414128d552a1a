"""Readings that carry their own counts: each waits until its position is decided."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Floats, Ints, run_lengths, run_starts
from swathe.pipeline.placing.axis_samples import AxisSamples
from swathe.pipeline.placing.placed import Placed
from swathe.pipeline.placing.placer import Placer
from swathe_drivers.records import READING

__all__ = ["CombinedReadings"]


class CombinedReadings:
    """Readings of a device that sends one position on each axis in the same records.

    A record has one reading, or one of each of several inputs; all of them are placed by its position.

    Args:
        axes: names of the encoded axes.
    """

    def __init__(self, axes: tuple[str, ...]) -> None:
        self._readings: NDArray[Any] = np.empty(0, READING)
        self._known: Ints = np.empty(0, np.int64)
        self._counts: Bools = np.empty(0, bool)
        self._positions: dict[str, Floats] = dict.fromkeys(axes, np.empty(0))
        self._decided: dict[str, Ints] = dict.fromkeys(axes, np.empty(0, np.int64))

    @property
    def waiting(self) -> NDArray[Any]:
        """The readings that wait, dtype `READING`."""
        return self._readings[self._counts]

    def add(self, readings: NDArray[Any], known: Ints, *, counts: bool | Bools = True) -> None:
        """Take the readings of whole records in the order of their positions.

        Args:
            readings: dtype `READING`, shape (n,).
            known: journal times with which they arrived, ns, shape (n,).
            counts: which of them are placed; of the others only the positions are taken out of the
                order, shape (n,) or one for all.
        """
        counts = np.broadcast_to(np.asarray(counts, bool), readings.shape)
        self._counts = np.concatenate((self._counts, counts))
        self._readings = np.concatenate((self._readings, readings))
        self._known = np.concatenate((self._known, known))

    def decide(self, axis: str, samples: AxisSamples) -> None:
        """Take the next positions on an axis, NaN where they are not good."""
        self._positions[axis] = np.concatenate((self._positions[axis], samples.positions))
        self._decided[axis] = np.concatenate((self._decided[axis], samples.known))

    def place(self, placer: Placer) -> Placed | None:
        """Return the readings whose position is decided on all axes, placed by it."""
        # Each reading's position, and how many of both are placed now.
        of_reading: Ints | slice
        begins = run_starts(self._readings["offset"])
        records = min(begins.size, *(known.size for known in self._decided.values()))
        if not records:
            return None
        if begins.size == self._readings.size:  # one reading a record
            number, of_reading = records, slice(None)
        else:
            lengths = run_lengths(begins, self._readings.size)[:records]
            number, of_reading = int(lengths.sum()), np.repeat(np.arange(records), lengths)
        readings, self._readings = self._readings[:number], self._readings[number:]
        counts, self._counts = self._counts[:number], self._counts[number:]
        known, self._known = self._known[:number], self._known[number:]
        positions: dict[str, Floats] = {}
        for axis, decided in self._decided.items():
            known = np.maximum(known, decided[:records][of_reading])
            self._decided[axis] = decided[records:]
            made = self._positions[axis]
            positions[axis], self._positions[axis] = made[:records][of_reading], made[records:]
        index = positions.get("index")
        return placer.place_at(
            readings[counts],
            positions["scan"][counts],
            None if index is None else index[counts],
            known[counts],
        )
