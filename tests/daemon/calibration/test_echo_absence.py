"""A lifted probe, seen in the times of the readings with an echo."""

from __future__ import annotations

import numpy as np
import pytest

from swathe.calibration.echo_absence import EchoAbsence

MS = 1_000_000


def times(*milliseconds: float) -> np.ndarray:
    """Return times in ns."""
    return np.array([round(one * MS) for one in milliseconds], np.int64)


def held(interval: float, n: int = 20) -> EchoAbsence:
    """Return an absence that is looked for from 0 ms on, after readings at an interval (ms)."""
    found = EchoAbsence()
    found.begin(times(*(interval * (k - n + 1) for k in range(n))))
    return found


@pytest.mark.parametrize(
    ("interval", "gap", "seen"),
    [
        (10, 299, False),
        (10, 300, True),
        (50, 100, False),  # one reading of twenty a second dropped out
        (100, 300, True),
        (250, 499, False),  # four a second: one dropped out is no lifted probe
        (250, 500, True),
        (1000, 1999, False),
        (1000, 2000, True),
    ],
)
def test_gap_of_readings_is_a_lifted_probe(interval: float, gap: float, seen: bool) -> None:
    """0.3 s and twice what the instrument leaves between two readings."""
    found = held(interval)
    found.feed(times(gap))
    assert found.seen is seen


def test_gap_between_two_pieces_and_within_one_count_alike() -> None:
    """However the readings are cut into pieces."""
    for pieces in ([times(10, 20, 900, 910)], [times(10, 20), times(), times(900), times(910)]):
        found = held(10)
        for piece in pieces:
            found.feed(piece)
        assert found.seen


def test_bunched_readings_are_no_lifted_probe() -> None:
    """Readings that arrive ten at once each half second: such gaps are the line's."""
    bunches = [500 * (k // 10) + k % 10 for k in range(20)]
    found = EchoAbsence()
    found.begin(times(*(one - bunches[-1] for one in bunches)))
    found.feed(times(491, 492, 982, 983))
    assert not found.seen
    found.feed(times(2000))
    assert found.seen


def test_absence_is_looked_for_again_after_each_coupling() -> None:
    """What was seen before does not count for the next one."""
    found = held(10)
    found.feed(times(1000, 1010))
    found.begin(times(1000, 1010))
    assert not found.seen
    found.feed(times(1020))
    assert not found.seen


def test_lost_port_is_no_lifted_probe() -> None:
    """While the port is away nothing is known of the probe."""
    found = held(10)
    found.interrupted()
    found.feed(times(5000, 5010))
    assert not found.seen


def test_absence_without_readings_before() -> None:
    """Before the first coupling there is nothing to compare with."""
    found = EchoAbsence()
    found.begin(times())
    found.feed(times(100, 110))
    assert not found.seen
