"""A flood is noticed by what was counted, over simulated time; a wrong baud rate is none."""

from __future__ import annotations

from typing import Any

import pytest

from daemon.handmade import MS, START, line, run, station, station_text
from swathe.journal import Chunk, MarkKind, Sent, Tick
from swathe.live.floods import Flood, Floods, FloodWatch
from swathe.live.ports import PortHub
from swathe.pipeline import DeviceTally
from swathe.pipeline.placing.arrivals import parts_of

S = 1_000_000_000
STEP = S // 10


class Device:
    """Counts what a device sends at constant rates."""

    def __init__(self) -> None:
        self.now = self.received = self.undecoded = self.waited = 0
        self.watch = FloodWatch(0)

    def run(self, seconds: float, *, bad: int = 0, good: int = 0, waits: float = 0) -> list[Flood]:
        """Return what is found each 100 ms; rates in bytes/s, and the share of time that it waits."""
        found = []
        for _ in range(round(seconds * 10)):
            self.now += STEP
            self.received += (bad + good) // 10
            self.undecoded += bad // 10
            self.waited += round(waits * STEP)
            found.append(
                self.watch.take(
                    self.now,
                    received=self.received,
                    undecoded=self.undecoded,
                    waited=self.waited,
                )
            )
        return found


@pytest.mark.parametrize(
    ("bad", "good"),
    # 8N1: a byte takes ten bits. Faults next to as many records are bad cabling, not a flood.
    [
        (11_520, 0),
        (46_080, 0),
        (63_000, 0),
        (300_000, 300_000),
        (50_000, 2_000_000),
        (0, 9_000_000),
    ],
)
def test_wrong_baud_rate_and_fast_devices_are_no_flood(bad: int, good: int) -> None:
    """For ten minutes of it."""
    assert set(Device().run(600, bad=bad, good=good)) == {Flood.NO}


def test_nonsense_is_a_flood_until_it_has_been_quiet() -> None:
    """From 256 kB more than leaks on; over when 64 kB are left of at most 384."""
    device = Device()
    found = device.run(10, bad=164_000)
    assert found.index(Flood.UNDECODED) == 25  # 2.6 s of 100 kB/s more than leak
    assert set(found[25:]) == {Flood.UNDECODED}
    quiet = device.run(10)
    assert quiet.count(Flood.UNDECODED) == 50  # (384 - 64) kB / (64 kB/s)
    assert set(quiet[50:]) == {Flood.NO}


def test_flood_read_slowly_stays_a_flood() -> None:
    """At 128 kB/s it is still seen to be one, and does not come and go."""
    device = Device()
    device.run(1, bad=5_000_000)
    assert set(device.run(300, bad=128_000)) == {Flood.UNDECODED}


def test_records_end_a_flood() -> None:
    """A device that comes to its senses is read as before, soon."""
    device = Device()
    device.run(2, bad=5_000_000)
    assert device.run(3, good=128_000)[-1] is Flood.NO


@pytest.mark.parametrize(("waits", "expected"), [(0.45, Flood.NO), (0.8, Flood.OVERLOAD)])
def test_overload_is_a_thread_that_waits_most_of_the_time(waits: float, expected: Flood) -> None:
    """Whatever its bytes are; over once it waits less than half of the time for as long."""
    device = Device()
    found = device.run(60, good=2_000_000, waits=waits)
    assert found[-1] is expected
    assert found[20] is Flood.NO  # of a moment's hold-up
    assert device.run(10, good=2_000_000)[-1] is Flood.NO


def test_counts_that_begin_again_are_no_flood() -> None:
    """The survey was placed again: the tallies are new, and lower."""
    device = Device()
    device.run(5, good=1_000_000)
    device.received = device.undecoded = 0
    assert device.run(1) == [Flood.NO] * 10


class Bench:
    """Floods of a station whose ports are not open."""

    def __init__(self, text: str) -> None:
        self.marks: list[tuple[MarkKind, dict[str, Any]]] = []
        self.hub = PortHub(station(text))
        self.floods = Floods(station(text), self.hub, self._mark, 0)
        self.tallies = {"gauge": DeviceTally(), "encoder": DeviceTally()}

    def _mark(self, kind: MarkKind, **detail: Any) -> None:
        self.marks.append((kind, detail))

    def flood(self, device: str) -> None:
        """Let a device flood for a second."""
        self.tallies[device].bytes = self.tallies[device].undecoded = 900_000
        self.floods.check(S, self.tallies)


def test_alarm_of_the_device_alone() -> None:
    """With what is lost, as a mark that a rebuild meets; its port is read slowly until it is over."""
    bench = Bench(station_text())
    bench.floods.check(1, bench.tallies)
    assert not bench.marks
    bench.flood("gauge")
    ((kind, detail),) = bench.marks
    assert (kind, detail["about"], detail["of"]) == (MarkKind.HEALTH, "device floods", "gauge")
    assert detail["detail"].startswith("gauge: 0.9 MB that decode to nothing; read at 128 kB/s")
    slow = {name: (b.floods, b.slow) for name, b in bench.hub._buffers.items()}
    assert slow == {"gauge": (True, True), "encoder": (False, False)}
    bench.floods.check(60 * S, bench.tallies)
    assert bench.marks[1][1]["holds"] is False
    assert not bench.hub._buffers["gauge"].slow
    bench.hub.close(lambda _: None)


def test_what_waits_at_the_end_of_a_flood_is_noted() -> None:
    """A note has the bytes that are not kept; another device's are."""
    bench = Bench(station_text())
    for name in ("gauge", "encoder"):
        bench.hub._take_chunk(name, 1, bytes(5000))
    bench.flood("gauge")
    bench.floods.end()
    kind, detail = bench.marks[-1]
    assert (kind, detail["by"]) == (MarkKind.NOTE, "bench")
    assert detail["text"] == "gauge floods as the run ends: 5,000 bytes of it are not kept"
    kept: list[Any] = []
    bench.hub.drain_all(kept.append, lambda _sent: None)
    assert [entry.port for entry in kept if not isinstance(entry, Sent)] == ["encoder"]
    bench.hub.close(lambda _: None)


def test_capture_in_place_of_a_port_is_no_flood() -> None:
    """It is read as fast as it can be, on purpose."""
    bench = Bench(station_text().replace('"ports/gauge"', '"capture:x.cap?pace=fast"'))
    bench.flood("gauge")
    assert not bench.marks
    bench.hub.close(lambda _: None)


def test_many_bytes_are_decoded_in_parts() -> None:
    """A rebuild meets minutes of a flood at once; a chunk that is larger is a part of its own."""
    kb = 1 << 10
    assert list(parts_of([])) == []

    def parts(*sizes: int, times: tuple[int, ...] = ()) -> list[tuple[int, int]]:
        at = times or tuple(range(len(sizes)))
        return list(parts_of([(time, bytes(size)) for time, size in zip(at, sizes, strict=True)]))

    assert parts(*[8 * kb] * 70) == [(0, 32), (32, 64), (64, 70)]
    assert parts(kb, 300 * kb, kb, 255 * kb, kb) == [(0, 1), (1, 2), (2, 4), (4, 5)]
    # What came at one time stays together, wherever the first part begins; so does a clock set back.
    assert parts(kb, 300 * kb, kb, kb, times=(1, 2, 2, 3)) == [(0, 1), (1, 3), (3, 4)]
    assert parts(300 * kb, kb, kb, times=(2, 1, 3)) == [(0, 2), (2, 3)]


def test_loss_is_counted_at_the_decoder() -> None:
    """Bytes of faults, and an endless line that is one fault; a record's bytes are none of them."""
    good = line("P,1,10")
    chunks = [b"nonsense\r\n" * 3, good, b"7" * 5000]
    data = [Chunk(START + k * MS, "encoder", chunk) for k, chunk in enumerate(chunks)]
    tally = run(station_text(), data, [Tick(START + 200 * MS)]).tallies["encoder"]
    assert (tally.bytes, tally.positions) == (30 + len(good) + 5000, 1)
    assert tally.faults["too_long"] == 1
    assert 30 + 5000 - 300 < tally.undecoded <= 30 + 5000
