"""What a raster is still to scan is to do: it opens no gap until its stretch is over."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from daemon.pipeline.cells.test_coverage import Probe, grid
from swathe.pipeline import CellState
from swathe.pipeline.cells.planned import PLACED_WITHIN_NS, PlannedCells

ROWS, COLUMNS = 4, 40


def plan(*stretches: tuple[float, float, float], along: str = "scan") -> dict[str, Any]:
    """Return the detail of a mark: position of each line, and from where to where, mm."""
    return {"along": along, "stretches": [list(stretch) for stretch in stretches]}


HALVES = plan(*((row, 0.0, 19.0) for row in range(4)), *((row, 24.0, 39.0) for row in range(4)))
"""A raster of the part left of a zone in mid-line, and then of the part right of it."""


class Crawler(Probe):
    """A probe on a raster, whose stretches are journalled."""

    def __init__(self, planned: dict[str, Any] | None) -> None:
        super().__init__(grid(ROWS, COLUMNS), stepped=True)
        self.coverage.exclude(
            np.array([row * COLUMNS + k for row in range(ROWS) for k in range(20, 24)]), 0
        )
        self.grid.state.reshape(ROWS, COLUMNS)[:, 20:24] = CellState.EXCLUDED
        if planned is not None:
            self.coverage.plan_raster(planned, self.now)
        self.planned = planned

    def scan(self, number: int, row: int, low: float, high: float, **how: Any) -> None:
        """Scan a stretch from one end to the other."""
        if self.planned is not None:
            self.coverage.begin_stretch(number, self.now)
        if self.at is not None and self.at[1] != row:
            self.at = None  # it goes to another line outside of the plan
            self.coverage.break_off()
        self.go(low, high, row=float(row), **how)

    def settle(self) -> None:
        """Let the time go by within which what was read has come."""
        self.now += PLACED_WITHIN_NS
        self.tick()


def test_halves_of_lines_that_are_still_to_be_scanned_are_no_gap() -> None:
    """Without a plan the right half of each line is a gap as soon as the line is left."""
    for planned, gaps in ((None, 1), (HALVES, 0)):
        crawler = Crawler(planned)
        for row in range(4):
            crawler.scan(row, row, 0.0, 19.0)
        crawler.settle()
        assert len(crawler.coverage.gaps.open) == gaps
        for row in range(4):
            crawler.scan(4 + row, row, 24.0, 39.0)
            crawler.settle()
        assert len(crawler.coverage.gaps.open) == 0
        assert crawler.coverage.measured == crawler.coverage.required
        assert len(list(crawler.coverage.gaps)) == gaps  # that there was one is on the record


def test_hole_opens_at_once_while_its_stretch_is_scanned() -> None:
    """To do is what lies ahead: what the probe passes without an echo is missing now."""
    crawler = Crawler(HALVES)
    for row in range(4):
        crawler.scan(row, row, 0.0, 19.0)
    crawler.scan(4, 0, 24.0, 28.0)
    crawler.go(33.0, row=0.0, echo=False)
    crawler.go(39.0, row=0.0)
    assert crawler.missing() == [[29, 30, 31, 32]]


def test_rest_of_a_stretch_is_missing_once_the_next_one_has_begun() -> None:
    """Not at once: what was read at its end may be on its way."""
    crawler = Crawler(HALVES)
    for row in range(4):
        crawler.scan(row, row, 0.0, 19.0)
    crawler.scan(4, 0, 24.0, 30.0)
    crawler.scan(5, 1, 24.0, 39.0)
    assert crawler.missing() == []
    crawler.settle()
    assert crawler.missing() == [[*range(31, 40)]]


def test_what_another_plan_lacks_is_missing() -> None:
    """A raster that is planned again, or is over, gives back what the one before had to do."""
    crawler = Crawler(HALVES)
    for row in range(4):
        crawler.scan(row, row, 0.0, 19.0)
    crawler.coverage.plan_raster(plan((2, 24.0, 39.0)), crawler.now)
    crawler.settle()
    left = [[*range(24, 40), *range(64, 80)]]  # rows 0 and 1; row 3 is not left
    assert crawler.missing() == left
    crawler.coverage.plan_raster(plan(), crawler.now)
    crawler.settle()
    assert crawler.missing() == [[*left[0], *range(104, 120)]]


def test_end_of_the_run_leaves_nothing_to_do() -> None:
    """What a run did not come to is missing when it ends, and no gap when the next one begins."""
    crawler = Crawler(HALVES)
    for row in range(2):
        crawler.scan(row, row, 0.0, 19.0)
    crawler.coverage.close_out(crawler.now, crawler.now)
    assert crawler.coverage.gaps.open_count == 2  # right of the zone, and rows 2 and 3 left of it
    assert not crawler.coverage.planned.todo.any()
    crawler.coverage.reopen(crawler.now)
    assert crawler.coverage.gaps.open_count == 0


@pytest.mark.parametrize(
    ("wrapped", "along", "stretch", "cells"),
    [
        (False, "scan", (1.0, 1.6, 4.4), [12, 13, 14]),  # centres at 2, 3 and 4 mm
        (False, "scan", (1.0, -9.0, 1.0), [10, 11]),
        (False, "scan", (7.0, 0.0, 9.0), []),  # outside the plan
        (False, "index", (3.0, 0.0, 2.0), [3, 13, 23]),
        (True, "scan", (0.0, 8.0, 11.0), [8, 9, 0, 1]),  # over the seam
        (True, "scan", (0.0, 18.0, 19.0), [8, 9]),  # a turn further
        (True, "scan", (0.0, 0.0, 25.0), [*range(10)]),
    ],
)
def test_cells_of_a_stretch_have_their_centres_on_it(
    wrapped: bool, along: str, stretch: tuple[float, float, float], cells: list[int]
) -> None:
    """On either axis, cut at the borders of the plan, and round a pipe modulo a turn."""
    planned = PlannedCells(grid(3, 10, wrapped=wrapped))
    planned.plan(plan(stretch, along=along))
    assert np.flatnonzero(planned.todo).tolist() == sorted(cells)
    planned.begin(0)
    planned.begin(1)  # of a mark that is lost
    assert not planned.todo.any()


def test_what_is_ahead_on_a_stretch_under_way_is_held() -> None:
    """That its line was left before says nothing of it; that the probe was in a cell does."""
    planned = PlannedCells(grid(1, 6))
    planned.plan(plan((0.0, 0.0, 2.0), (0.0, 3.0, 5.0)))
    planned.begin(0)
    cells, passed = np.arange(6), np.array([True, False, False, True, False, False])
    assert planned.hold(cells, passed).tolist() == [False, True, True, True, True, True]
    assert planned.begin(1).tolist() == [1, 2]


def test_strips_of_several_probes_are_to_do_until_their_stretch() -> None:
    """All rows of a stretch are; what a later one scans again stays to do until that one begins."""
    passes = [[0.0, 0.0, 39.0, 1.0, 0.0, 39.0], [1.0, 0.0, 39.0, 2.0, 0.0, 39.0]]
    crawler = Crawler({"along": "scan", "stretches": passes})
    todo = crawler.coverage.planned.todo.reshape(ROWS, COLUMNS)
    assert [int(row.sum()) for row in todo] == [40, 40, 40, 0]
    crawler.coverage.begin_stretch(0, 0)
    assert [int(row.sum()) for row in todo] == [0, 40, 40, 0]
    crawler.coverage.begin_stretch(1, 0)
    assert not todo.any()
