"""Slips: which cells they make suspect, and from when on readings count again."""

from __future__ import annotations

import numpy as np
import pytest

from daemon.strategies import readings
from swathe.journal import Mark, MarkKind
from swathe.pipeline.cells.coverage import Coverage
from swathe.pipeline.cells.gap_causes import GapCause
from swathe.pipeline.cells.grid import CellState, Grid
from swathe.pipeline.checks.slipped_cells import SlippedCells
from swathe.pipeline.checks.suspect_cells import SuspectCells
from swathe.pipeline.operator_requests import ExcludedZone, OperatorRequests
from swathe.pipeline.placing.slip import Slip
from swathe.station import Axis, CellRule

UTC = 1_000


def slip(agreed: int = 20, time: int = 40, axis: str = "scan") -> Slip:
    """Return a slip by 4 mm."""
    return Slip(axis, agreed, time, time + 5, 12.0, -4.0)


class Bench:
    """A line of ten cells."""

    def __init__(self) -> None:
        scan = Axis(name="scan", start=0.0, resolution=1.0, cells=10)
        index = Axis(name="index", start=0.0, resolution=1.0, cells=1)
        self.grid = Grid(scan=scan, index=index, rule=CellRule.MINIMUM)
        self.coverage = Coverage(self.grid, stepped=True)
        self.slipped = SlippedCells(self.grid, self.coverage)

    def read(self, *times_and_cells: tuple[int, int], thickness: float = 10.0) -> None:
        """Put readings into cells, as the pipeline does."""
        made = readings([time for time, _ in times_and_cells], thickness)
        cells = np.array([cell for _, cell in times_and_cells])
        for rows, unsound in self.slipped.pieces(made["time"]):
            update = self.grid.begin_update(cells[rows])
            self.grid.add(made[rows], cells[rows], UTC, suspect=unsound)
            if unsound:
                self.slipped.cells_read(update)
            self.coverage.cells_changed(update)

    @property
    def suspect(self) -> list[int]:
        """Suspect cells."""
        return np.flatnonzero(self.grid.state == CellState.SUSPECT).tolist()


def test_cells_read_since_the_last_agreement_are_suspect() -> None:
    """A reading at the agreement itself is sound; a cell that was read again later is not."""
    bench = Bench()
    bench.read((10, 0), (20, 1), (21, 2), (41, 3), (45, 0))
    cells = bench.slipped.take(slip(), UTC, UTC + 50)
    assert cells.tolist() == bench.suspect == [0, 2, 3]
    (found,) = bench.slipped.slips
    assert (found.number, found.agreed, found.time) == (1, UTC + 20, UTC + 40)
    assert (found.cells, found.later, bench.slipped.count) == (3, 0, 3)
    assert bench.coverage.measured == 1


def test_readings_are_unsound_until_the_position_is_set() -> None:
    """They make missing cells suspect and leave measured ones as they are; later ones count."""
    bench = Bench()
    bench.read((10, 0))
    bench.slipped.take(slip(), UTC, UTC + 50)
    assert bench.slipped.in_force
    bench.read((15, 8), (50, 0), (51, 1), (52, 2), thickness=3.0)
    assert bench.suspect == [1, 2]
    assert (bench.slipped.slips[0].later, bench.grid.thickness[0]) == (2, 10.0)
    bench.slipped.set_position("index", 60)
    assert bench.slipped.in_force
    bench.slipped.set_position("scan", 60)
    assert not bench.slipped.in_force
    bench.read((59, 4), (60, 5), (61, 1), thickness=4.0)
    assert bench.suspect == [2, 4]
    assert bench.grid.thickness[1] == 4.0  # the sound reading replaces what was suspect
    assert (bench.slipped.count, bench.slipped.slips[0].later) == (2, 3)
    assert np.flatnonzero(bench.grid.slipped).tolist() == [2, 4]


@pytest.mark.parametrize("cut", [1, 2, 3, 7])
def test_order_within_a_batch_is_that_of_the_readings(cut: int) -> None:
    """However many readings come at once, a cell ends the same, and so does the count."""
    bench = Bench()
    bench.slipped.take(slip(), UTC, UTC + 50)
    bench.slipped.set_position("scan", 60)
    rows = [(55, 1), (70, 1), (56, 1), (57, 2), (71, 3), (58, 3), (59, 4)]
    for begin in range(0, len(rows), cut):
        bench.read(*rows[begin : begin + cut])
    assert bench.suspect == [2, 4]
    assert bench.slipped.slips[0].later == 3
    assert bench.grid.hits[:5].tolist() == [0, 1, 1, 1, 1]


def test_second_slip_of_an_axis_adds_nothing_that_is_not_suspect() -> None:
    """It is listed; another axis has readings of its own that are unsound."""
    bench = Bench()
    bench.read((10, 0), (21, 2))
    bench.slipped.take(slip(), UTC, UTC + 50)
    assert bench.slipped.take(slip(40, 60), UTC, UTC + 70).size == 0
    assert [found.cells for found in bench.slipped.slips] == [1, 0]
    assert bench.slipped.take(slip(5, 60, "index"), UTC, UTC + 70).tolist() == [0]
    bench.slipped.set_position("scan", 80)
    assert bench.slipped.in_force
    bench.read((90, 7))
    assert bench.suspect == [0, 2, 7]


def test_cell_that_a_check_made_suspect_stays_so_when_the_check_is_overridden() -> None:
    """What slipped is not at its position, whatever the calibration was."""
    bench = Bench()
    bench.read((10, 0), (21, 2))
    checks = SuspectCells(bench.grid, bench.coverage)
    detail = {"phase": "interval", "by": "K", "tolerance": 0.1, "block": "B"}
    for kind in (MarkKind.CHECK_BEGUN, MarkKind.CHECK_ENDED):  # without a step it fails
        checks.take(Mark(30, kind, detail), UTC + 30)
    assert (bench.suspect, checks.count) == ([0, 2], 2)
    bench.slipped.take(slip(), UTC, UTC + 50)
    assert (checks.count, bench.slipped.count) == (1, 1)
    override = {"check": 1, "by": "B", "because": "no block at hand"}
    checks.take(Mark(60, MarkKind.CHECK_OVERRIDDEN, override), UTC + 60)
    assert bench.suspect == [2]


def test_excluded_cell_is_not_suspect() -> None:
    """What is not required is in no doubt."""
    bench = Bench()
    bench.read((21, 2), (22, 3))
    bench.slipped.take(slip(), UTC, UTC + 50)
    zone = ExcludedZone(name="lug", scan=(2.0, 2.0), index=None, by="K", time=UTC + 60)
    OperatorRequests().exclude(zone, bench.grid, bench.coverage)
    assert (bench.suspect, bench.slipped.count) == ([3], 1)


def test_gap_of_slipped_cells_has_their_cause() -> None:
    """Its state is suspect; the cause is the slip, next to that of a failed check."""
    bench = Bench()
    bench.read((10, 0), (21, 2), (22, 3))
    bench.coverage.close_out(30, UTC + 30)
    bench.slipped.take(slip(), UTC, UTC + 50)
    bench.grid.mark_suspect(np.array([0]))
    bench.coverage.add_suspect(np.array([0]), UTC + 60)
    (gap,) = bench.coverage.gaps.settle()[:1]
    assert gap.causes == {
        GapCause.UNVISITED: 7,
        GapCause.SUSPECT: 1,
        GapCause.SLIPPED: 2,
    }


def test_run_that_follows_a_killed_one_has_no_position_either() -> None:
    """After one that ended in good order the encoder is set, as at any start."""
    bench = Bench()
    bench.slipped.take(slip(), UTC, UTC + 50)
    bench.slipped.open_run()
    assert bench.slipped.in_force
    bench.read((1, 3))
    assert bench.suspect == [3]
    bench.slipped.end_run()
    bench.slipped.open_run()
    assert not bench.slipped.in_force
    assert bench.slipped.unsound(np.array([1, 99])) is None


def test_set_position_of_an_earlier_run_concerns_its_own_times() -> None:
    """Host times of another run may be another clock's."""
    bench = Bench()
    bench.slipped.take(slip(), UTC, UTC + 50)
    bench.slipped.set_position("scan", 60)
    bench.slipped.open_run()
    assert bench.slipped.unsound(np.array([30, 50])) is None
