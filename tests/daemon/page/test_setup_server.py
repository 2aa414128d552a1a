"""The set-up view over real connections: whom it lets in, what it does, how little it sends."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from http.client import HTTPConnection
from types import TracebackType
from typing import Any, Self

import pytest

from daemon.board.test_setup_board import PlayedSetup
from support.daemon import wait_for
from support.page import Events, PlayedSource, ServedPage, reachable
from swathe.errors import Problem, StationError, SwatheError
from swathe.page.access import Access
from swathe.page.host import PageHost
from swathe.page.mailbox import Mailbox
from swathe.page.setup_app import build_setup_app
from swathe.page.setup_feed import SetupFeed
from swathe.station import PageSettings


class PlayedWork(PlayedSetup):
    """A set-up whose reference echo is read at once."""

    async def check_sensitivity(self, by: str) -> str:
        """Note a check."""
        self.checked.append(by)
        return "sensitivity passed"


class ServedSetup:
    """The set-up view on a free port, in an event loop of its own thread."""

    def __init__(self, settings: PageSettings) -> None:
        self.work = PlayedWork()
        self.feed = SetupFeed(self.work.state)
        self._settings = settings
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="setup.loop")
        self.page: PageHost

    def _build(self, access: Access) -> Any:
        return build_setup_app(self.work, self.feed, access)

    async def _open(self) -> None:
        self.page = PageHost(
            self._settings,
            self.feed,
            module="swathe.page.setup_app",
            build=self._build,
            path="setup",
        )
        self.page.open()

    def __enter__(self) -> Self:
        self._thread.start()
        asyncio.run_coroutine_threadsafe(self._open(), self._loop).result(20)
        wait_for(lambda: reachable(self.port), 20, "the view")
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        asyncio.run_coroutine_threadsafe(self.page.close(), self._loop).result(20)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(20)
        self._loop.close()

    @property
    def port(self) -> int:
        """Its port."""
        return int(self.page.url.partition("#")[0].split(":")[2].partition("/")[0])

    def ask(self, path: str, body: dict[str, Any] | None = None, **headers: str) -> tuple[int, Any]:
        """Return status and body of the answer; a body that is given is posted."""
        connection = HTTPConnection("127.0.0.1", self.port, timeout=20)
        names = {name.replace("_", "-"): value for name, value in headers.items()}
        data = None if body is None else json.dumps(body).encode()
        if data is not None:
            names.setdefault("content-type", "application/json")
        connection.request("GET" if data is None else "POST", path, data, names)
        answer = connection.getresponse()
        text = answer.read()
        connection.close()
        return answer.status, json.loads(text) if text.startswith(b"{") else text

    def act(self, **command: Any) -> tuple[int, Any]:
        """Give a command as the view itself does."""
        return self.ask("/setup/command", command, origin=f"http://127.0.0.1:{self.port}")


@pytest.fixture
def served() -> Iterator[ServedSetup]:
    """Return a view on loopback."""
    with ServedSetup(PageSettings(port=0)) as view:
        yield view


def test_view_and_state(served: ServedSetup) -> None:
    """The view comes at its path, its root leads there, and the first event is the state."""
    assert served.page.url.endswith("/setup")
    assert b"<title>Swathe set-up</title>" in served.ask("/setup")[1]
    assert served.ask("/")[0] == 302
    events = Events(served.port, {}, path="/setup/events")
    state = events.until(lambda name, data: name == "messages" and data[0][0] == "setup")[0][1]
    events.close()
    assert state["thickness"] == "8.75 mm"
    assert [gate["name"] for gate in state["gates"]] == ["interface", "back wall"]
    assert len(state["gauge"]["ascan"]["trace"]) == 512
    assert state["gauge"]["strip"][-1] == [8.7, 8.8, 0]


def test_commands_act_and_are_refused_with_the_reason(served: ServedSetup) -> None:
    """What is done and why not comes back; without a name nothing is recorded."""
    changed = {"action": "change", "gate": "back wall", "key": "start", "value": "0.7 us"}
    assert served.act(**changed) == (200, {"accepted": True, "detail": "done"})
    assert served.work.done == [("change", "back wall", "start", "0.7 us")]
    assert served.act(action="save")[1]["detail"] == "'by' is required: who does it is recorded"
    assert served.act(action="sensitivity", by="  ")[1]["accepted"] is False
    assert served.act(action="save", by="A. Kern")[1]["accepted"] is True
    assert served.work.done[-1] == ("save", "A. Kern")
    assert served.act(action="sensitivity", by="A. Kern")[1]["detail"] == "sensitivity passed"
    served.work.refusal = StationError(
        "a", [Problem("echo.gate[1].start", "must be >= 0", "-1 us")]
    )
    assert served.act(**changed)[1] == {
        "accepted": False,
        "detail": "'echo.gate[1].start' must be >= 0 (got '-1 us')",
    }
    served.work.refusal = SwatheError("was changed since it was read")
    assert served.act(action="save", by="A")[1]["detail"] == "was changed since it was read"
    assert (
        served.act(action="change", gate="back wall", key="name", value="x")[1]["accepted"] is False
    )
    for wrong in (
        {"action": "erase"},
        {"action": "step", "direction": 5},
        {"action": "save", "x": 1},
    ):
        assert served.act(**wrong)[0] == 400


def test_another_site_cannot_act(served: ServedSetup) -> None:
    """Without the view's own origin, or with another's, nothing is done; nor under a foreign name."""
    body = {"action": "revert"}
    assert served.ask("/setup/command", body)[0] == 403
    assert served.ask("/setup/command", body, origin="http://evil.example")[0] == 403
    assert served.ask("/setup", host="evil.example")[0] == 421
    assert served.work.done == []


def test_token_is_required_where_others_can_reach_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """With a token only the empty view is open, as the page of a run is."""
    monkeypatch.setenv("PAGE_TOKEN", "correct horse battery")
    settings = PageSettings(port=0, token_variable="PAGE_TOKEN")  # noqa: S106  a variable's name
    with ServedSetup(settings) as view:
        assert view.page.url.endswith("/setup#token=correct horse battery")
        assert view.ask("/setup")[0] == 200
        assert view.ask("/setup/events")[0] == 401
        assert view.act(action="revert")[0] == 401
        bearer = "Bearer correct horse battery"
        assert view.ask("/setup/command", {"action": "revert"}, authorization=bearer)[0] == 200


def test_slow_viewer_gets_the_newest_state_only(served: ServedSetup) -> None:
    """However many states were published, a viewer that did not read has one: the newest."""
    feed = served.feed

    def fill() -> bytes:
        with feed.mailbox() as mailbox:
            for number in range(500):
                gauge = replace(served.work.shown.gauge, readings=number)
                served.work.shown = replace(served.work.shown, gauge=gauge)
                feed.publish()
            return taken(mailbox)

    data = fill()
    assert data.count(b'"setup"') == 1
    assert b'"readings":499,' in data
    assert len(data) < 20_000


def taken(mailbox: Mailbox) -> bytes:
    """Return what a mailbox has."""
    return asyncio.run(mailbox.take()) or b""


def test_page_of_a_run_streams_the_newest_reading() -> None:
    """The gauge's reading comes to viewers of a run; without a viewer none is asked for."""
    source = PlayedSource()
    asked: list[int] = []
    gauge: Callable[[], Any] = source.gauge

    def count() -> Any:
        asked.append(len(asked))
        return gauge()

    source.gauge = count  # type: ignore[method-assign]
    source.reading = PlayedSetup().shown.gauge
    with ServedPage(source) as page:
        assert not asked
        viewer = page.view()

        def has_reading(name: str, data: Any) -> bool:
            return name == "messages" and any(topic == "ascan" for topic, _ in data)

        for _ in range(3):
            viewer.until(has_reading)
        viewer.close()
        assert page.ask("/setup")[0] == 302
        assert len(asked) >= 3
