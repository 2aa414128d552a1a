"""What comes on the command topic: whoever sends it can learn why it was not executed."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from typing import cast

import aiomqtt
import pytest
from aiomqtt import ProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from swathe.live.allowance import Allowance
from swathe.live.command_gate import CommandGate
from swathe.live.inbox import Answer, Inbox
from swathe.messages import CommandMessage, ReplyMessage, Topics

S = 1_000_000_000
TOPICS = Topics("bench")


def reply(identity: str, detail: str) -> ReplyMessage:
    """Return a reply of the station."""
    return ReplyMessage(
        station="bench",
        survey="s-1",
        time=datetime(2030, 1, 1, tzinfo=UTC),
        id=identity,
        accepted=not detail.startswith("refused"),
        detail=detail,
    )


class Bench:
    """An inbox whose clock the test sets."""

    def __init__(
        self, saved: Callable[[ReplyMessage], Awaitable[ReplyMessage]] | None = None
    ) -> None:
        self.now = 2_000_000_000 * S
        self.obeyed: list[CommandMessage] = []
        gate = CommandGate(
            TOPICS,
            "aa11",
            lifetime=30 * S,
            must_stop=lambda: False,
            clock=lambda: self.now,
            monotonic=lambda: self.now,
        )
        self.inbox = Inbox(
            TOPICS,
            gate,
            on_command=self._obey,
            on_refused=lambda identity, why: reply(identity, f"refused: {why}"),
            shared=lambda: False,
            saved=saved,
            clock=lambda: self.now,
        )

    def _obey(self, command: CommandMessage) -> ReplyMessage:
        self.obeyed.append(command)
        return reply(command.id, "done")

    def take(self, data: bytes, request: Properties | None = None) -> Answer | None:
        """Take a message of MQTT 5."""
        return self.inbox.take(data, retained=False, version=ProtocolVersion.V5, request=request)


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"{'command': 'pause'}", "it is no JSON"),
        (b"\xff\xfe", "it is not UTF-8"),
        (b"[" * 100, "nests deeper"),
        (b"x" * 5000, "at most 4096"),
        (b'{"command": "pause", "by": "crew"}', "id: Field required"),
        (b'{"command": "pause", "by": "crew", "id": "a/b"}', "id: String should match"),
        (b'{"command": "pause", "by": "crew", "id": 7}', "id: Input should be a valid string"),
        (b"null", "command: Input should be"),
    ],
)
def test_what_has_no_id_is_answered_with_the_reason(data: bytes, reason: str) -> None:
    """On a topic that no id can have, without anything of what was sent."""
    bench = Bench()
    answer = bench.take(data)
    assert answer is not None
    assert answer.topic == "swathe/bench/reply/without.id"
    assert (answer.reply.id, answer.reply.accepted) == ("", False)
    assert reason in answer.reply.detail
    assert bench.obeyed == []


def test_invalid_command_with_an_id_is_answered_under_it() -> None:
    """A wrong field costs nobody the reply."""
    answer = Bench().take(b'{"command": "dance", "by": "crew", "id": "c-1"}')
    assert answer is not None
    assert (answer.topic, answer.reply.id) == ("swathe/bench/reply/c-1", "c-1")


def test_sender_without_an_id_is_found_by_its_response_topic() -> None:
    """MQTT 5, 4.10: on the topic that it names, if that is one for replies, with its own data."""
    bench = Bench()
    request = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    request.ResponseTopic = "swathe/bench/reply/panel-2"
    request.CorrelationData = b"42"
    answer = bench.take(b"junk", request)
    assert answer is not None
    assert answer.topic == "swathe/bench/reply/panel-2"
    assert answer.properties is not None
    assert vars(answer.properties)["CorrelationData"] == b"42"
    request.ResponseTopic = "swathe/bench/state"
    elsewhere = bench.take(b"junk", request)
    assert elsewhere is not None
    assert elsewhere.topic == "swathe/bench/reply/without.id"


async def test_reply_is_sent_once_it_is_complete() -> None:
    """As it is then; until the broker has it, it is owed to who commanded. A refusal is not."""
    synced, sent = asyncio.Event(), list[bytes]()

    class Client:
        async def publish(self, _: str, payload: bytes, *__: object, **___: object) -> None:
            sent.append(payload)
            await asyncio.sleep(0)

    async def saved(given: ReplyMessage) -> ReplyMessage:
        await synced.wait()
        return given.model_copy(update={"detail": f"{given.detail}, and synced"})

    bench = Bench(saved)
    note = bench.take(json.dumps({"command": "note", "id": "n", "by": "crew"}).encode())
    junk = bench.take(b"junk")
    assert note is not None
    assert junk is not None
    client = cast("aiomqtt.Client", Client())
    tasks = [asyncio.create_task(bench.inbox.send(client, one)) for one in (note, junk)]
    await asyncio.sleep(0.01)
    assert (sent, bench.inbox.owed) == ([], 1)
    synced.set()
    await asyncio.gather(*tasks)
    assert [json.loads(one)["detail"].endswith(", and synced") for one in sent] == [True, True]
    assert bench.inbox.owed == 0


def test_flood_of_junk_gets_few_replies() -> None:
    """Five at once and one in two seconds; commands in between are executed and answered."""
    bench = Bench()
    answered = 0
    for k in range(300):  # a minute at five a second, below what counts as a flood
        answered += bench.take(b"junk") is not None
        bench.now += S // 5
        if k % 30 == 0:
            command = {"command": "note", "text": "x", "id": f"n-{k}", "by": "crew"}
            assert bench.take(json.dumps(command).encode()) is not None
    assert answered == 5 + 30 - 1  # the last half second of the minute is not over
    assert len(bench.obeyed) == 10
    assert sum(bench.take(b"junk") is not None for _ in range(1000)) <= 1


def test_allowance_is_a_burst_and_a_rate() -> None:
    """It fills up again no further than the burst."""
    now = 0
    allowed = Allowance(3, 2.0, clock=lambda: now)
    assert [allowed.take() for _ in range(5)] == [True] * 3 + [False] * 2
    now = S // 2 - 1
    assert not allowed.has_one()
    now = S // 2
    assert allowed.has_one()
    assert [allowed.take(), allowed.take()] == [True, False]
    now = 100 * S
    assert [allowed.take() for _ in range(4)] == [True] * 3 + [False]


def test_invalid_commands_with_an_id_are_each_answered() -> None:
    """What bounds the replies to junk holds back none that somebody can be waiting for."""
    bench = Bench()
    for k in range(20):
        answer = bench.take(b'{"command": "dance", "by": "crew", "id": "c-%d"}' % k)
        assert answer is not None, k
        bench.now += S // 5


def test_flood_executes_a_stop_alone() -> None:
    """Also where another command only has the word in it."""
    bench = Bench()
    while not bench.inbox._gate.floods():
        pass
    said = b'{"command": "note", "by": "crew", "id": "n-1", "text": "stop at the weld"}'
    assert bench.take(said) is None
    assert bench.obeyed == []
    answer = bench.take(b'{"command": "stop", "by": "crew", "id": "s-1"}')
    assert answer is not None
    assert [command.command for command in bench.obeyed] == ["stop"]


async def test_replies_that_a_broker_does_not_take_are_bounded() -> None:
    """They wait in memory: what is more than 32 is left out, and later ones are sent again."""
    bench, go, sent = Bench(), asyncio.Event(), []

    class Client:
        """A client whose broker takes nothing until it is let."""

        async def publish(self, topic: str, *_: object, **__: object) -> None:
            sent.append(topic)
            await go.wait()

    client = cast("aiomqtt.Client", Client())
    answer = bench.take(b'{"command": "pause", "by": "crew", "id": "p-1"}')
    assert answer is not None
    waiting = [asyncio.create_task(bench.inbox.send(client, answer)) for _ in range(40)]
    await asyncio.sleep(0)
    assert len(sent) == 32
    go.set()
    await asyncio.gather(*waiting)
    await bench.inbox.send(client, answer)
    assert len(sent) == 33
