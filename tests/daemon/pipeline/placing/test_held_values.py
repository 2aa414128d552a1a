"""Held values: which repeats are no measurement, and from when on that is known."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest

from daemon.strategies import readings
from swathe.pipeline.placing.held_values import WAIT_NS, HeldValues
from swathe.pipeline.placing.streams import Released
from swathe.pipeline.placing.timing import Timing

MS = 1_000_000
Row = tuple[int, float]
"""Journal time in ms, thickness in mm; NaN for a reading without echo."""
Decided = tuple[int, float, bool, int]
"""Arrival in ms, thickness, whether it is valid, known from in ms."""


def rows(given: list[Row]) -> Released | None:
    """Return readings that arrive one after the other."""
    if not given:
        return None
    known = np.array([ms * MS for ms, _ in given], np.int64)
    values = [value for _, value in given]
    made = readings(known.tolist(), values, valid=[not np.isnan(value) for value in values])
    return Released(made, Timing.of(made["time"].copy(), known), known, None, None)


class Bench:
    """Held values of thickness after so many repeats."""

    def __init__(self, after: int) -> None:
        self.held = HeldValues(frozenset({"thickness"}), after)

    def feed(self, given: list[Row], now: float, *, flush: bool = False) -> list[Decided]:
        """Let readings arrive; return what is decided at a time in ms."""
        found = self.held.release(rows(given), round(now * MS), flush=flush)
        if found is None:
            return []
        made, known = found.records, found.timing.known
        return [
            (int(at) // MS, float(value), bool(valid), int(since) // MS)
            for at, value, valid, since in zip(
                made["time"], made["thickness"], made["valid"], known, strict=True
            )
        ]


def expected(given: list[Row], after: int, wait: int) -> list[Decided]:
    """Return what is decided of a whole stream, reading by reading."""
    found: list[Decided] = []
    begin = 0
    while begin < len(given):
        end = begin + 1
        while end < len(given) and given[end][1] == given[begin][1]:
            end += 1
        ms, value = given[begin]
        found.append((ms, value, not np.isnan(value), ms))
        repeats = given[begin + 1 : end]
        if repeats:
            deadline = repeats[0][0] + wait
            held = len(repeats) >= after
            at = repeats[after - 1][0] if held else given[min(end, len(given) - 1)][0]
            for number, (ms, _) in enumerate(repeats, 1):
                if at <= deadline:
                    found.append((ms, value, not held, max(ms, at)))
                elif ms <= deadline:
                    found.append((ms, value, True, deadline))
                else:
                    found.append((ms, value, number < after, ms))
        begin = end
    known = 0
    for k, (ms, value, valid, since) in enumerate(found):
        known = max(known, since)
        found[k] = (ms, value, valid, known)
    return found


def test_repeats_of_a_held_value_are_no_measurement() -> None:
    """The first reading of the run is one; all its repeats are invalid, known with the third."""
    bench = Bench(3)
    assert bench.feed([(10, 5.0), (20, 6.0), (30, 6.0), (40, 6.0)], 45) == [
        (10, 5.0, True, 10),
        (20, 6.0, True, 20),
    ]
    assert bench.held.oldest_waiting_arrival == 30 * MS
    assert bench.feed([(50, 6.0), (60, 6.0), (70, 7.0)], 75) == [
        (30, 6.0, False, 50),
        (40, 6.0, False, 50),
        (50, 6.0, False, 50),
        (60, 6.0, False, 60),
        (70, 7.0, True, 70),
    ]
    assert bench.held.oldest_waiting_arrival is None
    assert bench.held.found == 4


def test_run_that_ends_before_is_a_measurement() -> None:
    """Its repeats are known with the reading that ends it."""
    bench = Bench(3)
    assert bench.feed([(10, 6.0), (20, 6.0), (30, 6.0)], 35) == [(10, 6.0, True, 10)]
    assert bench.feed([], 36) == []
    assert bench.feed([(40, 6.5)], 45) == [
        (20, 6.0, True, 40),
        (30, 6.0, True, 40),
        (40, 6.5, True, 40),
    ]


def test_reading_without_echo_ends_a_run() -> None:
    """What comes after it is a measurement again, whatever its value."""
    bench = Bench(2)
    given = [(10, 6.0), (20, 6.0), (30, np.nan), (40, 6.0), (50, 6.0), (60, 6.0), (70, np.nan)]
    valid = [one[2] for one in bench.feed(given, 75)]
    assert valid == [True, True, False, True, False, False, False]


def test_end_of_the_run_decides_what_waits() -> None:
    """Nothing is known against fewer repeats than the description has."""
    bench = Bench(3)
    bench.feed([(10, 6.0), (20, 6.0), (30, 6.0)], 35)
    assert bench.feed([], 99, flush=True) == [(20, 6.0, True, 30), (30, 6.0, True, 30)]


def test_repeat_waits_no_longer_than_a_while() -> None:
    """Then it counts; later repeats of the run do not wait, and are held once there are enough."""
    wait = WAIT_NS // MS
    bench = Bench(4)
    assert bench.feed([(0, 6.0), (100, 6.0), (200, 6.0)], 100 + wait) == [(0, 6.0, True, 0)]
    assert bench.feed([], 100.1 + wait) == [
        (100, 6.0, True, 100 + wait),
        (200, 6.0, True, 100 + wait),
    ]
    later = [(300 + wait, 6.0), (400 + wait, 6.0), (500 + wait, 6.0)]
    assert bench.feed(later, 501 + wait) == [
        (300 + wait, 6.0, True, 300 + wait),
        (400 + wait, 6.0, False, 400 + wait),
        (500 + wait, 6.0, False, 500 + wait),
    ]


@pytest.mark.parametrize("seed", range(40))
def test_nothing_depends_on_batches(seed: int) -> None:
    """Random runs in pieces of any size, with pauses beyond the wait, are decided as one by one."""
    rng = Random(seed)
    after = rng.choice((1, 2, 5, 9))
    given: list[Row] = []
    ms = 0
    for _ in range(rng.randrange(1, 40)):
        value = rng.choice((5.0, 6.0, 7.0, np.nan))
        for _ in range(rng.choice((1, 1, 2, 3, 8, 20))):
            ms += rng.choice((1, 10, 50, 400, 3000))
            given.append((ms, value))
    oracle = expected(given, after, WAIT_NS // MS)
    for most in (1, 4, 10_000):
        bench = Bench(after)
        found, at = [], 0
        while at < len(given):
            count = rng.randint(1, most)
            # All that arrived before `now` was taken, as in the pipeline.
            found += bench.feed(given[at : at + count], given[min(at + count, len(given)) - 1][0])
            at += count
        found += bench.feed([], ms + 10 * WAIT_NS // MS)
        found += bench.feed([], ms + 10 * WAIT_NS // MS, flush=True)
        assert [one[:3] for one in found if not np.isnan(one[1])] == [
            one[:3] for one in oracle if not np.isnan(one[1])
        ]
        # What still waits at the end is known by its wait, not with a reading after it.
        assert [one[3] for one in found[:-30]] == [one[3] for one in oracle[: len(found) - 30]][
            : max(len(found) - 30, 0)
        ]


def test_all_columns_of_a_description_must_be_equal() -> None:
    """A changed time of flight is a measurement, however its thickness is rounded."""
    held = HeldValues(frozenset({"thickness", "time_of_flight"}), 1)
    made = rows([(10, 6.0), (20, 6.0), (30, 6.0)])
    assert made is not None
    made.records["time_of_flight"] = [2.0, 2.0, 2.1]
    found = held.release(made, 35 * MS)
    assert found is not None
    assert found.records["valid"].tolist() == [True, False, True]
