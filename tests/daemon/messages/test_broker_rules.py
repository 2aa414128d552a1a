"""The access rules of the guide, in force at a real mosquitto."""

from __future__ import annotations

import asyncio
import contextlib
import re
import subprocess
from collections.abc import Iterator
from pathlib import Path

import aiomqtt
import pytest

from support.broker import Broker, require
from swathe.messages import Topics

GUIDE = Path(__file__).parents[3] / "daemon/guide/brokers.md"
NAMES = ("s1", "s2", "watcher", "operator")


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    """A broker with the guide's rules, and a password for each name that is the name."""
    program = require("mosquitto_passwd", "mosquitto")
    rules = re.search(r"```text\n(.*?)```", GUIDE.read_text("utf-8"), re.DOTALL)
    assert rules is not None
    (tmp_path / "acl").write_text(rules[1])
    for path in ("acl", "words"):
        (tmp_path / path).touch(0o600)
        (tmp_path / path).chmod(0o600)
    for name in NAMES:
        subprocess.run([program, "-b", tmp_path / "words", name, name], check=True)
    found = Broker(
        tmp_path,
        "allow_anonymous false",
        f"password_file {tmp_path / 'words'}",
        f"acl_file {tmp_path / 'acl'}",
    )
    found.start()
    yield found
    found.stop()


def client(broker: Broker, name: str) -> aiomqtt.Client:
    """Return a client of a name."""
    return aiomqtt.Client("127.0.0.1", broker.port, username=name, password=name)


async def passes(broker: Broker, writer: str, topic: str, reader: str) -> bool:
    """Return whether what one writes on a topic reaches another; a last message shows that it would have."""
    async with client(broker, reader) as listening, client(broker, writer) as speaking:
        await listening.subscribe("swathe/#")
        await listening.subscribe(f"swathe/{reader}/#")
        await speaking.publish(topic, b"x", qos=1)
        await asyncio.sleep(0.05)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(0.1):
                async for message in listening.messages:
                    if str(message.topic) == topic:
                        return True
    return False


async def test_rules_of_the_guide(broker: Broker) -> None:
    """A station writes what it publishes, its own only; a watcher nothing; who commands, commands."""
    topics, other = Topics("s1"), Topics("s2")
    own = [one.replace("+", "7") for one in topics.own]
    for topic in (*own, topics.reply("a")):
        assert await passes(broker, "s1", topic, "watcher"), topic
    assert await passes(broker, "operator", topics.command, "s1")
    for writer, topic in (
        ("s1", other.state),
        ("s1", topics.command),
        ("s1", other.command),
        ("watcher", topics.command),
        ("watcher", topics.state),
        ("operator", topics.state),
        ("operator", topics.gap(1)),
    ):
        assert not await passes(broker, writer, topic, "operator"), (writer, topic)
    assert not await passes(broker, "s2", other.state, "s1")
    assert not await passes(broker, "operator", other.command, "s1")
