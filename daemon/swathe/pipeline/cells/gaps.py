"""Gaps: connected regions of cells that were left behind unmeasured, each with a lifelong number.

A gap keeps its number while it grows or shrinks. When a re-scan divides it the largest piece keeps
the number; when two merge the lower number remains.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Cells, Ints, distinct
from swathe.pipeline.cells.grid import CellState, Grid
from swathe.pipeline.cells.regions import label_regions, neighbours

__all__ = ["Gap", "GapCause", "GapEnd", "GapPart", "GapRegister", "causes_of"]


class GapCause(StrEnum):
    """Why the cells of a gap were not measured; the commonest cause of its cells."""

    UNVISITED = "unvisited"
    NO_SIGNAL = "no signal"
    TOO_FAST = "too fast"
    UNCERTAIN = "time uncertain"
    UNPLACED = "reading unplaced"
    """A reading was taken there; where was not known in time, as with an encoder's bytes that come late."""
    UNREAD = "readings not received"
    """What the gauge sent there was damaged, or its port was away: whether it had an echo nobody knows."""
    SUSPECT = "check failed"
    SLIPPED = "slip"
    """Suspect, too: two sources of the position parted."""


class GapEnd(StrEnum):
    """How a gap ended."""

    MEASURED = "measured"
    MERGED = "merged"
    WITHDRAWN = "withdrawn"
    """The survey was resumed: the cells are still to be scanned, not left behind."""
    OVERRIDDEN = "check overridden"
    """The failed check that made it suspect was overridden."""
    EXCLUDED = "excluded"
    """A zone that contains it was excluded."""
    PLACED_AGAIN = "placed again"
    """The survey was placed again with a measured delay, and has no such gap."""


_CAUSE_OF_STATE = {
    CellState.UNVISITED: GapCause.UNVISITED,
    CellState.NO_SIGNAL: GapCause.NO_SIGNAL,
    CellState.SKIPPED: GapCause.TOO_FAST,
    CellState.UNCERTAIN: GapCause.UNCERTAIN,
    CellState.SUSPECT: GapCause.SUSPECT,
}


@dataclass(frozen=True, slots=True)
class GapPart:
    """Cells of a gap that have one cause.

    Attributes:
        cause: theirs.
        cells: how many.
        scan: their outer borders on the scan axis, mm; as of a gap.
        index: on the index axis.
    """

    cause: GapCause
    cells: int
    scan: tuple[float, float]
    index: tuple[float, float]


@dataclass(slots=True)
class Gap:
    """One gap as it is now, or as it was when it ended.

    Attributes:
        number: its lifelong number, from 1.
        cells: flat cells still missing, shape (n,); empty once it ended.
        described: number of the register's description of it, which rises with each change of any gap.
        size: number of cells missing. Of an ended gap, size, scan, index, area and causes are
            those at its largest.
        opened: ns UTC.
        closed: ns UTC; None while open.
        end: how it ended; None while open.
        merged_into: the gap that it became part of.
        closed_by: who ended it, by excluding a zone or overriding a check; empty otherwise.
        reason: that person's reason.
        causes: cells by cause when it was last described while open.
        parts: the same with their extents, most cells first, where there are several causes.
        probes: numbers of the probes that passed its cells last and left them unmeasured, most first.
        scan: outer borders on the scan axis, mm; on a wrapped axis the higher one may be
            past the seam.
        index: outer borders on the index axis, mm.
        area: mm² (mm on a line profile); that of the cells, not of the borders' rectangle.
    """

    number: int
    cells: Cells
    opened: int
    closed: int | None = None
    end: GapEnd | None = None
    merged_into: int | None = None
    closed_by: str = ""
    reason: str = ""
    causes: dict[GapCause, int] = field(default_factory=dict)
    parts: tuple[GapPart, ...] = ()
    probes: tuple[int, ...] = ()
    scan: tuple[float, float] = (0.0, 0.0)
    index: tuple[float, float] = (0.0, 0.0)
    area: float = 0.0
    size: int = 0
    described: int = 0

    @property
    def cause(self) -> GapCause:
        """The commonest cause among its cells."""
        return max(self.causes, key=self.causes.__getitem__, default=GapCause.UNVISITED)


_Size = tuple[
    int,
    tuple[float, float],
    tuple[float, float],
    float,
    dict[GapCause, int],
    tuple[GapPart, ...],
    tuple[int, ...],
]
"""A gap's size, scan, index, area, causes, parts and probes."""


class GapRegister:
    """All gaps of a survey, open and ended.

    Args:
        grid: the grid whose cells are missing.
    """

    def __init__(self, grid: Grid) -> None:
        self._grid = grid
        self._wrapped = (grid.index.wrapped, grid.scan.wrapped)
        self._gap_of = np.zeros(grid.state.shape, np.int32)
        self._gaps: dict[int, Gap] = {}
        self._open: dict[int, Gap] = {}
        self._changed: set[int] = set()
        self._largest: dict[int, _Size] = {}
        self._described = 0

    def __iter__(self) -> Iterator[Gap]:
        return iter(self._gaps.values())

    @property
    def count(self) -> int:
        """Number of gaps, open and ended; they are numbered from 1 to it."""
        return len(self._gaps)

    @property
    def open_count(self) -> int:
        """Number of open gaps."""
        return len(self._open)

    def find(self, number: int) -> Gap | None:
        """Return the gap with this number, open or ended; None if there was none."""
        return self._gaps.get(number)

    @property
    def open(self) -> list[Gap]:
        """Open gaps in the order of their numbers."""
        return [self._open[number] for number in sorted(self._open)]

    def holds(self, cells: Cells) -> NDArray[np.bool_]:
        """Return whether each cell belongs to an open gap, shape as `cells`."""
        return np.asarray(self._gap_of[cells] > 0)

    def numbers_of(self, cells: Cells) -> list[int]:
        """Return the numbers of the open gaps that have some of the cells, rising."""
        numbers = distinct(self._gap_of[cells].astype(np.int64))
        return [int(number) for number in numbers if number > 0]

    def settle(self) -> list[Gap]:
        """Describe the gaps that changed since the last call and return them as they are now."""
        changed = [self._gaps[number] for number in sorted(self._changed)]
        self._changed.clear()
        for gap in changed:
            if gap.closed is None:
                self._describe(gap)
            self._described += 1
            gap.described = self._described
        return changed

    def remove(
        self, cells: Cells, time: int, end: GapEnd, *, by: str = "", reason: str = ""
    ) -> None:
        """Remove cells from their gaps; a gap without cells ends, a disconnected one is divided.

        Args:
            cells: flat cells, each once; those in no gap are ignored.
            time: ns UTC.
            end: how a gap without cells ends.
            by: who decided that, if anybody did.
            reason: that person's reason.
        """
        cells = cells[self._gap_of[cells] > 0]
        numbers = distinct(self._gap_of[cells].astype(np.int64))
        self._gap_of[cells] = 0
        for number in numbers.tolist():
            gap = self._open[number]
            self._changed.add(number)
            rest = gap.cells[self._gap_of[gap.cells] == number]
            if rest.size:
                self._divide(gap, rest)
            else:
                self._end(gap, time, end)
                gap.closed_by, gap.reason = by, reason

    def _divide(self, gap: Gap, rest: Cells) -> None:
        rest = np.sort(rest)
        part = label_regions(rest, self._grid.shape, wrapped=self._wrapped)
        sizes = np.bincount(part)
        keeps = int(np.argmax(sizes))
        gap.cells = rest[part == keeps]
        for piece in range(sizes.size):
            if piece != keeps:
                self._open_gap(rest[part == piece], gap.opened)

    def add(self, cells: Cells, time: int) -> None:
        """Add missing cells to the gaps that they touch, or to new ones.

        Args:
            cells: flat cells, rising, each once and in no gap yet.
            time: ns UTC.
        """
        if not cells.size:
            return
        part = label_regions(cells, self._grid.shape, wrapped=self._wrapped)
        for piece in _pieces(cells, part):
            around = neighbours(piece, self._grid.shape, wrapped=self._wrapped)
            touched = distinct(self._gap_of[around[around >= 0]].astype(np.int64))
            touched = touched[touched > 0]
            if touched.size:
                self._grow([self._open[n] for n in touched.tolist()], piece, time)
            else:
                self._open_gap(piece, time)
        for gap in (self._gaps[number] for number in self._changed):
            while gap.merged_into is not None and self._gaps[gap.merged_into].merged_into:
                # The gap that it merged into has merged as well: name the one that remains.
                gap.merged_into = self._gaps[gap.merged_into].merged_into

    def _open_gap(self, cells: Cells, time: int) -> None:
        gap = Gap(number=len(self._gaps) + 1, cells=cells, opened=time)
        self._gaps[gap.number] = self._open[gap.number] = gap
        self._gap_of[cells] = gap.number
        self._changed.add(gap.number)

    def _grow(self, gaps: list[Gap], cells: Cells, time: int) -> None:
        first, *others = gaps
        first.cells = np.concatenate((first.cells, *(gap.cells for gap in others), cells))
        self._gap_of[first.cells] = first.number
        self._changed.add(first.number)
        for gap in others:
            if not gap.size:  # opened since the last description: describe it once
                self._describe(gap)
            gap.merged_into = first.number
            self._end(gap, time, GapEnd.MERGED)

    def _end(self, gap: Gap, time: int, end: GapEnd) -> None:
        gap.cells = gap.cells[:0]
        gap.closed, gap.end = time, end
        if (largest := self._largest.pop(gap.number, None)) is not None:
            (
                gap.size, gap.scan, gap.index, gap.area, gap.causes, gap.parts, gap.probes
            ) = largest  # fmt: skip
        del self._open[gap.number]
        self._changed.add(gap.number)

    def _describe(self, gap: Gap) -> None:
        grid = self._grid
        gap.scan, gap.index = self._borders(gap.cells)
        gap.area = gap.cells.size * grid.scan.resolution * grid.index.resolution
        gap.causes = causes_of(grid, gap.cells)
        gap.parts = self._parts(gap) if len(gap.causes) > 1 else ()
        gap.probes = self._probes(gap.cells)
        gap.size = int(gap.cells.size)
        largest = self._largest.get(gap.number)
        if largest is None or gap.size >= largest[0]:
            self._largest[gap.number] = (
                gap.size, gap.scan, gap.index, gap.area, gap.causes, gap.parts, gap.probes,
            )  # fmt: skip

    def _probes(self, cells: Cells) -> tuple[int, ...]:
        """Return the probes that passed some missing cells last, most cells first."""
        passed = cells[self._grid.passes[cells] > 0]
        counts = np.bincount(self._grid.probe[passed])
        order = np.argsort(-counts, kind="stable")
        return tuple(order[counts[order] > 0].tolist())

    def _borders(self, cells: Cells) -> tuple[tuple[float, float], tuple[float, float]]:
        """Return the outer borders of cells on scan and index axis, mm."""
        scan, index = self._grid.scan, self._grid.index
        row, column = np.divmod(cells, self._grid.shape[1])
        return (
            scan.edges(*_extent(column, scan.cells, wrapped=scan.wrapped)),
            index.edges(*_extent(row, index.cells, wrapped=index.wrapped)),
        )

    def _parts(self, gap: Gap) -> tuple[GapPart, ...]:
        """Return the cells of each cause of a gap, most cells first."""
        state, apart = self._grid.state[gap.cells], _causes_apart(self._grid, gap.cells)
        rest = ~np.logical_or.reduce([*apart.values()])
        masks = {cause: (state == of) & rest for of, cause in _CAUSE_OF_STATE.items()} | apart
        found = [
            GapPart(cause, count, *self._borders(gap.cells[masks[cause]]))
            for cause, count in gap.causes.items()
        ]
        return tuple(sorted(found, key=lambda part: -part.cells))  # stable


def causes_of(grid: Grid, cells: Cells) -> dict[GapCause, int]:
    """Return how many of some missing cells have each cause."""
    apart = _causes_apart(grid, cells)
    rest = cells[~np.logical_or.reduce([*apart.values()])]
    counts = np.bincount(grid.state[rest], minlength=max(CellState) + 1)
    causes = {cause: int(counts[state]) for state, cause in _CAUSE_OF_STATE.items()}
    causes |= {cause: int(np.count_nonzero(mask)) for cause, mask in apart.items()}
    return {cause: count for cause, count in causes.items() if count}


def _causes_apart(grid: Grid, cells: Cells) -> dict[GapCause, NDArray[np.bool_]]:
    """Return which of some missing cells have a cause that their state alone does not show."""
    state = grid.state[cells]
    passed = (state == CellState.UNCERTAIN) | (state == CellState.SKIPPED)
    return {
        GapCause.SLIPPED: grid.slipped[cells],
        GapCause.UNPLACED: passed & grid.unplaced[cells],
        GapCause.UNREAD: passed & grid.unread[cells] & ~grid.unplaced[cells],
    }


def _pieces(cells: Cells, part: Ints) -> list[Cells]:
    """Return the cells of each part, in the order of the parts."""
    if not part.any():
        return [cells]
    order = np.argsort(part, kind="stable")
    borders = np.flatnonzero(np.diff(part[order])) + 1
    return np.split(cells[order], borders)


def _extent(cells: Cells, count: int, *, wrapped: bool) -> tuple[int, int]:
    """Return first and last of `cells`; on a circumference the shortest arc that holds them all."""
    # Never an array as long as the axis: thousands of gaps may change in a second.
    if not wrapped:
        return int(cells.min()), int(cells.max())
    present = distinct(cells)
    if present.size == 1:
        return int(present[0]), int(present[0])
    holes = np.diff(np.append(present, present[0] + count))
    widest = int(np.argmax(holes))
    first = int(present[(widest + 1) % present.size])
    last = int(present[widest])
    return first, last if last >= first else last + count
