"""What is published next, and when: each kind at its own pace."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime

from swathe.live.mirror import Mirror
from swathe.live.outbox import Outbox
from swathe.messages import ReplyMessage
from swathe.station import BrokerSettings

MS = 1_000_000
SETTINGS = BrokerSettings.model_construct(
    progress_interval=100 * MS,
    gap_interval=200 * MS,
    line_interval=300 * MS,
    port_interval=1000 * MS,
)


class Bench:
    """An outbox whose clock stands in a test's hand."""

    def __init__(self) -> None:
        self.now = 0
        self.count = 0
        self.mirror = Mirror()
        self.outbox = Outbox(self.mirror, SETTINGS, clock=lambda: self.now)

    def put(self, kind: str, *, urgent: bool = False) -> None:
        """Change the message of a topic."""
        self.count += 1
        message = ReplyMessage(
            station="s",
            survey="x",
            time=datetime(2030, 1, 1, tzinfo=UTC),
            id="a",
            accepted=True,
            detail=str(self.count),
        )
        self.mirror.put(f"swathe/s/{kind}", message, urgent=urgent)

    async def published(self, now: int) -> list[str]:
        """Return the kinds that are published at `now`, ms, without waiting."""
        self.now = now * MS
        found = []
        while True:
            try:
                async with asyncio.timeout(0.01):
                    found.append((await self.outbox.next()).removeprefix("swathe/s/"))
            except TimeoutError:
                return found


async def test_each_kind_at_its_own_pace() -> None:
    """What comes sooner than its interval waits, and is then published once."""
    bench = Bench()
    for kind in ("state", "progress", "line/1", "port/gauge"):
        bench.put(kind)
    assert await bench.published(0) == ["state", "progress", "port/gauge", "line/1"]
    for kind in ("state", "progress", "line/1", "line/1", "line/2", "port/gauge"):
        bench.put(kind)
    assert await bench.published(50) == ["state", "line/2"]
    assert not bench.outbox.empty
    assert await bench.published(99) == []
    assert await bench.published(100) == ["progress"]
    assert await bench.published(320) == ["line/1"]
    assert await bench.published(1000) == ["port/gauge"]
    assert bench.outbox.empty


async def test_urgent_news_do_not_wait_and_are_not_told_twice() -> None:
    """A gap that closes is told at once, though it grew a moment ago."""
    bench = Bench()
    bench.put("gap/1", urgent=True)
    assert await bench.published(0) == ["gap/1"]
    bench.put("gap/1")
    assert await bench.published(10) == []
    bench.put("gap/1", urgent=True)
    assert await bench.published(20) == ["gap/1"]
    assert await bench.published(5000) == []
    assert bench.outbox.empty


async def test_steady_news_at_the_interval_are_not_held_back_by_jitter() -> None:
    """What comes every 100 ms, a little early and a little late, is told as it comes."""
    bench = Bench()
    for at in (0, 105, 200, 308, 400, 503, 600):
        bench.put("progress")
        assert await bench.published(at) == ["progress"], at


async def test_steady_news_are_held_back_once_and_then_told_as_they_come() -> None:
    """What comes every 100 ms waits at most one time for the interval before it, not every time."""
    bench = Bench()
    bench.put("progress")
    assert await bench.published(0) == ["progress"]
    bench.put("progress")
    assert await bench.published(60) == []
    assert await bench.published(100) == ["progress"]
    for at in (160, 260, 360):
        bench.put("progress")
        assert await bench.published(at) == ["progress"], at


async def test_what_changed_again_while_it_waited_keeps_the_interval() -> None:
    """A topic that changes faster than its interval gains nothing by having waited."""
    bench = Bench()
    bench.put("progress")
    assert await bench.published(0) == ["progress"]
    for at in (20, 60):
        bench.put("progress")
        assert await bench.published(at) == []
    assert await bench.published(100) == ["progress"]
    bench.put("progress")
    assert await bench.published(160) == []
    assert await bench.published(200) == ["progress"]


async def test_no_oftener_than_the_interval_in_the_long_run() -> None:
    """A topic that changes all the time is told once an interval."""
    bench = Bench()
    count = 0
    for at in range(0, 10_000, 20):
        bench.put("progress")
        count += len(await bench.published(at)) if at % 100 == 0 else 0
    assert 99 <= count <= 101


async def test_hurry_lets_go_of_everything() -> None:
    """At the end of a run nothing waits."""
    bench = Bench()
    bench.put("line/1")
    assert await bench.published(0) == ["line/1"]
    bench.put("line/1")
    assert await bench.published(1) == []
    bench.outbox.hurry()
    assert await bench.published(2) == ["line/1"]
    assert bench.outbox.empty


async def test_forget_tells_everything_again_at_once() -> None:
    """A broker that comes back has seen nothing, however short ago it was told."""
    bench = Bench()
    bench.put("line/1")
    bench.put("progress")
    assert len(await bench.published(0)) == 2
    bench.put("line/1")
    assert await bench.published(1) == []
    bench.outbox.forget()
    assert sorted(await bench.published(2)) == ["line/1", "progress"]


async def test_next_wakes_when_a_held_topic_is_due() -> None:
    """Nobody has to put something new for what waits to be told."""
    import time

    mirror = Mirror()
    outbox = Outbox(mirror, SETTINGS)
    bench = Bench()
    bench.mirror = mirror
    bench.put("progress")
    assert await outbox.next() == "swathe/s/progress"
    bench.put("progress")
    begun = time.monotonic()
    async with asyncio.timeout(5):
        await outbox.next()
    assert time.monotonic() - begun > 0.05


async def test_small_messages_never_wait_behind_many() -> None:
    """The state is first, then what there is one of, then gaps that opened, then all others."""
    bench = Bench()
    for number in range(300):
        bench.put(f"gap/{number}")
    bench.put("line/1")
    bench.put("gap/500", urgent=True)
    for kind in ("progress", "alarm/1", "state"):
        bench.put(kind)
    found = await bench.published(0)
    assert found[:5] == ["state", "progress", "alarm/1", "gap/500", "gap/0"]
    assert found[-1] == "line/1"
    for number in range(300):
        bench.put(f"gap/{number}")
    bench.put("progress")
    bench.put("gap/299", urgent=True)
    assert (await bench.published(200))[:3] == ["progress", "gap/299", "gap/0"]


async def test_only_ranks_that_may_go_are_returned_and_the_others_wait() -> None:
    """While the link is full of gaps the state and progress still go, held back or not."""
    bench = Bench()
    ranks = [1]

    async def published(now: int) -> list[str]:
        bench.now = now * MS
        found = []
        while True:
            try:
                async with asyncio.timeout(0.01):
                    found.append(
                        (await bench.outbox.next(lambda: ranks[0])).removeprefix("swathe/s/")
                    )
            except TimeoutError:
                return found

    for kind in ("gap/1", "progress", "state"):
        bench.put(kind)
    assert await published(0) == ["state"]
    ranks[0] = 2
    assert await published(0) == ["progress"]
    bench.put("progress")
    assert await published(50) == []  # not before its interval
    ranks[0] = 1
    assert await published(100) == []
    ranks[0] = 2
    assert await published(100) == ["progress"]
    assert not bench.outbox.empty
    waiting = asyncio.create_task(bench.outbox.next(lambda: ranks[0]), name="next")
    await asyncio.sleep(0)
    ranks[0] = 4
    bench.mirror.wake()
    assert await asyncio.wait_for(waiting, 5) == "swathe/s/gap/1"


async def test_gap_that_grows_is_published_more_and_more_seldom() -> None:
    """A probe inside it for 7 s: at 0.2, 0.4, 0.8, 1.6 s and then each 2 s, and its last state."""
    bench = Bench()
    bench.put("gap/1", urgent=True)
    times = []
    for now in range(0, 7_001, 50):
        times += [now] * (await bench.published(now)).count("gap/1")
        if now < 7_000:
            bench.put("gap/1")
    assert times == [0, 200, 600, 1400, 3000, 5000, 7000]
    assert await bench.published(9_000) == ["gap/1"]
    assert bench.outbox.empty
    bench.put("gap/1")
    assert await bench.published(9_100) == []
    bench.put("gap/1", urgent=True)  # it has closed
    assert await bench.published(9_150) == ["gap/1"]


async def test_gap_that_rested_is_published_at_the_first_interval_again() -> None:
    """Two seconds after it could have been published, its growth begins again."""
    bench = Bench()
    bench.put("gap/1", urgent=True)
    for now in range(0, 1_001, 50):
        await bench.published(now)
        bench.put("gap/1")
    assert await bench.published(1_400) == ["gap/1"]  # the next after 1.6 s
    bench.put("gap/1")
    assert await bench.published(2_999) == []
    assert await bench.published(3_000) == ["gap/1"]  # the next after 2 s
    bench.put("gap/1")
    assert await bench.published(7_000) == ["gap/1"]
    bench.put("gap/1")
    assert await bench.published(7_099) == []
    assert await bench.published(7_100) == ["gap/1"]
