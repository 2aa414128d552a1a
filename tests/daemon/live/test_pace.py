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
    arrived: Callable[[int], bool] = lambda _now: True,
    moving: bool = False,
    takes: int = 0,
    late: int = 0,
) -> Iterator[int]:
    """Yield the begin of each round, ns: each takes `takes` ns and begins `late` ns late by turns."""
    now, turn = 0, 0
    while now < seconds * SECOND:
        pace.begin(now, arrived=arrived(now), moving=moving)
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


def test_arrivals_bring_a_tick_every_40_ms() -> None:
    """While something arrives there is one tick each round."""
    pace = made()
    ticks = [now for now in rounds(pace, 1) if pace.tick()]
    assert gaps(ticks) == {40}


@pytest.mark.parametrize("late", [1, 2, 3])
@pytest.mark.parametrize(("moving", "expected"), [(False, 25), (True, 125)])
def test_a_late_round_does_not_leave_out_the_next_tick(
    late: int, moving: bool, expected: int
) -> None:
    """Rounds that come late by turns have a tick each, and keep their even pace."""
    pace = made()
    begun = []
    ticks = 0
    for now in rounds(pace, 1, late=late * MS, moving=moving):
        begun.append(now)
        ticks += pace.tick()
    assert ticks == len(begun)
    assert len(begun) == expected


def test_silence_brings_ticks_more_seldom() -> None:
    """While nothing arrives there are half as many ticks."""
    pace = made()
    ticks = [now for now in rounds(pace, 1, arrived=lambda now: now == 0) if pace.tick()]
    assert gaps(ticks) == {80}


def test_an_arrival_between_two_idle_ticks_brings_one_at_once() -> None:
    """An arrival after a silence has its tick in the round that takes it."""
    pace = made()
    ticks = [now for now in rounds(pace, 0.2, arrived=lambda now: now == 120 * MS) if pace.tick()]
    assert ticks == [0, 80 * MS, 120 * MS]


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
    pace.begin(0, arrived=True, moving=False)
    assert pace.wait(300 * MS) == pytest.approx(0.001)
    pace.begin(301 * MS, arrived=True, moving=False)
    assert pace.wait(301 * MS) == pytest.approx(0.040)


def test_checkpoints_wait_for_the_one_before() -> None:
    """A checkpoint begins after its interval, or once the one that took longer is done."""
    pace = made(0.1)
    pace.begin(99 * MS, arrived=True, moving=False)
    assert not pace.checkpoint(busy=False)
    pace.begin(100 * MS, arrived=True, moving=False)
    assert not pace.checkpoint(busy=True)
    pace.begin(150 * MS, arrived=True, moving=False)
    assert pace.checkpoint(busy=False)
    assert not pace.checkpoint(busy=False)
    pace.begin(250 * MS, arrived=True, moving=False)
    assert pace.checkpoint(busy=False)
