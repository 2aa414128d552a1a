"""Following a count past a lost record: which records keep their numbers, and which fit the line."""

from __future__ import annotations

import numpy as np

from swathe.pipeline.placing.pulse_follow import LineFollower
from swathe.pipeline.placing.pulse_line import PulseNumbers, PulseRows, fitted_line
from swathe.pipeline.placing.timing import Timing

MS = 1_000_000
PERIOD = 4 * MS


def test_records_before_a_loss_keep_their_numbers_and_doubtful_ones_do_not_fit_the_line() -> None:
    """Six late records, one is lost, then 200 that are 0.5 to 3 ms late by their true number."""
    rng = np.random.default_rng(5)
    before = np.arange(200)
    # The last of the six might be behind the loss as well: it would be early by 0.3 ms only.
    late = np.concatenate((np.zeros(200), [3.3] * 5, [3.7], rng.uniform(0.5, 3.0, 200)))
    made = np.concatenate((before, 200 + np.arange(6), 207 + np.arange(200))) * PERIOD
    arrival = made + np.rint(late * MS).astype(np.int64)
    numbers = PulseNumbers(numbered=False, wrap=None)
    none = np.empty(0, np.int64)
    first = numbers.rows(none, arrival[:200], arrival[:200], None)
    line = fitted_line(first, float(PERIOD), 0.0005)
    assert line is not None
    follower = LineFollower(line, numbers, numbered=False, sure=True)
    follower.follow(first, int(arrival[199]))
    found, rest = [], numbers.rows(none, arrival[200:], arrival[200:], float(PERIOD))
    for due in range(int(arrival[200]), int(arrival[-1]) + 600 * MS, 100 * MS):
        parts, rest = follower.follow(rest, due)
        found += parts
    timing = Timing.joined(found)
    assert not len(rest)
    assert follower.lost == 1
    off = (timing.time - made[200:]) / MS
    assert np.abs(off[:5]).max() < 0.4
    assert timing.missing.nonzero()[0].tolist() == [5]
    assert np.abs(off[6:]).max() < 0.6  # nothing later than 0.5 ms late shows the line itself
    # The doubtful one, early by 0.3 ms, has not turned the line.
    last = PulseRows(*(np.array([value]) for value in (408, int(made[-1] + PERIOD), 0, 0, 0)))
    assert abs(line.late(last)[0]) < 0.1 * MS
    assert timing.smear[5] > 0


def test_rows_are_those_that_were_taken() -> None:
    """Picking and shifting records leaves the others as they are."""
    number = np.arange(4, dtype=np.int64)
    rows = PulseRows(number, number + 10, number + 20, number * 0, number * 0)
    assert rows.only(number != 1).number.tolist() == [0, 2, 3]
    assert rows.shifted(5, first=2).number.tolist() == [0, 1, 7, 8]
    assert rows.number.tolist() == [0, 1, 2, 3]
