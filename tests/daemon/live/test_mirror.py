"""The mirror of retained messages: newest of each topic, in the order of first change."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from datetime import UTC, datetime

from swathe.live.mirror import Mirror
from swathe.messages import ReplyMessage


def message(detail: str) -> ReplyMessage:
    """Return a message that differs from another in its detail only."""
    return ReplyMessage(
        station="s",
        survey="x",
        time=datetime(2030, 1, 1, tzinfo=UTC),
        id="a",
        accepted=True,
        detail=detail,
    )


def drain(mirror: Mirror) -> list[tuple[str, str]]:
    """Take all that is unpublished, as topics and details."""
    found = []
    while (taken := mirror.take()) is not None:
        found.append((taken[0], json.loads(taken[1])["detail"]))
    return found


def test_take_order_of_first_change_newest_payload() -> None:
    """Topics come in the order in which they first changed, each with its newest message once."""
    mirror = Mirror()
    for topic, detail in (("b", "1"), ("a", "1"), ("c", "1"), ("b", "2"), ("a", "2")):
        mirror.put(topic, message(detail))
    assert mirror.unpublished == 3
    assert drain(mirror) == [("b", "2"), ("a", "2"), ("c", "1")]
    assert mirror.take() is None
    assert mirror.unpublished == 0
    assert "a" in mirror
    assert "d" not in mirror
    assert 3 not in mirror


def test_put_equal_payload_is_no_news() -> None:
    """What the broker has seen already is not told again; a change and its undoing are."""
    mirror = Mirror()
    mirror.put("a", message("1"))
    assert drain(mirror) == [("a", "1")]
    mirror.put("a", message("1"))
    assert mirror.unpublished == 0
    mirror.put("a", message("2"))
    mirror.put("a", message("1"))
    assert drain(mirror) == [("a", "1")]


def test_put_back_is_told_again_with_the_newest() -> None:
    """A message that the broker did not take comes back, as it is by then."""
    mirror = Mirror()
    mirror.put("a", message("1"))
    mirror.put("b", message("1"))
    taken = mirror.take()
    assert taken is not None
    mirror.put_back(taken[0])
    assert drain(mirror) == [("b", "1"), ("a", "1")]
    mirror.put("a", message("2"))
    assert mirror.take() is not None
    mirror.put("a", message("3"))
    mirror.put_back("a")
    assert drain(mirror) == [("a", "3")]


def test_forget_published_tells_everything_again() -> None:
    """A broker that came back empty is given every topic, in the order in which they began."""
    mirror = Mirror()
    for topic in ("b", "a", "c"):
        mirror.put(topic, message(topic))
    drain(mirror)
    mirror.put("a", message("new"))
    mirror.forget_published()
    assert drain(mirror) == [("b", "b"), ("a", "new"), ("c", "c")]


async def test_wait_until_something_is_unseen() -> None:
    """Waiting ends at once while there is news, and with the next news otherwise."""
    mirror = Mirror()
    mirror.put("a", message("1"))
    await asyncio.wait_for(mirror.wait(), 5)
    drain(mirror)
    wakes: tuple[Callable[[], None], ...] = (
        lambda: mirror.put("a", message("2")),
        lambda: mirror.put_back("a"),
        mirror.forget_published,
    )
    for wake in wakes:
        waiting = asyncio.create_task(mirror.wait(), name="waits for news")
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        assert not waiting.done()
        wake()
        await asyncio.wait_for(waiting, 5)
        drain(mirror)


def test_remove_lets_the_broker_forget_a_topic() -> None:
    """What had a message is published once more, without one; afterwards it is unknown."""
    mirror, seen = Mirror(), []
    mirror.put("a", message("1"), urgent=True)
    mirror.watch(lambda topic, payload: seen.append((topic, payload)))
    mirror.remove("a")
    mirror.remove("b")  # there was none
    assert seen == [("a", b"")]
    assert "a" not in mirror
    assert "a" not in mirror.messages
    assert mirror.urgent == set()
    assert mirror.take() == ("a", b"")
    assert mirror.take() is None
    mirror.forget_published()
    assert mirror.unpublished == 0
    mirror.put("a", message("1"))
    assert drain(mirror) == [("a", "1")]
