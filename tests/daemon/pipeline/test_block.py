"""What became known of a scan, taken in pieces in the order of the journal's time."""

from __future__ import annotations

import numpy as np
import pytest

from daemon.strategies import readings
from swathe.pipeline.block import Block, counted, first_known
from swathe.pipeline.cells.crossed import CrossedCells
from swathe.pipeline.placing.placed import Placed, ProbePath


def block(cells: list[int], known: list[int], *, crossed: CrossedCells | None = None) -> Block:
    """Return a block of readings in cells, known at these times."""
    n = len(cells)
    made = readings(range(n), [10.0 + k for k in range(n)])
    placed = Placed(made, np.zeros(n), np.zeros(n), np.array(known, np.int64))
    return Block(placed, np.array(cells, np.int64), None, crossed)


def test_readings_are_taken_once_and_with_the_instant_of_their_time() -> None:
    """A reading known at the instant itself belongs to it."""
    made = block([7, 8, 9, 7], [10, 20, 20, 30])
    taken = [made.take_readings(until) for until in (9, 10, 20, 20, 29, 30, 99)]
    assert [cells.tolist() for _, cells in taken] == [[], [7], [8, 9], [], [], [7], []]
    times = [placed.readings["time"].tolist() for placed, _ in taken]
    assert times == [[], [0], [1, 2], [], [], [3], []]


def test_readings_that_are_taken_at_once_are_all_and_not_taken_again() -> None:
    """The usual case of a live tick."""
    made = block([7, 8], [10, 20])
    placed, cells = made.take_readings(50)
    assert (cells.tolist(), placed.known.tolist()) == ([7, 8], [10, 20])
    assert made.take_readings(60)[1].tolist() == []


def test_stays_are_taken_once_and_with_the_instant_of_their_time() -> None:
    """None where no stay is settled."""
    yes = np.ones(3, bool)
    stays = CrossedCells(
        np.array([1, 2, 3]), yes, yes, ~yes, ~yes, ~yes, ~yes, yes, np.array([10, 20, 20]),
        np.arange(3), np.zeros(3, np.uint8), np.arange(3), np.arange(3),
    )  # fmt: skip
    made = block([], [], crossed=stays)
    taken = [made.take_stays(until) for until in (9, 10, 20, 50)]
    assert [None if some is None else some.cells.tolist() for some in taken] == [
        None,
        [1],
        [2, 3],
        None,
    ]
    assert block([], []).take_stays(50) is None


def test_valid_readings_have_an_echo_a_thickness_and_a_cell() -> None:
    """Cell 0 is a cell; -1 is outside the grid."""
    made = block([0, -1, 4, 5], [1, 2, 3, 4])
    made.placed.readings["valid"][2] = False
    made.placed.readings["thickness"][3] = np.nan
    valid = counted(made.placed, made.cells)
    assert isinstance(valid, np.ndarray)
    assert valid.tolist() == [True, False, False, False]
    made = block([0, 3], [1, 2])
    assert made.cells[counted(made.placed, made.cells)].tolist() == [0, 3]


def test_rest_is_what_was_not_taken() -> None:
    """Readings and cells that are still to come; all of them before any is taken."""
    made = block([7, 8, 9], [10, 20, 30])
    assert made.rest() == (made.placed, made.cells)
    made.take_readings(20)
    placed, cells = made.rest()
    assert (placed.known.tolist(), cells.tolist()) == ([30], [9])


def test_path_is_taken_in_pieces_that_join() -> None:
    """Each piece begins with the sample that the one before ended with; None where none settled."""
    n, no = 4, np.zeros(4, bool)
    at = np.arange(n, dtype=np.int64)
    path = ProbePath(
        at,
        at.astype(np.float64),
        np.zeros(n),
        no,
        no,
        no,
        np.array([10, 20, 20, 40]),
        np.zeros((n, 2)),
    )
    made = Block(block([], []).placed, np.empty(0, np.int64), path, None)
    taken = [made.take_path(until) for until in (9, 10, 30, 30, 40)]
    times = [None if piece is None else piece.time.tolist() for piece in taken]
    assert times == [None, [0], [0, 1, 2], None, [2, 3]]
    whole = Block(made.placed, made.cells, path, None)
    assert whole.take_path(40) is path
    assert whole.take_path(99) is None
    assert block([], []).take_path(99) is None


@pytest.mark.parametrize(
    ("cells", "known", "expected"),
    [
        ([], [], {}),
        ([5, 5, 5], [10, 20, 30], {5: 10}),
        ([5, 5, 6, 6, 5, 4], [10, 20, 30, 40, 50, 60], {4: 60, 5: 10, 6: 30}),
        ([9, 8, 8, 9, 7], [10, 20, 30, 40, 50], {7: 50, 8: 20, 9: 10}),
    ],
)
def test_cells_are_known_with_their_first_reading(
    cells: list[int], known: list[int], expected: dict[int, int]
) -> None:
    """Each cell once, rising, though the probe comes back."""
    once, first = first_known(np.array(cells, np.int64), np.array(known, np.int64))
    assert once.tolist() == sorted(expected)
    assert dict(zip(once.tolist(), first.tolist(), strict=True)) == expected
