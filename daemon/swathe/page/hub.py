"""From the daemon to all viewers: each change is prepared once and put into every mailbox."""

from __future__ import annotations

import asyncio
import json
import time
from base64 import b64encode
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any
from uuid import uuid4

import numpy as np

from swathe.arrays import Cells
from swathe.page.gauge_json import gauge_json
from swathe.page.mailbox import Mailbox, event
from swathe.page.page_topics import PageTopics
from swathe.page.plan import page_words, viewer_plan
from swathe.page.pyramid import Level, Pyramid, pack_patch
from swathe.page.source import Source
from swathe.page.viewers import Viewers

__all__ = ["Hub"]

# Changes are gathered for so long; a map that is drawn twenty times a second looks smooth.
_GATHER_SECONDS = 0.05
_BEAT_SECONDS = 0.5
# So often an eye sees whether the probe couples.
_GAUGE_SECONDS = 0.15
# A change of more pixels than this marks every tile as stale.
_MAX_PIXELS = 20_000
_TRAIL = 80
# A late viewer gets only the newest of closed gaps and of alarms that are over.
_MAX_ENDED = 50
# Of a topic that has none any more.
_NO_MESSAGE = b"null"
_ENDED = (("gap/", b'"status":"closed"'), ("alarm/", b'"status":"over"'))


class Hub:
    """Watches the daemon and fills the viewers' mailboxes.

    Without viewers it only records the trail.

    Args:
        source: the daemon.
    """

    def __init__(self, source: Source) -> None:
        self._source = source
        self._topics = PageTopics(source)
        self._viewers = Viewers()
        self._cells: list[Cells] = []
        self._changed = asyncio.Event()
        self._trail: deque[tuple[float, float]] = deque(maxlen=_TRAIL)
        self._position: tuple[float | None, float | None] = (None, None)
        self._heading: float | None = None
        self._pyramid: Pyramid | None = None
        self._building: asyncio.Task[None] | None = None
        self._early: set[Mailbox] = set()
        self._beginning: asyncio.Task[None] | None = None
        self._session = uuid4().hex[:12]
        self._placings = 0

    async def run(self) -> None:
        """Watch the daemon and publish changes to the viewers, until cancelled."""
        unwatch = self._source.watch(self._on_message, self._on_cells)
        try:
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(self._broadcast(), name="page.broadcast")
                tasks.create_task(self._beat(), name="page.beat")
                tasks.create_task(self._stream_gauge(), name="page.gauge")
        finally:
            unwatch()
            for task in (self._building, self._beginning):
                if task is not None:
                    task.cancel()

    def close_viewers(self) -> None:
        """End every viewer's stream once it has the pending events."""
        if self._viewers:
            self._broadcast_topics()
        self._viewers.close()

    def show_result(self, message: dict[str, Any] | None) -> None:
        """Send the viewers what the result of the run consists of."""
        if message is not None:
            self._topics.result = _json(message)
            self._broadcast_topics()

    @property
    def viewers(self) -> int:
        """Number of viewers."""
        return len(self._viewers)

    @contextmanager
    def mailbox(self) -> Iterator[Mailbox]:
        """Yield a mailbox for a new viewer, filled with the initial messages.

        Raises:
            TooManyViewersError: the viewer must come back later.
        """
        initial = self._initial_messages()  # first, so that what changed in them comes once
        with self._viewers.join() as viewer:
            for topic, payload in initial.items():
                viewer.put_message(topic, payload)
            viewer.put_beat(self._beat_event())
            if self._source.opening is not None:
                self._early.add(viewer)
            try:
                yield viewer
            finally:
                self._early.discard(viewer)

    async def first_event(self) -> bytes:
        """Return the first event of a viewer: the plan, or while the survey is resumed what is known."""
        if (opening := self._source.opening) is not None:
            return event(
                "opening",
                _json({"session": self._session, "words": page_words(), **asdict(opening)}),
            )
        return self._plan_event(await self.pyramid())

    def _plan_event(self, pyramid: Pyramid) -> bytes:
        return event("plan", self._plan(pyramid.levels))

    def begin(self) -> None:
        """Send the plan, and all messages, to those who came while the survey was being resumed."""
        if self._early:
            self._beginning = asyncio.create_task(self._begin(), name="page.begin")

    async def _begin(self) -> None:
        plan, messages = self._plan_event(await self.pyramid()), self._initial_messages()
        for viewer in self._early:
            viewer.put_whole(plan)
            for topic, payload in messages.items():
                viewer.put_message(topic, payload)
        self._early.clear()

    def _plan(self, levels: Sequence[Level]) -> bytes:
        plan = viewer_plan(
            self._source, levels, session=self._session, placing=f"{self._session}-{self._placings}"
        )
        return _json({**plan, "trail": list(self._trail)})

    def replace(self) -> None:
        """Send every viewer the whole new state, in one event: the survey was placed again."""
        self._placings += 1
        pyramid, self._pyramid = self._pyramid, None
        self._cells.clear()
        if pyramid is None:  # no viewer has a map yet; what is being built is of the old state
            return
        self._building = asyncio.create_task(self._build(), name="page.pyramid")
        self._topics.forget_step()
        pairs = b",".join(
            b'["%s",%s]' % (topic.encode(), data)
            for topic, data in self._initial_messages().items()
        )
        whole = event(
            "replaced", b'{"plan":%s,"messages":[%s]}' % (self._plan(pyramid.levels), pairs)
        )
        for viewer in self._viewers:
            viewer.put_whole(whole)

    async def pyramid(self) -> Pyramid:
        """Return the levels of the grid; built on the first call, in small steps.

        Raises:
            LookupError: there is no grid yet.
        """
        if self._source.opening is not None:
            message = "the survey is being resumed"
            raise LookupError(message)
        while self._pyramid is None:
            if self._building is None:
                self._building = asyncio.create_task(self._build(), name="page.pyramid")
            await asyncio.shield(self._building)
        return self._pyramid

    async def _build(self) -> None:
        while self._pyramid is None:
            placings, pyramid = self._placings, Pyramid(self._source.grid)
            self._cells.clear()
            for _ in pyramid.build():
                await asyncio.sleep(0)
            if placings == self._placings:
                # What changed during the build is still in `_cells`, for the first patch.
                self._pyramid = pyramid

    def _initial_messages(self) -> dict[str, bytes]:
        """Return the newest messages that a viewer needs: no lines, and few that ended."""
        newest = self._source.newest()
        for kind, mark in _ENDED:
            ended = [t for t, payload in newest.items() if t.startswith(kind) and mark in payload]
            for topic in ended[:-_MAX_ENDED]:
                del newest[topic]
        initial = {topic: data for topic, data in newest.items() if not topic.startswith("line/")}
        self._broadcast_topics()  # what changed in them is new to the other viewers, too
        return initial | self._topics.newest

    def _on_message(self, topic: str, payload: bytes) -> None:
        self._topics.note_message(topic)
        if not topic.startswith("line/"):
            self._viewers.put_message(topic, payload or _NO_MESSAGE)

    def _on_cells(self, cells: Cells) -> None:
        if self._building is not None:
            self._cells.append(cells)
        self._changed.set()

    async def _broadcast(self) -> None:
        """Send changed pixels and the probe's position to all viewers."""
        while True:
            await self._changed.wait()
            self._changed.clear()
            position, heading = self._source.position(), self._source.heading()
            moved = position != self._position or heading != self._heading
            self._note_position(position)
            self._heading = heading
            if moved:
                self._topics.note_motion()
            if self._viewers:
                self._broadcast_topics()
            if self._pyramid is not None and (self._cells or moved):
                self._broadcast_pixels(self._pyramid)
            await asyncio.sleep(_GATHER_SECONDS)

    def _broadcast_topics(self) -> None:
        for topic, payload in self._topics.update().items():
            self._viewers.put_message(topic, payload)

    def _note_position(self, position: tuple[float | None, float | None]) -> None:
        if position != self._position and None not in position:
            scan, index = position
            self._trail.append((round(scan or 0.0, 2), round(index or 0.0, 2)))
        self._position = position

    def _broadcast_pixels(self, pyramid: Pyramid) -> None:
        cells, self._cells = self._cells, []
        changed = pyramid.update(np.concatenate(cells)) if cells else []
        if not self._viewers:
            return
        data: dict[str, Any] = {
            "position": [None if x is None else round(x, 2) for x in self._position],
            "heading": None if self._heading is None else round(self._heading, 2),
        }
        # A pixel's offset has 32 bits.
        most = pyramid.levels[0].rows * pyramid.levels[0].columns
        too_large = bool(changed) and (changed[0].offset.size > _MAX_PIXELS or most > 1 << 32)
        if changed and not too_large:
            data["patch"] = b64encode(pack_patch(changed)).decode()
        patch = event("pixels", _json(data))
        for viewer in self._viewers:
            if too_large:
                viewer.put_stale()
            viewer.put_patch(patch)

    async def _stream_gauge(self) -> None:
        """Send the gauge's newest reading: a slow viewer gets the newest one only."""
        while True:
            if self._viewers and (state := self._source.gauge()) is not None:
                self._viewers.put_message("ascan", _json(gauge_json(state)))
            await asyncio.sleep(_GAUGE_SECONDS)

    async def _beat(self) -> None:
        """Send twice a second that the daemon runs, and the state of its broker link."""
        while True:
            self._changed.set()  # the probe may have moved outside the grid
            if self._viewers:
                beat = self._beat_event()
                for viewer in self._viewers:
                    viewer.put_beat(beat)
            await asyncio.sleep(_BEAT_SECONDS)

    def _beat_event(self) -> bytes:
        broker = self._source.broker
        beat = {
            "time": datetime.fromtimestamp(time.time(), UTC).isoformat(),
            "viewers": len(self._viewers),
            "broker": None if broker is None else asdict(broker),
        }
        return event("beat", _json(beat))


def _json(value: dict[str, Any]) -> bytes:
    return json.dumps(value, separators=(",", ":"), allow_nan=False).encode()
