"""A run that resumes its survey: ports, journal and page are there before the replay has ended."""

from __future__ import annotations

import asyncio
import json
import os
import threading
import tty
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager, closing
from dataclasses import dataclass
from http.client import HTTPConnection
from pathlib import Path
from typing import Any

import pytest

from daemon.handmade import line
from daemon.surveys import TEXT, watch_replays, write_survey
from support.page import Events
from swathe.journal import Chunk, Entry, Mark, MarkKind, read_journal
from swathe.live import Daemon, RunOutcome
from swathe.station import parse_station
from swathe.store import SurveyFolder

SENT = line("P 1234 56")


@dataclass
class Resuming:
    """A run whose replay is held until `go`; `encoder` is the device's end of its port."""

    daemon: Daemon
    folder: SurveyFolder
    encoder: int
    go: threading.Event
    run: asyncio.Task[RunOutcome]

    def ask(self, path: str, command: str = "") -> tuple[int, Any]:
        """Return the page's answer to a request, or to a command."""
        with closing(HTTPConnection("127.0.0.1", self.port, timeout=20)) as connection:
            if command:
                body = json.dumps({"command": command, "id": command, "by": "A. Kern", "text": "x"})
                ours = {
                    "content-type": "application/json",
                    "origin": f"http://127.0.0.1:{self.port}",
                }
                connection.request("POST", path, body, ours)
            else:
                connection.request("GET", path)
            answer = connection.getresponse()
            return answer.status, json.loads(answer.read())

    @property
    def port(self) -> int:
        """Of the page."""
        assert self.daemon.page is not None
        return int(self.daemon.page.url.rpartition(":")[2].rstrip("/"))


@asynccontextmanager
async def resuming(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Resuming]:
    """Yield a run that replays until it is let."""
    go, begun = threading.Event(), threading.Event()

    def wait(_: Sequence[Entry]) -> None:
        begun.set()
        assert go.wait(60)

    folder = write_survey(tmp_path / "survey")
    watch_replays(monkeypatch, wait)
    text, ends = TEXT, []
    for device in ("encoder", "gauge"):
        master, slave = os.openpty()
        tty.setraw(slave)
        text = text.replace(f"ports/{device}", os.ttyname(slave))
        ends += [master, slave]
    text += "[page]\nport = 0\n"
    daemon = Daemon(parse_station(text, "bench.toml"), text, folder)
    run = asyncio.create_task(daemon.run())
    try:
        assert await asyncio.to_thread(begun.wait, 60)
        yield Resuming(daemon, folder, ends[0], go, run)
    finally:
        go.set()
        daemon.stop("the test is over")
        await asyncio.wait_for(run, 60)
        for end in ends:
            os.close(end)


async def until(holds: Callable[[], bool]) -> None:
    """Wait until something holds."""
    async with asyncio.timeout(30):
        while not holds():  # noqa: ASYNC110  nothing in another thread or process sets an event
            await asyncio.sleep(0.01)


async def test_bytes_that_arrive_during_the_replay_are_in_the_journal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They are on the way to the disk while the replay still runs, and count once it is done."""
    async with resuming(tmp_path, monkeypatch) as held:
        os.write(held.encoder, SENT)

        def journalled() -> bool:
            entries = list(read_journal(held.folder.journal))
            last = max(
                k
                for k, e in enumerate(entries)
                if isinstance(e, Mark) and e.kind is MarkKind.OPENED
            )
            data = b"".join(
                e.data for e in entries[last:] if isinstance(e, Chunk) and e.port == "encoder"
            )
            return data == SENT

        await until(journalled)
        assert held.daemon._session.resumed is not None
        with pytest.raises(Exception, match="not resumed yet"):
            _ = held.daemon.pipeline
        held.go.set()
        await until(lambda: held.daemon._session.resumed is None)
        await until(lambda: held.daemon.pipeline.tallies["encoder"].bytes > 0)


async def test_page_shows_the_replay_and_then_the_survey(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One connection: how far it is, what is obeyed meanwhile, and in the end plan and messages."""
    async with resuming(tmp_path, monkeypatch) as held:
        await until(lambda: held.daemon.page is not None and bool(held.daemon.page._server))
        found = await asyncio.to_thread(_view, held)
        assert held.daemon.pipeline.changed.listener is not None
    assert found["opening"] == {"station": "bench", "part": "", "crawls": False}
    assert found["state"]["state"] == "resuming"
    assert found["state"]["resumed"] == 0.0
    assert found["tile"] == (404, {"error": "the survey is being resumed"})
    assert found["pause"].startswith("refused: the survey is being resumed")
    assert found["note"] == "noted"
    assert found["plan"]["station"] == "bench"
    assert found["progress"]["measured"] > 0
    assert found["again"] == "plan"


def _view(held: Resuming) -> dict[str, Any]:
    """Return what a viewer gets before the replay ends, and after it."""
    with closing(Events(held.port, {})) as viewer:
        name, opening = viewer.next() or ("", {})
        assert name == "opening"
        assert opening.pop("session")
        assert opening.pop("words")["states"]["resuming"] == "resuming"
        found: dict[str, Any] = {"opening": opening}
        found["state"] = _message(viewer, "state")
        found["tile"] = held.ask("/tiles/0/0/0")
        found |= {name: held.ask("/command", name)[1]["detail"] for name in ("pause", "note")}
        held.go.set()
        found["plan"] = viewer.until(lambda name, _: name == "plan")
        found["progress"] = _message(viewer, "progress")
    with closing(Events(held.port, {})) as later:
        found["again"] = (later.next() or ("", None))[0]
    return found


def _message(viewer: Events, topic: str) -> Any:
    """Return the next message of a topic."""
    while True:
        for one, message in viewer.until(lambda name, _: name == "messages"):
            if one == topic:
                return message


async def test_stop_during_the_replay_ends_the_run_and_the_page(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The one command that acts: what arrived is kept, and nobody is shown a survey."""
    async with resuming(tmp_path, monkeypatch) as held:
        await until(lambda: held.daemon.page is not None and bool(held.daemon.page._server))
        port = held.port

        def view() -> list[Any]:
            with closing(Events(port, {})) as viewer:
                assert (viewer.next() or [""])[0] == "opening"
                assert held.ask("/command", "stop")[1]["detail"] == "stopping"
                held.go.set()
                return list(iter(viewer.next, None))

        events = await asyncio.to_thread(view)
        outcome = await held.run
    assert outcome.reason == (
        "stopped from the page by A. Kern, before the earlier runs were replayed"
    )
    states = [m for name, data in events if name == "messages" for t, m in data if t == "state"]
    assert states[-1]["state"] == "incomplete"
    assert not [name for name, _ in events if name == "plan"]
