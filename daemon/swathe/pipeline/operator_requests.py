"""What people asked for while a survey goes on: zones that are not to be scanned, gaps that are."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.pipeline.cells.coverage import Coverage
from swathe.pipeline.cells.gaps import Gap
from swathe.pipeline.cells.grid import CellState, Grid
from swathe.station import Axis, ExclusionSettings, excluded_cells

__all__ = ["OperatorRequests", "WantedGap", "Zone"]

Cells = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Zone:
    """A rectangle that is not asked for any more; borders in mm, None for all of an axis.

    Attributes:
        name: what is there.
        scan: from and to.
        index: from and to.
        by: who said so.
        time: and when, ns UTC.
    """

    name: str
    scan: tuple[float, float] | None
    index: tuple[float, float] | None
    by: str
    time: int

    @classmethod
    def told(cls, detail: dict[str, Any], time: int) -> Zone:
        """Return the zone that a mark's detail tells."""
        extents = [detail["scan"], detail["index"]]
        scan, index = (None if e is None else (float(e[0]), float(e[1])) for e in extents)
        return cls(str(detail["name"]), scan, index, str(detail["by"]), time)

    def cells(self, scan: Axis, index: Axis) -> tuple[slice, slice]:
        """Return its cells (index, scan), as those of a zone that the plan names."""
        everywhere = (float(scan.centres[0]), float(scan.centres[-1]))
        settings = ExclusionSettings.model_construct(
            name=self.name, scan=self.scan or everywhere, index=self.index
        )
        return excluded_cells(settings, scan, index)


@dataclass(frozen=True, slots=True)
class WantedGap:
    """A gap that is to be scanned again.

    Attributes:
        number: of the gap.
        by: who wants it.
        time: since when, ns UTC.
    """

    number: int
    by: str
    time: int


class OperatorRequests:
    """Keeps what was asked for.

    Attributes:
        zones: that were excluded while the survey went on, in that order.
        changed: whether something changed since whoever tells it set this to False.
    """

    def __init__(self) -> None:
        self.zones: list[Zone] = []
        self.changed = False
        self._wanted: list[WantedGap] = []

    @property
    def wanted(self) -> list[WantedGap]:
        """Open gaps that are to be scanned again, the one asked for first at the front."""
        return list(self._wanted)

    def exclude(self, zone: Zone, grid: Grid, coverage: Coverage) -> Cells:
        """Take a zone out of what is asked for; return the cells that were, rising."""
        cells = grid.required_in(*zone.cells(grid.scan, grid.index))
        self.zones.append(zone)
        coverage.exclude(cells, zone.time)
        grid.state[cells] = CellState.EXCLUDED
        return cells

    def want(self, number: int, by: str, time: int) -> None:
        """Put a gap at the end of the list; one that stands in it keeps its place."""
        if all(one.number != number for one in self._wanted):
            self._wanted.append(WantedGap(number, by, time))
            self.changed = True

    def note_gap(self, gap: Gap) -> None:
        """Take note of a gap that changed: one that ended is not wanted any more."""
        if gap.closed is None or all(one.number != gap.number for one in self._wanted):
            return
        self.changed = True
        there = {one.number for one in self._wanted}
        left = []
        for one in self._wanted:
            if one.number != gap.number:
                left.append(one)
            elif gap.merged_into is not None and gap.merged_into not in there:
                left.append(replace(one, number=gap.merged_into))
        self._wanted = left
