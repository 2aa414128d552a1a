"""The link of a watcher to the broker: all stations or one; connects again after a loss."""

from __future__ import annotations

import asyncio
import time
import uuid
from collections.abc import Callable

import aiomqtt

from swathe.errors import SwatheError, first_error
from swathe.messages import ROOT, CommandMessage, Topics, moment
from swathe.messages.connection import BrokerAccess
from swathe.station import BrokerSettings
from swathe_drivers import Backoff

__all__ = ["WatchLink"]

_KINDS = (
    "state",
    "progress",
    "crawler",
    "line/+",
    "gap/+",
    "gaps",
    "check/+",
    "checking",
    "alarm/+",
    "rescan",
    "port/+",
)
_REFUSED_SECONDS = 30.0


class WatchLink:
    """Hands over the messages of a broker.

    Args:
        settings: the broker.
        station: the only one to watch; None for all.
        on_message: takes topic, payload, and whether it was retained.
        backoff: delays between tries to connect.

    Attributes:
        state: connecting, connected, lost or refused.
        detail: the reason.
        since: when it was entered, monotonic seconds.

    Raises:
        SwatheError: as `BrokerAccess`.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        *,
        station: str | None,
        on_message: Callable[[str, bytes, bool], None],
        backoff: Backoff | None = None,
    ) -> None:
        self._access = BrokerAccess(settings)
        self._filters = [f"{ROOT}/{station or '+'}/{kind}" for kind in _KINDS]
        self._on_message = on_message
        self._backoff = backoff or Backoff()
        self._versions = self._access.versions()
        self._client: aiomqtt.Client | None = None
        self._met = False
        self.state = "connecting"
        self.detail = ""
        self.since = time.monotonic()

    @property
    def address(self) -> str:
        """Host and port of the broker."""
        return self._access.address

    async def run(self) -> None:
        """Connect and listen, and again after a loss, until cancelled.

        Raises:
            SwatheError: the broker refused the first connection; the text gives the reason.
        """
        while True:
            wait = 0.0
            try:
                await self._listen()
            except* (aiomqtt.MqttError, TimeoutError, OSError) as group:
                wait = self._note_loss(first_error(group))
            if self.state == "refused" and not self._met:
                message = f"broker {self.address}: {self.detail}"
                raise SwatheError(message)
            await asyncio.sleep(wait or self._backoff.next_delay())

    def _note_loss(self, error: BaseException) -> float:
        problem = self._access.explain(error, met=self.state == "connected")
        if self.state != "connected" and not problem.refused:
            # A broker that does not know a version closes the connection without a reason.
            self._versions.append(self._versions.pop(0))
        self._enter("refused" if problem.refused else "lost", problem.text)
        return _REFUSED_SECONDS if problem.refused else 0.0

    def _enter(self, state: str, detail: str) -> None:
        if state != self.state:  # a further try that failed changes nothing
            self.since = time.monotonic()
        self.state, self.detail = state, detail

    async def _listen(self) -> None:
        name = f"swathe-watch-{uuid.uuid4().hex[:8]}"
        async with self._access.client(name, self._versions[0]) as client:
            for topic in self._filters:
                await client.subscribe(topic, qos=1)
            self._enter("connected", "")
            self._met = True
            self._backoff.reset()
            self._client = client
            try:
                async for message in client.messages:
                    payload = message.payload
                    data = payload if isinstance(payload, bytes) else str(payload or "").encode()
                    self._on_message(str(message.topic), data, bool(message.retain))
            finally:
                self._client = None
        raise aiomqtt.MqttError("the broker ended the link")

    async def acknowledge(
        self, station: str, alarm: int, by: str, *, session: str | None = None
    ) -> None:
        """Acknowledge an alarm of a station; the alarm's own message confirms it.

        Args:
            station: its name.
            alarm: number of the alarm.
            by: who acknowledges it.
            session: of the station's process, as in its state; None while unknown.
        """
        if self._client is None:
            return
        command = CommandMessage(
            command="acknowledge",
            id=uuid.uuid4().hex[:12],
            by=by,
            alarm=alarm,
            time=moment(time.time_ns()),
            session=session,
        )
        payload = command.model_dump_json(by_alias=True, exclude_none=True)
        await self._client.publish(Topics(station).command, payload, qos=1)
