"""Times by a device's clock: what waits behind a restart, and for how long."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathe.pipeline.placing.clock import DeviceClock
from swathe.pipeline.placing.timebase import ClockTimes
from swathe.pipeline.placing.timing import Timing

MS = 1_000_000
Times = NDArray[np.int64]


def restarted(late: int = 9, *, offset: int = 7000) -> tuple[Times, Times]:
    """Return device times and arrivals, ns, of a clock that begins again after 400 records.

    The first records behind the restart are `late` ms later than others.
    """
    made = np.concatenate((np.arange(400) * 5, 2500 + np.arange(400) * 5))
    device = np.concatenate((np.arange(400) * 5 + offset, np.arange(400) * 5))
    arrival = made + 20
    arrival[400:420] += late
    return device * MS, np.maximum.accumulate(arrival) * MS


def feed(base: ClockTimes, device: Times, arrival: Times, pieces: int) -> Timing:
    """Give records in pieces; return what is resolved then and at the end."""
    parts, none = [], np.full(device.shape, -1)
    for rows in np.array_split(np.arange(device.size), pieces):
        base.take(device[rows], none[rows], arrival[rows], arrival[rows])
        later = arrival[rows[-1] + 1] if rows[-1] + 1 < arrival.size else arrival[-1]
        parts.append(base.resolve(int(later)))
    parts.append(base.resolve(int(arrival[-1]) + 1, flush=True))
    return Timing.joined([part for part in parts if part.time.size])


def test_records_behind_a_restart_wait_for_one_without_delay() -> None:
    """20 late ones at first: their offset is that of the fastest of 300 ms, and all are exact."""
    device, arrival = restarted()
    for pieces in (1, 7, 800):
        found = feed(ClockTimes(DeviceClock(), waits=True), device, arrival, pieces)
        made = np.concatenate((np.arange(400) * 5, 2500 + np.arange(400) * 5))
        assert found.time.tolist() == ((made + 20) * MS).tolist()
        assert (found.known[:400] == arrival[:400]).all()
        until = int(arrival[400]) + 300 * MS
        waited = arrival < until
        assert set(found.known[400:][waited[400:]].tolist()) == {until}
        assert (found.known[~waited] == arrival[~waited]).all()


def test_without_waiting_the_first_record_behind_a_restart_counts() -> None:
    """As for a device whose records must not wait: late by what the first one was late."""
    device, arrival = restarted()
    found = feed(ClockTimes(DeviceClock()), device, arrival, 800)
    assert found.time[400] == arrival[400]
    assert (found.known == arrival).all()


def test_roll_over_is_no_restart() -> None:
    """A clock of 1.024 s goes on: nothing waits."""
    made = np.arange(2000) * 5 * MS
    wrap = 1024 * MS
    base = ClockTimes(DeviceClock(wrap_ns=wrap), waits=True)
    found = feed(base, made % wrap, made + 20 * MS, 100)
    assert (found.known == made + 20 * MS).all()
    assert found.time.tolist() == (made + 20 * MS).tolist()


def test_what_waits_is_known_to_wait() -> None:
    """The path of the probe must not settle meanwhile."""
    device, arrival = restarted()
    base = ClockTimes(DeviceClock(), waits=True)
    base.take(device[:430], np.full(430, -1), arrival[:430], arrival[:430])
    assert base.resolve(int(arrival[430])).time.size == 400
    assert base.held_since == arrival[400]
    assert base.resolve(int(arrival[429]), flush=True).time.size == 30
    assert base.held_since is None


def test_what_has_waited_is_known_then_though_it_is_asked_for_at_the_end_only() -> None:
    """A flush long after the 300 ms changes nothing for those that had waited by then."""
    device, arrival = restarted()
    base = ClockTimes(DeviceClock(), waits=True)
    base.take(device, np.full(device.shape, -1), arrival, arrival)
    found = base.resolve(int(arrival[-1]) + 10_000 * MS, flush=True)
    assert found.time.size == device.size
    assert found.known[400] == arrival[400] + 300 * MS
    assert found.known[-1] == arrival[-1]


def test_clock_that_runs_back_by_less_than_a_late_delivery_was_set() -> None:
    """By 180 ms: records of one stream come in their order, so that none of them is late by as much."""
    device = np.concatenate((np.arange(40) * 5, 15 + np.arange(400) * 5))
    arrival = 20 + np.arange(440) * 5
    for pieces in (1, 7, 440):
        base = ClockTimes(DeviceClock())
        found = feed(base, device * MS, arrival * MS, pieces)
        assert base.breaks == 1
        assert (found.time == arrival * MS).all()


def test_deliveries_that_are_late_are_of_the_same_clock() -> None:
    """By 180 ms, and in their order: they are placed where they were made."""
    device = np.arange(440) * 5
    arrival = np.maximum.accumulate(20 + device + np.where((device > 500) & (device < 700), 180, 0))
    for pieces in (1, 7, 440):
        base = ClockTimes(DeviceClock())
        found = feed(base, device * MS, arrival * MS, pieces)
        assert base.breaks == 0
        assert (found.time == (20 + device) * MS).all()


def test_clock_that_starts_again_soon_after_it_started_was_set() -> None:
    """It runs back by 3 ms only, to what it has after a start since the record before."""
    device = np.concatenate((5000 + np.arange(8) * 15, np.arange(2) * 15, 12 + np.arange(40) * 15))
    arrival = 5020 + np.arange(50) * 15
    for pieces in (1, 7, 50):
        base = ClockTimes(DeviceClock())
        found = feed(base, device * MS, arrival * MS, pieces)
        assert base.breaks == 2
        assert (found.time == arrival * MS).all()


def test_record_a_little_out_of_order_is_of_the_same_clock() -> None:
    """Its clock has run for longer than since the record before."""
    device = 5000 + np.arange(40) * 15
    device[20:22] = device[21:19:-1]
    base = ClockTimes(DeviceClock())
    feed(base, device * MS, (5020 + np.arange(40) * 15) * MS, 40)
    assert base.breaks == 0
