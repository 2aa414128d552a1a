"""Replies say that something is noted once the disk has it, or that it is not on the disk yet."""

from __future__ import annotations

import asyncio
import os
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.handmade import station_text
from swathe.journal import Mark, MarkKind, read_journal
from swathe.live import given_replies
from swathe.live.commands import Commands
from swathe.live.origin import Origin
from swathe.live.session import Session
from swathe.messages import CommandMessage, ReplyMessage
from swathe.station import parse_station
from swathe.store import SurveyFolder


class Disk:
    """Lets each sync of the journal wait until it is released, or fail."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.events: list[str] = []
        self.fails = False
        self._go = threading.Semaphore(0)
        self._real = os.fdatasync
        monkeypatch.setattr(os, "fdatasync", self._sync)

    def _sync(self, descriptor: int) -> None:
        assert self._go.acquire(timeout=30)
        if self.fails:
            raise OSError(5, "Input/output error")
        self._real(descriptor)
        self.events.append("synced")

    def release(self, syncs: int = 1) -> None:
        """Let so many syncs end."""
        self._go.release(syncs)


class Bench:
    """Commands over a survey whose disk the test holds."""

    def __init__(self, session: Session, text: str, disk: Disk) -> None:
        self.session, self.disk = session, disk
        station = parse_station(text, "bench.toml")
        self.commands = Commands(station, session, stop=self._stop, ending=lambda: False)

    def _stop(self, reason: str) -> None:
        self.session.mark(MarkKind.NOTE, text=reason, by="crawler")  # it journals its halt

    def give(self, command: str = "note", identity: str = "a", **rest: object) -> ReplyMessage:
        """Give a command."""
        fields = {"command": command, "id": identity, "by": "crew", "text": "rust", **rest}
        message = CommandMessage.model_validate(fields)
        return self.commands.execute(message, Origin.MQTT)

    def answer(self, reply: ReplyMessage) -> asyncio.Task[str]:
        """Complete a reply as those do that send it."""

        async def complete() -> str:
            detail = (await self.commands.replies.saved(reply)).detail
            self.disk.events.append("replied")
            return detail

        return asyncio.get_running_loop().create_task(complete())

    def notes(self) -> int:
        """Return how many notes the journal's file has."""
        entries = read_journal(self.session.folder.journal)
        return sum(isinstance(one, Mark) and one.kind is MarkKind.NOTE for one in entries)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    """Return a bench whose opening mark is on the disk."""
    text = station_text()
    station = parse_station(text, "bench.toml")
    with Session(SurveyFolder(tmp_path / "survey"), station, text) as session:
        session.resume()
        made = Bench(session, text, Disk(monkeypatch))
        yield made
        made.disk.fails = False
        made.disk.release(100)


async def _turns() -> None:
    for _ in range(5):
        await asyncio.sleep(0.005)


async def test_reply_comes_after_the_sync_of_the_journal(bench: Bench) -> None:
    """First the journal's file has the note, then the disk, then the sender knows."""
    reply = bench.answer(bench.give())
    bench.session.flush()
    await _turns()
    assert (bench.notes(), bench.disk.events, reply.done()) == (1, [], False)
    bench.disk.release()
    assert await reply == "noted"
    assert bench.disk.events == ["synced", "replied"]


async def test_sync_that_was_under_way_is_not_that_of_the_note(bench: Bench) -> None:
    """It may end without the note's bytes."""
    bench.session.tick()
    bench.session.flush()
    await _turns()
    reply = bench.answer(bench.give())
    bench.session.flush()  # hands it over while the first sync is under way
    bench.disk.release()
    await _turns()
    assert (bench.disk.events, reply.done()) == (["synced"], False)
    bench.session.flush()
    bench.disk.release()
    assert await reply == "noted"
    assert bench.disk.events == ["synced", "synced", "replied"]


async def test_reply_does_not_wait_for_a_disk_that_hangs(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It then says what is known, also to who sends the command a second time."""
    monkeypatch.setattr(given_replies, "_DISK_SECONDS", 0.05)
    first, again = bench.give(), bench.give()
    bench.session.flush()
    said = "noted; not on the disk yet: it has synced nothing for 0.05 s"
    for reply in (first, again):
        assert await bench.answer(reply) == said
    assert bench.notes() == 1
    bench.disk.release()


async def test_reply_names_what_the_disk_refuses(bench: Bench) -> None:
    """At once, and without a word of it when the disk has taken it after all."""
    bench.disk.fails = True
    reply = bench.answer(bench.give())
    bench.session.flush()
    bench.disk.release()
    assert (await reply).startswith("noted; not on the disk yet: Input/output error; the disk or")
    bench.disk.fails = False
    again = bench.give(identity="b")
    assert "not on the disk yet" in again.detail
    bench.disk.release(2)
    await bench.session.kept.synced()
    assert await bench.answer(again) == "noted"


async def test_only_what_is_journalled_waits(bench: Bench) -> None:
    """Nobody waits for the disk to be told of a stop, or why something is refused."""
    for number, (command, detail) in enumerate(
        [
            ("stop", "stopping"),
            ("rescan", "refused: there is no gap 7"),
            ("alive", "refused: nothing"),
        ]
    ):
        rest = {"gap": 7} if command == "rescan" else {}
        reply = bench.answer(bench.give(command, f"x{number}", **rest))
        assert (await asyncio.wait_for(reply, 1)).startswith(detail)
    assert "synced" not in bench.disk.events


async def test_text_on_the_terminal_changes_with_the_disk(bench: Bench) -> None:
    """A key is answered at once."""
    text = bench.commands.replies.text(bench.commands.note("rust", "crew"))
    assert text() == "noted; not on the disk yet"
    bench.disk.fails = True
    bench.session.flush()
    bench.disk.release()
    await _turns()
    assert text().startswith("noted; not on the disk yet: Input/output error; ")
    bench.disk.fails = False
    bench.disk.release(2)
    await bench.session.kept.synced()
    assert text() == "noted"
