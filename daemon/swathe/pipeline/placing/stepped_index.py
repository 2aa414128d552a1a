"""A stepped index axis: the line in force, and which readings belong to it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Floats, Times
from swathe.pipeline.placing.hand_lines import HandLines
from swathe.pipeline.placing.placed import Placed, ProbePath
from swathe.pipeline.placing.track import SteppedTrack
from swathe.station import Station
from swathe_drivers.records import READING

__all__ = ["SteppedIndex"]


class SteppedIndex:
    """The index axis of one run where no encoder gives its position.

    A crawler gives the line and reports where it is: readings belong to the line that is in force.
    By hand they belong to a line as far as `HandLines` finds it. A line profile has one line only.

    Args:
        station: the station file in force.
        noise: positions along the scan axis that differ by no more are those of a probe at rest, mm.
        line: the line in force at first.
        in_doubt: whether the probe did not move on that line so far.

    Attributes:
        track: the line in force, by the journal times from which it is known.
        placing: what readings are placed by at first.
        hand: gives readings their line, by hand.
    """

    def __init__(self, station: Station, *, noise: float, line: int, in_doubt: bool) -> None:
        self.track, self.placing = (_track(station) for _ in range(2))
        self.track.step_to(line, 0)
        self.hand: HandLines | None = None
        if station.index is None or station.motion is not None or self.track.lines < 2:
            self.placing = self.track
            return
        self.hand = HandLines(
            scan=station.scan_axis,
            index=station.index_axis,
            advance=station.index.advance,
            noise=noise,
            line=line,
            in_doubt=in_doubt,
        )

    @property
    def line(self) -> int:
        """The line in force."""
        return self.track.line if self.hand is None else self.hand.line

    @property
    def in_doubt(self) -> bool:
        """Whether nothing counts, as the probe did not move on the line so far."""
        return self.hand is not None and self.hand.in_doubt

    @property
    def between_lines(self) -> int:
        """Readings that belong to no line."""
        return 0 if self.hand is None else self.hand.between_lines

    @property
    def waiting(self) -> NDArray[Any]:
        """The readings whose line is not decided, dtype `READING`."""
        return np.empty(0, READING) if self.hand is None else self.hand.waiting

    def pending(self) -> tuple[Times, Floats]:
        """Return times, ns, and scan positions, mm, of the readings whose line is not decided."""
        return (np.empty(0, np.int64), np.empty(0)) if self.hand is None else self.hand.pending()

    def set_line(self, line: int, time: int, *, doubt: bool, blocked: bool = False) -> None:
        """Put another line in force, by a mark; see `HandLines.set_line`."""
        self.track.step_to(line, time)
        if self.hand is not None:
            self.hand.set_line(line, time, doubt=doubt, blocked=blocked)

    def block(self, time: int) -> None:
        """The line in force is blocked where the probe is; see `HandLines.block`."""
        if self.hand is not None:
            self.hand.block(time)

    def take(
        self, placed: Placed, path: ProbePath | None, *, end: int | None
    ) -> tuple[Placed, ProbePath | None]:
        """Return readings and path as far as they belong to a line; see `HandLines.take`."""
        if self.hand is None:
            return placed, path
        found = self.hand.take(placed, path, end=end)
        for line, known in self.hand.take_ahead():
            self.track.step_to(line, known)
        return found

    def on_line_in_force(self, placed: Placed) -> Placed:
        """Return readings on the line that was in force as they were taken, as was known then.

        Whether they belong to it may turn out later. `take` was given the path of the same time.
        """
        if self.hand is None:
            return placed
        return replace(placed, index=self.track.locate(placed.readings["time"]).position)


def _track(station: Station) -> SteppedTrack:
    axis = station.index_axis
    return SteppedTrack(start=axis.start, step=axis.resolution, lines=axis.cells)
