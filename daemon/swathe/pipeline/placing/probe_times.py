"""When each probe of the carriage gave readings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Ints, Times, distinct
from swathe.pipeline.placing.doubts import Doubts
from swathe.pipeline.placing.reading_times import ReadingPace, ReadingTimes, Settled
from swathe.pipeline.placing.timing import Timing
from swathe.station import ProbeArray

__all__ = ["ProbeTimes"]


class ProbeTimes:
    """The times of the readings of all probes that the path may still need.

    A path is settled once the readings of every probe are in; a probe that sends nothing more is
    waited for as long as a silent gauge is.

    Args:
        probes: of the carriage.
        lateness_ns: how long a reading may be on its way.

    Attributes:
        of: of each probe, by its number.
    """

    def __init__(self, probes: ProbeArray, lateness_ns: int) -> None:
        self.of = tuple(ReadingTimes(lateness_ns) for _ in probes.probes)
        self._numbers = {
            device: tuple(probe.number for probe in probes.of_device(device))
            for device in probes.devices()
        }
        self._device_of = [probe.device for probe in probes.probes]
        # Readings that were lost by their numbers: of a device with several probes nobody knows which
        # one's they were. How many until the newest reading of each probe, and of the device.
        self._lost_until = [0] * len(self.of)
        self._lost_of = dict.fromkeys(self._numbers, 0)

    def add(
        self, readings: NDArray[Any], known: Times, timing: Timing, arrived: Times | None = None
    ) -> None:
        """Add readings of one device.

        Args:
            readings: dtype `READING` with the numbers of the station's probes, shape (n,).
            known: journal times from which they are known, ns, rising, shape (n,).
            timing: what their times rest on.
            arrived: journal times with which they arrived, ns, rising, shape (n,); by default `known`.
        """
        if len(self.of) == 1:
            self.of[0].add(readings["time"], known, timing, arrived)
            return
        if not readings.size:
            return
        arrived = known if arrived is None else arrived
        number_of = np.ascontiguousarray(readings["probe"])
        lost = self._lost(int(number_of[0]), timing)
        for number in distinct(number_of).tolist():
            rows = np.flatnonzero(number_of == number)
            one, part = self.of[number], timing[rows]
            if lost is not None:
                between = np.diff(lost[rows], prepend=self._lost_until[number])
                self._lost_until[number] = int(lost[rows[-1]])
                one.unread.add(arrived[rows[between > 0]].tolist())
                part = replace(part, missing=np.zeros_like(part.missing))
            one.add(readings["time"][rows], known[rows], part, arrived[rows])

    def _lost(self, number: int, timing: Timing) -> Ints | None:
        """Return how many readings a device has lost until each of these; None if it has one probe."""
        device = self._device_of[number]
        if len(self._numbers[device]) == 1:
            return None
        lost = self._lost_of[device] + np.cumsum(timing.missing)
        self._lost_of[device] = int(lost[-1])
        return lost

    def _of_device(self, device: str) -> Sequence[ReadingTimes]:
        return [self.of[number] for number in self._numbers.get(device, ())]

    def drop(self, device: str, arrived: Times, known: Times) -> None:
        """Add readings of a device that have no time; see `ReadingTimes.drop`."""
        for one in self._of_device(device):
            one.drop(arrived, known)

    def add_unread(self, device: str, times: Sequence[int]) -> None:
        """Add journal times at which bytes of a device gave no reading, ns."""
        for one in self._of_device(device):
            one.unread.add(times)

    def set_away(self, device: str, now: int, *, away: bool) -> None:
        """Take note at `now`, ns, that the port of a device is away, or open."""
        for one in self._of_device(device):
            one.unread.set_away(now, away=away)

    def lose_bytes(self, now: int, until: int | None) -> None:
        """Let what all devices sent from `now` until `until`, ns, be lost."""
        for one in self.of:
            one.unread.add([now], until)

    def hold(self, since: Mapping[str, int | None]) -> None:
        """Take since when the oldest reading of each device waits for its time, ns; None for none."""
        for device in self._numbers:
            for one in self._of_device(device):
                one.held_since = since.get(device)

    def pace_at(self, times: Times) -> ReadingPace:
        """Return the pace of the slowest probe at journal times since the last call."""
        paces = [one.pace_at(times) for one in self.of]
        if len(paces) == 1:
            return paces[0]
        return ReadingPace(
            usual=np.max([pace.usual for pace in paces], axis=0),
            longest=np.max([pace.longest for pace in paces], axis=0),
        )

    def settle(
        self, times: Times, known: Times, last_settled: int, smeared: Times
    ) -> tuple[Times, list[Settled]]:
        """Return from when the path is settled, and what is known of each probe's readings.

        See `ReadingTimes.settle`.
        """
        found = [one.settle(times, known, last_settled, smeared) for one in self.of]
        if len(found) == 1:
            return found[0].settled, found
        return np.max([one.settled for one in found], axis=0), found

    def take_doubts(self) -> Doubts:
        """Return the silences that were none, as far as that became known since the last call."""
        parts: list[Doubts] = []
        for number, one in enumerate(self.of):
            parts += [replace(part, probe=part.probe + number) for part in one.doubts]
            one.doubts.clear()
        return Doubts.joined(parts)

    def forget(self, horizon: int, arrived: int) -> None:
        """Drop what nobody asks for any more; see `ReadingTimes.forget`."""
        for one in self.of:
            one.forget(horizon, arrived)
