"""What snapshots of lines and gaps show."""

from __future__ import annotations

import pytest

from swathe.pipeline import CellState, GapCause, Grid
from swathe.pipeline.cells.coverage import Coverage
from swathe.pipeline.progress.snapshots import causes_text, line_snapshot
from swathe.station import Axis, CellRule


@pytest.mark.parametrize("wrapped", [True, False])
def test_line_missing_over_the_seam_is_one_stretch(*, wrapped: bool) -> None:
    """On a circumference the last and the first missing cells are neighbours."""
    scan = Axis(name="scan", start=0.0, resolution=2.0, cells=20, wrapped=wrapped)
    grid = Grid(scan=scan, index=Axis("index", 0.0, 1.0, 1), rule=CellRule.MINIMUM)
    coverage = Coverage(grid, stepped=True)
    grid.state[:] = CellState.MEASURED
    grid.state[[0, 1, 7, 19]] = CellState.UNVISITED
    found = line_snapshot(grid, coverage, 0).missing
    over = [(13.0, 15.0), (37.0, 43.0)]
    assert [*found] == (over if wrapped else [(-1.0, 3.0), (13.0, 15.0), (37.0, 39.0)])


def test_causes_text_names_the_commonest_first() -> None:
    """One cause is its name alone; of several the rarer ones have their cells."""
    assert causes_text({GapCause.SLIPPED: 4}) == "slip"
    several = {GapCause.NO_SIGNAL: 12, GapCause.UNVISITED: 300, GapCause.TOO_FAST: 2}
    assert causes_text(several) == "unvisited, of 314 cells 12 no signal, 2 too fast"
