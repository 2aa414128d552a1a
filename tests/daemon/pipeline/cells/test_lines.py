"""When a line of the grid is left, and from which journal time that is known."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathe.pipeline import Grid, ProbePath
from swathe.pipeline.cells.lines import EncodedLines, SteppedLines
from swathe.station import Axis, CellRule

Samples = list[tuple[float, int]]


def grid(rows: int, columns: int = 40, *, resolution: float = 1.0, wrapped: bool = False) -> Grid:
    """Return a grid; with `wrapped` its lines go round a pipe."""
    return Grid(
        scan=Axis(name="scan", start=0.0, resolution=resolution, cells=columns),
        index=Axis(name="index", start=0.0, resolution=1.0, cells=rows, wrapped=wrapped),
        rule=CellRule.MINIMUM,
    )


def piece(samples: Samples, settled: list[int], resets: list[bool] | None = None) -> ProbePath:
    """Return the path through samples in (mm, line)."""
    n = len(samples)
    no = np.zeros(n, bool)
    return ProbePath(
        time=np.array(settled, np.int64),
        scan=np.array([mm for mm, _ in samples], np.float64),
        index=np.array([line for _, line in samples], np.float64),
        known=~no,
        resets=no if resets is None else np.array(resets),
        silent=no,
        settled=np.array(settled, np.int64),
        blur=np.zeros((len(settled), 2)),
    )


def left(
    lines: EncodedLines | SteppedLines,
    samples: Samples,
    cuts: list[int] | None = None,
    resets: list[bool] | None = None,
) -> list[tuple[int, int]]:
    """Follow samples, of which number k is settled at k, in pieces that end before `cuts`.

    Returns:
        each line that was left, and from when that is known, in this order.
    """
    reset = resets or [False] * len(samples)
    found: list[tuple[int, int]] = []
    borders = sorted({0, *(cuts or []), len(samples)})
    for begin, end in pairwise(borders):
        some = slice(max(begin - 1, 0), end)
        path = piece(samples[some], list(range(some.start, end)), reset[some])
        rows = np.array([line for _, line in samples[some]], np.int64)
        found += [(line.row, line.known) for line in lines.follow(path, rows)]
    return sorted(found, key=lambda line: (line[1], line[0]))


def along(line: int, first: int, last: int) -> Samples:
    """Return samples on a line, one each mm."""
    step = 1 if last >= first else -1
    return [(float(mm), line) for mm in range(first, last + step, step)]


@pytest.mark.parametrize("cuts", [[], [1, 2, 3, 4], [2]])
def test_stepped_line_is_left_with_the_first_sample_on_another(cuts: list[int]) -> None:
    """Each line by itself, when its own sample is settled; the first line of a grid is 0."""
    lines = SteppedLines()
    samples: Samples = [(0, 0), (1, 1), (2, 1), (3, 3), (4, 2)]
    assert left(lines, samples, cuts) == [(0, 1), (1, 3), (3, 4)]
    assert lines.row == 2


def test_line_is_left_10_mm_after_the_last_visit() -> None:
    """Line 0 is visited until 25 mm of travel; line 1 is scanned from 30 mm on."""
    samples = [*along(0, 0, 15), *along(1, 15, 20), *along(0, 20, 15), *along(1, 15, 30)]
    # Number of the sample at 10 mm along line 1 after the last one on line 0.
    last_visit = max(k for k, (_, line) in enumerate(samples) if line == 0)
    lines = EncodedLines(grid(3))
    assert left(lines, samples) == [(0, last_visit + 1 + 10)]
    assert lines.row == 1


def test_line_is_left_with_exactly_10_mm() -> None:
    """The last sample of all is at 10 mm to the nanometre."""
    for mm, expected in ((24.999999, []), (25.0, [(0, 18)])):
        samples = [*along(0, 0, 15), (15.0, 1), (20.0, 1), (mm, 1)]
        assert left(EncodedLines(grid(3)), samples) == expected


@pytest.mark.parametrize("others", [along(1, 15, 21) + along(2, 21, 27), along(-1, 15, 40)])
def test_line_is_not_left_before_another_one_is_scanned(others: Samples) -> None:
    """Short ways along several lines, or a long one off the grid, leave no line."""
    lines = EncodedLines(grid(3))
    assert left(lines, [*along(0, 0, 15), *others]) == []
    assert lines.row == 0


def test_line_between_two_is_passed_when_the_second_one_is_scanned() -> None:
    """Line 1 is never visited, and passed once the probe has travelled 10 mm along line 2."""
    samples = [*along(0, 0, 15), *along(2, 15, 35)]
    scanned = 16 + 10
    assert left(EncodedLines(grid(3)), samples) == [(0, scanned), (1, scanned)]


@pytest.mark.parametrize(("to", "passed"), [(100, 101), (101, 2)])
def test_probe_that_is_ten_million_cells_away_was_carried(to: int, passed: int) -> None:
    """The line that it scanned is left, and not those between; that of now is on no account."""
    lines = EncodedLines(grid(1_000, 100_000))
    found = left(lines, [*along(0, 0, 20), *along(to, 0, 20), *along(999, 0, 40)])
    rows = [row for row, _ in found if row <= to]
    assert (rows[0], rows[-1], len(rows)) == (0, to, passed)


def test_travel_that_makes_a_scan_is_exact() -> None:
    """A line is scanned with 10 mm to the nanometre, and not with less."""
    for mm, row in ((9.999999, -1), (10.0, 0)):
        lines = EncodedLines(grid(3))
        left(lines, [(0.0, 0), (mm, 0)])
        assert lines.row == row


@pytest.mark.parametrize(
    ("resolution", "columns", "mm"), [(1.0, 40, 10.0), (5.0, 40, 15.0), (1.0, 12, 6.0)]
)
def test_travel_of_a_scan_follows_cells_and_length(
    resolution: float, columns: int, mm: float
) -> None:
    """Three cells, at least 10 mm, at most half the length of the line."""
    for travel, row in ((mm - 0.001, -1), (mm, 0)):
        lines = EncodedLines(grid(3, columns, resolution=resolution))
        left(lines, [(0.0, 0), (travel, 0)])
        assert lines.row == row


def test_line_that_was_left_is_not_left_again() -> None:
    """A probe that scans an old line for a repair leaves it without notice."""
    samples = [*along(0, 0, 15), *along(1, 15, 40), *along(0, 40, 0), *along(1, 0, 39)]
    assert [line for line, _ in left(EncodedLines(grid(2)), samples)] == [0, 1]


@pytest.mark.parametrize(("to", "passed"), [(2, [0, 1]), (3, [0, 1, 2]), (4, [0, 5]), (5, [0])])
def test_lines_round_a_pipe_are_passed_on_the_shorter_way(to: int, passed: list[int]) -> None:
    """Half way round counts as forward."""
    samples = [*along(0, 0, 15), *along(to, 15, 35)]
    lines = EncodedLines(grid(6, wrapped=True))
    assert [line for line, _ in left(lines, samples)] == passed


@st.composite
def walks(draw: st.DrawFn) -> Samples:
    """Return a walk along and across the lines -1 to 4 of a grid of four lines."""
    samples: Samples = [(0.0, 0)]
    for _ in range(draw(st.integers(1, 12))):
        line, steps = draw(st.integers(-1, 4)), draw(st.integers(1, 12))
        way = draw(st.sampled_from((-2.5, 1.0, 3.0)))
        start = samples[-1][0]
        samples += [(start + k * way, line if 0 <= line < 4 else -1) for k in range(steps)]
    return samples


@given(walk=walks(), data=st.data(), wrapped=st.booleans())
def test_lines_are_left_alike_wherever_the_path_is_cut(
    walk: Samples, data: st.DataObject, wrapped: bool
) -> None:
    """The same lines from the same times on, position resets included."""
    numbers = st.integers(1, len(walk))
    cuts = data.draw(st.lists(numbers, max_size=8))
    reset_at = data.draw(st.sets(numbers, max_size=3))
    resets = [k in reset_at for k in range(len(walk))]
    whole, parted = (EncodedLines(grid(4, wrapped=wrapped)) for _ in range(2))
    assert left(parted, walk, cuts, resets) == left(whole, walk, None, resets)
    assert parted.row == whole.row
