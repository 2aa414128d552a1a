"""What the times of a device's records rested on, counted through a survey."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from swathe.pipeline.placing.timing import TimeBase, TimeBaseKind, Timing

__all__ = ["TimeTally", "TimeWatch"]

# Squares of uncertainties are summed in whole µs², so that no sum depends on how records came.
_NS_PER_US = 1_000


@dataclass(slots=True)
class TimeTally:
    """Times of one kind of records, readings or positions, of a device through a survey.

    Attributes:
        newest: what the time of the newest record rests on; None before the first.
        counts: records by what their times rest on.
        period_ns: from record to record, as found last, ns; None where none was.
        given_ns: the same as the newest run's station file has it, ns; None where it does not.
        largest_ns: largest standard uncertainty of a time, ns.
        squares_us2: sum of the squares of the standard uncertainties, µs².
        smear_ns: by how much the newest record may be older than its time says, ns.
        breaks: how often a clock was set, or a number or a rate changed.
        lost: records that are known to be lost.
    """

    newest: TimeBaseKind | None = None
    counts: dict[TimeBaseKind, int] = field(default_factory=dict)
    period_ns: float | None = None
    given_ns: float | None = None
    largest_ns: int = 0
    squares_us2: int = 0
    smear_ns: int = 0
    breaks: int = 0
    lost: int = 0

    @property
    def usual_ns(self) -> float:
        """Root mean square of the standard uncertainties, ns."""
        count = sum(self.counts.values())
        return float(np.sqrt(self.squares_us2 / count)) * _NS_PER_US if count else 0.0


class TimeWatch:
    """Counts the times that a run's time base gives.

    Args:
        base: the time base.
        tally: counts across the runs of a survey.
    """

    def __init__(self, base: TimeBase, tally: TimeTally) -> None:
        self._base = base
        self._tally = tally
        self._counts: Mapping[TimeBaseKind, int] = {}
        self._breaks = 0

    def follow(self, timing: Timing) -> None:
        """Count the times that the base gave since the last call."""
        base, tally = self._base, self._tally
        if not timing.time.size:
            return  # a clock is shared: what the device's other records did to it is theirs
        tally.breaks += base.breaks - self._breaks
        self._breaks = base.breaks
        for kind, count in base.counts.items():
            more = count - self._counts.get(kind, 0)
            if more:
                tally.counts[kind] = tally.counts.get(kind, 0) + more
        self._counts = dict(base.counts)
        tally.newest = base.newest
        tally.period_ns = base.period_found
        micros = np.rint(timing.uncertainty / _NS_PER_US).astype(np.int64)
        tally.squares_us2 += int(np.sum(micros * micros))
        tally.largest_ns = max(tally.largest_ns, int(timing.uncertainty.max()))
        tally.smear_ns = int(timing.smear[-1])
        tally.lost += int(timing.missing.sum())
