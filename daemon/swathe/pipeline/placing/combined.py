"""Readings that carry their own counts: each waits until its position is decided."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Floats, Ints
from swathe.pipeline.placing.axis_samples import AxisSamples
from swathe.pipeline.placing.placed import Placed
from swathe.pipeline.placing.placer import Placer
from swathe_drivers.records import READING

__all__ = ["CombinedReadings"]


class CombinedReadings:
    """Readings of a device that sends one position on each axis with each of them.

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
    def oldest_pending(self) -> int | None:
        """Byte offset of the first reading that waits; None when none does."""
        return int(self._readings["offset"].min()) if self._readings.size else None

    def add(self, readings: NDArray[Any], known: Ints, *, counts: bool = True) -> None:
        """Take readings in the order of their positions.

        Args:
            readings: dtype `READING`, shape (n,).
            known: journal times with which they arrived, ns, shape (n,).
            counts: whether they are placed; else only their positions are taken out of the order.
        """
        self._counts = np.concatenate((self._counts, np.full(readings.shape, counts)))
        self._readings = np.concatenate((self._readings, readings))
        self._known = np.concatenate((self._known, known))

    def decide(self, axis: str, samples: AxisSamples) -> None:
        """Take the next positions on an axis, NaN where they are not good."""
        self._positions[axis] = np.concatenate((self._positions[axis], samples.positions))
        self._decided[axis] = np.concatenate((self._decided[axis], samples.known))

    def place(self, placer: Placer) -> Placed | None:
        """Return the readings whose position is decided on all axes, placed by it."""
        number = min(self._readings.size, *(known.size for known in self._decided.values()))
        if not number:
            return None
        readings, self._readings = self._readings[:number], self._readings[number:]
        counts, self._counts = self._counts[:number], self._counts[number:]
        known, self._known = self._known[:number], self._known[number:]
        positions: dict[str, Floats] = {}
        for axis, decided in self._decided.items():
            known = np.maximum(known, decided[:number])
            self._decided[axis] = decided[number:]
            made = self._positions[axis]
            positions[axis], self._positions[axis] = made[:number], made[number:]
        index = positions.get("index")
        return placer.place_at(
            readings[counts],
            positions["scan"][counts],
            None if index is None else index[counts],
            known[counts],
        )
