"""The end of a connection, against a scripted broker: nothing resets it before the broker has closed.

The packets are those of MQTT 3.1.1 (OASIS, 29 October 2014), chapter 3.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime

import pytest

from swathe.live.link import BrokerLink
from swathe.live.linking import end_link
from swathe.live.mirror import Mirror
from swathe.messages import ReplyMessage, StateMessage, Topics
from swathe.station import BrokerSettings

TOPICS = Topics("bench")
CONNECT, PUBLISH, SUBSCRIBE, PING, DISCONNECT = 1, 3, 8, 12, 14
CONNACK, PUBACK, SUBACK, PONG = b"\x20\x02\x00\x00", b"\x40\x02", b"\x90", b"\xd0\x00"
# QoS 0, topic "x", no payload: nobody asked for it, and nobody answers.
LATE = b"\x30\x03\x00\x01x"


class ScriptedBroker:
    """Answers one client, and does nothing when the client says farewell."""

    def __init__(self) -> None:
        self.farewell = asyncio.Event()
        self.answers = True
        self.writer: asyncio.StreamWriter | None = None
        self.ended = asyncio.Event()
        self.error: OSError | None = None

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Answer until the connection ends, and keep how it ended."""
        self.writer = writer
        try:
            while head := await reader.read(1):
                self._answer(head[0] >> 4, head[0], await _body(reader))
        except OSError as error:
            self.error = error
        except asyncio.IncompleteReadError:
            pass
        self.ended.set()
        writer.close()

    def _answer(self, kind: int, head: int, body: bytes) -> None:
        assert self.writer is not None
        if kind == CONNECT:
            self.writer.write(CONNACK)
        elif kind == SUBSCRIBE:
            # One byte of granted quality for each filter: two bytes of length, the text, one of options.
            count, at = 0, 2
            while at < len(body):
                at += 3 + int.from_bytes(body[at : at + 2])
                count += 1
            self.writer.write(SUBACK + bytes([2 + count]) + body[:2] + b"\x01" * count)
        elif kind == PUBLISH and self.answers and head & 6:
            at = 2 + int.from_bytes(body[:2])
            self.writer.write(PUBACK + body[at : at + 2])
        elif kind == PING:
            self.writer.write(PONG)
        elif kind == DISCONNECT:
            self.farewell.set()


async def _body(reader: asyncio.StreamReader) -> bytes:
    """Return the rest of a packet: its length is in groups of seven bits, the lowest first."""
    length = shift = 0
    while True:
        byte = (await reader.readexactly(1))[0]
        length |= (byte & 127) << shift
        shift += 7
        if byte < 128:
            return await reader.readexactly(length)


def _state(state: str) -> StateMessage:
    facts = {"station": "bench", "survey": "x", "time": datetime(2030, 1, 1, tzinfo=UTC)}
    return StateMessage.model_validate({**facts, "state": state, "session": "aa11"})


def _reply(identity: str, detail: str) -> ReplyMessage:
    raise AssertionError((identity, detail))


@asynccontextmanager
async def _connected() -> AsyncIterator[tuple[ScriptedBroker, BrokerLink, asyncio.Task[None]]]:
    """Return a scripted broker and a link that has published its state there."""
    broker, mirror = ScriptedBroker(), Mirror()
    server = await asyncio.start_server(broker.serve, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    mirror.put(TOPICS.state, _state("complete"))
    link = BrokerLink(
        settings=BrokerSettings(port=port, protocol="3.1.1", commands=False),
        topics=TOPICS,
        session="aa11",
        mirror=mirror,
        will=lambda: _state("offline"),
        settled=lambda: True,
        on_command=lambda command: _reply(command.id, ""),
        on_refused=_reply,
    )
    task = asyncio.create_task(link.run(), name="link")
    try:
        async with asyncio.timeout(60):
            await link.state_taken()
        yield broker, link, task
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        server.close()
        if broker.writer is not None:
            broker.writer.close()


async def test_connection_ends_when_the_broker_closes() -> None:
    """Answers that come after the farewell are taken, and reset nothing."""
    async with _connected() as (broker, link, task), asyncio.timeout(60):
        end = asyncio.create_task(end_link(link, task), name="end")
        await broker.farewell.wait()
        assert broker.writer is not None
        for _ in range(20):
            # On a socket that is closed the first answer causes a reset, the next one an error.
            broker.writer.write(LATE)
            await broker.writer.drain()
            await asyncio.sleep(0)
        assert not broker.ended.is_set()
        assert not end.done()
        broker.writer.close()
        assert await end == ""
        assert broker.error is None


async def test_messages_on_their_way_are_before_the_farewell_and_their_answers_after_it() -> None:
    """A link that answers late: the messages in flight are not waited for, their answers are read."""
    async with _connected() as (broker, link, task), asyncio.timeout(60):
        broker.answers = False
        link._mirror.put(TOPICS.line(1), _state("scanning"))
        while not link._window.in_flight:  # noqa: ASYNC110
            await asyncio.sleep(0)
        link.hasten_end()
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        taken = asyncio.create_task(link.farewell_taken(60.0), name="farewell")
        await broker.farewell.wait()
        assert broker.writer is not None
        broker.writer.write(PUBACK + b"\x00\x03")
        await broker.writer.drain()
        assert not broker.ended.is_set()
        broker.writer.close()
        assert await taken


async def test_broker_that_does_not_close_is_not_waited_for_and_is_reported(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """It has confirmed the end; whether it publishes the last will is not known."""
    monkeypatch.setattr("swathe.live.linking._FAREWELL_SECONDS", 0.1)
    async with _connected() as (broker, link, task), asyncio.timeout(60):
        missing = await end_link(link, task)
        assert "confirmed how the run ended, but has not closed the connection" in missing
        assert "may show the station as offline" in missing
        await broker.farewell.wait()
        await broker.ended.wait()  # the station closes all the same


async def test_broker_that_is_gone_takes_no_farewell() -> None:
    """The connection was lost before the farewell."""
    async with _connected() as (broker, link, task), asyncio.timeout(60):
        assert broker.writer is not None
        broker.writer.close()
        await broker.ended.wait()
        while link.state == "connected":  # noqa: ASYNC110
            await asyncio.sleep(0)
        link.hasten_end()
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        assert not await link.farewell_taken(60.0)
