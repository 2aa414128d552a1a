"""The book of gaps against a flood fill, whatever is added and removed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from daemon.strategies import flood_fill
from swathe.pipeline import CellState, GapCause, GapEnd, Grid
from swathe.pipeline.cells.gaps import Gap, GapRegister
from swathe.station import Axis, CellRule


def grid(rows: int, columns: int, wrapped: tuple[bool, bool] = (False, False)) -> Grid:
    """Return a grid of cells of 2 mm along and 3 mm across."""
    return Grid(
        scan=Axis(name="scan", start=10.0, resolution=2.0, cells=columns, wrapped=wrapped[1]),
        index=Axis(name="index", start=0.0, resolution=3.0, cells=rows, wrapped=wrapped[0]),
        rule=CellRule.MINIMUM,
    )


def cells(*numbers: int) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Return cells as a column."""
    return np.array(numbers, np.int64)


class Bookkeeping(RuleBasedStateMachine):
    """Adds and removes missing cells at will and compares with sets kept by hand."""

    @initialize(
        rows=st.integers(1, 6),
        columns=st.integers(1, 7),
        wrapped=st.tuples(st.booleans(), st.booleans()),
    )
    def begin(self, rows: int, columns: int, wrapped: tuple[bool, bool]) -> None:
        """Open an empty book."""
        self.shape = (rows, columns)
        self.wrapped = wrapped
        self.book = GapRegister(grid(rows, columns, wrapped))
        self.missing: set[int] = set()
        self.now = 0
        self.before: dict[int, frozenset[int]] = {}
        self.ended: dict[int, tuple[int, GapEnd | None, int | None]] = {}
        self.opened: dict[int, int] = {}

    def regions(self) -> list[frozenset[int]]:
        """Return the connected regions of what is missing."""
        return flood_fill(self.missing, self.shape, self.wrapped)

    def open_now(self) -> dict[int, frozenset[int]]:
        """Return the open gaps as the book has them."""
        return {gap.number: frozenset(gap.cells.tolist()) for gap in self.book.open}

    @rule(seed=st.integers(0, 2**32 - 1), share=st.floats(0.02, 0.6))
    def add(self, seed: int, share: float) -> None:
        """Miss some more cells."""
        self.now += 1
        count = self.shape[0] * self.shape[1]
        found = np.flatnonzero(np.random.default_rng(seed).random(count) < share)
        fresh = np.array([c for c in found.tolist() if c not in self.missing], np.int64)
        self.book.add(fresh, self.now)
        self.missing.update(fresh.tolist())
        regions = self.regions()
        after = self.open_now()
        for number, held in self.before.items():
            region = next(region for region in regions if held <= region)
            joined = min(n for n, other in self.before.items() if other <= region)
            if joined == number:
                # It grew, or the others grew into it: the lowest number stands for all.
                assert after[number] == region
            else:
                gap = self.gap(number)
                assert (gap.end, gap.merged_into) == (GapEnd.MERGED, joined)
                assert gap.closed == self.now

    @rule(seed=st.integers(0, 2**32 - 1), share=st.floats(0.02, 0.9), end=st.sampled_from(GapEnd))
    def remove(self, seed: int, share: float, end: GapEnd) -> None:
        """Measure some cells, missing or not."""
        self.now += 1
        count = self.shape[0] * self.shape[1]
        gone = np.flatnonzero(np.random.default_rng(seed).random(count) < share)
        self.book.remove(gone, self.now, end)
        self.missing.difference_update(gone.tolist())
        after = self.open_now()
        for number, held in self.before.items():
            rest = held - set(gone.tolist())
            if rest:
                pieces = [region for region in self.regions() if region <= rest]
                assert len(after[number]) == max(map(len, pieces))
                assert all(
                    self.gap(n).opened == self.gap(number).opened
                    for n, piece in after.items()
                    if piece <= rest
                )
            else:
                assert (self.gap(number).closed, self.gap(number).end) == (self.now, end)

    def gap(self, number: int) -> Gap:
        """Return a gap by its number."""
        return next(gap for gap in self.book if gap.number == number)

    @invariant()
    def open_gaps_are_the_connected_regions(self) -> None:
        """The open gaps are the regions, every ended one stays as it ended, numbers are for life."""
        after = self.open_now()
        assert sorted(after.values(), key=min) == self.regions()
        count = self.shape[0] * self.shape[1]
        held = self.book.holds(np.arange(count))
        assert set(np.flatnonzero(held).tolist()) == self.missing
        numbers = [gap.number for gap in self.book]
        assert numbers == list(range(1, len(numbers) + 1))
        for gap in self.book.settle():
            assert gap.causes, f"gap {gap.number} was never described"
            assert gap.area > 0
        for gap in self.book:
            self.opened.setdefault(gap.number, gap.opened)
            assert gap.opened == self.opened[gap.number]
            if gap.closed is not None:
                assert gap.number not in after
                end = (gap.closed, gap.end, gap.merged_into)
                assert self.ended.setdefault(gap.number, end) == end
            else:
                assert gap.end is None
                assert gap.area == pytest.approx(6.0 * gap.cells.size)
                assert sum(gap.causes.values()) == gap.cells.size
        self.before = after


Bookkeeping.TestCase.settings = settings(max_examples=25, stateful_step_count=20)
TestBookkeeping = Bookkeeping.TestCase


def test_gap_ended_before_it_was_described_has_its_borders() -> None:
    """A gap that opens and is swallowed within one tick still says where it was and why."""
    made = grid(1, 9)
    book = GapRegister(made)
    made.state[0:3] = CellState.NO_SIGNAL
    book.add(cells(0, 1, 2), 1)
    book.settle()
    made.state[1] = CellState.MEASURED
    made.state[2] = CellState.SKIPPED
    book.remove(cells(1), 2, GapEnd.MEASURED)  # a new number for the cut-off piece, cell 2
    book.add(cells(), 2)
    made.state[1] = CellState.NO_SIGNAL
    book.add(cells(1), 2)  # and at once it is one again
    ended = [gap for gap in book.settle() if gap.end is GapEnd.MERGED]
    assert [(gap.scan, gap.area, gap.causes) for gap in ended] == [
        ((13.0, 15.0), 6.0, {GapCause.TOO_FAST: 1})
    ]


def test_gap_extent_area_and_causes() -> None:
    """A gap's borders are those of its outermost cells; its area is that of its cells."""
    made = grid(4, 9)
    book = GapRegister(made)
    made.state[cells(11, 12)] = CellState.SKIPPED
    made.state[cells(20)] = CellState.NO_SIGNAL
    book.add(cells(11, 12, 20), 5)
    (gap,) = book.settle()
    assert gap.scan == (10.0 + 2 * 1.5, 10.0 + 2 * 3.5)
    assert gap.index == (1.5, 7.5)
    assert gap.area == 18.0
    assert gap.size == 3
    assert gap.causes == {GapCause.NO_SIGNAL: 1, GapCause.TOO_FAST: 2}
    assert gap.cause is GapCause.TOO_FAST
    assert (gap.opened, gap.closed, gap.end) == (5, None, None)


@pytest.mark.parametrize(
    ("missing", "scan", "index"),
    [
        ((0, 8), (10.0 + 2 * 7.5, 10.0 + 2 * 9.5), (-1.5, 1.5)),
        ((0, 27), (9.0, 11.0), (7.5, 13.5)),
        ((0, 1, 8, 27, 35), (10.0 + 2 * 7.5, 10.0 + 2 * 10.5), (7.5, 13.5)),
    ],
)
def test_gap_across_a_seam_is_one_with_borders_past_it(
    missing: tuple[int, ...], scan: tuple[float, float], index: tuple[float, float]
) -> None:
    """Over a seam a gap is one, and its higher border lies past the seam."""
    book = GapRegister(grid(4, 9, (True, True)))
    book.add(cells(*missing), 1)
    (gap,) = book.settle()
    assert (gap.scan, gap.index) == (scan, index)


def test_gap_all_round_a_pipe_has_the_whole_circumference() -> None:
    """A gap that goes all round is as long as the circumference, wherever it is cut."""
    book = GapRegister(grid(1, 9, (False, True)))
    book.add(cells(*range(9)), 1)
    (gap,) = book.settle()
    assert gap.scan[1] - gap.scan[0] == 18.0


@pytest.mark.parametrize("wrapped", [(False, False), (True, False), (False, True)])
def test_gap_over_a_whole_axis_has_the_borders_of_the_axis(wrapped: tuple[bool, bool]) -> None:
    """A whole line and a whole column: on an axis that does not wrap they end where it does."""
    for missing, axis in ((range(9, 18), 1), (range(4, 36, 9), 0)):
        register = GapRegister(grid(4, 9, wrapped))
        register.add(cells(*missing), 1)
        (gap,) = register.settle()
        borders, whole = ((gap.index, (-1.5, 10.5)), (gap.scan, (9.0, 27.0)))[axis]
        if wrapped[axis]:
            assert borders[1] - borders[0] == whole[1] - whole[0]
        else:
            assert borders == whole
        across = (gap.scan, gap.index)[axis]
        assert across == ((17.0, 19.0), (1.5, 4.5))[axis]


def test_gap_ended_keeps_its_largest_size() -> None:
    """An ended gap tells what it was at its largest, not the last rest of it."""
    made = grid(1, 9)
    book = GapRegister(made)
    book.add(cells(3, 4, 5), 1)
    book.settle()
    book.remove(cells(3, 4), 2, GapEnd.MEASURED)
    book.settle()
    book.remove(cells(5), 3, GapEnd.MEASURED)
    (gap,) = book.settle()
    assert (gap.closed, gap.end, gap.cells.size) == (3, GapEnd.MEASURED, 0)
    assert (gap.size, gap.area, gap.scan) == (3, 18.0, (15.0, 21.0))
    assert book.settle() == []


def test_gap_of_a_whole_line_has_the_line_s_borders() -> None:
    """Where no axis is a circumference, the borders are those of the first and last cell."""
    plain = grid(3, 8)
    register = GapRegister(plain)
    register.add(cells(*range(8, 16)), 5)
    register.settle()
    (gap,) = register.open
    assert gap.scan == plain.scan.edges(0, 7)
    assert gap.index == plain.index.edges(1, 1)
    assert gap.size == 8


def test_cause_survives_a_merger_with_its_place() -> None:
    """A short stretch without signal keeps its cells, cause and place in the larger gap it joins."""
    whole = grid(2, 40)
    book = GapRegister(whole)
    whole.state[10:14] = CellState.NO_SIGNAL
    book.add(np.arange(10, 14), 1)
    book.settle()
    book.add(np.array([*range(10), *range(14, 40)]), 2)
    (gap,) = book.settle()
    assert (gap.number, gap.cause) == (1, GapCause.UNVISITED)
    assert gap.causes == {GapCause.UNVISITED: 36, GapCause.NO_SIGNAL: 4}
    few = gap.parts[-1]
    assert (few.cause, few.cells, few.scan, few.index) == (
        GapCause.NO_SIGNAL, 4, (29.0, 37.0), (-1.5, 1.5),
    )  # fmt: skip
    whole.state[:40] = CellState.MEASURED
    book.remove(np.arange(40), 3, GapEnd.MEASURED)
    (gap,) = book.settle()
    assert gap.causes[GapCause.NO_SIGNAL] == 4
    assert len(gap.parts) == 2


def test_parts_tell_slips_from_failed_checks() -> None:
    """Of suspect cells those of a slip are a part of their own."""
    whole = grid(1, 9)
    book = GapRegister(whole)
    whole.state[:9] = CellState.SUSPECT
    whole.slipped[6:9] = True
    book.add(np.arange(9), 1)
    (gap,) = book.settle()
    parts = {part.cause: (part.cells, part.scan) for part in gap.parts}
    assert parts == {GapCause.SUSPECT: (6, (9.0, 21.0)), GapCause.SLIPPED: (3, (21.0, 27.0))}


def test_part_over_the_seam_is_one_piece() -> None:
    """Cells of one cause on either side of a seam have one extent, past the seam."""
    whole = grid(1, 20, (False, True))
    book = GapRegister(whole)
    whole.state[[0, 1, 18, 19]] = CellState.NO_SIGNAL
    book.add(np.array([0, 1, 2, 16, 17, 18, 19]), 1)
    (gap,) = book.settle()
    assert gap.scan == (41.0, 55.0)
    assert gap.parts[0].scan == (45.0, 53.0)
