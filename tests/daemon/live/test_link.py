"""The link over a real broker: stopped, starved, slow and hostile ones, and a second station."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from aiomqtt import ProtocolVersion

from support.broker import Broker
from swathe.live.link import BrokerLink
from swathe.live.linking import end_link
from swathe.live.mirror import Mirror
from swathe.messages import CommandMessage, ReplyMessage, StateMessage, Topics, moment
from swathe.station import BrokerSettings

TOPICS = Topics("bench")
HEADING = {"station": "bench", "survey": "x", "time": datetime(2030, 1, 1, tzinfo=UTC)}
BRACKETS = b"[" * 4000
BOTH = pytest.mark.parametrize("protocol", ["5", "3.1.1"])


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    """Return a running broker, which keeps what a test leaves there."""
    made = Broker(tmp_path_factory.mktemp("broker"))
    made.start()
    yield made
    made.stop()


class Station:
    """A link with a mirror, and the commands that it obeyed."""

    def __init__(
        self,
        port: int,
        name: str,
        protocol: str,
        session: str,
        discovery: dict[str, bytes] | None = None,
    ) -> None:
        self.topics, self.session = Topics(name), session
        self.mirror = Mirror()
        self.obeyed: list[CommandMessage] = []
        self.put("scanning")
        self.link = BrokerLink(
            settings=BrokerSettings(port=port, protocol=protocol),
            topics=self.topics,
            session=session,
            mirror=self.mirror,
            will=lambda: self.state("offline"),
            settled=lambda: True,
            on_command=self._obey,
            on_refused=lambda identity, why: self._reply(identity, f"refused: {why}"),
            discovery=discovery,
        )

    def state(self, state: str) -> StateMessage:
        """Return a state message of this station."""
        facts = {**HEADING, "state": state, "session": self.session}
        return StateMessage.model_validate(facts)

    def put(self, state: str, topic: str = "") -> None:
        """Put a message; which model it has does not matter here."""
        self.mirror.put(topic or self.topics.state, self.state(state))

    def _obey(self, command: CommandMessage) -> ReplyMessage:
        self.obeyed.append(command)
        return self._reply(command.id, "done")

    def _reply(self, identity: str, detail: str) -> ReplyMessage:
        accepted = not detail.startswith("refused")
        facts = {**HEADING, "id": identity, "accepted": accepted, "detail": detail}
        return ReplyMessage.model_validate({**facts, "session": self.session})


class Ears:
    """A subscriber and publisher of another program."""

    def __init__(self, client: aiomqtt.Client) -> None:
        self.client = client
        self.newest: dict[str, bytes] = {}
        self.came: list[tuple[str, bytes]] = []

    async def listen(self) -> None:
        """Keep what comes."""
        with contextlib.suppress(aiomqtt.MqttError):
            async for message in self.client.messages:
                payload = message.payload if isinstance(message.payload, bytes) else b""
                self.newest[str(message.topic)] = payload
                self.came.append((str(message.topic), payload))

    async def say(
        self, topic: str, payload: bytes | dict[str, Any], *, retain: bool = False
    ) -> None:
        """Publish something."""
        data = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        await self.client.publish(topic, data, qos=1, retain=retain)

    def reply(self, topics: Topics, identity: str) -> dict[str, Any]:
        """Return the reply to a command; empty before it came."""
        found = self.newest.get(topics.reply(identity))
        return {} if found is None else dict(json.loads(found))


async def until(condition: Callable[[], bool], what: str) -> None:
    """Wait for a condition, however busy the machine is."""
    try:
        async with asyncio.timeout(60):
            while not condition():  # noqa: ASYNC110  conditions of several objects
                await asyncio.sleep(0.02)
    except TimeoutError:
        pytest.fail(f"not within 60 s: {what}")


@asynccontextmanager
async def running(station: Station) -> AsyncIterator[asyncio.Task[None]]:
    """Run a link; it is connected and has published."""
    task = asyncio.create_task(station.link.run(), name="link")
    try:
        await until(lambda: station.link.has_state, "the state")
        yield task
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


@asynccontextmanager
async def listening(port: int, name: str) -> AsyncIterator[Ears]:
    """Subscribe to all of a station."""
    async with aiomqtt.Client("127.0.0.1", port, protocol=ProtocolVersion.V5) as client:
        ears = Ears(client)
        task = asyncio.create_task(ears.listen(), name="ears")
        await client.subscribe(f"swathe/{name}/#", qos=1)
        yield ears
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


@BOTH
async def test_discovery_messages_are_retained_outside_of_own_topics(
    broker: Broker, protocol: str
) -> None:
    """After the state; an empty one clears what an earlier run left, and a new connection repeats all."""
    name = f"found-{protocol[0]}"
    root = f"plant/sensor/swathe_{name}"
    found = {f"{root}/share/config": b'{"name": "Measured"}', f"{root}/crawler/config": b""}
    async with aiomqtt.Client("127.0.0.1", broker.port) as client:
        await client.publish(f"{root}/crawler/config", b"{}", qos=1, retain=True)
        await client.publish(f"{root}/share/config", b"{}", qos=1, retain=True)
        ears = Ears(client)
        task = asyncio.create_task(ears.listen(), name="ears")
        await client.subscribe("plant/#", qos=1)
        station = Station(broker.port, name, protocol, "aa11", found)
        async with running(station):
            await until(lambda: ears.newest == found, "the config messages")
        station = Station(broker.port, name, protocol, "bb22", found)
        ears.newest.clear()
        async with running(station):
            await until(lambda: f"{root}/share/config" in ears.newest, "once more")
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
    async with aiomqtt.Client("127.0.0.1", broker.port) as late:
        await late.subscribe("plant/#", qos=1)
        message = await anext(aiter(late.messages))
        assert (str(message.topic), message.retain) == (f"{root}/share/config", True)
        await late.publish(f"{root}/share/config", b"", qos=1, retain=True)


@BOTH
async def test_brackets_everywhere_end_no_link(broker: Broker, protocol: str) -> None:
    """Kept before the start and published meanwhile, on command and other topics: all put right."""
    name = f"brackets-{protocol[0]}"
    async with listening(broker.port, name) as ears:
        station = Station(broker.port, name, protocol, "aa11")
        topics = station.topics
        for topic in (topics.gap(7), topics.command, topics.state, topics.port("gauge")):
            await ears.say(topic, BRACKETS, retain=True)
        async with running(station):
            for topic in (topics.gap(8), topics.command, topics.state, topics.alarm(1)):
                await ears.say(topic, BRACKETS, retain=topic != topics.command)
            mine = station.mirror.newest[topics.state]
            await until(
                lambda: (
                    ears.newest.get(topics.state) == mine
                    and all(
                        ears.newest.get(topic) == b""
                        for topic in (
                            topics.gap(7),
                            topics.gap(8),
                            topics.alarm(1),
                            topics.port("gauge"),
                        )
                    )
                ),
                "all is put right",
            )
            note = {"command": "note", "text": "x", "id": "n", "by": "crew"}
            note["time"] = datetime.now(UTC).isoformat()
            await ears.say(topics.command, note)
            await until(lambda: bool(ears.reply(topics, "n")), "a reply")
            assert station.link.losses == 0
            await until(lambda: bool(station.link.own.foreign_writer), "the alarm")
        # The command topic is the senders': what is kept there is theirs to clear.
        await ears.say(topics.command, b"", retain=True)


@BOTH
async def test_retained_and_outdated_commands_are_refused_while_connected(
    broker: Broker, protocol: str
) -> None:
    """By the flag over MQTT 5; by the time over MQTT 3.1.1, and without one in any case."""
    name = f"retained-{protocol[0]}"
    station = Station(broker.port, name, protocol, "aa11")
    topics = station.topics
    async with listening(broker.port, name) as ears, running(station):

        async def ask(identity: str, *, retain: bool = False, **other: Any) -> dict[str, Any]:
            command = {"command": "stop", "id": identity, "by": "crew", **other}
            await ears.say(topics.command, command, retain=retain)
            await until(lambda: bool(ears.reply(topics, identity)), f"the reply to {identity}")
            return ears.reply(topics, identity)

        # The broker may be asked on behalf of the station until it has subscribed.
        now = datetime.now(UTC).isoformat()
        kept = await ask("kept", retain=True, **({"time": now} if protocol == "5" else {}))
        assert not kept["accepted"]
        assert ("retained message" if protocol == "5" else "'time' is required") in kept["detail"]
        old = await ask("old", time="2020-01-01T00:00:00Z")
        assert not old["accepted"]
        assert "commands live 30 s" in old["detail"]
        elsewhere = await ask("else", time=now, reply_to="swathe/other/reply/else")
        assert not elsewhere["accepted"]
        assert not (await ask("other", time=now, session="bb22"))["accepted"]
        assert station.obeyed == []
        fresh = await ask("new", time=datetime.now(UTC).isoformat(), session="aa11")
        assert (fresh["accepted"], fresh["session"]) == (True, "aa11")
        await ears.say(topics.command, {"command": "note", "text": "x", "id": "new", "by": "crew", "time": now})  # fmt: skip
        await until(lambda: not ears.reply(topics, "new")["accepted"], "a used id is refused")
        assert [command.id for command in station.obeyed] == ["new"]
        await ears.say(topics.command, b"", retain=True)


@BOTH
async def test_two_stations_of_one_name_both_notice(broker: Broker, protocol: str) -> None:
    """One stop ends neither; with a session it ends the one that it names."""
    name = f"twins-{protocol[0]}"
    first = Station(broker.port, name, protocol, "aa11")
    second = Station(broker.port, name, protocol, "bb22")
    topics = first.topics
    async with listening(broker.port, name) as ears, running(first), running(second):
        await until(
            lambda: "bb22" in first.link.own.name_in_use and "aa11" in second.link.own.name_in_use,
            "both notice",
        )
        stop = {"command": "stop", "id": "s", "by": "crew", "time": datetime.now(UTC).isoformat()}
        await ears.say(topics.command, stop)
        await until(
            lambda: len([1 for topic, _ in ears.came if topic == topics.reply("s")]) == 2, "replies"
        )
        assert (first.obeyed, second.obeyed) == ([], [])
        await ears.say(topics.command, {**stop, "id": "t", "session": "bb22"})
        await until(lambda: bool(second.obeyed), "the one named obeys")
        assert first.obeyed == []
        assert first.link.losses == second.link.losses == 0


async def test_end_waits_for_the_reply_to_a_command(broker: Broker) -> None:
    """Which waits for the disk: whoever has sent it learns what became of it."""
    station = Station(broker.port, "owed", "3.1.1", "aa11")
    topics, synced = station.topics, asyncio.Event()

    async def saved(reply: ReplyMessage) -> ReplyMessage:
        await synced.wait()
        return reply

    station.link._inbox._saved = saved
    note = {"command": "note", "id": "n", "by": "crew", "time": datetime.now(UTC).isoformat()}
    async with listening(broker.port, "owed") as ears, running(station):
        await station.link.drained()
        await ears.say(topics.command, note)
        await until(lambda: bool(station.obeyed), "the note")
        ended = asyncio.create_task(station.link.drained())
        await asyncio.sleep(0.05)
        assert not ended.done()
        synced.set()
        await asyncio.wait_for(ended, 5)
        await until(lambda: topics.reply("n") in ears.newest, "the reply")


@BOTH
async def test_forged_messages_are_put_right(broker: Broker, protocol: str) -> None:
    """Also one that is emptied; a reader has the true one without waiting for it to change."""
    name = f"forged-{protocol[0]}"
    station = Station(broker.port, name, protocol, "aa11")
    topics = station.topics
    station.put("scanning", topics.progress)
    station.put("scanning", topics.alarm(1))
    async with listening(broker.port, name) as ears, running(station):
        await station.link.drained()
        true = dict(station.mirror.newest)
        forged = {**json.loads(true[topics.progress]), "state": "complete"}
        await ears.say(topics.progress, forged, retain=True)
        await ears.say(topics.alarm(1), b"", retain=True)
        await until(lambda: len(ears.came) >= 7, "forged and true ones")  # 3, 2 forged, 2 again
        await until(lambda: all(ears.newest[topic] == true[topic] for topic in true), "the truth")


async def test_starved_broker_loses_nothing_and_the_end_is_confirmed(tmp_path: Path) -> None:
    """Stopped by a signal for a while in the midst of it, it has all at the end."""
    broker = Broker(tmp_path)
    broker.start()
    try:
        station = Station(broker.port, "starved", "5", "aa11")
        async with running(station) as task:
            os.kill(broker.pid, signal.SIGSTOP)
            for number in range(200):
                station.put("scanning", station.topics.line(number))
            station.put("complete")
            await asyncio.sleep(0.1)
            assert not station.link.has_state
            os.kill(broker.pid, signal.SIGCONT)
            assert await end_link(station.link, task) == ""
        async with listening(broker.port, "starved") as ears:
            await until(lambda: len(ears.newest) == 201, "all messages")
            assert json.loads(ears.newest[station.topics.state])["state"] == "complete"
    finally:
        broker.stop()


async def test_broker_that_answers_no_more_is_reported_and_not_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The run ends all the same, and says what the broker may show."""
    monkeypatch.setattr("swathe.live.linking._LAST_MESSAGES_SECONDS", 0.5)
    broker = Broker(tmp_path)
    broker.start()
    try:
        station = Station(broker.port, "dead", "3.1.1", "aa11")
        async with running(station) as task:
            os.kill(broker.pid, signal.SIGSTOP)
            station.put("complete")
            missing = await end_link(station.link, task)
            assert "has not confirmed how the run ended" in missing
            assert task.done()
        os.kill(broker.pid, signal.SIGCONT)
    finally:
        broker.stop()


async def test_end_of_a_link_is_no_error_whatever_ended_it() -> None:
    """A link that failed in a way that nobody foresaw changes no exit code."""
    station = Station(1, "failed", "5", "aa11")

    async def fail() -> None:
        raise RecursionError

    task = asyncio.create_task(fail(), name="failing")
    await asyncio.sleep(0)
    assert "was not connected" in await end_link(station.link, task)


async def test_many_gaps_do_not_starve_progress_over_a_slow_link(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Over a link of 60 kB/s the newest progress comes while thousands of lines wait; the end, too.

    It ends with lines on their way: the broker takes the farewell all the same, and sends no will.
    """
    monkeypatch.setattr("swathe.live.linking._LAST_MESSAGES_SECONDS", 0.1)
    monkeypatch.setattr("swathe.live.linking._FAREWELL_SECONDS", 60.0)
    broker = Broker(tmp_path)
    broker.start()
    try:
        async with _slow(broker.port, 60_000) as port, listening(broker.port, "slow") as ears:
            station = Station(port, "slow", "5", "aa11")
            async with running(station) as task:
                for number in range(5000):
                    station.put("scanning", station.topics.line(number))
                await until(lambda: len(ears.newest) > 20, "lines come")
                for number in range(5):
                    facts = {**HEADING, "id": str(number), "accepted": True, "detail": ""}
                    station.mirror.put(station.topics.progress, ReplyMessage.model_validate(facts))
                    payload = station.mirror.newest[station.topics.progress]
                    before = len(ears.came)
                    await until(lambda: ears.newest.get(station.topics.progress) == payload, "progress")  # noqa: B023  # fmt: skip
                    # Behind it was what was on its way, and no queue.
                    assert len(ears.came) - before <= 120
                station.put("complete")
                before = len(ears.came)
                await station.link.state_taken()
                assert len(ears.came) - before <= 120
                assert station.mirror.unpublished > 1000
                missing = await end_link(station.link, task)
                assert "but not all of the last messages" in missing
                assert "offline" not in missing
            await until(lambda: json.loads(ears.newest[station.topics.state])["state"] == "complete", "the end")  # fmt: skip
        async with listening(broker.port, "slow") as late:
            await until(lambda: station.topics.state in late.newest, "the kept state")
            assert json.loads(late.newest[station.topics.state])["state"] == "complete"
    finally:
        broker.stop()


@asynccontextmanager
async def _slow(port: int, rate: int) -> AsyncIterator[int]:
    """Pass bytes on to a port at so many a second, in one direction; yields the port to use."""

    async def pass_on(
        reader: asyncio.StreamReader, writer: asyncio.StreamWriter, pace: int
    ) -> None:
        with contextlib.suppress(OSError):
            while data := await reader.read(600):
                if pace:
                    await asyncio.sleep(len(data) / pace)
                writer.write(data)
                await writer.drain()
        writer.close()

    tasks: set[asyncio.Task[None]] = set()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        there, back = await asyncio.open_connection("127.0.0.1", port)
        for one, other, pace in ((reader, back, rate), (there, writer, 0)):
            task = asyncio.create_task(pass_on(one, other, pace), name="slow link")
            tasks.add(task)

    server = await asyncio.start_server(serve, "127.0.0.1", 0, limit=600)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
        await asyncio.wait_for(asyncio.gather(*tasks), 60)


def test_moment_is_what_a_command_may_hold() -> None:
    """The time that `watch` writes is read back to the microsecond."""
    command = CommandMessage(
        command="alive", id="a", by="b", time=moment(1_900_000_000_123_456_000)
    )
    again = CommandMessage.model_validate_json(command.model_dump_json())
    assert again == command
