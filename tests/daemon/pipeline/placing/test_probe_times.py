"""When each probe of a carriage gave readings: settled by the last of them, losses of nobody's."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from daemon.strategies import readings
from swathe.pipeline.placing.probe_times import ProbeTimes
from swathe.pipeline.placing.timing import Timing
from swathe.station import CarriageProbe, ProbeArray

MS = 1_000_000
NONE = np.zeros(1, np.int64)


def array_of(*devices: str) -> ProbeArray:
    """Return probes on these devices, each on its own input of it."""
    return ProbeArray(
        tuple(
            CarriageProbe(number=k, name=f"p{k}", device=device, input=k)
            for k, device in enumerate(devices)
        )
    )


def add(made: ProbeTimes, rows: list[tuple[int, int, int]]) -> None:
    """Add readings of one device: (probe, ms, records that are lost before it)."""
    one: NDArray[Any] = readings([ms * MS for _, ms, _ in rows])
    one["probe"] = [number for number, _, _ in rows]
    times = one["time"].astype(np.int64)
    lost = np.array([missing for _, _, missing in rows], np.int64)
    made.add(one, times, Timing.of(times, times, lost))


def test_a_path_is_settled_once_the_readings_of_every_probe_are_in() -> None:
    """One that comes later is waited for, as long as a silent gauge is."""
    made = ProbeTimes(array_of("a", "b"), 50 * MS)
    add(made, [(0, ms, 0) for ms in range(0, 200, 10)])
    add(made, [(1, ms, 0) for ms in range(0, 100, 10)])
    at = np.array([95 * MS])
    settled, found = made.settle(at, at, 0, NONE)
    assert [int(one.settled[0] // MS) for one in found] == [100, 145]
    assert int(settled[0] // MS) == 145


def test_records_lost_of_a_device_with_several_probes_are_of_nobody() -> None:
    """Each of its probes may have lost one: whether it had an echo nobody knows."""
    made = ProbeTimes(array_of("a", "a", "b"), 100 * MS)
    rows = [(k, ms, 0) for ms in range(0, 100, 10) for k in (0, 1)]
    rows += [(k, ms, 8 if (k, ms) == (0, 180) else 0) for ms in range(180, 260, 10) for k in (0, 1)]
    add(made, rows)
    add(made, [(2, ms, 0) for ms in range(0, 260, 10)])
    at = np.array([140 * MS])
    _, found = made.settle(at, at, 0, NONE)
    assert [bool(one.unread[0]) for one in found] == [True, True, False]
    times = np.array([0, 250 * MS])
    assert [one.lost(times, times + 300 * MS).size for one in made.of] == [0, 0, 0]


def test_records_lost_of_a_device_with_one_probe_are_its_own() -> None:
    """They would have been taken evenly between those around them."""
    made = ProbeTimes(array_of("a", "b"), 20 * MS)
    add(made, [(0, 0, 0), (0, 10, 0), (0, 40, 2), (0, 50, 0)])
    times = np.array([0, 50 * MS])
    lost = made.of[0].lost(times, times + 100 * MS)
    assert (lost // MS).tolist() == [20, 30]


def test_the_pace_is_that_of_the_slowest_probe() -> None:
    """A cell needs a reading of the probe that passes it."""
    made = ProbeTimes(array_of("a", "b"), 50 * MS)
    add(made, [(0, ms, 0) for ms in range(0, 200, 10)])
    add(made, [(1, ms, 0) for ms in range(0, 200, 40)])
    assert made.pace_at(np.array([200 * MS])).usual.tolist() == [40 * MS]


def test_what_a_device_did_not_send_concerns_its_own_probes() -> None:
    """A port that is away, damaged bytes, what waits for its time."""
    made = ProbeTimes(array_of("a", "b"), 50 * MS)
    made.add_unread("b", [5 * MS])
    made.set_away("a", 8 * MS, away=True)
    made.hold({"a": 3, "b": None})
    span = np.array([4 * MS]), np.array([6 * MS])
    assert [bool(one.unread.within(*span)[0]) for one in made.of] == [False, True]
    later = np.array([9 * MS]), np.array([9 * MS])
    assert [bool(one.unread.within(*later)[0]) for one in made.of] == [True, False]
    assert [one.held_since for one in made.of] == [3, None]
