"""Slip: where two sources of one axis's position diverge."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathe.pipeline.placing.track import EncodedTrack

__all__ = ["Slip", "SlipWatch"]


@dataclass(frozen=True, slots=True)
class Slip:
    """One slip.

    Attributes:
        time: of the sample that shows it, ns on the host's clock.
        position: of the first source then, mm.
        distance: by which the first source fell behind the second (below zero) or ran ahead, mm.
    """

    time: int
    position: float
    distance: float


class SlipWatch:
    """Compares two tracks of one axis over time.

    Their first difference does not matter, nor which of them slips: only that the difference
    changes by more than the tolerance. After a slip the new difference is the reference.

    Args:
        first: the track that places readings.
        second: the other one.
        tolerance: mm.
    """

    def __init__(self, first: EncodedTrack, second: EncodedTrack, tolerance: float) -> None:
        self._first = first
        self._second = second
        self._tolerance = tolerance
        self._apart: float | None = None
        self._compared = int(np.iinfo(np.int64).min)

    def restart(self) -> None:
        """Take the next difference as the reference: the first track was set to a position."""
        self._apart = None
        ends = (self._first.last_time, self._second.last_time)
        self._compared = max(self._compared, *(end for end in ends if end is not None))

    def look(self) -> list[Slip]:
        """Compare both at the samples of either that both cover by now; return slips."""
        first, second = self._first, self._second
        if first.last_time is None or second.last_time is None:
            return []
        both = np.array([self._compared, min(first.last_time, second.last_time)])
        samples = [
            times[slice(*np.searchsorted(times, both, side="right"))]
            for times in (first.times[: first.settled], second.times[: second.settled])
        ]
        at = np.union1d(*samples)
        if not at.size:
            return []
        self._compared = int(at[-1])
        one, other = first.locate(at), second.locate(at)
        second.forget_before(self._compared)
        known = one.known & other.known
        apart = (one.position - other.position)[known]
        return self._slips(at[known], one.position[known], apart)

    def _slips(
        self, times: NDArray[np.int64], first: NDArray[np.float64], apart: NDArray[np.float64]
    ) -> list[Slip]:
        slips: list[Slip] = []
        k = 0
        while k < times.size:
            if self._apart is None:
                self._apart = float(apart[k])
            change = apart[k:] - self._apart
            beyond = np.abs(change) > self._tolerance
            if not beyond.any():
                break
            j = int(np.argmax(beyond))
            k += j
            slips.append(Slip(int(times[k]), float(first[k]), float(change[j])))
            self._apart = float(apart[k])
            k += 1
        return slips
