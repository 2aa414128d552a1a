"""A site's crawler controller: goes back over the gaps that are told on the broker."""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from swathe_simulators.moves import Traverse
from swathe_simulators.world import World

_LOG = logging.getLogger(__name__)
_END_STATES = ("complete", "incomplete")
_FIRST_BACK_OFF_S, _LONGEST_BACK_OFF_S = 0.1, 2.0


@dataclass(frozen=True, slots=True)
class Gap:
    """An open gap, as a message told it; mm."""

    scan_from: float
    scan_to: float
    index_from: float
    index_to: float


def read_gap(payload: bytes) -> Gap | None:
    """Read a gap message; None if it tells that the gap is closed or taken back.

    Raises:
        ValueError: the message is no JSON or lacks `status`, `scan` or `index`; the text
            says which.
    """
    if not payload:
        return None
    try:
        data = json.loads(payload)
    except ValueError as error:
        raise ValueError(f"a gap message must be JSON: {error}") from error
    if not isinstance(data, dict):
        raise ValueError(f"a gap message must be a JSON object (got {data!r})")
    status = data.get("status")
    if status not in ("open", "closed"):
        raise ValueError(f"'status' must be open or closed (got {status!r})")
    if status == "closed":
        return None
    return Gap(*_extent(data, "scan"), *_extent(data, "index"))


def _extent(data: dict[str, Any], key: str) -> tuple[float, float]:
    extent = data.get(key)
    if not isinstance(extent, dict):
        raise ValueError(f"'{key}' must be an object with from and to (got {extent!r})")
    ends = []
    for end in ("from", "to"):
        value = extent.get(end)
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise ValueError(f"'{key}.{end}' must be a number of mm (got {value!r})")
        if not math.isfinite(value):
            raise ValueError(f"'{key}.{end}' must be finite (got {value!r})")
        ends.append(float(value))
    return min(ends), max(ends)


def traverses_over(gap: Gap, lines: npt.NDArray[np.float64], *, margin: float) -> list[Traverse]:
    """Return the stretches that cover a gap, on the lines inside it or the nearest one.

    Args:
        gap: what was missed.
        lines: index places of the raster's lines in mm, shape (n,).
        margin: mm to drive beyond the gap at either end.
    """
    inside = lines[(lines >= gap.index_from - 1e-6) & (lines <= gap.index_to + 1e-6)]
    if not len(inside):
        middle = (gap.index_from + gap.index_to) / 2
        inside = lines[[int(np.argmin(np.abs(lines - middle)))]]
    return [Traverse(float(line), gap.scan_from - margin, gap.scan_to + margin) for line in inside]


class GoBack:
    """Sends the crawler of a world over open gaps, once its raster is done.

    Args:
        world: whose crawler it is.
        host: of the broker.
        port: of the broker.
        settle_s: wall seconds to wait for messages after a motion has ended.
        margin_mm: how far to drive beyond a gap at either end.
        max_passes: how many times it goes back at most.
        username: for the broker, if it asks for one.
        password: for the broker.
    """

    def __init__(
        self,
        world: World,
        *,
        host: str = "127.0.0.1",
        port: int = 1883,
        settle_s: float = 1.0,
        margin_mm: float = 4.0,
        max_passes: int = 3,
        username: str | None = None,
        password: str | None = None,
    ) -> None:
        self._world = world
        self._host, self._port = host, port
        self._login = (username, password)
        self._settle_s, self._margin, self._max_passes = settle_s, margin_mm, max_passes
        self._gaps: dict[str, Gap] = {}
        self._passes = 0
        self._ended, self._known = asyncio.Event(), asyncio.Event()

    @property
    def open_gaps(self) -> dict[str, Gap]:
        """Gaps that are open by now, by topic."""
        return dict(self._gaps)

    @property
    def passes(self) -> int:
        """How many times it went back by now."""
        return self._passes

    async def run(self) -> None:
        """Work until no gap is open, the survey has ended, or all passes are used up.

        A broker that goes away is waited for, without limit: the crawler decides nothing
        while it does not know the open gaps. Cancel the task to give up.
        """
        with self._world.controlled():
            async with asyncio.TaskGroup() as group:
                listener = group.create_task(self._listen(), name="controller.listen")
                try:
                    await self._drive()
                finally:
                    listener.cancel()

    async def _drive(self) -> None:
        await self._until_rest()
        while not self._over and self._passes < self._max_passes:
            traverses = [
                traverse
                for gap in self._gaps.values()
                for traverse in traverses_over(gap, self._world.lines_mm, margin=self._margin)
            ]
            if not traverses:
                return
            self._passes += 1
            _LOG.info("pass %d over %d gaps", self._passes, len(self._gaps))
            self._world.add_pass(merged(traverses))
            await self._until_rest()

    @property
    def _over(self) -> bool:
        return self._ended.is_set() or self._world.closed

    async def _until_rest(self) -> None:
        """Wait for the end of the motion, for messages about it, and for the broker."""
        # While the raster runs, an end can only be told by what an earlier survey left.
        # The world lives in a thread, so there is no event of this loop to wait for.
        while not (self._world.closed or self._world.wait_raster_done(0.0)):  # noqa: ASYNC110
            await asyncio.sleep(0.02)
        while not (self._over or self._world.at_rest):  # noqa: ASYNC110
            await asyncio.sleep(0.02)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(self._settle_s):
                await self._ended.wait()
        while not self._over:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(0.1):
                    await self._known.wait()
                    return

    async def _listen(self) -> None:
        import aiomqtt

        wait = _FIRST_BACK_OFF_S
        while True:
            try:
                async with (
                    aiomqtt.Client(
                        self._host, self._port, username=self._login[0], password=self._login[1]
                    ) as client,
                    asyncio.TaskGroup() as group,
                ):
                    await client.subscribe("swathe/+/gap/+", qos=1)
                    await client.subscribe("swathe/+/state", qos=1)
                    wait = _FIRST_BACK_OFF_S
                    told: set[str] = set()
                    sweep = group.create_task(self._sweep(told), name="controller.sweep")
                    try:
                        async for message in client.messages:
                            topic = str(message.topic)
                            told.add(topic)
                            self._take(topic, message.payload)
                    finally:
                        sweep.cancel()
                        self._known.clear()
            except* aiomqtt.MqttError as errors:
                _LOG.warning("broker lost (%s); trying again in %.1f s", errors.exceptions[0], wait)
                await asyncio.sleep(wait)
                wait = min(2 * wait, _LONGEST_BACK_OFF_S)

    async def _sweep(self, told: set[str]) -> None:
        """Forget gaps that the broker did not tell again after a reconnection.

        One that was closed and cleared meanwhile leaves no message behind.
        """
        await asyncio.sleep(self._settle_s)
        for topic in self._gaps.keys() - told:
            del self._gaps[topic]
        self._known.set()

    def _take(self, topic: str, payload: object) -> None:
        data = payload if isinstance(payload, bytes) else str(payload or "").encode()
        try:
            if topic.endswith("/state"):
                state = json.loads(data) if data else {}
                named = state.get("state") if isinstance(state, dict) else None
                (self._ended.set if named in _END_STATES else self._ended.clear)()
                return
            gap = read_gap(data)
        except ValueError as error:
            _LOG.warning("%s: not understood: %s", topic, error)
            return
        if gap is None:
            self._gaps.pop(topic, None)
        else:
            self._gaps[topic] = gap


def merged(traverses: list[Traverse]) -> list[Traverse]:
    """Join stretches of the same line that overlap, so that none is driven twice."""
    result: list[Traverse] = []
    for traverse in sorted(traverses, key=lambda t: (t.index, t.scan_from)):
        last = result[-1] if result else None
        if last and last.index == traverse.index and traverse.scan_from <= last.scan_to:
            result[-1] = Traverse(last.index, last.scan_from, max(last.scan_to, traverse.scan_to))
        else:
            result.append(traverse)
    return result
