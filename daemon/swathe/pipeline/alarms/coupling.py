"""Coupling of one run: since when an echo is missing, and what comes in its place."""

from __future__ import annotations

from enum import IntEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Times
from swathe.pipeline.placing.newest_times import NEVER, NewestTimes
from swathe.station import AlarmKind

__all__ = ["CouplingWatch", "Instead"]


class Instead(IntEnum):
    """What comes instead of echoes, as far as it is evident."""

    NOTHING = 0
    """Nothing that shows why: a silent device has an alarm of its own."""
    BYTES = 1
    """Bytes that make no reading."""
    READINGS = 2
    """Readings without echo, of a gauge that gave none in this run."""
    READINGS_AFTER_ECHO = 3
    """Readings without echo, later than the last echo."""

    @property
    def kind(self) -> AlarmKind | None:
        """The alarm of an echo that is missing; None without one."""
        if self is Instead.NOTHING:
            return None
        return AlarmKind.COUPLING if self is Instead.READINGS_AFTER_ECHO else AlarmKind.ECHOLESS

    @property
    def text(self) -> str:
        """What it is and where to look, for an alarm."""
        return _TEXTS[self]


_TEXTS = {
    Instead.NOTHING: "",
    Instead.BYTES: "bytes but no reading: check the gauge's baud rate, description and faults",
    Instead.READINGS: "readings without echo, none had one in this run: check probe, its cable, gate and couplant",
    Instead.READINGS_AFTER_ECHO: "readings without echo: check couplant and probe",
}


class CouplingWatch:
    """Follows the echoes of one run, and what comes instead."""

    def __init__(self) -> None:
        # Times of echoes; journal times of echoes, readings without one, readings and bytes.
        self._echoes, self._arrivals, self._echoless = NewestTimes(), NewestTimes(), NewestTimes()
        self._readings, self._bytes = NewestTimes(), NewestTimes()

    def add_readings(self, readings: NDArray[Any], known: Times) -> None:
        """Keep the times of the echoes among readings, on the host's clock.

        Args:
            readings: shape (n,).
            known: journal times with which they arrived, ns, shape (n,).
        """
        valid = readings["valid"]
        self._echoes.add(readings["time"][valid], known[valid])
        self._arrivals.add(known[valid], known[valid])
        self._echoless.add(known[~valid], known[~valid])
        self._readings.add(known, known)

    def add_bytes(self, known: Times) -> None:
        """Keep the journal times of bytes of the gauge, ns, rising, shape (n,)."""
        self._bytes.add(known, known)

    def last_echo(self, instants: Times) -> Times:
        """Return the time of the last echo known at each of the next instants, ns.

        `NEVER` before the first echo; shape as `instants`.
        """
        return self._echoes.at(instants)

    def instead(self, instants: Times, *, recent: Times, within: int) -> NDArray[np.int8]:
        """Return what comes instead of echoes at each of the next instants.

        Args:
            instants: ns, rising, shape (n,).
            recent: what came in so long before an instant still comes, ns, shape (n,).
            within: bytes make no reading if none came in so long before, ns.

        Returns:
            A value of `Instead` each, shape (n,).
        """
        echo = self._arrivals.at(instants)
        echoless, readings = self._echoless.at(instants), self._readings.at(instants)
        bytes_come = self._bytes.at(instants) > instants - recent
        found = np.where(bytes_come & (readings <= instants - within), Instead.BYTES, 0)
        # The last record before a battery dies may have no echo: what matters is what comes now.
        come = (echoless > instants - recent) & (echoless > echo)
        after = np.where(echo == NEVER, Instead.READINGS, Instead.READINGS_AFTER_ECHO)
        return np.where(come, after, found).astype(np.int8)
