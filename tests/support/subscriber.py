"""When gaps and progress of the station ``bench`` reach a subscriber of its broker."""

from __future__ import annotations

import asyncio
import contextlib
import json
import threading
import time

import aiomqtt

__all__ = ["Subscriber"]


class Subscriber:
    """Notes when gaps and progress come, in a thread of its own."""

    def __init__(self, port: int) -> None:
        self._port = port
        self.gaps: list[tuple[float, float]] = []
        self.progress: list[tuple[float, int]] = []
        self._known: set[int] = set()
        self._thread = threading.Thread(
            target=lambda: asyncio.run(self._run()), name="subscriber", daemon=True
        )
        self._thread.start()

    async def _run(self) -> None:
        async with aiomqtt.Client("127.0.0.1", self._port) as client:
            await client.subscribe("swathe/bench/gap/+")
            await client.subscribe("swathe/bench/progress")
            with contextlib.suppress(aiomqtt.MqttError):  # the broker ends first
                await self._read(client)

    async def _read(self, client: aiomqtt.Client) -> None:
        async for message in client.messages:
            came = time.monotonic()
            if message.retain or not message.payload:  # a topic that the broker forgets
                continue
            contents = json.loads(message.payload)
            if contents["message"] == "progress":
                # Readings before the first sample of the encoder have no position.
                self.progress.append((came, contents["readings"] + contents["unplaced"]))
            elif contents["number"] not in self._known:
                self._known.add(contents["number"])
                self.gaps.append((came, contents["scan"]["to"]))
