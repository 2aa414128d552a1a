"""Topics that only the page has: the next step by hand, the notes and the result."""

from __future__ import annotations

import json
import time
from dataclasses import asdict

from swathe.messages import moment
from swathe.page.source import Source

__all__ = ["PageTopics"]

# The next step by hand is computed at most this often,
_STEP_SECONDS = 0.4
# and with many gaps less often: it takes at most this share of the time.
_SHARE = 0.05
_OF_STEP = ("gap/", "rescan", "line/", "state")
# Of the notes so many are published, the newest.
_NOTES = 30


class PageTopics:
    """Newest messages of the topics ``next``, ``notes`` and ``result``.

    ``next`` is null with a crawler; ``notes`` has time and text of the newest notes.

    Args:
        source: the daemon.

    Attributes:
        newest: by topic, JSON.
        result: files of the result, JSON, once the run ended.
    """

    def __init__(self, source: Source) -> None:
        self._source = source
        self.newest: dict[str, bytes] = {}
        self.result = b""
        self._step_changed = True
        self._step_due = 0.0

    def note_message(self, topic: str) -> None:
        """Note that a message of the station changed."""
        self._step_changed = self._step_changed or topic.startswith(_OF_STEP)

    def note_motion(self) -> None:
        """Note that the probe moved."""
        self._step_changed = True

    def forget_step(self) -> None:
        """Compute the next step again, however short ago it was computed."""
        self._step_changed, self._step_due = True, 0.0

    def update(self) -> dict[str, bytes]:
        """Return the messages that changed since the last call, by topic."""
        latest: dict[str, bytes] = {}
        if notes := self._source.notes()[-_NOTES:]:
            pairs = [{"time": moment(at).isoformat(), "text": text} for at, text in notes]
            latest["notes"] = _json(pairs)
        if self.result:
            latest["result"] = self.result
        begun = time.monotonic()
        if self._step_changed and begun >= self._step_due:
            self._step_changed = False
            step = self._source.next_step()
            latest["next"] = _json(None if step is None else asdict(step))
            took = time.monotonic() - begun
            self._step_due = begun + max(_STEP_SECONDS, took / _SHARE)
        changed = {topic: text for topic, text in latest.items() if self.newest.get(topic) != text}
        self.newest |= changed
        return changed


def _json(value: object) -> bytes:
    return json.dumps(value, separators=(",", ":"), allow_nan=False).encode()
