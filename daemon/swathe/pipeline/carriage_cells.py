"""The cells that the probes of a carriage cross along its path."""

from __future__ import annotations

import numpy as np

from swathe.arrays import Bools, Cells
from swathe.pipeline.cells.coverage import Coverage
from swathe.pipeline.cells.crossed import UNCERTAIN_CELLS, CrossedCells, cross_cells
from swathe.pipeline.cells.grid import Grid
from swathe.pipeline.cells.silent_stays import SilentStays
from swathe.pipeline.overlaps.watch import OverlapWatch
from swathe.pipeline.placing.conditions import Condition
from swathe.pipeline.placing.placed import Placed, PlacingObserver, ProbePath
from swathe.station import Station, probes_of

__all__ = ["CarriageCells"]

# How long after it was settled for a probe the path may come: with that probe, with the slowest one, or
# with the mark that sets the line.
_ONE_PROBE_NS, _SEVERAL_PROBES_NS, _BY_MARKS_NS = 0, 10_000_000_000, 600_000_000_000


class CarriageCells:
    """Follows the probes of one run after the other over the grid.

    Args:
        station: the station file with which the survey began.
        grid: the cells.
        coverage: is shown the path and the cells that were crossed.
        observer: receives placed readings and path of the first probe: the delay is that of its device.

    Attributes:
        probes: of the present run.
        overlaps: what they read where their passes overlap.
        silences: cells that have no signal because a probe was silent.
    """

    def __init__(
        self, station: Station, grid: Grid, coverage: Coverage, observer: PlacingObserver | None
    ) -> None:
        self._grid = grid
        self._coverage = coverage
        self._observer = observer
        self.open_run(station)

    def open_run(self, station: Station) -> None:
        """Begin a run with the probes of a station file: no path leads to it."""
        self.probes = probes_of(station)
        self.overlaps = OverlapWatch(station, self._grid)
        kept_ns = _ONE_PROBE_NS if len(self.probes) == 1 else _SEVERAL_PROBES_NS
        by_marks = station.index is not None and not station.index_encoded
        self.silences = SilentStays(self._grid, _BY_MARKS_NS if by_marks else kept_ns)
        self._last_cells = [-1] * len(self.probes)
        if self.has_several:
            self._grid.shares.keep()

    @property
    def has_several(self) -> bool:
        """Whether it has more than one probe."""
        return len(self.probes) > 1

    def cross(self, path: ProbePath, broken: Bools | None) -> tuple[CrossedCells, ProbePath]:
        """Return the stays of all probes along a piece of the datum's path, and the first probe's path.

        Args:
            path: of the datum.
            broken: to which samples no path leads.
        """
        paths = path.of_probes(self.probes)
        crossed = [
            cross_cells(one, self._grid, last, number)
            for number, (one, last) in enumerate(zip(paths, self._last_cells, strict=True))
        ]
        self._coverage.add_paths(path, crossed, paths, broken)
        self._last_cells = [int(one.cells[-1]) for one in crossed]
        return CrossedCells.joined(crossed), paths[0]

    def show(self, placed: Placed, path: ProbePath | None) -> None:
        """Show the observer readings with their places, and the path of the first probe."""
        if self._observer is None:
            return
        if self.has_several:
            placed = placed[placed.readings["probe"] == 0]
        if placed.readings.size:
            self._observer.placed(placed)
        if path is not None:
            self._observer.moved_along(path)

    def put(self, placed: Placed, cells: Cells) -> Bools:
        """Take readings as they are put into their cells, -1 outside the grid.

        Returns:
            whether it is uncertain if each was taken there or in another cell, shape (n,).
        """
        uncertain = np.zeros(cells.shape, bool)
        if placed.spread is not None:
            uncertain = placed.spread["blur"] >= UNCERTAIN_CELLS * self._grid.scan.resolution
        if self.has_several:
            self.overlaps.add(placed, cells)
        readings = placed.readings
        without_echo = ~(readings["valid"] & np.isfinite(readings["thickness"]))
        if without_echo.any():
            self.silences.rests_on_more(cells[without_echo & ~uncertain])
        return np.asarray(uncertain)

    def pass_through(self, stays: CrossedCells) -> Cells:
        """Give cells what stays of the probes in them leave; return those that were entered."""
        cells = stays.cells[stays.entered]
        before = self._grid.state[cells]
        self.silences.pass_through(stays)
        self._coverage.restate(cells[self._grid.state[cells] != before])
        return np.asarray(cells)

    def withdraw(self, now: int, *, whole: bool) -> Cells:
        """Return cells that are not without signal, as became known until the journal time `now`, ns.

        At a mark and at `whole` seconds, gaps get the causes that their cells have by now.
        """
        cells = self.silences.apply(now, fresh=whole)
        self._coverage.gaps.touch(cells)
        if whole:
            self._coverage.describe_restated()
        return cells

    def compare(self, now: int) -> list[Condition]:
        """Compare the probes where passes overlap at `now`, host time in ns; return what changed."""
        self.overlaps.evaluate(now)
        changes, self.overlaps.conditions = self.overlaps.conditions, []
        return changes

    def delay_changed(self) -> None:
        """Show the observer that readings from now on are placed with another delay."""
        if self._observer is not None:
            self._observer.delay_changed()
