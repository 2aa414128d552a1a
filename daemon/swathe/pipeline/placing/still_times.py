"""Where a device's clock stands still while its records go on."""

from __future__ import annotations

from typing import Final

import numpy as np

from swathe.arrays import Bools, Ints, Times
from swathe_drivers.records import ABSENT_TIME

__all__ = ["STILL_NS", "StillTimes"]

STILL_NS: Final = 500_000_000
"""A clock that has not advanced for so long, while records arrived, stands still."""


class StillTimes:
    """Follows the device times of one stream of records."""

    def __init__(self) -> None:
        self._last = (ABSENT_TIME, ABSENT_TIME)
        # Journal times at which the record arrived with which the clock advanced last, and the
        # newest one.
        self._advanced: int | None = None
        self._arrived = 0

    def at(self, times: Ints) -> Bools:
        """Return at which of the next records the clock has not advanced, shape (n,).

        Its time is that of one of the two records before: it stands, or steps to and fro.

        Args:
            times: as sent, ns, shape (n,).
        """
        before = np.concatenate((self._last, times))
        same = (times == before[1:-1]) | (times == before[:-2])
        return np.asarray(same & (times != ABSENT_TIME))

    def keep(self, times: Ints) -> None:
        """Go on after these records."""
        newest = np.concatenate((self._last, times))[-2:]
        self._last = int(newest[0]), int(newest[1])

    def resumed(self, times: Ints, arrived: Times) -> Ints:
        """Return the numbers of the next records with which the clock goes again, rising.

        Args:
            times: as sent, ns, shape (n,).
            arrived: journal times with which they arrived, ns, rising, shape (n,).
        """
        still = self.at(times)
        before = self._advanced if self._advanced is not None else int(arrived[0])
        goes = np.flatnonzero(~still)
        advanced = np.concatenate(([before], arrived[goes]))
        newest = np.concatenate(([self._arrived or before], arrived))
        # For each record at which it advances: how long it stood until the record before.
        stood = newest[goes] - advanced[:-1]
        self.keep(times)
        self._advanced, self._arrived = int(advanced[-1]), int(arrived[-1])
        return np.asarray(goes[stood > STILL_NS], np.int64)
