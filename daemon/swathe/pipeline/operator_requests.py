"""What operators requested during a survey: zones to exclude, gaps to scan again."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from swathe.arrays import Cells
from swathe.pipeline.cells.coverage import Coverage
from swathe.pipeline.cells.gaps import Gap, GapRegister
from swathe.pipeline.cells.grid import CellState, CellUpdate, Grid
from swathe.station import Axis, ExclusionSettings, excluded_cells

__all__ = ["ExcludedZone", "OperatorRequests", "RequestedGap", "gap_meant"]


@dataclass(frozen=True, slots=True)
class ExcludedZone:
    """A rectangle that an operator excluded; borders in mm, None for all of an axis.

    Attributes:
        name: what is there.
        scan: from and to.
        index: from and to.
        by: who excluded it.
        time: when, ns UTC.
        because: that person's reason; empty where none was given.
        cells: required cells that it took out of the plan.
    """

    name: str
    scan: tuple[float, float] | None
    index: tuple[float, float] | None
    by: str
    time: int
    because: str = ""
    cells: int = 0

    @classmethod
    def from_detail(cls, detail: dict[str, Any], time: int) -> ExcludedZone:
        """Return the zone that a mark's detail describes."""
        extents = [detail["scan"], detail["index"]]
        scan, index = (None if e is None else (float(e[0]), float(e[1])) for e in extents)
        because = str(detail.get("because", ""))
        return cls(str(detail["name"]), scan, index, str(detail["by"]), time, because=because)

    def rows_and_columns(self, scan: Axis, index: Axis) -> tuple[Cells, Cells]:
        """Return its rows and columns, by the same rule as for a zone of the plan."""
        everywhere = (float(scan.centres[0]), float(scan.centres[-1]))
        settings = ExclusionSettings.model_construct(
            name=self.name, scan=self.scan or everywhere, index=self.index
        )
        return excluded_cells(settings, scan, index)


@dataclass(frozen=True, slots=True)
class RequestedGap:
    """A gap that is to be scanned again.

    Attributes:
        number: of the gap.
        by: who requested it.
        time: when, ns UTC.
    """

    number: int
    by: str
    time: int


class OperatorRequests:
    """Operator requests of a survey.

    Attributes:
        zones: zones excluded during the survey, in that order.
        changed: whether the requested gaps changed; whoever publishes them resets it.
    """

    def __init__(self) -> None:
        self.zones: list[ExcludedZone] = []
        self.changed = False
        self._gaps: list[RequestedGap] = []

    @property
    def gaps(self) -> list[RequestedGap]:
        """Open gaps that are to be scanned again, in the order of the requests."""
        return list(self._gaps)

    def exclude(self, zone: ExcludedZone, grid: Grid, coverage: Coverage) -> CellUpdate:
        """Exclude the required cells of a zone and return them, with their states before."""
        cells = grid.required_in(*zone.rows_and_columns(grid.scan, grid.index))
        update = grid.begin_update(cells)
        self.zones.append(replace(zone, cells=int(cells.size)))
        reason = f"{zone.name}: {zone.because}" if zone.because else zone.name
        coverage.exclude(cells, zone.time, by=zone.by, reason=reason)
        grid.state[cells] = CellState.EXCLUDED
        grid.slipped[cells] = False
        return update

    def request_gap(self, number: int, by: str, time: int) -> None:
        """Add a gap at the end of the list; one that is already in it keeps its rank."""
        if all(request.number != number for request in self._gaps):
            self._gaps.append(RequestedGap(number, by, time))
            self.changed = True

    def update_gap(self, gap: Gap) -> None:
        """Remove a gap that ended; one that merged hands its rank to the gap that took it in."""
        numbers = {request.number for request in self._gaps}
        if gap.closed is None or gap.number not in numbers:
            return
        self.changed = True
        remaining = []
        for request in self._gaps:
            if request.number != gap.number:
                remaining.append(request)
            elif gap.merged_into is not None and gap.merged_into not in numbers:
                remaining.append(replace(request, number=gap.merged_into))
        self._gaps = remaining


def gap_meant(gaps: GapRegister, detail: Mapping[str, Any]) -> int | None:
    """Return the number of the gap that a request means; None where there is none.

    Once readings are placed otherwise, the gap of the same number may be another one. It is then the
    open gap that overlaps most with the borders in the mark.

    Args:
        gaps: of the survey.
        detail: of the mark, with the borders or, of an earlier version, without.
    """
    number = int(detail["gap"])
    if "scan" not in detail:
        return number
    meant = gaps.find(number)
    if meant is not None and _overlap(meant, detail) > 0:
        return number
    best = max(gaps.open, key=lambda gap: _overlap(gap, detail), default=None)
    return best.number if best is not None and _overlap(best, detail) > 0 else None


def _overlap(gap: Gap, detail: Mapping[str, Any]) -> float:
    """Return the area in common, mm²."""
    area = 1.0
    for (low, high), (first, last) in (
        (gap.scan, detail["scan"]),
        (gap.index, detail["index"]),
    ):
        area *= max(min(high, last) - max(low, first), 0.0)
    return area
