"""What waits between ports and loop is bounded, comes in order, and a flood waits for itself."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import pytest

from daemon.handmade import station, station_text
from drivers.doubles import wait_until
from swathe.journal import Chunk, PortChange, Sent
from swathe.live import ports
from swathe.live.ports import SLOW_BYTES_PER_S, PortHub
from swathe_drivers import PortState

CLOCK = '{is="device_time", unit="ms"},'
MB = 1 << 20
KB = 1 << 10


def gathers(text: str) -> dict[str, float]:
    """Return for how long each port gathers, s."""
    return {name: reader.gather for name, reader in PortHub(station(text))._readers.items()}


def test_devices_with_a_clock_are_gathered_and_others_are_not() -> None:
    """Without a clock the time of each arrival is all there is."""
    both = station_text()
    assert gathers(both) == {"encoder": 0.008, "gauge": 0.008}
    encoder, gauge = both.split("[device.gauge]")
    assert gathers(encoder + "[device.gauge]" + gauge.replace(CLOCK, "")) == {
        "encoder": 0.008,
        "gauge": 0.0,
    }


def test_nothing_is_gathered_where_a_crawler_is_driven() -> None:
    """Its guards need each sample of the encoder as soon as it is there."""
    driven = station(station_text()).model_copy(update={"motion": object()})
    assert {reader.gather for reader in PortHub(driven)._readers.values()} == {0.0}


class FakeTime:
    """A clock that a test sets, and that sleeping sets forward."""

    def __init__(self) -> None:
        self.now = 1_000_000_000_000

    def monotonic_ns(self) -> int:
        """Return the time, ns."""
        return self.now

    def thread_time_ns(self) -> int:
        """Return the processor time, of which all that passes is, ns."""
        return self.now

    def monotonic(self) -> float:
        """Return the time, s."""
        return self.now / 1e9

    def sleep(self, seconds: float) -> None:
        """Let time pass."""
        self.now += round(seconds * 1e9)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> FakeTime:
    """Return the clock of the hub."""
    fake = FakeTime()
    monkeypatch.setattr(ports, "time", fake)
    return fake


@pytest.fixture
def hub() -> Iterator[PortHub]:
    """Return a hub whose ports are not open: a test calls what their threads call."""
    hub = PortHub(station(station_text()))
    yield hub
    hub.close(lambda _sent: None)


def drained(hub: PortHub) -> list[Chunk]:
    """Return the chunks of one round."""
    found: list[Chunk] = []
    hub.drain(lambda entry: found.append(entry) if isinstance(entry, Chunk) else None)
    return found


def test_thread_waits_while_its_buffer_is_full_and_nothing_is_lost(hub: PortHub) -> None:
    """Of 5 MB, 1 MB waits at most; all come, in order, also of a thread that had to wait."""
    data = b"".join(b"%07d\n" % k for k in range(5 * MB // 8))
    pieces = [data[at : at + 64 * KB] for at in range(0, len(data), 64 * KB)]

    def send() -> None:
        for number, piece in enumerate(pieces):
            hub._take_chunk("gauge", number, piece)

    thread = threading.Thread(target=send)
    thread.start()
    buffer = hub._buffers["gauge"]
    wait_until(lambda: buffer.full, "a full buffer")
    hub._take_chunk("encoder", 0, b"e")  # of another port: there is space
    most, found = 0, b""
    while len(found) < len(data):
        most = max(most, buffer.waiting)
        found += b"".join(chunk.data for chunk in drained(hub) if chunk.port == "gauge")
    thread.join()
    assert found == data
    assert MB <= most < MB + 64 * KB
    assert hub.waited("gauge") > 0 == hub.waited("encoder")


def test_buffer_is_full_by_the_number_of_entries_too(hub: PortHub) -> None:
    """A chunk of one byte takes a hundred bytes of memory."""
    for k in range(20_000):
        assert not hub._buffers["gauge"].full
        hub._take_chunk("gauge", k, b"x")
    assert hub._buffers["gauge"].full
    # Changes and texts that were sent find space always.
    hub._take_sent("gauge", 20_000, b"Q", unanswered=False)
    hub._take_state("gauge", 20_001, PortState.LOST, "")


def test_round_is_bounded_and_in_the_order_of_arrival(hub: PortHub) -> None:
    """Entries of all ports by their times, also where a round ends between them."""
    for k in range(300):
        hub._take_chunk("gauge" if k % 3 else "encoder", 10 * k, bytes([k % 256]) * KB)
    found: list[Chunk] = []
    sizes = []
    while True:
        part = drained(hub)
        sizes.append(sum(len(chunk.data) for chunk in part))
        found += part
        if not hub.more():
            break
        assert hub.reached == found[-1].time + 10  # of the oldest that waits
    assert [chunk.time for chunk in found] == [10 * k for k in range(300)]
    assert sizes[0] == 32 * KB
    assert max(sizes) <= 512 * KB
    assert hub.reached > found[-1].time


def test_no_entry_is_large(hub: PortHub) -> None:
    """What is read at once is cut, so that a round can be short; the time is one."""
    hub._take_chunk("gauge", 7, bytes(64 * KB))
    first = drained(hub)
    assert {(chunk.time, len(chunk.data)) for chunk in first} == {(7, 8 * KB)}
    assert len(first) == 4
    assert hub.more()


def test_device_that_floods_has_its_turn_behind_the_others(hub: PortHub, clock: FakeTime) -> None:
    """Its bytes have the time at which they are handed over: no entry is behind the journal's time."""
    old = clock.now - 5_000_000_000
    for k in range(100):
        hub._take_chunk("gauge", old + k, bytes(8 * KB))
    hub.set_flood("gauge", True, slow=False)
    hub._take_chunk("encoder", clock.now - 2, b"new")
    hub._take_chunk("encoder", clock.now - 1, b"newer")
    found = drained(hub)
    assert [chunk.data for chunk in found[:2]] == [b"new", b"newer"]
    assert {chunk.time for chunk in found[2:]} == {clock.now} == {hub.reached}
    assert len(found) == 2 + 4
    hub.set_flood("gauge", False, slow=False)
    assert drained(hub)[0].time == old + 4


@pytest.mark.parametrize(("takes", "first", "later"), [(1, 32, 256), (60, 32, 8), (30, 32, 32)])
def test_round_takes_less_where_it_was_long(
    hub: PortHub, clock: FakeTime, takes: int, first: int, later: int
) -> None:
    """Lines that are all faults take long: then a few kB are enough, and many where they do not."""
    for k in range(120):
        hub._take_chunk("gauge", k, bytes(8 * KB))
    sizes = []
    for _ in range(6):
        sizes.append(sum(len(chunk.data) for chunk in drained(hub)) // KB)
        clock.now += takes * 1_000_000
        if not hub.more():
            break
    assert (sizes[0], sizes[3]) == (first, later)


def rounds(hub: PortHub, clock: FakeTime, arrive: int, count: int, takes: int = 1) -> list[int]:
    """Return kB that each of some rounds takes, before each of which so many kB arrive."""
    sizes = []
    for _ in range(count):
        for k in range(arrive // 8):
            if not hub._buffers["gauge"].full:  # a thread would wait
                hub._take_chunk("gauge", clock.now + k, bytes(8 * KB))
        sizes.append(sum(len(chunk.data) for chunk in drained(hub)) // KB)
        clock.now += takes * 1_000_000
        hub.more()
    return sizes


def test_what_comes_fast_is_taken_in_few_rounds(hub: PortHub, clock: FakeTime) -> None:
    """A round costs much whatever it takes: 10 MB/s of A-scans are some 400 kB in each of 25 a second."""
    assert rounds(hub, clock, 400, 12)[6] > 400  # what waited at first is made up for
    assert rounds(hub, clock, 400, 5) == [400] * 5
    assert rounds(hub, clock, 400, 12, takes=60)[-1] == 8  # but not where it takes so long


def test_burst_after_quiet_begins_with_little(hub: PortHub, clock: FakeTime) -> None:
    """It may be of lines that are all faults."""
    rounds(hub, clock, 400, 12)
    assert rounds(hub, clock, 8, 5) == [8] * 5
    assert rounds(hub, clock, 400, 1) == [32]


def test_rounds_of_a_crawlers_station_are_shorter(clock: FakeTime) -> None:
    """Its guards are looked at between rounds."""
    driven = PortHub(station(station_text()).model_copy(update={"motion": object()}))
    assert rounds(driven, clock, 120, 4, takes=15) == [32] * 4
    driven.close(lambda _sent: None)


def test_port_is_read_slowly_where_it_sends_nonsense(hub: PortHub, clock: FakeTime) -> None:
    """Its thread rests for as long as the bytes would take."""
    hub.set_flood("gauge", True, slow=True)
    begun = clock.now
    for k in range(10):
        hub._take_chunk("gauge", k, bytes(SLOW_BYTES_PER_S // 20))
    assert (clock.now - begun) / 1e9 == pytest.approx(0.5, abs=0.02)
    hub.set_flood("gauge", False, slow=False)
    begun = clock.now
    hub._take_chunk("gauge", 11, bytes(SLOW_BYTES_PER_S))
    assert clock.now == begun


def test_close_ends_a_thread_that_waits_for_space(monkeypatch: pytest.MonkeyPatch) -> None:
    """SIGTERM in a flood: the closing texts are taken, the bytes meanwhile are not."""
    hub = PortHub(station(station_text()))
    for _ in range(16):
        hub._take_chunk("gauge", 1, bytes(64 * KB))
    thread = threading.Thread(target=hub._take_chunk, args=("gauge", 2, b"more"))
    thread.start()
    wait_until(lambda: thread.is_alive() and hub._buffers["gauge"].full, "a thread that waits")
    hub._take_sent("gauge", 3, b"STOP", unanswered=False)
    ended: list[bool] = []

    def join() -> None:  # what closing its port does
        thread.join(20)
        ended.append(not thread.is_alive())

    monkeypatch.setattr(hub._readers["gauge"], "close", join)
    sent: list[Sent] = []
    hub.close(sent.append)
    assert ended == [True]
    assert [entry.data for entry in sent] == [b"STOP"]


def test_discarded_bytes_are_counted_and_nothing_else_is_discarded(hub: PortHub) -> None:
    """What was sent, and that a port was lost, is kept."""
    hub._take_chunk("gauge", 1, bytes(100))
    hub._take_sent("gauge", 2, b"Q", unanswered=False)
    hub._take_state("gauge", 3, PortState.LOST, "pulled")
    hub._take_chunk("encoder", 4, b"e")
    assert hub.discard("gauge") == 100
    found: list[object] = []
    hub.drain_all(found.append, found.append)
    assert found == [
        Sent(2, "gauge", b"Q"),
        PortChange(3, "gauge", "lost", "pulled"),
        Chunk(4, "encoder", b"e"),
    ]


def test_time_of_the_journal_never_falls(hub: PortHub) -> None:
    """It is now where nothing waits, and that of the oldest that does."""
    before = time.monotonic_ns()
    drained(hub)
    reached = hub.reached
    assert before <= reached <= time.monotonic_ns()
    for _ in range(5):
        hub._take_chunk("gauge", reached - 1000, bytes(8 * KB))
    drained(hub)
    assert hub.reached == reached
