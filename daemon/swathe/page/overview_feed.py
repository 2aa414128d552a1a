"""From a watcher to the viewers of its overview: the rows that changed, once a second, and no backlog."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Mapping
from typing import Any

from swathe.page.mailbox import event
from swathe.page.viewers import Viewers

__all__ = ["OverviewFeed"]

_SECONDS = 1.0


class OverviewFeed:
    """Publishes topics to the viewers of an overview; without any, nothing is computed.

    Args:
        topics: returns all topics with their present contents, JSON values.

    Attributes:
        mailbox: yields a mailbox for a new viewer, as `Viewers.join`.
    """

    def __init__(self, topics: Callable[[], Mapping[str, Any]]) -> None:
        self._topics = topics
        self._viewers = Viewers()
        self._published: dict[str, bytes] = {}
        self.mailbox = self._viewers.join

    @property
    def viewers(self) -> int:
        """Number of viewers."""
        return len(self._viewers)

    async def run(self) -> None:
        """Publish what changed until cancelled."""
        while True:
            self.publish()
            await asyncio.sleep(_SECONDS)

    def publish(self) -> None:
        """Put what changed into every mailbox; a topic that is gone has the contents null."""
        if not self._viewers:
            return
        before, self._published = self._published, self._now()
        for topic, payload in self._published.items():
            if before.get(topic) != payload:
                self._viewers.put_message(topic, payload)
        for topic in before.keys() - self._published.keys():
            self._viewers.put_message(topic, b"null")
        self._viewers.put_message("beat", b"1")

    def close_viewers(self) -> None:
        """End every viewer's stream once it has the pending topics."""
        self._viewers.close()

    async def first_event(self) -> bytes:
        """Return the first event of a viewer: everything."""
        pairs = b",".join(
            b"[%s,%s]" % (json.dumps(topic).encode(), payload)
            for topic, payload in self._now().items()
        )
        return event("messages", b"[" + pairs + b"]")

    def _now(self) -> dict[str, bytes]:
        return {
            topic: json.dumps(contents, separators=(",", ":"), allow_nan=False).encode()
            for topic, contents in self._topics().items()
        }
