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
from swathe.pipeline.cells.gap_causes import CAUSE_OF_STATE, GapCause, causes_apart, causes_of
from swathe.pipeline.cells.grid import Grid
from swathe.pipeline.cells.plan_arrays import PlanArrays, plan_zeros
from swathe.pipeline.cells.regions import label_regions, neighbours
from swathe.pipeline.cells.unvisited import Runs, regions_of

__all__ = ["Gap", "GapEnd", "GapPart", "GapRegister"]


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
        unvisited: further missing cells, of a large plan whose run has ended.
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
    unvisited: Runs = field(default_factory=Runs.none)

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


class GapRegister(PlanArrays):
    """All gaps of a survey, open and ended.

    Args:
        grid: the grid whose cells are missing.
    """

    def __init__(self, grid: Grid) -> None:
        self._grid = grid
        self._wrapped = (grid.index.wrapped, grid.scan.wrapped)
        self.touched = grid.touched
        self._gap_of = plan_zeros(grid.state.size, np.int32)
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

    def touch(self, cells: Cells) -> None:
        """Let the open gaps that have some of the cells be described again: their causes changed."""
        self._changed.update(self.numbers_of(cells))

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
        for gap in self._remove(cells, self.numbers_of(cells), time, end):
            gap.closed_by, gap.reason = by, reason

    def _remove(self, cells: Cells, numbers: list[int], time: int, end: GapEnd) -> list[Gap]:
        """Remove cells from the gaps of these numbers; return those that ended."""
        self._gap_of[cells] = 0
        ended = []
        for number in numbers:
            gap = self._open[number]
            self._changed.add(number)
            rest = gap.cells[self._gap_of[gap.cells] == number]
            if gap.unvisited.first.size:
                gap.cells = rest
            elif rest.size:
                self._divide(gap, rest)
            else:
                self._end(gap, time, end)
                ended.append(gap)
        return ended

    def add_unvisited(self, cells: Cells, runs: Runs, time: int) -> None:
        """Add missing cells, and others as runs, when a run of a large plan ends.

        Args:
            cells: flat cells of touched blocks, rising, each once and in no gap yet.
            runs: the cells of all other blocks.
            time: ns UTC.
        """
        gaps = [gap.cells for gap in self._open.values()]
        held = np.sort(np.concatenate(gaps)) if gaps else np.empty(0, np.int64)
        for region in regions_of(self._grid, cells, runs, held, wrapped=self._wrapped):
            gap = self._join(self.numbers_of(region.adjacent), region.cells, time)
            gap.unvisited = Runs.joined([gap.unvisited, region.runs])
        self._name_remaining()

    def reopen(self, cells: Cells, time: int) -> None:
        """Remove the cells that the end of a run added, and all that are held as runs."""
        numbers = set(self.numbers_of(cells))
        for gap in self._open.values():
            if gap.unvisited.first.size:
                gap.unvisited = Runs.none()
                numbers.add(gap.number)
        self._remove(cells, sorted(numbers), time, GapEnd.WITHDRAWN)

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
            self._join(self.numbers_of(around[around >= 0]), piece, time)
        self._name_remaining()

    def _join(self, numbers: list[int], cells: Cells, time: int) -> Gap:
        """Add cells to the gaps of these numbers, which become one, or to a new one; return it."""
        if numbers:
            return self._grow([self._open[number] for number in numbers], cells, time)
        return self._open_gap(cells, time)

    def _name_remaining(self) -> None:
        for gap in (self._gaps[number] for number in self._changed):
            while gap.merged_into is not None and self._gaps[gap.merged_into].merged_into:
                # The gap that it merged into has merged as well: name the one that remains.
                gap.merged_into = self._gaps[gap.merged_into].merged_into

    def _open_gap(self, cells: Cells, time: int) -> Gap:
        gap = Gap(number=len(self._gaps) + 1, cells=cells, opened=time)
        self._gaps[gap.number] = self._open[gap.number] = gap
        self._gap_of[cells] = gap.number
        self._changed.add(gap.number)
        return gap

    def _grow(self, gaps: list[Gap], cells: Cells, time: int) -> Gap:
        first, *others = gaps
        first.unvisited = Runs.joined([gap.unvisited for gap in gaps])
        first.cells = np.concatenate((first.cells, *(gap.cells for gap in others), cells))
        self._gap_of[first.cells] = first.number
        self._changed.add(first.number)
        for gap in others:
            if not gap.size:  # opened since the last description: describe it once
                self._describe(gap)
            gap.merged_into = first.number
            self._end(gap, time, GapEnd.MERGED)
        return first

    def _end(self, gap: Gap, time: int, end: GapEnd) -> None:
        gap.cells, gap.unvisited = gap.cells[:0], Runs.none()
        gap.closed, gap.end = time, end
        if (largest := self._largest.pop(gap.number, None)) is not None:
            (
                gap.size, gap.scan, gap.index, gap.area, gap.causes, gap.parts, gap.probes
            ) = largest  # fmt: skip
        del self._open[gap.number]
        self._changed.add(gap.number)

    def _describe(self, gap: Gap) -> None:
        grid = self._grid
        unvisited = gap.unvisited.size
        gap.size = int(gap.cells.size) + unvisited
        gap.scan, gap.index = self._borders(gap.cells, gap.unvisited)
        gap.area = gap.size * grid.scan.resolution * grid.index.resolution
        gap.causes = causes_of(grid, gap.cells, unvisited=unvisited)
        gap.parts = self._parts(gap) if len(gap.causes) > 1 else ()
        gap.probes = self._probes(gap.cells)
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

    def _borders(
        self, cells: Cells, runs: Runs | None = None
    ) -> tuple[tuple[float, float], tuple[float, float]]:
        """Return the outer borders of cells, and of runs of others, on scan and index axis, mm."""
        scan, index = self._grid.scan, self._grid.index
        row, column = np.divmod(cells, self._grid.shape[1])
        if runs is not None and runs.first.size:
            row = np.concatenate((row, runs.rows(scan.cells, each=index.wrapped)))
            column = np.concatenate((column, runs.columns(scan.cells, each=scan.wrapped)))
        return (
            scan.edges(*_extent(column, scan.cells, wrapped=scan.wrapped)),
            index.edges(*_extent(row, index.cells, wrapped=index.wrapped)),
        )

    def _parts(self, gap: Gap) -> tuple[GapPart, ...]:
        """Return the cells of each cause of a gap, most cells first."""
        state, apart = self._grid.state[gap.cells], causes_apart(self._grid, gap.cells)
        rest = ~np.logical_or.reduce([*apart.values()])
        masks = {cause: (state == of) & rest for of, cause in CAUSE_OF_STATE.items()} | apart
        found = [
            GapPart(
                cause,
                count,
                *self._borders(
                    gap.cells[masks[cause]], gap.unvisited if cause is GapCause.UNVISITED else None
                ),
            )
            for cause, count in gap.causes.items()
        ]
        return tuple(sorted(found, key=lambda part: -part.cells))  # stable


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
