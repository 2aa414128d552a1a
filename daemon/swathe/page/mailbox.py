"""What waits for one viewer: the newest of each topic, and a few patches.

A viewer that reads slowly costs its mailbox and nothing else: messages of a topic replace one
another, and of patches only a few are kept; beyond that it is told to fetch its tiles anew.
"""

from __future__ import annotations

import asyncio

from swathe.page.events import event

__all__ = ["Mailbox"]

# About three seconds of a scan.
_MOST_PATCHES = 60
# Messages in one event: a late viewer's first ones come in portions that it can draw.
_PORTION = 200


class Mailbox:
    """Events for one viewer, each ready to be sent."""

    def __init__(self) -> None:
        self._messages: dict[str, bytes] = {}
        self._patches: list[bytes] = []
        self._stale = False
        self._beat: bytes = b""
        self._filled = asyncio.Event()
        self._closed = False

    def put_message(self, topic: str, payload: bytes) -> None:
        """Put a topic's newest message, JSON."""
        self._messages[topic] = payload
        self._filled.set()

    def put_patch(self, patch: bytes) -> None:
        """Put a ready event that tells of changed pixels."""
        self._patches.append(patch)
        if len(self._patches) > _MOST_PATCHES:
            self.put_stale()
        self._filled.set()

    def put_stale(self) -> None:
        """Tell that every tile the viewer has is old."""
        self._patches.clear()
        self._stale = True
        self._filled.set()

    def put_beat(self, beat: bytes) -> None:
        """Put a ready event that tells that the daemon lives; it replaces one before."""
        self._beat = beat
        self._filled.set()

    def close(self) -> None:
        """Let the viewer go once it has what is in here."""
        self._closed = True
        self._filled.set()

    async def take(self) -> bytes | None:
        """Wait for something and return it as server-sent events; None once closed and empty."""
        await self._filled.wait()
        if data := self._pop():
            return data
        return None

    def _pop(self) -> bytes:
        parts: list[bytes] = []
        if self._messages:
            portion = list(self._messages.items())[:_PORTION]
            for topic, _ in portion:
                del self._messages[topic]
            pairs = b",".join(b'["%s",%s]' % (topic.encode(), data) for topic, data in portion)
            parts.append(event("news", b"[%s]" % pairs))
        if self._stale:
            parts.append(event("stale", b"{}"))
        parts += self._patches
        parts.append(self._beat)
        self._patches, self._stale, self._beat = [], False, b""
        if not self._messages and not self._closed:
            self._filled.clear()
        return b"".join(parts)
