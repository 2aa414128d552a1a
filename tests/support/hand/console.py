"""What an operator sees of a running station over its broker, and the commands that are sent."""

from __future__ import annotations

import asyncio
import contextlib
import json
import queue
import threading
import time
from collections.abc import Callable
from types import TracebackType
from typing import Any, Final, Self

import aiomqtt

__all__ = ["Console"]

_PATIENCE_S: Final = 40.0


class Console:
    """A client of the broker in a thread of its own; a context manager.

    Args:
        port: of the broker.
        station: its name.

    Attributes:
        newest: the newest message of each topic of the station, by the part of the topic after it.
    """

    def __init__(self, port: int, station: str = "bench") -> None:
        self._port = port
        self._station = station
        self._commands: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
        self._number = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._run()), name="console")
        self.newest: dict[str, dict[str, Any]] = {}

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stop.set()
        self._thread.join()

    async def _run(self) -> None:
        root = f"swathe/{self._station}/"
        async with aiomqtt.Client("127.0.0.1", self._port) as client:
            await client.subscribe(f"{root}#", qos=1)
            # Cancelled only at the end: what a cancelled wait has taken is lost.
            read = asyncio.create_task(self._read(client, root))
            while not self._stop.is_set():
                while not self._commands.empty():
                    await client.publish(f"{root}command", json.dumps(self._commands.get()), qos=1)
                await asyncio.sleep(0.01)
            read.cancel()
            with contextlib.suppress(asyncio.CancelledError, aiomqtt.MqttError):
                await read

    async def _read(self, client: aiomqtt.Client, root: str) -> None:
        async for message in client.messages:
            topic = str(message.topic).removeprefix(root)
            if message.payload and topic != "command":
                self.newest[topic] = json.loads(message.payload)

    def post(self, command: str, **arguments: Any) -> str:
        """Send a command, whether anybody replies or not; return its id."""
        self._number += 1
        identity = f"c-{self._number}"
        self._commands.put({"command": command, "id": identity, "by": "A. Kern", **arguments})
        return identity

    def send(self, command: str, **arguments: Any) -> dict[str, Any]:
        """Send a command and return the reply."""
        identity = self.post(command, **arguments)
        self.wait(lambda: f"reply/{identity}" in self.newest, f"the reply to {command!r}")
        return self.newest[f"reply/{identity}"]

    def do(self, command: str, **arguments: Any) -> dict[str, Any]:
        """Send a command that must be accepted; return the reply."""
        reply = self.send(command, **arguments)
        assert reply["accepted"], reply
        return reply

    def reference(self, **place: Any) -> dict[str, Any]:
        """Give the place of the probe, again while it is seen to move; return the reply."""
        self.wait(
            lambda: "hold it still" not in self.send("reference", **place)["detail"],
            "a probe at rest",
        )
        reply: dict[str, Any] = self.newest[f"reply/c-{self._number}"]
        assert reply["accepted"], reply
        return reply

    @property
    def progress(self) -> dict[str, Any]:
        """The newest progress message."""
        return self.newest["progress"]

    def wait_readings(self, number: int) -> None:
        """Wait until so many more readings have come, wherever they count."""
        before = self._readings()
        self.wait(lambda: self._readings() >= before + number, f"{number} readings")

    def wait_line(self, number: int) -> None:
        """Wait until a line of a stepped index axis is in force."""
        self.wait(lambda: self._line() == number, f"line {number}")

    def _line(self) -> int:
        line = self.progress["line_now"]
        return int(line["number"])

    def _readings(self) -> int:
        return int(self.progress["readings"]) + int(self.progress["unplaced"])

    def revisions_placed(self) -> int:
        """Return with how many revisions the survey is placed."""
        listed = self.newest.get("revisions", {}).get("revisions", [])
        return sum(one["readings"] is not None for one in listed)

    def alarms(self, kind: str, status: str = "raised") -> list[dict[str, Any]]:
        """Return the alarms of a kind that have a status."""
        found = [message for topic, message in self.newest.items() if topic.startswith("alarm/")]
        return [one for one in found if one["kind"] == kind and one["status"] == status]

    def wait(self, condition: Callable[[], object], what: str) -> None:
        """Wait until a condition holds.

        Raises:
            AssertionError: it does not, for longer than any machine takes.
        """
        end = time.monotonic() + _PATIENCE_S
        while not condition():
            assert time.monotonic() < end, f"{what}: not within {_PATIENCE_S:g} s"
            time.sleep(0.02)

    def wait_alarm(self, kind: str) -> dict[str, Any]:
        """Wait for an alarm of a kind to be raised; return it."""
        self.wait(lambda: self.alarms(kind), f"the alarm {kind!r}")
        return self.alarms(kind)[-1]
