"""What the probe has left behind, and which of it is missing: a walk of a few cells at a time."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from daemon.strategies import flood_fill, readings
from swathe.pipeline import CellState, GapEnd, Grid
from swathe.pipeline.cells.coverage import Coverage
from swathe.pipeline.cells.crossed import CrossedCells, cross_cells
from swathe.pipeline.placing.placed import ProbePath
from swathe.station import Axis, CellRule

MS = 1_000_000


def grid(rows: int, columns: int, *, wrapped: bool = False) -> Grid:
    """Return a grid of cells of 1 mm."""
    return Grid(
        scan=Axis(name="scan", start=0.0, resolution=1.0, cells=columns, wrapped=wrapped),
        index=Axis(name="index", start=0.0, resolution=1.0, cells=rows),
        rule=CellRule.MINIMUM,
    )


class Probe:
    """Moves over a grid and tells its coverage, as a pipeline does on each tick."""

    def __init__(self, made: Grid, *, stepped: bool = True) -> None:
        self.grid = made
        self.coverage = Coverage(made, stepped=stepped)
        self.at: tuple[float, float] | None = None
        self.now = 0

    def go(self, *columns: float, row: float = 0.0, echo: bool | None = True) -> None:
        """Go to each of `columns` in turn on `row`, then let a tick go by.

        With `echo` there is a reading in the middle of every cell; without, one that has no
        signal; with None the gauge says nothing.
        """
        scan = np.array([*([self.at[0]] if self.at else []), *columns])
        index = np.full(scan.shape, row)
        known = np.ones(scan.shape, bool)
        if self.at is None:
            known[0] = False
        elif self.at[1] != row:
            index[0] = self.at[1]
            known[1] = False
        silent = np.full(scan.shape, echo is None)
        resets = np.zeros(scan.shape, bool)
        settled = np.full(scan.shape, self.now)
        path = ProbePath(
            np.arange(scan.size),
            scan,
            index,
            known,
            resets,
            silent,
            settled,
            np.zeros((scan.size, 2)),
        )
        last = self.coverage.probe_cell
        crossed = cross_cells(path, self.grid, last)
        if echo is not None:
            cells = np.unique(np.append(crossed.cells[crossed.entered & crossed.known], last))
            cells = cells[cells >= 0]
            update = self.grid.begin_update(cells)
            self.grid.add(readings(range(cells.size), valid=echo), cells, 0)
            self.coverage.cells_changed(update)
        passed = crossed.entered & crossed.known
        self.grid.pass_over(crossed.cells[passed], crossed.silent[passed])
        self.coverage.add_path(path, crossed)
        self.at = (float(scan[-1]), row)
        self.tick()

    def tick(self) -> None:
        """Let a tick go by."""
        self.now += 1
        self.coverage.evaluate(self.now, self.now)
        self.coverage.gaps.settle()

    def missing(self) -> list[list[int]]:
        """Return the cells of each open gap."""
        return [sorted(gap.cells.tolist()) for gap in self.coverage.gaps.open]


def test_gap_opens_when_the_probe_is_two_cells_on() -> None:
    """The probe may rock into the next cell; a cell is left behind when it is two away."""
    probe = Probe(grid(1, 20))
    probe.go(2.0)
    probe.go(5.0, echo=False)
    assert probe.missing() == [[3]]
    probe.go(4.0, 5.0, echo=False)  # rocking back and forth
    assert probe.missing() == [[3]]
    probe.go(6.0)
    assert probe.missing() == [[3, 4]]


def test_cells_ahead_of_the_probe_are_not_missing() -> None:
    """What the probe has not come to is still to come, however long it takes."""
    probe = Probe(grid(2, 20))
    probe.go(0.0, 5.0)
    for _ in range(100):
        probe.tick()
    assert probe.missing() == []
    assert (probe.coverage.measured, probe.coverage.required) == (6, 40)
    assert probe.coverage.percent == 15.0


def test_gap_closes_when_its_last_cell_is_measured() -> None:
    """A revisit shrinks the gap, and ends it with the last cell; the rest stays as it was."""
    probe = Probe(grid(1, 20))
    probe.go(0.0, 3.0)
    probe.go(9.0, echo=False)
    probe.go(14.0)
    (number,) = (gap.number for gap in probe.coverage.gaps.open)
    assert probe.missing() == [[4, 5, 6, 7, 8]]
    probe.go(7.0)
    assert probe.missing() == [[4, 5, 6]]
    probe.go(0.0)
    assert probe.missing() == []
    (gap,) = probe.coverage.gaps
    assert (gap.number, gap.end, gap.closed) == (number, GapEnd.MEASURED, probe.now)
    assert gap.size == 5


def test_stepped_line_left_makes_the_rest_of_it_missing() -> None:
    """When the probe goes on to the next line, all that was not measured on the last is missing."""
    probe = Probe(grid(3, 10))
    probe.go(2.0, 6.0)
    assert probe.missing() == []
    probe.go(0.0, 9.0, row=1.0)
    assert probe.missing() == [[0, 1], [7, 8, 9]]
    assert probe.coverage.take_dirty_lines() == [0]
    assert probe.coverage.take_dirty_lines() == []
    assert probe.coverage.line_done(0)
    assert not probe.coverage.line_done(1)
    assert probe.coverage.measured_in_row(1) == 10


def test_line_left_changes_again_when_measured_later() -> None:
    """A line that is gone back to is told again."""
    probe = Probe(grid(2, 10))
    probe.go(2.0, 9.0)
    probe.go(9.0, 0.0, row=1.0)
    assert probe.coverage.take_dirty_lines() == [0]
    probe.go(0.0, 1.0, row=0.0)
    assert probe.coverage.take_dirty_lines() == [0, 1]
    assert probe.missing() == []


def test_excluded_cells_are_not_required() -> None:
    """An excluded cell is neither measured nor missing, and a wholly excluded plan is done."""
    made = grid(1, 10)
    made.exclude(np.arange(0, 1), np.arange(3, 6))
    probe = Probe(made)
    probe.go(0.0, echo=False)
    probe.go(9.0, echo=False)
    probe.coverage.close_out(99, 99)
    # Cell 0 as well: the probe did not stay for an echo there.
    assert probe.missing() == [[0, 1, 2], [6, 7, 8, 9]]
    assert probe.coverage.required == 7
    everything = grid(1, 3)
    everything.exclude(np.arange(0, 1), np.arange(0, 3))
    assert Coverage(everything, stepped=True).percent == 100.0


def test_close_out_and_reopen_keep_real_gaps_apart() -> None:
    """The end of a run lists what was to come; a next run takes that back and nothing else."""
    probe = Probe(grid(1, 20))
    probe.go(0.0, 3.0)
    probe.go(6.0, echo=False)
    probe.go(12.0)
    probe.coverage.close_out(50, 50)
    assert probe.missing() == [[4, 5], [13, 14, 15, 16, 17, 18, 19]]
    probe.coverage.reopen(60)
    assert probe.missing() == [[4, 5]]
    assert [gap.end for gap in probe.coverage.gaps] == [None, GapEnd.WITHDRAWN]
    assert [gap.closed for gap in probe.coverage.gaps] == [None, 60]
    probe.go(19.0)
    probe.coverage.close_out(90, 90)
    assert probe.missing() == [[4, 5]]


def test_gap_over_the_seam_of_a_circumference_is_one() -> None:
    """Going round a pipe, what is missed before and after the seam is one gap."""
    probe = Probe(grid(1, 12, wrapped=True))
    probe.go(3.0, 9.0)
    probe.go(13.0, echo=False)
    probe.go(14.0)
    probe.go(17.0)
    (gap,) = probe.coverage.gaps.open
    assert sorted(gap.cells.tolist()) == [0, 10, 11]
    probe.coverage.gaps.settle()
    assert gap.scan == (9.5, 12.5)


class Walk(RuleBasedStateMachine):
    """A probe that goes here and there, compared with sets of cells kept by hand."""

    @initialize(columns=st.integers(4, 15))
    def begin(self, columns: int) -> None:
        """Stand on the first cell of the first of three lines."""
        self.columns = columns
        self.probe = Probe(grid(3, columns))
        self.left: set[int] = set()
        self.pending: set[int] = set()
        self.measured: set[int] = set()
        self.row = 0
        self.column = 0
        self.probe.go(0.0)
        self.measured.add(0)
        self.pending.add(0)
        self.leave()

    @rule(to=st.integers(0, 14), echo=st.sampled_from((True, False, None)))
    def walk(self, to: int, echo: bool | None) -> None:
        """Go to another cell of the line."""
        to = min(to, self.columns - 1)
        low, high = sorted((self.column, to))
        passed = {self.row * self.columns + c for c in range(low, high + 1)}
        self.probe.go(float(to), row=float(self.row), echo=echo)
        if echo:
            self.measured |= passed
        self.pending |= passed - {self.row * self.columns + self.column}
        self.column = to
        self.leave()

    @precondition(lambda self: self.row < 2)
    @rule()
    def step(self) -> None:
        """Go on to the next line, at the same column."""
        self.pending |= {self.row * self.columns + c for c in range(self.columns)}
        self.row += 1
        self.probe.go(float(self.column), row=float(self.row), echo=None)
        self.pending.add(self.row * self.columns + self.column)
        self.leave()

    def leave(self) -> None:
        """Take what is more than a cell away as left behind."""
        near = {
            self.row * self.columns + c
            for c in range(max(self.column - 1, 0), min(self.column + 2, self.columns))
        }
        self.left |= self.pending - near
        self.pending &= near

    @invariant()
    def gaps_are_regions_of_left_and_not_measured(self) -> None:
        """Open gaps are the regions of what was left behind unmeasured; counts agree."""
        coverage = self.probe.coverage
        found = [frozenset(gap.cells.tolist()) for gap in coverage.gaps.open]
        regions = flood_fill(self.left - self.measured, (3, self.columns))
        assert sorted(found, key=min) == regions
        assert coverage.measured == len(self.measured)
        state = self.probe.grid.state
        assert set(np.flatnonzero(state == CellState.MEASURED).tolist()) == self.measured
        for row in range(3):
            in_row = {c for c in self.measured if c // self.columns == row}
            assert coverage.measured_in_row(row) == len(in_row)
            assert coverage.line_done(row) is (row < self.row)


Walk.TestCase.settings = settings(max_examples=25, stateful_step_count=25)
TestWalk = Walk.TestCase


@pytest.mark.parametrize("lines", [(0, 1, 2, 3), (3, 2, 1, 0)])
def test_encoded_lines_left_out_are_missing_once_passed(lines: tuple[int, ...]) -> None:
    """On an encoded index axis a line jumped over is missing when the next one is well under way."""
    probe = Probe(grid(4, 40), stepped=False)
    for line in lines:
        if line == 2:
            continue
        probe.go(39.0 if probe.at and probe.at[0] < 1 else 0.0, row=float(line), echo=True)
        probe.go(0.0 if probe.at and probe.at[0] > 1 else 39.0, row=float(line), echo=True)
        probe.go(39.0 if probe.at and probe.at[0] < 1 else 0.0, row=float(line), echo=True)
    (gap,) = probe.coverage.gaps.open
    assert sorted(gap.cells.tolist()) == list(range(80, 120))


def pipe(rows: int) -> Grid:
    """Return a grid along a pipe, with its circumference as the index axis."""
    return Grid(
        scan=Axis(name="scan", start=0.0, resolution=1.0, cells=40),
        index=Axis(name="index", start=0.0, resolution=1.0, cells=rows, wrapped=True),
        rule=CellRule.MINIMUM,
    )


@pytest.mark.parametrize(
    ("first", "second", "passed"),
    [(1, 8, [0, 9]), (8, 1, [0, 9]), (2, 5, [3, 4]), (5, 2, [3, 4])],
)
def test_lines_passed_round_a_pipe_are_those_of_the_shorter_path(
    first: int, second: int, passed: list[int]
) -> None:
    """From line 1 to line 8 of ten a probe passes 9 and 0 over the seam, not the six between."""
    probe = Probe(pipe(10), stepped=False)
    for line in (first, second):
        for column in (0.0, 39.0, 0.0, 39.0):
            probe.go(column, row=float(line), echo=True)
    rows = {cell // 40 for gap in probe.coverage.gaps.open for cell in gap.cells.tolist()}
    assert sorted(rows) == passed


def follow(coverage: Coverage, made: Grid, samples: list[tuple[float, float]]) -> None:
    """Show a coverage a path through (scan, index) samples as one piece, then evaluate."""
    scan, index = np.array(samples).T
    n = scan.size
    no, settled = np.zeros(n, bool), np.zeros(n, np.int64)
    path = ProbePath(np.arange(n), scan, index, np.ones(n, bool), no, no, settled, np.zeros((n, 2)))
    coverage.add_path(path, cross_cells(path, made, coverage.probe_cell))
    coverage.evaluate(1, 1)


def test_encoded_lines_scanned_within_one_piece_are_all_followed() -> None:
    """Lines 0, 2 and 0 again in one piece: each is left, and line 1 between them is passed."""
    made = grid(4, 40)
    coverage = Coverage(made, stepped=False)
    follow(coverage, made, [(0, 0), (39, 0), (39, 2), (0, 2), (0, 0), (39, 0)])
    assert coverage.row == 0
    assert [coverage.line_done(row) for row in range(4)] == [True, True, True, False]


def test_encoded_line_stays_while_the_probe_is_off_the_grid() -> None:
    """A probe that leaves the grid across its last line, or its first one, scans no other line."""
    for row, off in ((3, 9.0), (0, -9.0)):
        made = grid(4, 40)
        coverage = Coverage(made, stepped=False)
        follow(coverage, made, [(0, row), (39, row), (39, off), (0, off)])
        assert coverage.row == row
        assert coverage.probe_cell == -1


def test_line_crossed_only_is_not_scanned() -> None:
    """Travel of less than 10 mm on a line is no scan of it; 10 mm are."""
    for travel, row in ((9.9, -1), (10.0, 1)):
        made = grid(4, 40)
        coverage = Coverage(made, stepped=False)
        follow(coverage, made, [(5.0, 1.0), (5.0 + travel, 1.0)])
        assert coverage.row == row


def test_line_left_changes_again_by_every_change_of_a_cell() -> None:
    """Cells measured, suspect, measured again by an override or excluded change their line."""
    made = grid(3, 10)
    coverage = Coverage(made, stepped=True)
    for row in (0.0, 1.0, 2.0):
        follow(coverage, made, [(0.0, row), (9.0, row)])
    assert coverage.take_dirty_lines() == [0, 1]
    cells = np.array([3, 4])
    update = made.begin_update(cells)
    made.add(readings([0, 1]), cells, 0)
    coverage.cells_changed(update)
    assert (coverage.take_dirty_lines(), coverage.measured_in_row(0)) == ([0], 2)
    made.mark_suspect(cells)
    coverage.add_suspect(cells, 3)
    assert (coverage.take_dirty_lines(), coverage.measured_in_row(0)) == ([0], 0)
    made.clear_suspect(cells)
    coverage.clear_suspect(cells, 4)
    assert (coverage.take_dirty_lines(), coverage.measured_in_row(0)) == ([0], 2)
    coverage.exclude(np.array([12]), 5)
    assert coverage.take_dirty_lines() == [1]
    assert coverage.required_in_row.tolist() == [10, 9, 10]


@pytest.mark.parametrize(("stepped", "row", "passed"), [(True, 2, [0, 1]), (False, -1, [0])])
def test_lines_on_the_path_of_a_carried_probe_are_not_passed(
    stepped: bool, row: int, passed: list[int]
) -> None:
    """After a break an encoded line begins afresh; a stepped one is that of the last mark."""
    made = grid(4, 40)
    coverage = Coverage(made, stepped=stepped)
    if stepped:
        follow(coverage, made, [(0, 0), (39, 0), (39, 1), (39, 2)])
        coverage.break_off()
        assert coverage.row == row
    else:
        follow(coverage, made, [(0, 0), (39, 0)])
        coverage.break_off()
        assert coverage.row == row
        follow(coverage, made, [(0, 2), (39, 2)])
        assert coverage.row == 2
    assert [line for line in range(4) if coverage.line_done(line)] == passed


def feed_walk(coverage: Coverage, made: Grid, walk: list[tuple[float, float]], cut: int) -> None:
    """Take a probe without a gauge along a walk of (scan, index), in pieces of so many samples."""
    scan = np.array([x for x, _ in walk])
    index = np.array([y for _, y in walk])
    known = np.ones(scan.size, bool)
    known[0] = False
    silent = np.ones(scan.size, bool)
    times = np.arange(scan.size)
    last = -1
    for begin in range(0, scan.size, cut):
        piece = slice(max(begin - 1, 0), begin + cut)
        resets = np.zeros(scan[piece].size, bool)
        path = ProbePath(
            times[piece],
            scan[piece],
            index[piece],
            known[piece],
            resets,
            silent[piece],
            times[piece],
            np.zeros((times[piece].size, 2)),
        )
        crossed = cross_cells(path, made, last)
        passed = crossed.entered & crossed.known
        made.pass_over(crossed.cells[passed], crossed.silent[passed])
        coverage.add_path(path, crossed)
        last = coverage.probe_cell
        coverage.evaluate(begin + cut, begin)


@pytest.mark.parametrize("cut", [1, 2, 3, 7, 1000])
@pytest.mark.parametrize("skipped", [1, 2])
def test_encoded_lines_are_left_alike_wherever_the_ticks_fall(cut: int, skipped: int) -> None:
    """A raster over lines 0 to 5, one left out, has the same gaps in pieces of any size."""
    lines = [line for line in range(6) if line != skipped]
    walk = [(0.0, 0.0)]
    for k, line in enumerate(lines):
        ends = (0.0, 39.0) if k % 2 == 0 else (39.0, 0.0)
        walk += [(x, float(line)) for x in np.linspace(*ends, 14).tolist()]
    made = grid(6, 40)
    coverage = Coverage(made, stepped=False)
    feed_walk(coverage, made, walk, cut)
    coverage.evaluate(10**6, 10**6)
    # The probe is on the last line still, which is not left; all lines before it are.
    assert [coverage.line_done(row) for row in range(6)] == [True] * 5 + [False]
    assert coverage.row == 5
    left = {cell for gap in coverage.gaps.open for cell in gap.cells.tolist()}
    assert set(range(5 * 40)) <= left
    at_probe = coverage.probe_cell
    assert left == set(range(5 * 40)) | ({c for c in range(200, 240) if abs(c - at_probe) > 1})


def test_encoded_line_is_left_after_10_mm_along_another() -> None:
    """A probe that looks back within 10 mm has not left its line yet."""
    for along, done in ((9.9, False), (20.1, True)):
        made = grid(3, 40)
        coverage = Coverage(made, stepped=False)
        walk = [(0.0, 0.0), (15.0, 0.0), (15.0, 1.0), (15.0 + along, 1.0)]
        feed_walk(coverage, made, walk, 1)
        assert coverage.line_done(0) is done
        assert not coverage.line_done(1)


def test_position_reset_is_no_travel_along_a_line() -> None:
    """A counter that is set 30 mm farther has not scanned the line by that."""
    made = grid(3, 40)
    coverage = Coverage(made, stepped=False)
    n = 2
    path = ProbePath(
        np.arange(n),
        np.array([0.0, 30.0]),
        np.zeros(n),
        np.array([False, False]),
        np.array([False, True]),
        np.zeros(n, bool),
        np.zeros(n, np.int64),
        np.zeros((n, 2)),
    )
    coverage.add_path(path, cross_cells(path, made, -1))
    assert coverage.row == -1


def test_excluded_cells_change_counts_and_their_lines() -> None:
    """Cells excluded during the survey are required no more, and their line is published again."""
    probe = Probe(grid(3, 10))
    probe.go(0.0, 4.0)
    probe.go(0.0, 9.0, row=1.0)
    assert probe.coverage.take_dirty_lines() == [0]
    cells = np.array([2, 3, 4, 5])
    probe.coverage.exclude(cells, 50)
    probe.grid.state[cells] = CellState.EXCLUDED
    coverage = probe.coverage
    assert (coverage.required, coverage.measured) == (26, 2 + 10)
    assert coverage.required_in_row.tolist() == [6, 10, 10]
    assert (coverage.measured_in_row(0), coverage.measured_in_row(1)) == (2, 10)
    assert coverage.take_dirty_lines() == [0]
    assert probe.missing() == [[6, 7, 8, 9]]


def test_suspect_cells_are_gaps_where_they_are_left_and_cleared_again() -> None:
    """Suspect cells count as not measured; those under the probe are no gap yet."""
    probe = Probe(grid(1, 10))
    probe.go(0.0, 5.0)
    coverage = probe.coverage
    cells = np.arange(6)
    probe.grid.mark_suspect(cells)
    coverage.add_suspect(cells, 70)
    assert coverage.measured == 0
    assert probe.missing() == [[0, 1, 2, 3]]
    probe.grid.clear_suspect(cells)
    coverage.clear_suspect(cells, 80)
    assert coverage.measured == 6
    assert probe.missing() == []
    (gap,) = coverage.gaps
    assert (gap.opened, gap.closed, gap.end) == (70, 80, GapEnd.OVERRIDDEN)


def test_gap_times_are_those_of_the_evaluation() -> None:
    """A gap opens and closes at the time of the tick that found it so."""
    probe = Probe(grid(1, 20))
    probe.now = 100
    probe.go(0.0, 3.0)
    probe.go(9.0, echo=False)
    probe.go(3.0)
    (gap,) = probe.coverage.gaps
    assert (gap.opened, gap.closed) == (102, 103)


class Leaving:
    """The coverage of a line of 40 cells, along which stays are given with their times in ms."""

    def __init__(self, *, wrapped: bool = False) -> None:
        self.grid = grid(1, 40, wrapped=wrapped)
        self.coverage = Coverage(self.grid, stepped=True)

    def stay(self, cells: list[int], settled: list[int]) -> None:
        """Let the probe stay in cells, of which each is settled at a journal time in ms."""
        at = np.array(cells, np.int64)
        ns = np.array(settled, np.int64) * MS
        no = np.zeros(at.size, bool)
        entered = at != np.append(self.coverage.probe_cell, at[:-1])
        path = ProbePath(
            ns, at.astype(float), np.zeros(at.size), ~no, no, no, ns, np.zeros((at.size, 2))
        )
        first = np.zeros(at.shape, np.uint8)
        crossed = CrossedCells(
            at, entered, no, no, no, no, no, ~no, ns, np.arange(at.size), first, ns, ns
        )
        self.coverage.add_path(path, crossed)

    def due(self, measured: dict[int, int] | None = None) -> list[int]:
        """Return when gaps change, in ms, if cells become measured at these times in ms."""
        cells = sorted(measured or {})
        known = np.array([(measured or {})[cell] for cell in cells], np.int64) * MS
        return sorted((self.coverage.due(np.array(cells, np.int64), known) // MS).tolist())

    def measure(self, *cells: int) -> None:
        """Put a reading into cells."""
        at = np.array(cells, np.int64)
        update = self.grid.begin_update(at)
        self.grid.add(readings(range(at.size)), at, 0)
        self.coverage.cells_changed(update)

    def evaluate(self, ms: int) -> list[list[int]]:
        """Evaluate at a time in ms; return the cells of each open gap."""
        self.coverage.evaluate(ms * MS, ms * MS)
        self.coverage.gaps.settle()
        return [sorted(gap.cells.tolist()) for gap in self.coverage.gaps.open]


def test_cell_is_left_at_the_instant_after_the_stay_two_cells_on() -> None:
    """The time is that of the stay which is away from the cell, rounded up to an instant."""
    line = Leaving()
    line.stay([4, 5, 6, 7, 8], [10, 20, 50, 51, 149])
    assert line.due() == [50, 100, 150]
    assert line.evaluate(49) == []
    assert line.evaluate(50) == [[4]]
    assert line.due() == [100, 150]
    assert line.evaluate(100) == [[4, 5]]
    assert line.evaluate(150) == [[4, 5, 6]]
    assert line.due() == []


def test_cell_that_is_measured_by_the_instant_it_is_left_is_no_gap() -> None:
    """Measured later it is one from the one instant to the other; other cells do not matter."""
    line = Leaving()
    line.stay([4, 5, 6], [10, 20, 70])
    assert line.due() == [100]
    assert line.due({4: 70}) == []
    assert line.due({4: 100}) == []
    assert line.due({4: 101}) == [100, 150]
    assert line.due({3: 10, 5: 10, 30: 10}) == [100]
    line.measure(4)
    assert line.due() == []
    assert line.evaluate(100) == []


def test_gap_changes_at_the_instant_after_its_cell_is_measured() -> None:
    """A reading in any other cell changes no gap."""
    line = Leaving()
    line.stay([4, 5, 6, 7], [0, 0, 0, 0])
    assert line.evaluate(50) == [[4, 5]]
    assert line.due({4: 120, 5: 160, 20: 170}) == [150, 200]
    line.measure(5)
    assert line.evaluate(200) == [[4]]


@pytest.mark.parametrize("rocks", [1, 3, 4, 5, 20])
@pytest.mark.parametrize("pieces", [1, 2])
def test_rocking_probe_leaves_its_cells_when_it_goes_on(rocks: int, pieces: int) -> None:
    """However long it rocks between two cells, and wherever the path is cut: not before."""
    cells = [*[5, 6] * rocks, 7, 8, 9]
    settled = [100 * k for k in range(len(cells))]
    line = Leaving()
    cut = 2 * rocks if pieces == 2 else len(cells)
    line.stay(cells[:cut], settled[:cut])
    if pieces == 2:
        assert line.due() == []
        line.stay(cells[cut:], settled[cut:])
    # Cell 5 is left with the stay in 7, cell 6 with that in 8, and 7 with that in 9.
    assert line.due() == settled[-3:]
    assert line.evaluate(settled[-3]) == [[5]]
    assert line.evaluate(settled[-1]) == [[5, 6, 7]]


@pytest.mark.parametrize("cut", [1, 2, 3, 7])
def test_cell_is_left_with_the_first_stay_away_though_the_probe_comes_back(cut: int) -> None:
    """Two visits: the first one counts, in the order of the path, wherever that is cut."""
    cells, settled = [5, 6, 7, 6, 5, 6, 7], [0, 100, 200, 300, 400, 500, 600]
    line = Leaving()
    line.stay(cells[:cut], settled[:cut])
    line.stay(cells[cut - 1 :], settled[cut - 1 :])
    found = [line.evaluate(ms) for ms in (199, 200, 399, 400, 600)]
    assert found == [[], [[5]], [[5]], [[5], [7]], [[5], [7]]]


@pytest.mark.parametrize(("wrapped", "left"), [(True, [200, 300]), (False, [200, 200])])
def test_cells_across_the_seam_are_neighbours_on_a_circumference_only(
    wrapped: bool, left: list[int]
) -> None:
    """Round a pipe cell 39 is left from cell 1 on; on a plate the probe is away at once."""
    line = Leaving(wrapped=wrapped)
    line.stay([38, 39, 0, 1], [0, 100, 200, 300])
    assert line.due() == left


def test_cell_measured_and_made_suspect_stays_a_gap() -> None:
    """A reading closes the gaps of the next evaluation, not those of later ones."""
    line = Leaving()
    line.stay([4, 5, 6], [0, 0, 0])
    line.measure(4)
    assert line.evaluate(50) == []
    line.grid.mark_suspect(np.array([4]))
    line.coverage.add_suspect(np.array([4]), 60 * MS)
    assert line.evaluate(100) == [[4]]


def test_probe_outside_the_plan_leaves_no_line_of_it() -> None:
    """Row -1 is none, and not the last one; a line that is left twice is done already."""
    made = grid(3, 5)
    coverage = Coverage(made, stepped=True)
    follow(coverage, made, [(0, 0), (0, -5), (0, 1), (0, 2)])
    assert [coverage.line_done(row) for row in range(3)] == [True, True, False]
    assert coverage.take_dirty_lines() == [0, 1]
    follow(coverage, made, [(0, 2), (0, 1), (0, 2)])
    assert coverage.take_dirty_lines() == [2]


def test_cell_near_the_probe_at_the_end_of_a_run_is_no_gap_twice() -> None:
    """A run that ends leaves all cells; the next one begins with none near the probe."""
    line = Leaving()
    line.stay([5, 6], [0, 100])
    line.coverage.close_out(150 * MS, 150 * MS)
    line.coverage.reopen(200 * MS)
    line.stay([20, 21], [300, 400])
    assert line.due() == []


def test_line_that_is_left_makes_its_cells_missing_at_the_instant_after() -> None:
    """Without a stay near them: from the time with which the mark's first sample is settled."""
    made = grid(2, 5)
    coverage = Coverage(made, stepped=True)
    times = np.array([0, 60 * MS], np.int64)
    no = np.zeros(2, bool)
    path = ProbePath(times, np.zeros(2), np.array([0.0, 1.0]), ~no, no, no, times, np.zeros((2, 2)))
    coverage.add_path(path, cross_cells(path, made, -1))
    assert set((coverage.due(np.empty(0, np.int64), times[:0]) // MS).tolist()) == {100}
    coverage.evaluate(59 * MS, 0)
    assert coverage.gaps.open_count == 0
    coverage.evaluate(60 * MS, 0)
    assert coverage.line_done(0)
    assert coverage.gaps.open_count == 1


def test_cell_under_the_probe_at_the_end_of_a_run_is_left_in_the_next_one() -> None:
    """It was measured: a failed check makes it a gap at once, though the probe is elsewhere."""
    probe = Probe(grid(2, 10))
    probe.go(*range(6))
    probe.coverage.close_out(probe.now, probe.now)
    probe.coverage.reopen(probe.now)
    probe.coverage.gaps.settle()
    assert [probe.coverage.has_left(cell) for cell in (5, 6, 15)] == [True, False, False]
