"""Where the beams of a survey's probes have covered the wall: each reading by the beam of its probe.

Probes with the same beam share their positions. A probe whose beam is not known, as without its
diameter, covers what nobody knows: from its first reading on no share is stated.
"""

from __future__ import annotations

import numpy as np

from swathe.arrays import Bools, Ints
from swathe.calibration import Beam
from swathe.pipeline.cells.beam_coverage import covered_points
from swathe.pipeline.cells.beam_positions import BeamPositions
from swathe.pipeline.cells.grid import CellUpdate, Grid
from swathe.pipeline.placing.placed import Placed
from swathe.station import MOST_PROBES, Station, beams_of

__all__ = ["ProbeBeams"]

_UNKNOWN = -1


class ProbeBeams:
    """Positions of the readings of a survey, by the beams that they were taken with.

    Args:
        grid: the cells.
    """

    def __init__(self, grid: Grid) -> None:
        self._grid = grid
        self._groups: dict[Beam, BeamPositions] = {}
        self._group_of: Ints = np.full(MOST_PROBES, _UNKNOWN)  # by number of the probe
        self._all_known = True
        self._deepest: float | None = None

    def open_run(self, station: Station) -> None:
        """Let readings from now on be of the probes of a station file; spots have no beams."""
        self._deepest = station.survey.nominal_thickness
        self._group_of[:] = _UNKNOWN
        if station.spots is not None:
            return
        for number, beam in enumerate(beams_of(station)):
            if beam is None:
                continue
            if beam not in self._groups:
                # Without a nominal thickness, a reading outside the grid covers what the narrowest beam does.
                widest = float(beam.width(self._deepest or 0.0))
                self._groups[beam] = BeamPositions(
                    self._grid, narrowest=beam.narrowest, widest=widest
                )
            self._group_of[number] = [*self._groups].index(beam)

    def add(self, placed: Placed, *, suspect: bool | Bools) -> None:
        """Keep readings that the grid has taken, as `BeamPositions.add` does."""
        group = self._group_of[placed.readings["probe"]]
        if self._all_known and (group == _UNKNOWN).any():
            self._all_known = not placed.readings["valid"][group == _UNKNOWN].any()
        for number, positions in enumerate(self._groups.values()):
            rows = group == number
            if rows.all():
                positions.add(placed, suspect=suspect)
            elif rows.any():
                of_rows = suspect if isinstance(suspect, bool) else suspect[rows]
                positions.add(placed[rows], suspect=of_rows)

    def cells_changed(self, update: CellUpdate) -> None:
        """Drop what was read in suspect cells that a reading has measured since."""
        for positions in self._groups.values():
            positions.cells_changed(update)

    def covered(self) -> tuple[int, int] | None:
        """Return how many points of the required area a beam has covered, and how many it has.

        None where the beam of a reading, or of every probe, is not known.
        """
        if not self._all_known or not self._groups or (self._group_of == _UNKNOWN).all():
            return None
        parts = [(positions.kept(), beam) for beam, positions in self._groups.items()]
        return covered_points(parts, self._grid, deepest=self._deepest)
