"""The cells that the probes of a carriage cross along its path."""

from __future__ import annotations

from swathe.arrays import Bools
from swathe.pipeline.cells.coverage import Coverage
from swathe.pipeline.cells.crossed import CrossedCells, cross_cells
from swathe.pipeline.cells.grid import Grid
from swathe.pipeline.placing.placed import Placed, PlacingObserver, ProbePath
from swathe.station import SINGLE_PROBE, ProbeArray

__all__ = ["CarriageCells"]


class CarriageCells:
    """Follows the probes of one run after the other over the grid.

    Args:
        grid: the cells.
        coverage: is shown the path and the cells that were crossed.
        observer: receives placed readings and path of the first probe: the delay is that of its device.

    Attributes:
        probes: of the present run.
    """

    def __init__(self, grid: Grid, coverage: Coverage, observer: PlacingObserver | None) -> None:
        self._grid = grid
        self._coverage = coverage
        self._observer = observer
        self.open_run(SINGLE_PROBE)

    def open_run(self, probes: ProbeArray) -> None:
        """Begin a run with these probes: no path leads to it."""
        self.probes = probes
        self._last_cells = [-1] * len(probes)

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
        if len(self.probes) > 1:
            placed = placed[placed.readings["probe"] == 0]
        if placed.readings.size:
            self._observer.placed(placed)
        if path is not None:
            self._observer.moved_along(path)

    def delay_changed(self) -> None:
        """Show the observer that readings from now on are placed with another delay."""
        if self._observer is not None:
            self._observer.delay_changed()
