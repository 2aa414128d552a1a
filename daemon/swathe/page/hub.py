"""From the daemon to all viewers: what changed is made ready once and put into every mailbox."""

from __future__ import annotations

import asyncio
import json
import time
from base64 import b64encode
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any
from uuid import uuid4

import numpy as np
from numpy.typing import NDArray

from swathe.errors import SwatheError
from swathe.page.events import event
from swathe.page.mailbox import Mailbox
from swathe.page.own_news import OwnNews
from swathe.page.patch import pack_patch
from swathe.page.plan import describe_plan
from swathe.page.pyramid import Pyramid
from swathe.page.source import Source

__all__ = ["MOST_VIEWERS", "Hub", "TooManyViewersError"]

MOST_VIEWERS = 64

# Changes are gathered for so long; a map that is drawn twenty times a second is fluent.
_GATHER_SECONDS = 0.05
_BEAT_SECONDS = 0.5
# A change of more pixels than this is told as "fetch your tiles anew".
_MOST_PIXELS = 20_000
_TRAIL = 80
# Of gaps that are closed, and of alarms that are over, a late viewer is told only the newest.
_ENDED_TOLD = 50
_ENDED = (("gap/", b'"status":"closed"'), ("alarm/", b'"status":"over"'))


class TooManyViewersError(SwatheError):
    """As many viewers as are allowed are there already; close one."""


class Hub:
    """Watches the daemon and fills the viewers' mailboxes.

    While nobody views, it does nothing but take note of the trail.

    Args:
        source: the daemon.
    """

    def __init__(self, source: Source) -> None:
        self._source = source
        self._own = OwnNews(source)
        self._viewers: set[Mailbox] = set()
        self._cells: list[NDArray[np.int64]] = []
        self._changed = asyncio.Event()
        self._trail: deque[tuple[float, float]] = deque(maxlen=_TRAIL)
        self._at: tuple[float | None, float | None] = (None, None)
        self._pyramid: Pyramid | None = None
        self._building: asyncio.Task[Pyramid] | None = None
        self._session = uuid4().hex[:12]

    async def run(self) -> None:
        """Watch the daemon and tell the viewers, until cancelled."""
        unwatch = self._source.watch(self._take_message, self._take_cells)
        try:
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(self._spread(), name="page.spread")
                tasks.create_task(self._beat(), name="page.beat")
        finally:
            unwatch()
            if self._building is not None:
                self._building.cancel()

    def let_go(self) -> None:
        """Let every viewer go once it has what is in its mailbox."""
        if self._viewers:
            self._tell_own()  # how the crawler ended is the last of it
        for viewer in self._viewers:
            viewer.close()

    @property
    def viewers(self) -> int:
        """How many view."""
        return len(self._viewers)

    @contextmanager
    def mailbox(self) -> Iterator[Mailbox]:
        """Give a viewer a mailbox that holds everything so far, for as long as it stays.

        Raises:
            TooManyViewersError: tell the viewer to come back later.
        """
        if len(self._viewers) >= MOST_VIEWERS:
            msg = f"{MOST_VIEWERS} viewers are there already; close one"
            raise TooManyViewersError(msg)
        viewer = Mailbox()
        for topic, payload in self._worth_telling().items():
            viewer.put_message(topic, payload)
        viewer.put_beat(self._beat_event())
        self._viewers.add(viewer)
        try:
            yield viewer
        finally:
            self._viewers.discard(viewer)

    def greeting(self, pyramid: Pyramid) -> bytes:
        """Return the event with which a viewer begins."""
        plan = describe_plan(self._source, pyramid.levels, session=self._session)
        return event("plan", _json({**plan, "trail": list(self._trail)}))

    async def pyramid(self) -> Pyramid:
        """Return the levels of the grid; made when first asked for, in small turns."""
        if self._pyramid is None:
            if self._building is None:
                self._building = asyncio.create_task(self._build(), name="page.pyramid")
            return await asyncio.shield(self._building)
        return self._pyramid

    async def _build(self) -> Pyramid:
        pyramid = Pyramid(self._source.grid)
        self._cells.clear()
        for _ in pyramid.build():
            await asyncio.sleep(0)
        # What changed while it was made is still in `_cells`, for the first patch.
        self._pyramid = pyramid
        return pyramid

    def _worth_telling(self) -> dict[str, bytes]:
        """Return the newest messages that a viewer needs: not of lines, nor of all that ended."""
        newest = self._source.newest()
        for kind, mark in _ENDED:
            ended = [t for t, payload in newest.items() if t.startswith(kind) and mark in payload]
            for topic in ended[:-_ENDED_TOLD]:
                del newest[topic]
        told = {topic: data for topic, data in newest.items() if not topic.startswith("line/")}
        self._tell_own()  # what is new in it is new to the others, too
        return told | self._own.newest

    def _take_message(self, topic: str, payload: bytes) -> None:
        self._own.hear(topic)
        if not topic.startswith("line/"):
            for viewer in self._viewers:
                viewer.put_message(topic, payload)

    def _take_cells(self, cells: NDArray[np.int64]) -> None:
        if self._building is not None:
            self._cells.append(cells)
        self._changed.set()

    async def _spread(self) -> None:
        """Tell viewers of changed pixels and of the probe's place, as they come."""
        while True:
            await self._changed.wait()
            self._changed.clear()
            at = self._source.position()
            moved = at != self._at
            self._note_place(at)
            if moved:
                self._own.move()
            if self._viewers:
                self._tell_own()
            if self._pyramid is not None and (self._cells or moved):
                self._tell_pixels(self._pyramid)
            await asyncio.sleep(_GATHER_SECONDS)

    def _tell_own(self) -> None:
        for topic, payload in self._own.renew().items():
            for viewer in self._viewers:
                viewer.put_message(topic, payload)

    def _note_place(self, at: tuple[float | None, float | None]) -> None:
        if at != self._at and None not in at:
            scan, index = at
            self._trail.append((round(scan or 0.0, 2), round(index or 0.0, 2)))
        self._at = at

    def _tell_pixels(self, pyramid: Pyramid) -> None:
        cells, self._cells = self._cells, []
        changed = pyramid.update(np.concatenate(cells)) if cells else []
        if not self._viewers:
            return
        news: dict[str, Any] = {"at": [None if x is None else round(x, 2) for x in self._at]}
        many = bool(changed) and changed[0].place.size > _MOST_PIXELS
        if changed and not many:
            news["patch"] = b64encode(pack_patch(changed)).decode()
        patch = event("pixels", _json(news))
        for viewer in self._viewers:
            if many:
                viewer.put_stale()
            viewer.put_patch(patch)

    async def _beat(self) -> None:
        """Tell twice a second that the daemon lives, and how its broker is."""
        while True:
            self._changed.set()  # the probe may have moved where no cells are
            if self._viewers:
                beat = self._beat_event()
                for viewer in self._viewers:
                    viewer.put_beat(beat)
            await asyncio.sleep(_BEAT_SECONDS)

    def _beat_event(self) -> bytes:
        broker = self._source.broker
        return event(
            "beat",
            _json(
                {
                    "time": datetime.fromtimestamp(time.time(), UTC).isoformat(),
                    "viewers": len(self._viewers),
                    "broker": None
                    if broker is None
                    else {
                        "address": broker.address,
                        "state": broker.state,
                        "detail": broker.detail,
                    },
                }
            ),
        )


def _json(value: dict[str, Any]) -> bytes:
    return json.dumps(value, separators=(",", ":"), allow_nan=False).encode()
