"""What an inspector with a hand-moved scanner is to do next."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathe.display_units import INCHES
from swathe.motion import HandStep, HandSurvey, HandText, fitted, hand_text, next_by_hand
from swathe.pipeline import CellState, Coverage, GapCause, Grid
from swathe.station import Axis, AxisNames, CellRule, ClockSettings, LineAdvance

SCAN = Axis(name="scan", start=0, resolution=5, cells=181)
INDEX = Axis(name="index", start=0, resolution=20, cells=12)
PIPE = Axis.over(name="scan", start=0, length=684, resolution=4, wrapped=True)
LIMIT = 93.7


class Bench:
    """A survey whose cells are set by hand: everything is measured unless set otherwise."""

    def __init__(self, scan: Axis = SCAN, index: Axis = INDEX, *, fresh: bool = False) -> None:
        self.grid = Grid(scan=scan, index=index, rule=CellRule.MINIMUM)
        self.coverage = Coverage(self.grid, stepped=True)
        self.columns = scan.cells
        if not fresh:
            for row in range(index.cells):
                self.measure(row, 0, scan.cells - 1)

    def cells(self, row: int, first: int, last: int) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        """Return flat cells of a row, both ends included."""
        return np.arange(row * self.columns + first, row * self.columns + last + 1)

    def measure(self, row: int, first: int, last: int) -> None:
        """Measure cells."""
        update = self.grid.begin_update(self.cells(row, first, last))
        self.grid.state[update.cells] = CellState.MEASURED
        self.coverage.cells_changed(update)

    def miss(self, row: int, first: int, last: int, state: CellState = CellState.UNVISITED) -> None:
        """Let cells that were measured be a gap."""
        cells = self.cells(row, first, last)
        self.coverage.add_suspect(cells[self.grid.state[cells] == CellState.MEASURED], 0)
        self.grid.state[cells] = state
        self.coverage.gaps.add(cells, 0)
        self.coverage.gaps.settle()

    def exclude(self, row: int, first: int, last: int) -> None:
        """Exclude cells."""
        cells = self.cells(row, first, last)
        self.coverage.exclude(cells, 0)
        self.grid.state[cells] = CellState.EXCLUDED

    def survey(self, line: int | None, advance: LineAdvance = LineAdvance.COMMAND) -> HandSurvey:
        """Return the survey with a line in force."""
        return HandSurvey(
            grid=self.grid, coverage=self.coverage, line=line, advance=advance, speed_limit=LIMIT
        )

    def step(
        self,
        line: int | None,
        at: tuple[float, float] | None,
        advance: LineAdvance = LineAdvance.COMMAND,
        requested: tuple[int, ...] = (),
    ) -> HandStep:
        """Return the next step."""
        return next_by_hand(self.survey(line, advance), at=at, requested=requested)

    def words(self, line: int | None, at: tuple[float, float] | None) -> str:
        """Return it as text in mm."""
        return hand_text(self.step(line, at), HandText(index=self.grid.index))


def test_few_cells_are_a_stroke_with_run_in() -> None:
    """A short gap is passed over with 25 mm before and behind it, from the nearer end."""
    bench = Bench()
    bench.miss(5, 40, 43, CellState.NO_SIGNAL)
    assert bench.words(5, (600.0, 100.0)) == (
        "line 5 again, from 240 to 175 mm; no signal: mind the coupling; "
        "index 100 mm, the line you are on; 20 mm missing"
    )
    assert bench.words(5, (10.0, 100.0)).startswith("line 5 again, from 175 to 240 mm; ")


def test_cells_that_are_read_before_their_gap_has_closed_need_no_stroke() -> None:
    """A gap changes at its instant; meanwhile the next one is shown, or that nothing is left."""
    bench = Bench()
    bench.miss(5, 40, 43, CellState.NO_SIGNAL)
    bench.miss(8, 40, 43, CellState.NO_SIGNAL)
    state = bench.grid.state.reshape(bench.grid.shape)
    state[5, 40:44] = CellState.MEASURED
    assert bench.words(5, (600.0, 100.0)).startswith("line 8 again, from 240 to 175 mm")
    state[8, 40:44] = CellState.MEASURED
    assert bench.step(5, (600.0, 100.0)).kind != "again"
    assert bench.step(None, None).kind != "again"


def test_many_small_gaps_are_the_whole_line_below_the_limit() -> None:
    """Scattered skipped cells make one stroke over the line, with the highest speed."""
    bench = Bench()
    for first in (20, 60, 110):
        bench.miss(2, first, first, CellState.SKIPPED)
    assert bench.words(4, (0.0, 80.0)) == (
        "line 2 again, from 0 to 900 mm, below 93 mm/s; index 40 mm, 40 mm back; "
        "3 gaps, 15 mm missing: too fast"
    )
    bench = Bench()
    for first in (20, 60):
        bench.miss(2, first, first, CellState.SKIPPED)
    assert bench.words(2, (0.0, 40.0)).startswith("line 2 again, from 75 to 125 mm, below 93 mm/s")


def test_no_stroke_begins_before_the_part_or_in_a_zone() -> None:
    """Strokes end at the plan's first and last centre, and at the last cell before a zone."""
    bench = Bench()
    bench.exclude(3, 90, 99)
    bench.miss(3, 0, 0)
    assert (bench.step(3, (0.0, 60.0)).start, bench.step(3, (0.0, 60.0)).end) == (0.0, 25.0)
    bench = Bench()
    bench.exclude(3, 90, 99)
    bench.miss(3, 86, 88)
    assert (bench.step(3, (0.0, 60.0)).start, bench.step(3, (0.0, 60.0)).end) == (405.0, 445.0)
    for first in (101, 130, 160, 178):
        bench.miss(3, first, first)
    step = bench.step(3, (900.0, 60.0))
    assert (step.start, step.end) == (900.0, 500.0)


def test_changed_line_begins_where_there_is_a_run_in() -> None:
    """Cells at the very start are reached from the other side after a step to their line."""
    bench = Bench()
    bench.miss(3, 0, 0)
    on_it, stepped_to = bench.step(3, (0.0, 60.0)), bench.step(4, (0.0, 80.0))
    assert (on_it.start, on_it.end) == (0.0, 25.0)
    assert (stepped_to.start, stepped_to.end) == (25.0, 0.0)


def test_return_advance_is_stroked_away_from_the_start() -> None:
    """Where the return to the start begins another line, no whole line ends at the start."""
    bench = Bench()
    bench.miss(3, 0, 180)
    at = (900.0, 60.0)
    assert bench.step(3, at, LineAdvance.RETURN).rising
    assert not bench.step(3, at, LineAdvance.COMMAND).rising


def test_present_line_is_finished_before_a_gap_elsewhere() -> None:
    """What is still to scan of the line in force comes before a gap of another one."""
    bench = Bench(fresh=True)
    for row in range(5):
        bench.measure(row, 0, 180)
    bench.measure(5, 0, 61)
    bench.miss(4, 60, 62)
    assert bench.words(5, (310.0, 100.0)) == (
        "continue line 5 from 310 to 900 mm; index 100 mm; then 1 gap on other lines"
    )
    bench.miss(5, 20, 22)
    assert bench.words(5, (310.0, 100.0)).startswith("line 5 again, from ")


def test_line_to_scan_next_when_nothing_was_left_behind() -> None:
    """The nearest line, from the nearer end; one-way strokes begin at the start."""
    bench = Bench(fresh=True)
    for row in range(7):
        bench.measure(row, 0, 180)
    assert bench.words(6, (900.0, 120.0)) == (
        "line 7 of 12, from 900 mm, towards lower positions; index 140 mm, 20 mm further"
    )
    step = bench.step(6, (900.0, 120.0), LineAdvance.RETURN)
    assert (step.start, step.rising) == (0.0, True)
    assert bench.words(7, (20.0, 140.0)).startswith(
        "line 7 of 12, from 0 mm, towards higher positions; index 140 mm, the line you are on"
    )


def test_unscanned_line_behind_comes_before_those_further_on() -> None:
    """A line that was left out without being passed is nearer than the last ones."""
    bench = Bench(fresh=True)
    for row in (*range(4), 5, 6, 7, 8):
        bench.measure(row, 0, 180)
    assert bench.step(5, (0.0, 100.0)).line == 4
    assert bench.step(8, (0.0, 160.0)).line == 9


def test_all_is_measured_only_when_it_is() -> None:
    """One cell that is not measured is a step, in a gap or not."""
    bench = Bench()
    assert bench.words(3, (0.0, 60.0)) == "all is measured"
    assert bench.step(3, (0.0, 60.0)).line == -1
    bench.miss(9, 180, 180)
    assert bench.step(3, (0.0, 60.0)).line == 9
    almost = Bench(fresh=True)
    for row in range(12):
        almost.measure(row, 0, 180 if row < 11 else 179)
    assert almost.words(0, (0.0, 0.0)).startswith("line 11 of 12, from 900 mm")


def test_requested_gap_comes_first() -> None:
    """Of the requested gaps the first that is open, and nothing else of its line."""
    bench = Bench()
    bench.miss(3, 40, 43)
    bench.miss(7, 100, 103)
    bench.miss(7, 20, 22)
    assert bench.step(3, (0.0, 60.0)).gap == 1
    step = bench.step(3, (0.0, 60.0), requested=(9, 2))
    assert (step.gap, step.line, step.gaps) == (2, 7, 1)


def test_profile_names_no_line() -> None:
    """A plan without an index axis has one line and no place across."""
    only = Axis(name="index", start=0, resolution=1, cells=1)
    bench = Bench(index=only)
    bench.miss(0, 40, 43)
    assert bench.words(0, (0.0, 0.0)) == "again from 175 to 240 mm; 20 mm missing: unvisited"
    fresh = Bench(index=only, fresh=True)
    assert fresh.words(0, (0.0, 0.0)) == "from 0 mm, towards higher positions"
    fresh.measure(0, 0, 20)
    assert fresh.words(0, (100.0, 0.0)) == "continue from 105 to 900 mm"


def test_gap_over_the_seam_is_near_and_in_one_piece() -> None:
    """After five turns the probe is 40 mm from a gap over the seam; it is one stroke over it."""
    bench = Bench(scan=PIPE)
    bench.miss(3, 168, 170)
    bench.miss(3, 0, 2)
    bench.miss(3, 80, 85)
    step = bench.step(3, (5 * 684 + 68.0, 60.0))
    assert (step.start, step.end, step.rising) == (28.0, 652.0, False)
    assert (step.gaps, step.missing) == (1, 24.0)
    assert step.away == pytest.approx(40.0)


def test_once_round_a_pipe_is_one_stroke() -> None:
    """With nothing measured the whole turn is one stretch, cut where nothing is missing."""
    bench = Bench(scan=PIPE)
    bench.miss(3, 3, 170)
    step = bench.step(3, (0.0, 60.0))
    assert step.missing == 168 * 4.0
    assert {step.start, step.end} == {4.0, 0.0}


def test_way_across_a_pipe_is_the_short_one() -> None:
    """From the last line of a pipe the first one is next door."""
    index = Axis.over(name="index", start=0, length=360, resolution=15, wrapped=True)
    bench = Bench(index=index)
    bench.miss(0, 2, 4)
    bench.miss(16, 2, 4)
    step = bench.step(None, (10.0, 345.0))
    assert (step.line, step.index, step.across) == (0, 0.0, 15.0)
    text = hand_text(step, HandText(index=index))
    assert "index 0 mm, 15 mm further" in text


def test_rows_of_one_gap_are_counted() -> None:
    """Of a gap over several lines the nearest is named, and how many more there are."""
    bench = Bench()
    for row in (2, 3, 4, 5):
        bench.miss(row, 40, 60)
    step = bench.step(None, (190.0, 200.0))
    assert (step.line, step.further) == (5, 3)
    assert "and 3 more lines next to it" in hand_text(step, HandText(index=INDEX))


def test_unknown_position_begins_with_the_first_line() -> None:
    """Without a position the first line comes first, and no distance is given."""
    bench = Bench()
    bench.miss(9, 40, 43)
    bench.miss(2, 100, 103)
    step = bench.step(None, None)
    assert (step.line, step.away, step.across, step.rising) == (2, None, None, True)
    assert hand_text(step, HandText(index=INDEX)).split("; ")[1] == "index 40 mm"


def test_names_of_ends_and_hours() -> None:
    """Directions have the names of the ends, positions round the pipe their hours."""
    bench = Bench()
    bench.miss(3, 40, 43, CellState.UNCERTAIN)
    text = HandText(
        index=INDEX,
        scan_names=AxisNames(low_end="upstream", high_end="downstream"),
        index_names=AxisNames(clock=ClockSettings(circumference="240 mm")),
    )
    assert hand_text(bench.step(4, (0.0, 80.0)), text) == (
        "line 3 again, from 175 to 240 mm, towards downstream, below 93 mm/s; "
        "index 60 mm (3 o'clock), 20 mm back; 20 mm missing: time uncertain"
    )
    assert "towards upstream" in hand_text(bench.step(4, (900.0, 80.0)), text)


def test_inches() -> None:
    """Lengths and the speed are in the user's unit; the speed is rounded down."""
    bench = Bench()
    bench.miss(3, 40, 43, CellState.SKIPPED)
    words = hand_text(bench.step(3, (0.0, 60.0)), HandText(index=INDEX, units=INCHES))
    assert words.startswith("line 3 again, from 6.89 to 9.45 in, below 3.6 in/s; index 2.36 in")


@pytest.mark.parametrize(
    ("speed", "text"), [(99.99, "99"), (100.0, "100"), (1234.0, "1200"), (0.777, "0.77")]
)
def test_speed_is_never_rounded_up(speed: float, text: str) -> None:
    """Two digits, downwards."""
    assert HandText(index=INDEX).speed(speed) == f"{text} mm/s"


def test_text_is_never_cut() -> None:
    """The first part stays whole; of the others as many as fit into two lines."""
    words = "line 2 again, from 0 to 900 mm, below 90 mm/s; index 40 mm; 3 gaps; and so on"
    assert fitted(words, 80) == words
    assert fitted(words, 36) == "line 2 again, from 0 to 900 mm, below 90 mm/s; index 40 mm; 3 gaps"
    assert fitted(words, 20, lines=1) == "line 2 again, from 0 to 900 mm, below 90 mm/s"


@given(data=st.data())
def test_every_stroke_can_be_done_and_covers_what_it_names(data: st.DataObject) -> None:
    """Whatever is missing and excluded: within the plan, over no zone, over a gap, in two lines."""
    wrapped = data.draw(st.booleans())
    scan = Axis(name="scan", start=12.0, resolution=5, cells=60, wrapped=wrapped)
    bench = Bench(scan=scan, index=Axis(name="index", start=0, resolution=20, cells=4))
    spans = st.tuples(st.integers(0, 3), st.integers(0, 59), st.integers(0, 20))
    for row, first, length in data.draw(st.lists(spans, max_size=4)):
        bench.exclude(row, first, min(first + length, 59))
    for row, first, length in data.draw(st.lists(spans, min_size=1, max_size=8)):
        cells = bench.cells(row, first, min(first + length, 59))
        free = cells[bench.grid.state[cells] == CellState.MEASURED] % 60
        for column in free.tolist():
            bench.miss(row, column, column, CellState.SKIPPED)
    at = (data.draw(st.floats(0, 400)), 20.0 * data.draw(st.integers(0, 3)))
    advance = data.draw(st.sampled_from(LineAdvance))
    step = bench.step(data.draw(st.sampled_from([None, round(at[1] / 20)])), at, advance)
    if step.kind == "done":
        assert not bench.grid.missing(slice(None)).any()
        return
    assert step.kind == "again"
    ends = [round((place - 12.0) / 5) for place in (step.start, step.end)]
    assert all(0 <= end < 60 for end in ends)
    low, high = ends if step.rising else ends[::-1]
    if high < low:
        assert wrapped
        high += 60
    passed = bench.cells(step.line, 0, 59)[np.arange(low, high + 1) % 60]
    assert not (bench.grid.state[passed] == CellState.EXCLUDED).any()
    missed = np.count_nonzero(bench.coverage.gaps.holds(passed))
    assert step.missing == 5.0 * missed > 0
    assert step.cause is GapCause.TOO_FAST
    words = f"next: {hand_text(step, HandText(index=bench.grid.index))}"
    assert len(fitted(words, 80)) <= 160
    inches = hand_text(replace(step, further=3), HandText(index=bench.grid.index, units=INCHES))
    assert len(fitted(inches, 80)) <= 160
