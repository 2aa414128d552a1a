"""Pending events of one viewer: the newest message of each topic, and a few patches.

A viewer that reads slowly costs its mailbox and nothing else: messages of a topic replace one
another, and only a few patches are kept; beyond that its tiles are marked as stale.
"""

from __future__ import annotations

import asyncio

from swathe.errors import SwatheError

__all__ = [
    "MAX_VIEWERS",
    "MAX_VIEWERS_OF_PEER",
    "Mailbox",
    "TooManyViewersError",
    "event",
    "refuse_more_than_most",
]

MAX_VIEWERS = 64
"""Maximum number of viewers."""

MAX_VIEWERS_OF_PEER = 32
"""Maximum number of viewers of one address on another machine."""

# About three seconds of a scan.
_MAX_PATCHES = 60
# Messages per event: the first ones of a late viewer arrive in portions that it can draw.
_PORTION = 200


def event(name: str, data: bytes) -> bytes:
    """Return a server-sent event, as in section 9.2 of the HTML standard.

    Args:
        name: of the event.
        data: without line breaks, as JSON and base64 are.
    """
    return b"event: %s\ndata: %s\n\n" % (name.encode(), data)


class TooManyViewersError(SwatheError):
    """The maximum number of viewers is reached; close one."""


def refuse_more_than_most(viewers: int) -> None:
    """Refuse a further viewer in addition to so many.

    Raises:
        TooManyViewersError: the viewer must come back later.
    """
    if viewers >= MAX_VIEWERS:
        msg = f"the maximum of {MAX_VIEWERS} viewers is reached: close one"
        raise TooManyViewersError(msg)


class Mailbox:
    """Events for one viewer, each ready to be sent."""

    def __init__(self) -> None:
        self._messages: dict[str, bytes] = {}
        self._patches: list[bytes] = []
        self._stale = False
        self._beat: bytes = b""
        self._whole: bytes = b""
        self._filled = asyncio.Event()
        self._closed = False

    def put_message(self, topic: str, payload: bytes) -> None:
        """Put a topic's newest message, JSON."""
        self._messages[topic] = payload
        self._filled.set()

    def put_whole(self, whole: bytes) -> None:
        """Put a ready event that has the whole state; what is pending is older and is dropped."""
        self._messages.clear()
        self._patches.clear()
        self._stale = False
        self._whole = whole
        self._filled.set()

    def put_patch(self, patch: bytes) -> None:
        """Put a ready event of changed pixels."""
        self._patches.append(patch)
        if len(self._patches) > _MAX_PATCHES:
            self.put_stale()
        self._filled.set()

    def put_stale(self) -> None:
        """Mark every tile that the viewer has as stale."""
        self._patches.clear()
        self._stale = True
        self._filled.set()

    def put_beat(self, beat: bytes) -> None:
        """Put a ready event that shows that the daemon runs; it replaces an earlier one."""
        self._beat = beat
        self._filled.set()

    def close(self) -> None:
        """End the viewer's stream once it has the pending events."""
        self._closed = True
        self._filled.set()

    async def take(self) -> bytes | None:
        """Wait for events and return them as server-sent events; None once closed and empty."""
        await self._filled.wait()
        if data := self._pop():
            return data
        return None

    def _pop(self) -> bytes:
        parts: list[bytes] = [self._whole]
        if self._messages:
            portion = list(self._messages.items())[:_PORTION]
            for topic, _ in portion:
                del self._messages[topic]
            pairs = b",".join(b'["%s",%s]' % (topic.encode(), data) for topic, data in portion)
            parts.append(event("messages", b"[%s]" % pairs))
        if self._stale:
            parts.append(event("stale", b"{}"))
        parts += self._patches
        parts.append(self._beat)
        self._patches, self._stale, self._beat, self._whole = [], False, b"", b""
        if not self._messages and not self._closed:
            self._filled.clear()
        return b"".join(parts)
