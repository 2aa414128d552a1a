"""When the clock of a device started again, and with it the counter of an encoder."""

from __future__ import annotations

from typing import Final

import numpy as np

from swathe.arrays import Ints

__all__ = ["ClockRestarts"]

# A device's clock that runs back by more was started again, as was one that is this far ahead: the
# records of one stream come in their order. Of a delivery that is late it does not run back. Nor does a
# clock run back at all to what it would have after a start since the record before, give or take as much.
_BACK_NS: Final = 100_000_000
_AHEAD_NS: Final = 60_000_000_000


class ClockRestarts:
    """Follows the clock of one device in one stream of its records.

    Args:
        wrap_ns: after which the clock starts again at 0 by itself; None if it never does.
    """

    def __init__(self, wrap_ns: int | None) -> None:
        self._wrap = wrap_ns
        self._last: tuple[int, int] | None = None  # device time and journal time of the last record

    def restarts(self, device_times: Ints | None, known: Ints) -> list[int]:
        """Return the numbers of the records before which the clock started again.

        Args:
            device_times: by the device's own clock, ns, negative where it sent none, shape (n,).
            known: journal times with which they arrived, ns, rising, shape (n,).
        """
        if device_times is None:
            return []
        at = np.flatnonzero(device_times >= 0)
        if not at.size:
            return []
        clock, journal = device_times[at], known[at]
        before = self._last or (int(clock[0]), int(journal[0]))
        self._last = int(clock[-1]), int(journal[-1])
        steps = np.diff(clock, prepend=before[0])
        if self._wrap is not None:  # the shorter way round
            half = self._wrap // 2
            steps = (steps + half) % self._wrap - half
        gaps = np.diff(journal, prepend=before[1])
        from_zero = (steps < 0) & (clock <= gaps + _BACK_NS)
        restarted = (steps < -_BACK_NS) | (steps - gaps > _AHEAD_NS) | from_zero
        return list(at[restarted].tolist())
