"""The next step by hand with several probes: where to put the carriage, so that live ones pass."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.motion.revisit.test_by_hand import INDEX, PIPE, SCAN, Bench
from daemon.motion_model import carriage
from swathe.motion import Carriage, HandStep, HandSurvey, HandText, hand_text
from swathe.pipeline import CellState, runs_of
from swathe.station import Axis, LineAdvance

FOUR = carriage((0.0, 0.0), (-20.0, 20.0), (0.0, 40.0), (-20.0, 60.0))
"""Four probes a row of 20 mm apart, in two banks."""


class Frame(Bench):
    """A frame with several probes that is moved by hand."""

    def __init__(
        self,
        probes: Carriage = FOUR,
        scan: Axis = SCAN,
        index: Axis = INDEX,
        *,
        fresh: bool = False,
    ) -> None:
        super().__init__(scan, index, fresh=fresh)
        self.probes = probes

    def survey(self, line: int | None, advance: LineAdvance = LineAdvance.COMMAND) -> HandSurvey:
        """Return the survey with its carriage."""
        return replace(super().survey(line, advance), carriage=self.probes)

    def follow(self, step: HandStep) -> tuple[int, set[tuple[int, int]]]:
        """Move as a step says; return how many cells were measured, and the excluded ones entered."""
        grid = self.grid
        low, high = sorted((step.start, step.end))
        if grid.scan.turn is not None and (step.end < step.start) is step.rising:
            low, high = high, low + grid.scan.turn[1] - grid.scan.turn[0]
        count, entered = 0, set()
        for probe in self.probes.probes:
            row = int(grid.index.cell(np.array([step.index + probe.index]))[0])
            if row < 0:
                continue
            way = grid.scan.centres - low - probe.scan
            if grid.scan.turn is not None:
                way = np.mod(way + 1e-6, grid.scan.turn[1] - grid.scan.turn[0]) - 1e-6
            passed = (way >= -1e-6) & (way <= high - low + 1e-6)
            cells = self.cells(row, 0, grid.scan.cells - 1)
            excluded = grid.state[cells] == CellState.EXCLUDED
            entered |= {(row, column) for column in np.flatnonzero(passed & excluded).tolist()}
            missing = passed & grid.missing(cells)
            if probe in self.probes.live and missing.any():
                count += int(np.count_nonzero(missing))
                for first, last in runs_of(np.flatnonzero(missing)):
                    self.measure(row, first, last)
        self.coverage.gaps.settle()
        return count, entered


def words(bench: Frame, at: tuple[float, float] | None) -> str:
    """Return the next step as text in mm."""
    return hand_text(bench.step(None, at), HandText(index=bench.grid.index))


def test_first_step_of_a_survey_is_a_pass_of_all_probes() -> None:
    """From end to end for the leading and the trailing probe, so that the datum goes 20 mm further."""
    frame = Frame(fresh=True)
    assert words(frame, None) == ("carriage at index 0 mm, from 0 to 920 mm: lines 0 to 3")
    assert frame.follow(frame.step(None, None)) == (4 * 181, set())
    assert words(frame, (920.0, 0.0)) == (
        "carriage at index 80 mm, from 920 to 0 mm: lines 4 to 7; the carriage 80 mm further"
    )


def test_pass_that_was_begun_is_continued() -> None:
    """What is left of it, from the nearer end."""
    frame = Frame(fresh=True)
    frame.follow(replace(frame.step(None, None), end=400.0))
    assert words(frame, (400.0, 1.0)) == (
        "continue, carriage at index 0 mm, from 405 to 920 mm: lines 0 to 3"
    )


def test_gaps_of_a_dead_probe_are_passed_by_its_neighbour() -> None:
    """The carriage is shifted by a row, and probe 1 with its own offset passes the row of probe 2."""
    frame = Frame(FOUR.without(frozenset({2})))
    frame.miss(2, 0, 180, CellState.NO_SIGNAL)
    frame.miss(6, 0, 180, CellState.NO_SIGNAL)
    step = frame.step(None, (900.0, 0.0))
    assert (step.rows, step.index) == ((2,), 20.0)
    assert words(frame, (900.0, 0.0)) == (
        "carriage at index 20 mm, from 920 to 20 mm: line 2 again; no signal: mind the coupling; "
        "the carriage 20 mm further; 905 mm missing"
    )
    assert frame.follow(step) == (181, set())


def test_several_gaps_are_on_one_way() -> None:
    """Two gaps two rows apart, with a run-in of 25 mm, and one elsewhere."""
    frame = Frame()
    frame.miss(5, 40, 43, CellState.NO_SIGNAL)
    frame.miss(7, 42, 47, CellState.NO_SIGNAL)
    frame.miss(1, 150, 151, CellState.NO_SIGNAL)
    step = frame.step(None, (150.0, 80.0))
    assert (step.rows, step.gaps, step.elsewhere, step.index) == ((5, 7), 2, 1, 80.0)
    # Probes 1 and 3 trail by 20 mm: the datum goes from 200 - 25 + 20 to 235 + 25 + 20.
    assert (step.start, step.end, step.missing) == (195.0, 280.0, 50.0)


def test_requested_gap_comes_first() -> None:
    """Whatever is nearer."""
    frame = Frame()
    frame.miss(0, 40, 43)
    frame.miss(10, 40, 43)
    number = max(gap.number for gap in frame.coverage.gaps.open)
    assert frame.step(None, (0.0, 0.0), requested=(number,)).rows == (10,)
    assert frame.step(None, (0.0, 0.0)).rows == (0,)


def test_stepped_axis_finishes_where_the_carriage_is() -> None:
    """Its rows before others, and the datum on rows only."""
    frame = Frame()
    frame.miss(3, 100, 110)
    frame.miss(11, 0, 5)
    step = frame.step(1, (0.0, 20.0))
    assert (step.rows, step.index) == ((3,), 20.0)
    frame = Frame()
    frame.miss(11, 0, 5)
    step = frame.step(1, (0.0, 20.0))
    assert step.rows == (11,)
    # Offsets of a row and a third: on a row the second probe is 7 mm from the middle of its own.
    frame = Frame(carriage((0.0, 0.0), (0.0, 27.0)))
    frame.miss(11, 0, 5)
    step = frame.step(5, (0.0, 100.0))
    assert (step.rows, step.index) == ((11,), 200.0)


def test_all_is_measured_when_nothing_is_missing() -> None:
    """And where what is missing can be reached by no live probe."""
    assert Frame().step(None, (0.0, 0.0)).kind == "done"
    assert Frame(FOUR.without(frozenset(range(4))), fresh=True).step(None, None).kind == "done"


@pytest.mark.parametrize("scan", [SCAN, PIPE], ids=["plate", "pipe"])
@given(
    offsets=st.lists(
        st.tuples(
            st.sampled_from((-20.0, 0.0, 7.5)), st.sampled_from((-40.0, 0.0, 20.0, 35.0, 60.0))
        ),
        min_size=2,
        max_size=4,
        unique=True,
    ),
    dead=st.sets(st.integers(0, 3), max_size=1),
    zone=st.tuples(st.integers(0, 11), st.integers(0, 170), st.integers(0, 9)),
    gaps=st.lists(
        st.tuples(st.integers(0, 11), st.integers(0, 160), st.integers(0, 9)), max_size=4
    ),
    fresh=st.booleans(),
)
def test_who_follows_the_steps_measures_all_that_can_be_and_enters_no_zone(
    scan: Axis,
    offsets: list[tuple[float, float]],
    dead: set[int],
    zone: tuple[int, int, int],
    gaps: list[tuple[int, int, int]],
    fresh: bool,
) -> None:
    """Each step measures something until all is measured that a live probe can pass."""
    probes = carriage(*offsets)
    frame = Frame(probes.without(frozenset(dead)), scan, fresh=fresh)
    if not frame.probes.live:
        return
    last = scan.cells - 1
    row, first, more = zone
    frame.exclude(row, min(first, last), min(first + more, last))
    if not fresh:
        for row, first, more in gaps:
            cells = frame.cells(row, min(first, last), min(first + more, last))
            if (frame.grid.state[cells] == CellState.MEASURED).all():
                frame.miss(row, min(first, last), min(first + more, last))
    at: tuple[float, float] | None = None
    for _ in range(60):
        step = frame.step(None, at)
        if step.kind == "done":
            break
        count, entered = frame.follow(step)
        assert entered == set()
        assert count >= round(step.missing / scan.resolution) > 0
        at = (step.end, step.index)
    assert frame.step(None, at).kind == "done"
