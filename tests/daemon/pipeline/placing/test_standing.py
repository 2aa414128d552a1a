"""Since when the probe stands where it is, with an echo."""

from __future__ import annotations

import numpy as np
import pytest

from swathe.pipeline import Placed, ProbePath
from swathe.pipeline.placing.standing import Standing
from swathe_drivers import READING

CELL = 4.0


def _placed(*times: int, valid: bool = True) -> Placed:
    readings = np.zeros(len(times), READING)
    readings["time"], readings["valid"] = times, valid
    none = np.zeros(len(times))
    return Placed(readings, none, none, readings["time"].copy())


def _path(*scan: float, begin: int) -> ProbePath:
    number = len(scan)
    times = begin + 10 * np.arange(number, dtype=np.int64)
    no = np.zeros(number, bool)
    return ProbePath(
        times, np.array(scan), np.zeros(number), ~no, no, no, times, np.zeros((number, 2))
    )


def test_moving_probe_stands_since_it_came_near() -> None:
    """What was read within half a cell of where it rests counts as read there."""
    standing = Standing(CELL)
    standing.follow(_placed(5, 15, 25, 35, 45), _path(0.0, 4.0, 8.1, 8.2, 8.1, begin=0))
    assert standing.since == 20


@pytest.mark.parametrize("border", [0.0, 1.0, 2.0, 3.0, 10.0])
def test_trembling_is_no_motion_wherever_it_is(border: float) -> None:
    """A probe at the border of a cell goes to and fro over it without having moved."""
    standing = Standing(CELL)
    rest = [border + shift for shift in (-0.1, 0.1) * 6]
    standing.follow(_placed(5, 25), _path(border - 9.0, *rest, begin=0))
    standing.follow(_placed(150), _path(*rest, begin=130))
    assert standing.since == 10


def test_echo_that_was_absent_begins_it_again() -> None:
    """The probe was off the wall: what it read before is of another place."""
    standing = Standing(CELL)
    standing.follow(_placed(5, 15), _path(0.0, 0.0, begin=0))
    standing.follow(_placed(30, 40, valid=False), None)
    assert standing.since is None
    standing.follow(_placed(55, 65), None)
    assert standing.since == 41


def test_motion_after_the_last_echo_leaves_nothing() -> None:
    """No reading was taken where the probe rests now."""
    standing = Standing(CELL)
    standing.follow(_placed(5, 15), _path(0.0, 0.0, 9.0, begin=0))
    assert standing.since is None


def test_pieces_of_a_path_are_followed_as_one() -> None:
    """Where the path is cut changes nothing."""
    scan = np.concatenate((np.linspace(0.0, 30.0, 40), np.full(30, 30.0))).tolist()
    whole, pieces = Standing(CELL), Standing(CELL)
    readings = _placed(*range(0, 700, 20))
    whole.follow(readings, _path(*scan, begin=0))
    for first in range(0, 70, 7):
        pieces.follow(readings[:0], _path(*scan[first : first + 7], begin=10 * first))
    pieces.follow(readings, None)
    assert pieces.since == whole.since
    assert whole.since is not None
    assert 350 < whole.since < 400
