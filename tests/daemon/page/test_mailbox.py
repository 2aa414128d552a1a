"""A viewer's mailbox: the newest of each topic, a few patches, nothing more."""

from __future__ import annotations

import asyncio

import pytest

from swathe.page.mailbox import Mailbox, event


async def test_take_newest_of_each_topic() -> None:
    """Of a topic only the newest message is sent, in the order in which topics first came."""
    box = Mailbox()
    for k in range(5):
        box.put_message("progress", b'{"n":%d}' % k)
        box.put_message("gap/1", b'{"g":%d}' % k)
    assert await box.take() == event("messages", b'[["progress",{"n":4}],["gap/1",{"g":4}]]')


async def test_take_waits_until_something_comes() -> None:
    """An empty mailbox keeps its viewer waiting."""
    box = Mailbox()
    with pytest.raises(TimeoutError):
        async with asyncio.timeout(0.05):
            await box.take()
    box.put_beat(b"beat")
    assert await box.take() == b"beat"


async def test_patches_beyond_the_bound_become_stale() -> None:
    """A viewer that takes nothing keeps a bounded number of patches, then one word instead."""
    box = Mailbox()
    for k in range(10_000):
        box.put_patch(b"patch %d;" % k)
    taken = await box.take()
    assert taken is not None
    assert taken.startswith(event("stale", b"{}"))
    assert taken.count(b"patch") < 70
    assert taken.endswith(b"patch 9999;")


async def test_close_gives_the_rest_first() -> None:
    """Who is let go still gets what was there, in portions, and then the end."""
    box = Mailbox()
    for k in range(450):
        box.put_message(f"gap/{k}", b"{}")
    box.close()
    portions = []
    while (taken := await box.take()) is not None:
        portions.append(taken.count(b"gap/"))
    assert portions == [200, 200, 50]
