"""The pace of the daemon's loop, over simulated time."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator

import pytest

from swathe.live.pace import Pace

MS = 1_000_000
SECOND = 1_000 * MS


def rounds(
    pace: Pace,
    seconds: float,
    *,
    arrived: Callable[[int], int] = lambda _now: 100,
    moving: bool = False,
    takes: int = 0,
    late: int = 0,
) -> Iterator[int]:
    """Yield the begin of each round, ns: each takes `takes` ns and begins `late` ns late by turns."""
    now, turn = 0, 0
    while now < seconds * SECOND:
        pace.begin(now, moving=moving)
        pace.take(arrived(now))
        yield now
        now += takes
        now += round(pace.wait(now) * 1e9) + late * (turn % 2)
        turn += 1


def made(seconds: float = 1) -> Pace:
    """Return the pace of a run without a crawler."""
    return Pace(0, checkpoint_ns=round(seconds * SECOND), crawls=False)


def gaps(times: list[int]) -> set[int]:
    """Return the intervals between times, ms."""
    return {(b - a) // MS for a, b in itertools.pairwise(times)}


@pytest.mark.parametrize("size", [0, 1, 1365])
def test_there_is_a_tick_every_120_ms(size: int) -> None:
    """Whether a little arrives or nothing: silence, too, is decided with time."""
    pace = made()
    ticks = [now for now in rounds(pace, 1, arrived=lambda _now: size) if pace.tick()]
    assert gaps(ticks) == {120}


def test_much_that_arrives_brings_a_tick_each_round() -> None:
    """From 4 kB since the last tick on."""
    pace = made()
    ticks = [now for now in rounds(pace, 1, arrived=lambda _now: 4096) if pace.tick()]
    assert gaps(ticks) == {40}


@pytest.mark.parametrize(("devices", "ticked"), [(1, 40), (2, 40), (8, 80), (17, 120)])
def test_what_is_much_grows_with_the_devices(devices: int, ticked: int) -> None:
    """A tick decodes each of them: seventeen with a little each are no reason for one each round."""
    pace = Pace(0, checkpoint_ns=SECOND, crawls=False, devices=devices)
    ticks = [now for now in rounds(pace, 1, arrived=lambda _now: 8192) if pace.tick()]
    assert gaps(ticks) == {ticked}


def test_much_is_counted_from_tick_to_tick() -> None:
    """A burst brings one tick in the round that takes it, and no more after it."""
    pace = made()
    burst = {120 * MS: 2048, 160 * MS: 100, 200 * MS: 4000}
    ticks = [now for now in rounds(pace, 0.4, arrived=lambda now: burst.get(now, 0)) if pace.tick()]
    assert [now // MS for now in ticks] == [0, 120, 200, 320]
    burst = {160 * MS: 4096}
    pace = made()
    ticks = [now for now in rounds(pace, 0.3, arrived=lambda now: burst.get(now, 0)) if pace.tick()]
    assert [now // MS for now in ticks] == [0, 120, 160, 280]


@pytest.mark.parametrize("late", [1, 2, 3])
@pytest.mark.parametrize(("moving", "expected", "ticked"), [(False, 25, 9), (True, 125, 125)])
def test_a_late_round_does_not_leave_out_the_next_tick(
    late: int, moving: bool, expected: int, ticked: int
) -> None:
    """Rounds that come late by turns have their ticks, and keep their even pace."""
    pace = made()
    begun = []
    ticks = 0
    for now in rounds(pace, 1, late=late * MS, moving=moving):
        begun.append(now)
        ticks += pace.tick()
    assert (len(begun), ticks) == (expected, ticked)


@pytest.mark.parametrize(("moving", "crawls"), [(False, False), (False, True), (True, True)])
@pytest.mark.parametrize("late", [0, 3])
def test_an_arrival_is_flushed_within_50_ms(moving: bool, crawls: bool, late: int) -> None:
    """From just after one round to the flush of a later one: what a kill may lose."""
    pace = Pace(0, checkpoint_ns=SECOND, crawls=crawls)
    waiting: list[int] = []
    longest = before = 0
    for now in rounds(pace, 2, moving=moving, late=late * MS):
        waiting.append(before)  # arrived right after the round before, and is taken by this one
        before = now
        if pace.flush():
            longest = max(longest, now - min(waiting))
            waiting.clear()
    assert 0 < longest <= 50 * MS


def test_syncs_are_100_ms_apart() -> None:
    """Not every flush is synced."""
    pace = made()
    syncs = [now for now in rounds(pace, 1) if pace.flush() and pace.sync()]
    assert gaps(syncs) == {120}


def test_guards_of_a_moving_crawler_get_a_round_and_a_tick_every_8_ms() -> None:
    """Rounds and ticks are quicker while it may move."""
    pace = Pace(0, checkpoint_ns=SECOND, crawls=True)
    assert gaps(list(rounds(pace, 1, moving=True))) == {8}
    pace = Pace(0, checkpoint_ns=SECOND, crawls=True)
    assert gaps([now for now in rounds(pace, 1, moving=True) if pace.tick()]) == {8}


def test_a_crawler_at_rest_gets_a_round_every_10_ms_and_a_tick_every_20_ms() -> None:
    """Its guards are looked at before it moves, and a command is journalled soon."""
    pace = Pace(0, checkpoint_ns=SECOND, crawls=True)
    begun, ticks = [], []
    for now in rounds(pace, 1):
        begun.append(now)
        if pace.tick():
            ticks.append(now)
    assert gaps(begun) == {10}
    assert gaps(ticks) == {20}


def test_the_time_of_a_round_is_part_of_its_interval() -> None:
    """A round of 5 ms is followed by a wait of 35 ms."""
    assert gaps(list(rounds(made(), 1, takes=5 * MS))) == {40}


def test_a_long_round_is_followed_by_a_short_wait_and_the_usual_pace() -> None:
    """Rounds that were missed are not made up for; other tasks have their turn."""
    pace = made()
    pace.begin(0, moving=False)
    assert pace.wait(300 * MS) == pytest.approx(0.001)
    pace.begin(301 * MS, moving=False)
    assert pace.wait(301 * MS) == pytest.approx(0.040)


def test_checkpoints_wait_for_the_one_before() -> None:
    """A checkpoint begins after its interval, or once the one that took longer is done."""
    pace = made(0.1)
    pace.begin(99 * MS, moving=False)
    assert not pace.checkpoint(busy=False)
    pace.begin(100 * MS, moving=False)
    assert not pace.checkpoint(busy=True)
    pace.begin(150 * MS, moving=False)
    assert pace.checkpoint(busy=False)
    assert not pace.checkpoint(busy=False)
    pace.begin(250 * MS, moving=False)
    assert pace.checkpoint(busy=False)
