"""What the page tells beside the station's messages: the crawler, and where to go next by hand."""

from __future__ import annotations

import json
import time
from dataclasses import asdict

from swathe.page.source import Source

__all__ = ["OwnNews"]

# Where to go is reckoned anew as often as this at most,
_STEP_SECONDS = 0.4
# and with many gaps more rarely: it takes so much of the time at most.
_SHARE = 0.05
_OF_STEP = ("gap/", "rescan")


class OwnNews:
    """Two messages in the manner of topics: ``crawler`` and ``next``.

    ``crawler`` is told only where something moves by itself; ``next`` is null when nothing was left
    behind.

    Args:
        source: the daemon.

    Attributes:
        newest: by topic, JSON.
    """

    def __init__(self, source: Source) -> None:
        self._source = source
        self.newest: dict[str, bytes] = {}
        self._stepped = True
        self._step_due = 0.0

    def hear(self, topic: str) -> None:
        """Take note that a message of the station changed."""
        self._stepped = self._stepped or topic.startswith(_OF_STEP)

    def move(self) -> None:
        """Take note that the probe moved."""
        self._stepped = True

    def renew(self) -> dict[str, bytes]:
        """Return what changed since the last call, by topic."""
        found: dict[str, bytes] = {}
        crawler = self._source.crawler
        if crawler is not None:
            found["crawler"] = _json(asdict(crawler))
        begun = time.monotonic()
        if self._stepped and begun >= self._step_due:
            self._stepped = False
            step = self._source.next_step()
            found["next"] = _json(None if step is None else asdict(step))
            took = time.monotonic() - begun
            self._step_due = begun + max(_STEP_SECONDS, took / _SHARE)
        changed = {topic: text for topic, text in found.items() if self.newest.get(topic) != text}
        self.newest |= changed
        return changed


def _json(value: object) -> bytes:
    return json.dumps(value, separators=(",", ":"), allow_nan=False).encode()
