"""Faults of the host in simulated time: what is blamed, and how the crawler recovers."""

from __future__ import annotations

import asyncio
from typing import Any, cast

import pytest

from daemon.live.test_crawl import MS, Seen, guards, look, station
from swathe.live.crawl.drive import Drive
from swathe.live.crawl.guards import Guards
from swathe.live.crawl.host import HostWatch
from swathe.live.crawl.recovery import Recovery
from swathe.live.crawl.watchdog import Watchdog
from swathe.motion import CrawlStates, Event, State


def silent_from(ms: int, until: int, host: HostWatch, rounds: range) -> list[Any]:
    """Return what guards with a limit of 200 ms find; the encoder is silent from a time on.

    Args:
        ms: time of the encoder's last sample.
        until: no look is later than this.
        host: is shown each round, too.
        rounds: times of the loop's rounds, ms.
    """
    seen = Seen()
    made = guards(seen, host=host)
    made.alive = until * MS
    events = []
    for now in rounds:
        host.note(now * MS)
        last = min(now, ms) * MS
        events.append(look(made, seen, now, last_sample_times=(last, last)))
    return [each for each in events if each is not None]


def test_silence_while_the_loop_ran_is_blamed_on_the_encoder() -> None:
    """Every round was on time: 210 ms without a sample are the encoder's."""
    found = silent_from(300, 520, HostWatch(), range(0, 520, 10))
    words = "nothing came from the encoder for 210 ms while the machine moved along scan"
    assert [one[:2] for one in found] == [(Event.ENCODER_SILENT, words)]


def test_silence_while_the_loop_was_held_up_is_blamed_on_the_host() -> None:
    """The loop comes back after 661 ms and finds nothing new: nobody can tell whose fault it is."""
    host = HostWatch()
    assert silent_from(300, 1000, host, range(0, 310, 10)) == []
    seen = Seen()
    made = guards(seen, host=host)
    made.alive = 1000 * MS
    assert look(made, seen, 300) is None
    host.note(961 * MS)
    found = look(made, seen, 961, last_sample_times=(300 * MS, 300 * MS))
    assert found[:2] == (Event.HOST_SLOW, "the loop was held up for 661 ms")


def test_encoder_is_blamed_once_the_host_ran_for_the_whole_limit() -> None:
    """A silence that outlasts the hold-up by the limit is the encoder's, and not before."""
    host = HostWatch()
    seen = Seen()
    made = guards(seen, host=host)
    made.alive = 2000 * MS
    events: dict[int, Any] = {}
    for ms in (*range(0, 110, 10), *range(700, 1000, 10)):  # held up from 100 to 700 ms
        host.note(ms * MS)
        last = min(ms, 100) * MS
        found = look(made, seen, ms, last_sample_times=(last, last))
        events[ms] = None if found is None else found[0]
    assert {event for ms, event in events.items() if ms <= 100} == {None}
    assert {event for ms, event in events.items() if 700 <= ms <= 900} == {Event.HOST_SLOW}
    assert {event for ms, event in events.items() if ms > 900} == {Event.ENCODER_SILENT}


def test_silence_while_a_reader_was_starved_is_blamed_on_the_host() -> None:
    """The loop ran, but the thread that reads the encoder's port did not."""
    host = HostWatch()
    host.add("the reading thread of 'encoder'", lambda: 310 * MS)
    found = silent_from(300, 520, host, range(0, 520, 10))
    assert [one[:2] for one in found] == [
        (Event.HOST_SLOW, "the reading thread of 'encoder' was held up for 200 ms")
    ]


def test_reader_of_a_port_that_is_not_open_holds_nothing_up() -> None:
    """Who waits for a lost port has no turns to take: the silence stays the encoder's."""
    host = HostWatch()
    host.add("the reading thread of 'encoder'", lambda: None)
    assert silent_from(300, 520, host, range(0, 520, 10))[0][0] is Event.ENCODER_SILENT


def test_hold_ups_that_overlap_count_once() -> None:
    """Loop and reader were held up together: the time is not twice as long."""
    host = HostWatch()
    turn = [100 * MS]
    host.add("a reader", lambda: turn[0])
    host.note(200 * MS)
    host.note(500 * MS)
    assert host.held_up(0, 500 * MS) == 400 * MS
    assert host.held_up(450 * MS, 500 * MS) == 50 * MS
    assert host.words(0, 500 * MS) == "a reader was held up for 400 ms"
    turn[0] = 500 * MS
    host.note(600 * MS)
    assert host.held_up(500 * MS, 600 * MS) == 0
    assert host.words(500 * MS, 600 * MS) == ""
    assert host.steady_for(600 * MS) == pytest.approx(0.1)
    assert HostWatch().steady_for(600 * MS) == float("inf")


def test_rounds_within_the_tolerance_are_no_hold_up() -> None:
    """150 ms between two rounds are borne, 1 ms more is not."""
    host = HostWatch()
    for ms in (0, 150, 300):
        host.note(ms * MS)
    assert host.held_up(0, 300 * MS) == 0
    host.note(451 * MS)
    assert host.held_up(0, 451 * MS) == 151 * MS


class StandIn:
    """A machine's port and guards that are always well."""

    is_open = all_open = True

    def __init__(self) -> None:
        self.machine = CrawlStates()

    async def rest(self) -> None:
        """See it to rest."""
        self.machine.take(Event.AT_REST)


class Simulated:
    """A recovery in simulated time, of a moving crawler.

    Args:
        busy_until: the host is held up again and again until then, ms.
        guard: lines of the table ``[motion.guard]``.
    """

    def __init__(self, busy_until: int, *, guard: str = "") -> None:
        self.now = 0
        self.words: list[str] = []
        self.host = HostWatch()
        self.busy_until = busy_until * MS
        self.stand_in = StandIn()
        for event in (Event.ARMED, Event.MOVE):
            self.stand_in.machine.take(event)
        motion = station(guard).motion
        assert motion is not None
        self.recovery = Recovery(
            motion,
            cast("Drive", self.stand_in),
            cast("Guards", self.stand_in),
            self.host,
            self.words.append,
            clock=lambda: self.now,
            sleep=self.sleep,
        )

    async def sleep(self, seconds: float) -> None:
        """Let simulated time pass; a busy host takes 300 ms for what was to take 20."""
        busy = self.now < self.busy_until
        self.now += 300 * MS if busy else round(seconds * 1e9)
        self.host.note(self.now)

    def halt(self, event: Event, text: str) -> str | None:
        """Stop the crawler and return why the run ends; None if it continues."""
        machine = self.stand_in.machine
        machine.take(event, text)
        assert machine.state is State.FAILING  # the stop is sent in any case
        if event is Event.HOST_SLOW:
            self.host.note(self.now - 661 * MS)
        self.host.note(self.now)
        return asyncio.run(self.recovery.after(machine))


def test_host_fault_is_recovered_from_once_the_host_keeps_up() -> None:
    """It waits for a second without a hold-up, and continues without a person."""
    simulated = Simulated(busy_until=5000, guard="recoveries = 1")
    assert simulated.halt(Event.HOST_SLOW, "the loop was held up for 661 ms") is None
    assert 6000 <= simulated.now / MS <= 6400
    why = "stopped: host too slow: the loop was held up for 661 ms"
    assert simulated.words == [f"{why}; waiting for the host", f"{why}; continuing by itself"]
    assert simulated.stand_in.machine.state is State.DISARMED


def test_host_that_stays_too_slow_ends_the_run() -> None:
    """Its patience is that for a lost port; the run's end names the host."""
    simulated = Simulated(busy_until=10**6, guard="recoveries = 1")
    end = simulated.halt(Event.HOST_SLOW, "the loop was held up for 661 ms")
    assert end == "stopped: host too slow: the loop was held up for 661 ms; it stays too slow"
    assert 30_000 <= simulated.now / MS <= 30_600
    assert simulated.stand_in.machine.state is State.FAULTED


def test_host_faults_are_recovered_from_as_often_as_the_station_grants() -> None:
    """Never by default: a crawler that a fault stopped moves again only where the site allows it."""
    simulated = Simulated(busy_until=0)
    assert simulated.halt(Event.HOST_SLOW, "x") == "stopped: host too slow: x"
    granted = Simulated(busy_until=0, guard="recoveries = 2")
    for _ in range(2):
        assert granted.halt(Event.HOST_SLOW, "x") is None
        for event in (Event.ARMED, Event.MOVE):
            granted.stand_in.machine.take(event)
    assert granted.halt(Event.HOST_SLOW, "x") == "stopped: host too slow: x"


def test_encoder_fault_is_not_recovered_from_unless_the_station_grants_it() -> None:
    """A silence that is the encoder's ends the run as ever, however steady the host is."""
    simulated = Simulated(busy_until=0)
    assert simulated.halt(Event.ENCODER_SILENT, "x") == "stopped: encoder silent: x"
    granted = Simulated(busy_until=0, guard="recoveries = 1")
    assert granted.halt(Event.ENCODER_SILENT, "x") is None


def test_what_was_found_at_rest_takes_the_place_of_the_text_once() -> None:
    """As after a first move that was stopped; a person is needed then, whatever the station grants."""
    simulated = Simulated(busy_until=0, guard="recoveries = 2")
    simulated.recovery.detail = simulated.recovery.hopeless = "it is in inches"
    why = "stopped: motor and encoder disagree: it is in inches"
    assert simulated.halt(Event.DISAGREEMENT, "x") == why
    granted = Simulated(busy_until=0, guard="recoveries = 2")
    granted.recovery.detail = "the wheels slip"
    assert granted.halt(Event.DISAGREEMENT, "x") is None
    for event in (Event.ARMED, Event.MOVE):
        granted.stand_in.machine.take(event)
    assert granted.halt(Event.DISAGREEMENT, "y") is None
    why = "stopped: motor and encoder disagree: "
    assert granted.words == [
        f"{why}the wheels slip; continuing by itself",
        f"{why}y; continuing by itself",
    ]


@pytest.mark.parametrize("event", [Event.STOP_ASKED, Event.ENCODER_SILENT])
def test_crawler_that_waits_for_a_decision_neither_resumes_nor_ends_by_itself(event: Event) -> None:
    """As after a failed check: whatever the station grants, it rests until a person lets it go on."""
    simulated = Simulated(busy_until=0, guard='recoveries = 1\nwhen_stopped = "end"')
    machine = simulated.stand_in.machine
    machine.take(event, "check 1 failed")
    rested: list[State] = []

    async def wait() -> str | None:
        after = simulated.recovery.after(
            machine, waits=True, at_rest=lambda: rested.append(machine.state)
        )
        task = asyncio.create_task(after)
        while not simulated.words:  # noqa: ASYNC110  the words say that it waits
            await asyncio.sleep(0)
        assert not task.done()
        assert machine.state in (State.STOPPED, State.FAULTED)
        assert simulated.recovery.go_on("Kim") == "continuing, by Kim"
        return await task

    assert asyncio.run(wait()) is None
    assert rested == [State.STOPPED if event is Event.STOP_ASKED else State.FAULTED]
    assert simulated.words == [
        f"stopped: {event}: check 1 failed; waiting for a person at this machine"
    ]
    assert machine.state is State.DISARMED


def test_watchdog_stops_once_for_each_hold_up() -> None:
    """Beyond its limit it calls once, only while motion may be on, and again after a new round."""
    now, active = [0], [False]
    calls: list[str] = []
    watchdog = Watchdog(
        1.0, active=lambda: active[0], on_late=calls.append, clock=lambda: now[0] * MS
    )
    for ms in range(0, 1300, 50):
        now[0] = ms
        watchdog.look()
        assert watchdog.looked_at == ms * MS
    assert calls == []  # nothing may move
    active[0] = True
    now[0] = 1300
    watchdog.look()
    now[0] = 1350
    watchdog.look()
    assert calls == ["the loop was held up for 1,300 ms"]
    watchdog.pat()
    for ms in (1400, 2350, 2351):
        now[0] = ms
        watchdog.look()
    assert calls[1:] == ["the loop was held up for 1,001 ms"]


@pytest.mark.parametrize(("guard", "ends"), [("recoveries = 1", False), ("", True)])
def test_disk_that_takes_nothing_is_waited_for(guard: str, ends: bool) -> None:
    """The crawler rests until what waits in memory is written, also where the run ends then."""
    simulated = Simulated(busy_until=0, guard=guard)
    simulated.recovery.disk_trouble = lambda: "full" if simulated.now < 3600_000 * MS else ""
    end = simulated.halt(Event.DISK, "No space left on device; make room")
    assert simulated.now / MS >= 3600_000
    why = "stopped: disk takes nothing: No space left on device; make room"
    assert simulated.words[0] == f"{why}; waiting for the disk"
    assert end == (why if ends else None)
