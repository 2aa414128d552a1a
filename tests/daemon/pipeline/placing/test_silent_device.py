"""Devices that send nothing: from when, why that is no pause between deliveries, and when it ends."""

from __future__ import annotations

import numpy as np
import pytest

from swathe.arrays import Times
from swathe.pipeline.placing.silent_device import SilentDevice
from swathe.pipeline.placing.standstill import Standstills
from swathe.station import AlarmKind

S = 1_000_000_000

Change = tuple[float, bool]


def times(*seconds: float) -> Times:
    """Return journal times in ns."""
    return np.array([round(second * S) for second in seconds], np.int64)


class Bench:
    """A device whose port opened at 0 s."""

    def __init__(self, *, polled: bool = False, limit: float | None = None) -> None:
        limit_ns = None if limit is None else round(limit * S)
        self.device = SilentDevice("gauge", polled=polled, limit_ns=limit_ns)
        self.device.port_changed(0, is_open=True)
        self.standstills = Standstills()

    def until(self, seconds: float, *arrived: float) -> None:
        """Let deliveries arrive until a time."""
        self.device.advance(times(*arrived), round(seconds * S), self.standstills)

    @property
    def changes(self) -> list[Change]:
        """The changes so far: at which second, and whether it is silent from then on."""
        return [(one.known / S, one.holds) for one in self.device.conditions]

    @property
    def text(self) -> str:
        """The newest text."""
        return self.device.conditions[-1].detail


def test_device_that_never_sent_is_silent_three_seconds_after_its_port_opened() -> None:
    """Settings may be wrong as well as cables: nothing has shown them to be right."""
    bench = Bench()
    bench.until(3.0)
    assert bench.changes == []
    bench.until(3.1)
    assert bench.changes == [(3.0, True)]
    (silent,) = bench.device.conditions
    assert (silent.kind, silent.of, silent.since) == (AlarmKind.SILENT, "gauge", 0)
    assert bench.text == (
        "no bytes from gauge for 3 s since its port was opened: check its power, cable and baud rate"
    )
    bench.until(10, 8.0)
    assert bench.changes == [(3.0, True), (8.0, False)]


def test_device_that_sent_is_silent_since_its_last_byte() -> None:
    """Its settings are not in question: with them it sent before."""
    bench = Bench()
    bench.until(2, *np.arange(0.1, 2, 0.1))
    bench.until(4.9)
    assert bench.changes == []
    bench.until(5)
    (silent,) = bench.device.conditions
    assert (silent.known, silent.since) == (round(4.9 * S), round(1.9 * S))
    assert bench.text == "no bytes from gauge for 3 s: check power and cable"


def test_silence_within_one_batch_is_found_all_the_same() -> None:
    """A replay takes minutes at once."""
    bench = Bench()
    bench.until(20, *np.arange(1.1, 1.6, 0.1), *np.arange(6.0, 7.1, 0.1))
    assert bench.changes == [(4.5, True), (6.0, False), (10.0, True)]


def test_slow_device_may_be_silent_for_ten_of_its_intervals() -> None:
    """A reading a second is no silence, nor is one that is missing."""
    bench = Bench()
    bench.until(40.0, *range(1, 31))
    assert bench.changes == []
    bench.until(41)
    assert bench.changes == [(40.0, True)]
    assert bench.text == "no bytes from gauge for 10 s: check power and cable"


def test_limit_of_the_station_file_is_used_instead() -> None:
    """Shorter or longer than what the deliveries show."""
    slow = Bench(limit=2.5)
    slow.until(40.0, *range(1, 31))
    assert slow.changes == [(32.5, True)]
    assert slow.text == "no bytes from gauge for 2.5 s: check power and cable"
    long = Bench(limit=60)
    long.until(60)
    assert long.changes == []


def test_closed_port_awaits_nothing() -> None:
    """It has an alarm of its own; what was silent before is over with it."""
    bench = Bench()
    bench.until(4)
    bench.device.port_changed(5 * S, is_open=False)
    bench.until(20)
    assert bench.changes == [(3.0, True), (5.0, False)]
    bench.device.port_changed(20 * S, is_open=True)
    bench.until(22.9)
    assert len(bench.changes) == 2
    bench.until(24)
    assert bench.changes[2:] == [(23.0, True)]
    assert "since its port was opened" in bench.text


def test_standstill_of_the_process_is_no_silence_of_a_device() -> None:
    """Nothing can be read meanwhile: the device has its whole time again after it."""
    bench = Bench()
    bench.until(2, 1.0)
    bench.standstills.add(2 * S, 9 * S)
    bench.until(12.0)
    assert bench.changes == []
    bench.until(12.1)
    assert bench.changes == [(12.0, True)]
    # One that began before it, or was over before it, is one nevertheless.
    other = Bench()
    other.until(20, 0.8, 0.9, 1.0)
    other.standstills.add(20 * S, 30 * S)
    other.until(40, 30.1)
    assert other.changes == [(4.0, True), (30.1, False), (33.1, True)]


def test_polled_device_is_silent_when_it_was_asked() -> None:
    """Nobody may blame a device for silence that nobody asked, nor for one lost answer."""
    bench = Bench(polled=True)
    bench.until(10)
    bench.device.add_unanswered([5 * S])
    bench.until(12)
    assert bench.changes == []
    bench.device.add_unanswered([13 * S])
    bench.until(13)
    assert bench.changes == []
    bench.until(14)
    assert bench.changes == [(13.0, True)]
    assert bench.text == (
        "gauge was asked 2 times in 13 s, no answer: check its power, cable and baud rate"
    )
    bench.until(16, 15.0)
    bench.device.add_unanswered([round((15 + k / 2) * S) for k in range(1, 10)])
    bench.until(30)
    assert bench.changes[1:] == [(15.0, False), (18.0, True)]
    assert bench.text == "gauge was asked 6 times in 3 s, no answer: check power and cable"


@pytest.mark.parametrize("seed", range(20))
def test_silence_does_not_depend_on_batches(seed: int) -> None:
    """Deliveries at random with silences of all lengths, cut at random."""
    rng = np.random.default_rng(seed)
    steps = rng.exponential(0.2, 400) + np.where(rng.random(400) < 0.04, rng.uniform(0, 9, 400), 0)
    arrived = np.rint(np.cumsum(steps) * S).astype(np.int64)
    end = int(arrived[-1]) + 5 * S
    unanswered = np.sort(rng.integers(0, end, 200)).tolist()
    found = []
    for cuts in ([end], [*sorted(rng.integers(0, end, 300).tolist()), end]):
        bench = Bench(polled=bool(seed % 2))
        begin = 0
        for cut in cuts:
            waiting = [time for time in unanswered if begin <= time < cut]
            bench.device.add_unanswered(waiting)
            piece = arrived[(arrived >= begin) & (arrived < cut)]
            bench.device.advance(piece, cut, bench.standstills)
            begin = cut
        found.append(bench.device.conditions)
    assert found[0] == found[1]
    assert found[0]
