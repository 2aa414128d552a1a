"""Clocks that stand still while records arrive."""

from __future__ import annotations

from itertools import count
from random import Random

import numpy as np
import pytest

from daemon.strategies import readings
from swathe.pipeline.placing.clock import DeviceClock
from swathe.pipeline.placing.conditions import Condition
from swathe.pipeline.placing.still_times import StillTimes
from swathe.pipeline.placing.stopped_clock import StoppedClock
from swathe.pipeline.placing.streams import Released
from swathe.pipeline.placing.timebase import ClockTimes
from swathe.pipeline.placing.timing import Timing
from swathe.station import AlarmKind

MS = 1_000_000
Row = tuple[int, int]
"""Journal time and device time, ms."""
OFFSETS = count()


def rows(given: list[Row], each: int = 1) -> Released | None:
    """Return the readings of records that arrive one after the other, `each` of one record."""
    if not given:
        return None
    known = np.array([ms * MS for ms, _ in given], np.int64)
    made = readings(known.tolist())
    made["device_time"] = [ms * MS for _, ms in given]
    made["offset"] = np.repeat([next(OFFSETS) for _ in given[::each]], each)
    return Released(made, Timing.of(made["time"].copy(), known), known, None, None)


class Bench:
    """The clock of one device."""

    def __init__(self) -> None:
        self.clock = StoppedClock("gauge")

    def feed(
        self, given: list[Row], now: float, *, flush: bool = False, each: int = 1
    ) -> list[tuple[int, int]]:
        """Let records arrive; return when each that has a time arrived, and from when it is known."""
        found = self.clock.release(rows(given, each), round(now * MS), flush=flush)
        if found is None:
            return []
        arrived, known = found.arrived // MS, found.timing.known // MS
        return list(zip(arrived.tolist(), known.tolist(), strict=True))

    @property
    def changes(self) -> list[tuple[int, bool]]:
        """Changes of the condition: when, in ms, and whether it holds."""
        return [(change.known // MS, change.holds) for change in self.clock.conditions]


def test_advancing_clock_is_left_alone() -> None:
    """Nothing waits, however late a record is."""
    bench = Bench()
    assert bench.feed([(0, 0), (10, 10), (900, 20)], 901) == [(0, 0), (10, 10), (900, 900)]
    assert bench.clock.oldest_waiting_arrival is None


def test_records_of_one_tick_wait_for_the_next_one() -> None:
    """A coarse clock shows one time for many records: they are known as it advances."""
    bench = Bench()
    assert bench.feed([(0, 0), (10, 0), (20, 0)], 25) == [(0, 0)]
    assert bench.clock.oldest_waiting_arrival == 10 * MS
    assert bench.feed([(30, 30)], 35) == [(10, 30), (20, 30), (30, 30)]
    assert bench.clock.dropped.shape[1] == 0


def test_readings_of_one_record_have_one_time() -> None:
    """They do not wait for the next record; of a clock that stands still all of them are dropped."""
    bench = Bench()
    given = [(ms, ms) for ms in (0, 0, 10, 10, 20, 20)]
    assert bench.feed(given, 21, each=2) == given
    assert bench.clock.oldest_waiting_arrival is None
    assert bench.feed([(30, 20), (30, 20)], 31, each=2) == []
    found = bench.feed([(40, 40), (40, 40)], 41, each=2)
    assert found == [(30, 40), (30, 40), (40, 40), (40, 40)]
    bench.feed([(ms, 50) for ms in range(50, 900, 50) for _ in range(2)], 901, each=2)
    assert [holds for _, holds in bench.changes] == [True]
    assert bench.clock.dropped.shape[1] == 2 * 16


def test_records_of_a_clock_that_stands_still_are_dropped() -> None:
    """All since it advanced last, once that is more than half a second ago; until it advances."""
    bench = Bench()
    given = [(ms, min(ms, 100)) for ms in range(0, 800, 50)]
    assert bench.feed(given, 799) == [(0, 0), (50, 50), (100, 100)]
    assert bench.clock.dropped.shape[1] == 13
    assert bench.changes == [(650, True)]
    assert bench.clock.conditions[0] == Condition(
        AlarmKind.CLOCK,
        "gauge",
        650 * MS,
        holds=True,
        detail="the device's clock stands still while records arrive: they have no time and count "
        "for no cell; restart the device",
    )
    assert bench.feed([(800, 100), (850, 150)], 900) == [(850, 850)]
    assert bench.clock.dropped.shape[1] == 14
    assert bench.changes == [(650, True), (850, False)]


def test_clock_that_steps_back_and_forth_stands_still() -> None:
    """Two times in turn are no advance."""
    bench = Bench()
    given = [(ms, 100 + ms // 50 % 2) for ms in range(0, 800, 50)]
    assert bench.feed(given, 799) == [(0, 0), (50, 50)]
    assert bench.clock.dropped.shape[1] == 14


def test_records_that_come_no_more_are_in_no_doubt() -> None:
    """A device that fell silent within half a second has not shown that its clock stands."""
    bench = Bench()
    assert bench.feed([(0, 0), (10, 0)], 1000) == [(0, 0)]
    assert bench.feed([], 1001) == [(10, 1000)]
    assert bench.feed([(1200, 0), (1300, 9)], 1301) == [(1300, 1300)]
    assert bench.clock.dropped.shape[1] == 1


def test_end_of_the_run_ends_the_wait() -> None:
    """Nothing follows."""
    bench = Bench()
    bench.feed([(0, 0), (10, 0)], 11)
    assert bench.feed([], 12, flush=True) == [(10, 10)]


@pytest.mark.parametrize("seed", range(40))
def test_nothing_depends_on_batches(seed: int) -> None:
    """Random stops and silences in pieces of any size have one result."""
    rng = Random(seed)
    given: list[Row] = []
    ms = device = 0
    for _ in range(rng.randrange(1, 30)):
        stops = rng.random() < 0.5
        for _ in range(rng.randrange(1, 12)):
            step = rng.choice((1, 20, 60, 150, 700))
            ms += step
            device += 0 if stops else step
            given.append((ms, device))
    found = []
    for most in (1, 5, 10_000):
        bench, out, at = Bench(), list[tuple[int, int]](), 0
        while at < len(given):
            count = rng.randint(1, most)
            out += bench.feed(given[at : at + count], given[min(at + count, len(given)) - 1][0])
            at += count
        out += bench.feed([], ms + 5000)
        found.append((out, bench.changes, bench.clock.dropped.tolist()))
    assert found[0] == found[1] == found[2]


def resumed(given: list[Row], cut: int) -> list[int]:
    """Return the arrivals, in ms, of the records with which the clock goes again."""
    made, found = StillTimes(), []
    for begin in range(0, len(given), cut):
        part = given[begin : begin + cut]
        arrived = np.array([ms for ms, _ in part], np.int64) * MS
        times = np.array([ms for _, ms in part], np.int64) * MS
        found += (arrived[made.resumed(times, arrived)] // MS).tolist()
    return found


@pytest.mark.parametrize("cut", [1, 3, 100])
def test_clock_goes_again_after_it_stood(cut: int) -> None:
    """Only where it stood for more than half a second while records came: silence is no stop."""
    given = [(0, 0), (100, 100), (600, 100), (700, 101), (800, 101), (1301, 101), (1302, 102)]
    given += [(9000, 103), (9100, 103), (9150, 104)]
    assert resumed(given, cut) == [1302]


@pytest.mark.parametrize("cut", [1, 4, 100])
def test_clock_that_stood_is_fitted_again(cut: int) -> None:
    """What comes after the stop has its own time at once, not that of a clock that is late."""
    base = ClockTimes(DeviceClock())
    given = [(ms, ms if ms < 1000 else max(1000, ms - 2000)) for ms in range(0, 4000, 50)]
    found: list[int] = []
    for begin in range(0, len(given), cut):
        part = given[begin : begin + cut]
        arrived = np.array([ms for ms, _ in part], np.int64) * MS
        times = np.array([ms for _, ms in part], np.int64) * MS
        base.take(times, np.full(arrived.shape, -1), arrived, arrived)
        found += base.resolve(10_000 * MS).time.tolist()
    after = {
        ms: time // MS for (ms, device), time in zip(given, found, strict=True) if device > 1000
    }
    assert after == {ms: ms for ms in after}
    assert base.breaks == 1
