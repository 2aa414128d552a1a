"""A broker in simulated time, and the client's end of a connection to it, in place of `aiomqtt.Client`.

It does what the standards have a broker do (MQTT 3.1.1 and MQTT 5, OASIS): keeps the last retained message
of a topic, sends it with the retain flag to who subscribes (3.3.1.3), sends others without it unless the
subscription says "retain as published", publishes the will of a connection that ended without DISCONNECT
(3.1.2.5), and ends a connection when another one with its identifier begins (3.1.4). What is wrong with it
is a `BrokerFault`.
"""

from __future__ import annotations

import asyncio
import json
import math
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from random import Random
from typing import Any, Self

import aiomqtt
from aiomqtt import ProtocolVersion

from support.simulated.clock import START_NS, SimulatedClock

__all__ = ["BROKER_FAULTS", "BrokerFault", "Client", "SimulatedBroker", "SimulatedFarewell"]

MS = 1_000_000
ROOT = "swathe/strip/"
BROKER_FAULTS = (
    "broker away",
    "broker back without its messages",
    "broker slow",
    "broker hangs",
    "broker hostile",
    "broker floods",
    "second client of our name",
)
_LATENCY_S = 0.002
_SLOW_S = 0.3
# Whatever a stranger writes: nothing of it is a command that may be obeyed.
_GARBAGE = (
    b"",
    b"[" * 4096,
    b"\xff\xfe\x00",
    b"x" * 300_000,
    b'{"command": "stop"}',
    b'{"session": 7, "state": ["offline"]}',
    b'{"session": "", "state": "scanning", "time": "never"}',
    b"null",
    b'{"a":' * 500,
)
_TOPICS = ("command", "state", "progress", "gap/1", "gap/77", "alarm/3", "line/0", "port/gauge")


@dataclass(frozen=True, slots=True)
class BrokerFault:
    """A fault of the broker, from `begin` to `end`, ms of host time after the start."""

    kind: str
    begin: int
    end: int


@dataclass(frozen=True, slots=True)
class _Delivered:
    topic: str
    payload: bytes
    retain: bool
    properties: None = None


class SimulatedBroker:
    """One broker.

    Args:
        clock: of the machine.
        random: decides what a stranger writes.
        speaks: of 5 and 3.1.1; it refuses the other versions.
        faults: of the broker.

    Attributes:
        retained: its retained messages.
        replies: what was published on topics of replies.
        is_dead: set by the world: returns whether the process of the clients was killed.
    """

    def __init__(
        self,
        clock: SimulatedClock,
        random: Random,
        speaks: tuple[ProtocolVersion, ...],
        faults: list[BrokerFault],
    ) -> None:
        self._clock, self._random = clock, random
        self.speaks, self.faults = speaks, faults
        self.retained: dict[str, bytes] = {}
        self.replies: list[tuple[str, bytes]] = []
        self.clients: list[Client] = []
        self.is_dead: Callable[[], bool] = lambda: False
        self._cleared: set[BrokerFault] = set()

    def faulty(self, *kinds: str) -> BrokerFault | None:
        """Return the fault of these kinds that it has now; all if none is named."""
        ms = (self._clock.now - START_NS) / MS
        for one in self.faults:
            if one.begin <= ms < one.end and (not kinds or one.kind in kinds):
                return one
        return None

    @property
    def away(self) -> bool:
        """Whether nothing answers at its address."""
        return self.faulty("broker away", "broker back without its messages") is not None

    async def take_time(self) -> None:
        """Wait for as long as a packet and its answer take."""
        while (fault := self.faulty("broker hangs")) is not None:
            until = START_NS + fault.end * MS
            await asyncio.sleep(max(1e-3, (until - self._clock.now) / 1e9))
        await asyncio.sleep(_SLOW_S if self.faulty("broker slow") else _LATENCY_S)

    def taker(self, topic: str) -> Client | None:
        """Return a client that gets what is published on a topic now."""
        return next((client for client in self.clients if client.hears(topic)), None)

    def publish(self, topic: str, payload: bytes, *, retain: bool, by: Client | None) -> None:
        """Take a message."""
        if topic.startswith(f"{ROOT}reply/"):
            self.replies.append((topic, payload))
        if retain:
            self.retained[topic] = payload
            if not payload:
                del self.retained[topic]
        for client in list(self.clients):
            client.hear(topic, payload, retain=retain, own=client is by)

    def lose(self, client: Client, *, farewell: bool) -> None:
        """End a connection; publish its will unless it said farewell."""
        if client in self.clients:
            self.clients.remove(client)
            client.ended.set()
            if not farewell and client.will is not None:
                will = client.will
                assert isinstance(will.payload, bytes)
                self.publish(will.topic, will.payload, retain=will.retain, by=None)

    async def live(self) -> None:
        """Be faulty when it is due; runs beside a run of the daemon."""
        while True:
            fault = self.faulty()
            if fault is not None and self.away:
                for client in list(self.clients):
                    self.lose(client, farewell=False)
                if fault.kind == "broker back without its messages" and fault not in self._cleared:
                    self._cleared.add(fault)
                    self.retained.clear()
            elif fault is not None and fault.kind == "broker hostile":
                self._molest()
            elif fault is not None and fault.kind == "broker floods":
                for number in range(100):
                    note = {"version": 1, "command": "note", "id": f"f{number}", "by": "x"}
                    self.publish(f"{ROOT}command", json.dumps(note).encode(), retain=False, by=None)
            elif fault is not None and fault.kind == "second client of our name":
                for client in list(self.clients):
                    self.lose(client, farewell=False)
            await asyncio.sleep(0.01 + 0.03 * self._random.random())

    def _molest(self) -> None:
        random = self._random
        if random.random() < 0.4:
            old = {"version": 1, "command": "stop", "id": f"s{random.getrandbits(40):x}", "by": "x"}
            if random.random() < 0.5:
                old |= {"session": "0badcafe"}
                self.publish(f"{ROOT}command", json.dumps(old).encode(), retain=False, by=None)
            else:
                # Of a live message MQTT 3.1.1 shows no retain flag: there its missing time is the reason.
                self.publish(f"{ROOT}command", json.dumps(old).encode(), retain=True, by=None)
            return
        topic = ROOT + random.choice(_TOPICS)
        self.publish(topic, random.choice(_GARBAGE), retain=random.random() < 0.5, by=None)


class SimulatedFarewell:
    """In place of `Farewell`, which reads a real socket to its end."""

    def __init__(self, client: Client) -> None:
        self._client = client

    async def taken(self, seconds: float) -> bool:
        """Return whether the broker took DISCONNECT within some seconds."""
        del seconds
        return self._client.said_farewell


class Client:
    """Has what the daemon uses of `aiomqtt.Client`.

    Attributes:
        broker: set by the world.
        ended: set when the connection is lost.
    """

    broker: SimulatedBroker

    def __init__(
        self,
        hostname: str,
        port: int,
        *,
        identifier: str,
        protocol: ProtocolVersion,
        timeout: float,
        will: aiomqtt.Will | None,
        **_: Any,
    ) -> None:
        del hostname, port
        self.identifier, self.will, self.timeout = identifier, will, timeout
        self._version = protocol
        self._filters: list[tuple[str, bool, bool]] = []  # filter, no local, retain as published
        self._queue: asyncio.Queue[_Delivered] = asyncio.Queue()
        self.ended = asyncio.Event()
        self.said_farewell = False

    async def __aenter__(self) -> Self:
        broker = self.broker
        if broker.away:
            raise aiomqtt.MqttError("[Errno 111] Connection refused") from ConnectionRefusedError()
        async with asyncio.timeout(self.timeout):
            await broker.take_time()
        if self._version not in broker.speaks or broker.away:
            raise aiomqtt.MqttError("Connection closed")
        for other in list(broker.clients):
            if other.identifier == self.identifier:
                broker.lose(other, farewell=False)
        broker.clients.append(self)
        return self

    async def __aexit__(self, *_: object) -> None:
        self.said_farewell = not self.ended.is_set() and not self.broker.is_dead()
        self.broker.lose(self, farewell=self.said_farewell)

    async def _answered(self, limit_s: float | None) -> None:
        """Wait for the broker's answer."""
        if self.ended.is_set():
            raise aiomqtt.MqttCodeError(4, "Could not publish message")
        limit = self.timeout if limit_s is None else limit_s
        lost = asyncio.ensure_future(self.ended.wait())
        answer = asyncio.ensure_future(self.broker.take_time())
        try:
            await asyncio.wait(
                {lost, answer},
                timeout=None if math.isinf(limit) else limit,
                return_when=asyncio.FIRST_COMPLETED,
            )
            if self.ended.is_set():
                raise aiomqtt.MqttError("Disconnected during operation")
            if not answer.done():
                raise aiomqtt.MqttError("Operation timed out")
        finally:
            lost.cancel()
            answer.cancel()

    async def subscribe(self, filters: list[tuple[str, Any]]) -> None:
        """Subscribe; the retained messages come first."""
        await self._answered(None)
        for pattern, options in filters:
            plain = isinstance(options, int)
            self._filters.append(
                (
                    pattern,
                    not plain and bool(options.noLocal),
                    not plain and bool(options.retainAsPublished),
                )
            )
            for topic, payload in list(self.broker.retained.items()):
                if _matches(pattern, topic):
                    self._queue.put_nowait(_Delivered(topic, payload, retain=True))

    async def publish(
        self,
        topic: str,
        payload: bytes,
        qos: int = 0,
        *,
        retain: bool = False,
        properties: Any = None,
        timeout: float | None = None,  # noqa: ASYNC109  as the client has it
    ) -> None:
        """Publish, and wait for the answer."""
        del qos, properties
        await self._answered(timeout)
        self.broker.publish(topic, payload, retain=retain, by=self)

    def hears(self, topic: str) -> bool:
        """Return whether it has subscribed to a topic."""
        return any(_matches(pattern, topic) for pattern, *_ in self._filters)

    def hear(self, topic: str, payload: bytes, *, retain: bool, own: bool) -> None:
        """Get a message that somebody published."""
        for pattern, no_local, as_published in self._filters:
            if _matches(pattern, topic) and not (no_local and own):
                self._queue.put_nowait(_Delivered(topic, payload, retain=retain and as_published))

    @property
    def messages(self) -> AsyncIterator[_Delivered]:
        """What comes, until the connection is lost."""
        return self._messages()

    async def _messages(self) -> AsyncIterator[_Delivered]:
        while True:
            lost = asyncio.ensure_future(self.ended.wait())
            one = asyncio.ensure_future(self._queue.get())
            try:
                await asyncio.wait({lost, one}, return_when=asyncio.FIRST_COMPLETED)
                if not one.done():
                    raise aiomqtt.MqttError("Disconnected during message iteration")
                delivered = one.result()
            finally:
                lost.cancel()
                one.cancel()
            yield delivered


def _matches(pattern: str, topic: str) -> bool:
    ours, theirs = pattern.split("/"), topic.split("/")
    return len(ours) == len(theirs) and all(
        a in ("+", b) for a, b in zip(ours, theirs, strict=True)
    )
