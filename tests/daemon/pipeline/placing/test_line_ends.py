"""At which ends a line of a stepped index axis ends by itself."""

from __future__ import annotations

import numpy as np
import pytest

from swathe.pipeline.placing.line_ends import LineEnds
from swathe.station import Axis, LineAdvance


def ends(
    advance: LineAdvance, *, cells: int = 101, start: float = 0.0, began: int = -1
) -> LineEnds:
    """Return the ends of an axis with cells of 1 mm, on a line that began at the start."""
    made = LineEnds(Axis(name="scan", start=start, resolution=1.0, cells=cells), advance)
    made.begin(began)
    return made


def after(made: LineEnds, *positions: float) -> LineEnds:
    """Return the ends after the probe was at these positions."""
    made.follow(np.array(positions))
    return made


def reached(made: LineEnds, *positions: float) -> list[bool]:
    """Return whether a stop at each of the positions, if it is the next one, ends the line."""
    return [bool(made.reached(np.array([position]))[0]) for position in positions]


@pytest.mark.parametrize("start", [0.0, 1000.0, -50.0])
def test_return_is_a_stroke_out_and_a_stop_at_the_start(start: float) -> None:
    """Ten cells out, or a tenth of the length; back within two cells, or 2 % of it."""
    made = ends(LineAdvance.RETURN, start=start)
    assert reached(after(made, start, start + 9.99), start) == [False]
    assert reached(after(made, start + 10.0), start + 2.0, start + 2.01) == [True, False]
    assert reached(made, start - 30.0) == [True]
    long = ends(LineAdvance.RETURN, cells=1001, start=start)
    assert reached(after(long, start, start + 99.9), start) == [False]
    assert reached(after(long, start + 100.0), start + 20.0, start + 20.1) == [True, False]


def test_stroke_and_nearness_in_cells_where_the_length_is_short() -> None:
    """On 51 cells, ten cells are more than a tenth, and two more than 2 %."""
    made = ends(LineAdvance.RETURN, cells=51)
    assert reached(after(made, 0.0, 9.9), 0.0) == [False]
    assert reached(after(made, 10.0), 2.0, 2.1) == [True, False]


def test_short_axis_has_shares_of_its_own() -> None:
    """On five cells a stroke is half of the length, and the start a quarter."""
    made = ends(LineAdvance.RETURN, cells=5)
    assert reached(after(made, 0.0, 1.9), 0.0) == [False]
    assert reached(after(made, 2.0), 1.0, 1.1) == [True, False]


def test_way_home_alone_is_no_return() -> None:
    """A line that begins far out, by a command, has no stroke on the way home."""
    made = ends(LineAdvance.RETURN, began=0)
    assert reached(after(made, 90.0, 50.0, 0.0), 0.0) == [False]
    assert reached(after(made, 30.0), 0.0) == [True]


def test_other_end_is_no_return() -> None:
    """With ``return`` no line ends at the far end, whatever the strokes."""
    made = after(ends(LineAdvance.RETURN), 0.0, 100.0, 50.0, 100.0)
    assert reached(made, 100.0) == [False]


@pytest.mark.parametrize(("began", "found"), [(-1, [False, True]), (1, [True, False])])
def test_serpentine_line_ends_at_the_end_opposite_to_its_beginning(
    began: int, found: list[bool]
) -> None:
    """It takes no stroke: the probe may rest at the other end at last."""
    made = ends(LineAdvance.EITHER_END, began=began)
    assert reached(made, 2.0, 98.0) == found
    assert reached(made, 2.1, 97.9) == [False, False]
    assert reached(after(made, 0.0, 100.0, 0.0, 100.0), 0.0, 100.0) == found


def test_serpentine_line_that_began_between_ends_by_a_stroke() -> None:
    """The end to which a stroke leads is the one."""
    made = ends(LineAdvance.EITHER_END, began=0)
    assert reached(after(made, 50.0), 0.0, 100.0) == [False, False]
    assert reached(after(made, 60.0), 0.0, 100.0) == [True, False]  # away from the start
    made = after(ends(LineAdvance.EITHER_END, began=0), 50.0, 40.0)
    assert reached(made, 0.0, 100.0) == [False, True]


def test_lost_position_is_no_stroke() -> None:
    """What was seen before says nothing about a probe that was carried."""
    made = after(ends(LineAdvance.RETURN), 0.0, 60.0)
    made.break_off()
    assert reached(after(made, 0.0), 0.0) == [False]
    assert reached(after(made, 10.0), 0.0) == [True]
    made = ends(LineAdvance.EITHER_END)
    made.break_off()
    assert reached(after(made, 99.0, 100.0), 0.0, 100.0) == [False, False]


def test_blocked_line_ends_at_the_start_after_any_stroke() -> None:
    """Where the line is blocked, the way back begins; a serpentine goes back to where it began."""
    made = after(ends(LineAdvance.RETURN), 0.0, 3.0)
    made.turn_here()
    assert reached(made, 0.0) == [True]
    made = ends(LineAdvance.EITHER_END, began=-1)
    made.begin(made.turn_here())
    assert reached(made, 0.0, 100.0) == [True, False]


def test_commands_alone_end_no_line() -> None:
    """With ``command`` no motion does."""
    made = after(ends(LineAdvance.COMMAND), 0.0, 100.0, 0.0)
    assert reached(made, 0.0, 100.0) == [False, False]
    assert not made.arrived(np.array([0.0, 100.0])).any()


def test_arrived_is_in_the_outermost_cell() -> None:
    """Half a cell before the end the probe is at it; before that it comes near only."""
    made = ends(LineAdvance.EITHER_END)
    assert made.arrived(np.array([50.0, 99.49, 99.5, 0.0])).tolist() == [False, False, True, False]


@pytest.mark.parametrize(("place", "end"), [(2.0, -1), (2.1, 0), (97.9, 0), (98.0, 1), (-9.0, -1)])
def test_end_that_a_position_is_near_to(place: float, end: int) -> None:
    """Within two cells."""
    assert ends(LineAdvance.EITHER_END).end_at(place) == end


@pytest.mark.parametrize("advance", [LineAdvance.RETURN, LineAdvance.EITHER_END])
def test_run_in_from_outside_the_plan_is_no_stroke(advance: LineAdvance) -> None:
    """A probe that comes from far before the start, or from behind the end, has scanned nothing."""
    assert reached(after(ends(advance, began=0), -40.0, 0.0), 0.0) == [False]
    assert reached(after(ends(advance, began=0), 140.0, 100.0), 100.0) == [False]
    assert reached(after(ends(advance, began=0), -40.0, 60.0), 0.0) == [True]
