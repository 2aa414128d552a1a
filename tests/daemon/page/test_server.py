"""The page over real connections: what it serves, whom it refuses, how many it bears."""

from __future__ import annotations

import asyncio
import json
import socket
import time
import tracemalloc
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
import pytest

from support.crawl import crawl_station
from support.daemon import wait_for
from support.page import Events, PlayedSource, ServedPage, read_patch
from swathe.messages import Extent, StretchSnapshot
from swathe.page import HandGuidance, Page
from swathe.page.hub import Hub
from swathe.page.mailbox import MAX_VIEWERS
from swathe.pipeline import CellState, Grid
from swathe.station import PageSettings, parse_station


@pytest.fixture
def served() -> Iterator[ServedPage]:
    """Return a page that is served for a grid of 40 × 60 cells."""
    with ServedPage(PlayedSource()) as page:
        yield page


def test_page_and_its_parts(served: ServedPage) -> None:
    """The page comes with headers that keep other sites and other scripts out."""
    status, headers, body = served.ask("/")
    assert status == 200
    assert b"<title>Swathe</title>" in body
    policy = headers["content-security-policy"]
    assert "script-src 'self'" in policy
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert b"http://" not in body
    assert b"https://" not in body
    for name, kind in (("main.js", "javascript"), ("page.css", "css"), ("icon.svg", "svg")):
        status, headers, body = served.ask(f"/static/{name}")
        assert status == 200
        assert kind in headers["content-type"]
        assert headers["x-content-type-options"] == "nosniff"
    assert served.ask("/static/../app.py")[0] == 404
    assert served.ask("/static/%2e%2e/app.py")[0] == 404
    assert served.ask("/nothing")[0] == 404


def test_events_first_everything_then_changes(served: ServedPage) -> None:
    """A viewer gets the plan, the current messages, and then each change; no lines."""
    source = served.source
    served.call(lambda: source.say("progress", percent=1.5))
    served.call(lambda: source.say("line/3", line=3))
    served.call(lambda: source.say("gap/1", number=1, status="open"))
    viewer = served.view()
    assert viewer.answer.headers["content-type"].startswith("text/event-stream")
    assert viewer.answer.headers["cache-control"] == "no-store"
    first = viewer.next()
    assert first is not None
    name, plan = first
    assert name == "plan"
    assert (plan["station"], plan["part"], plan["alert_below"]) == ("bench", "Penstock 3", 8.0)
    assert plan["levels"] == [[40, 60, 1, 1]]
    news = viewer.until(lambda name, _: name == "messages")
    assert news == [
        ["progress", {"percent": 1.5}],
        ["gap/1", {"number": 1, "status": "open"}],
        ["next", None],
    ]
    beat = viewer.until(lambda name, _: name == "beat")
    assert beat["broker"] == {"address": "127.0.0.1:1883", "state": "connected", "detail": ""}
    served.call(lambda: source.measure(np.array([61, 62]), 9.25))
    pixels = viewer.until(lambda name, data: name == "pixels" and "patch" in data)
    assert pixels["position"] == [2.0, 1.0]
    assert read_patch(pixels["patch"]) == [([61, 62], [925, 925], [CellState.MEASURED] * 2)]
    served.call(lambda: source.say("gap/1", number=1, status="closed"))
    news = viewer.until(lambda name, _: name == "messages")
    assert news == [["gap/1", {"number": 1, "status": "closed"}]]
    viewer.close()


def test_events_of_many_closed_gaps(served: ServedPage) -> None:
    """A late viewer gets every open gap, and of the closed ones the newest only."""

    def say() -> None:
        for k in range(500):
            served.source.say(f"gap/{k}", number=k, status="closed" if k % 2 else "open")

    served.call(say)
    viewer = served.view()
    viewer.until(lambda name, _: name == "plan")
    received: dict[int, str] = {}
    while len(received) < 300:
        for topic, gap in viewer.until(lambda name, _: name == "messages"):
            if topic != "next":
                received[gap["number"]] = gap["status"]
    viewer.close()
    assert [k for k, status in received.items() if status == "open"] == list(range(0, 500, 2))
    assert [k for k, status in received.items() if status == "closed"] == list(range(401, 500, 2))


def test_removed_gap_is_null(served: ServedPage) -> None:
    """A gap that has no message any more is sent as nothing, and a late viewer does not get it."""
    source = served.source
    served.call(lambda: source.say("gap/7", number=7, status="open"))
    viewer = served.view()
    viewer.until(lambda name, data: name == "messages" and "gap/7" in dict(data))
    served.call(lambda: source.remove("gap/7"))
    gone = viewer.until(lambda name, data: name == "messages" and "gap/7" in dict(data))
    assert dict(gone)["gap/7"] is None
    late = served.view()
    assert "gap/7" not in dict(late.until(lambda name, _: name == "messages"))
    viewer.close()
    late.close()


def test_events_of_many_alarms(served: ServedPage) -> None:
    """A late viewer gets every raised alarm, and of those that are over the newest."""

    def say() -> None:
        for k in range(1, 201):
            served.source.say(f"alarm/{k}", number=k, status="over" if k > 20 else "raised")

    served.call(say)
    viewer = served.view()
    received: list[int] = []
    while 200 not in received:
        news = viewer.until(lambda name, _: name == "messages")
        received += [alarm["number"] for topic, alarm in news if topic.startswith("alarm/")]
    viewer.close()
    assert received == [*range(1, 21), *range(151, 201)]


def test_plan_has_the_guard_of_a_crawler(tmp_path: Path) -> None:
    """Where the station has a machine, the plan has the dead man's time and what follows."""
    text = crawl_station(tmp_path, guard='heartbeat = "1500 ms"\nwhen_stopped = "wait"')
    with ServedPage(PlayedSource(station=parse_station(text, "belt.toml"))) as served:
        viewer = served.view()
        plan = viewer.until(lambda name, _: name == "plan")
        viewer.close()
    assert plan["motion"] == {"heartbeat": 1.5, "when_stopped": "wait"}


def test_crawler_is_sent_as_it_changes(served: ServedPage) -> None:
    """The crawler's state is sent at first and as it changes; without a crawler never."""
    viewer = served.view()
    assert dict(viewer.until(lambda name, _: name == "messages")) == {"next": None}
    source = served.source
    served.call(lambda: source.crawl("moving", "raster: 11 of 11 lines"))

    def is_crawler(name: str, data: Any) -> bool:
        return name == "messages" and any(topic == "crawler" for topic, _ in data)

    received = dict(viewer.until(is_crawler))
    assert received["crawler"]["doing"] == "raster: 11 of 11 lines"
    late = served.view()
    assert dict(late.until(is_crawler))["crawler"]["state"] == "moving"
    served.call(lambda: source.crawl("ended", "the plan is covered"))
    served.call(served.hub.close_viewers)
    for each in (viewer, late):  # how it ended is the last message of a viewer
        assert dict(each.until(is_crawler))["crawler"]["state"] == "ended"
        each.close()


def test_what_a_stretch_affects_is_asked(served: ServedPage) -> None:
    """A stretch as in the command gets the daemon's answer; what is none is refused."""
    query = quote('{"line":2,"scan":{"from":1,"to":2}}')
    status, _, body = served.ask(f"/affected?stretch={query}")
    assert (status, json.loads(body)) == (200, {"affected": "up to 1 readings"})
    assert served.source.stretches == [StretchSnapshot(line=2, scan=Extent(1.0, 2.0))]
    for wrong in ("", "{}", '{"line":-1}', '{"depth":1}'):
        status, _, body = served.ask(f"/affected?stretch={quote(wrong)}")
        assert status == 400, wrong
        assert json.loads(body)["error"]
    assert len(served.source.stretches) == 1


def test_newest_notes_are_sent(served: ServedPage) -> None:
    """Time and text of the newest thirty, with the first one; before it there is no such topic."""
    source = served.source

    def has_notes(name: str, data: Any) -> bool:
        return name == "messages" and any(topic == "notes" for topic, _ in data)

    viewer = served.view()
    assert "notes" not in dict(viewer.until(lambda name, _: name == "messages"))
    source.noted = [(10**18 + k * 10**9, f"note {k}") for k in range(32)]
    for each in (viewer, served.view()):
        notes = dict(each.until(has_notes))["notes"]
        assert len(notes) == 30
        assert notes[0] == {"time": "2001-09-09T01:46:42+00:00", "text": "note 2"}
        assert notes[-1]["text"] == "note 31"
        each.close()


@pytest.mark.slow
def test_next_step_follows_gaps_and_probe(served: ServedPage) -> None:
    """The next step by hand is computed when a gap changes or the probe moves, and not otherwise."""
    source = served.source
    calls: list[float] = []
    step = HandGuidance(
        gap=1, scan=(40.0, 44.0), index=3.0, mm="line 3, from 40 mm", inches="line 3"
    )

    def next_step() -> HandGuidance | None:
        calls.append(time.monotonic())
        return step

    source.next_step = next_step  # type: ignore[method-assign]
    viewer = served.view()
    received = dict(viewer.until(lambda name, _: name == "messages"))["next"]
    assert (received["gap"], received["scan"], received["mm"]) == (
        1,
        [40.0, 44.0],
        "line 3, from 40 mm",
    )
    for _ in range(3):
        viewer.until(lambda name, _: name == "beat")
    before = len(calls)
    for _ in range(3):
        viewer.until(lambda name, _: name == "beat")
    assert len(calls) == before

    def clear() -> None:
        nonlocal step
        step = None  # type: ignore[assignment]
        source.say("gap/1", number=1, status="closed")

    served.call(clear)
    viewer.until(lambda name, data: name == "messages" and ["next", None] in data)
    before = len(calls)
    for column in range(1, 30):
        served.call(partial(source.measure, np.array([column])))
        viewer.until(lambda name, data: name == "pixels" and "patch" in data)
    viewer.close()
    # However fast the probe moves, it is computed 2.5 times a second at most.
    apart = np.diff(calls)
    assert len(calls) > before
    assert apart.min() >= 0.399


def test_events_beat_twice_a_second(served: ServedPage) -> None:
    """A viewer gets a beat while nothing else happens."""
    viewer = served.view()
    viewer.until(lambda name, _: name == "beat")
    begun = time.monotonic()
    for _ in range(4):
        viewer.until(lambda name, _: name == "beat")
    assert time.monotonic() - begun < 20
    viewer.close()


def test_tile_bytes(served: ServedPage) -> None:
    """A tile is its states and then its thicknesses; an empty one is a single byte."""
    assert served.ask("/tiles/0/0/0")[2] == bytes([CellState.UNVISITED])
    served.call(lambda: served.source.measure(np.array([5]), 13.5))
    status, headers, body = served.ask("/tiles/0/0/0")
    assert status == 200
    assert headers["content-type"] == "application/octet-stream"
    cells = 40 * 60
    assert len(body) == 3 * cells
    assert body[5] == CellState.MEASURED
    thickness = np.frombuffer(body, "<u2", cells, cells)
    assert thickness[5] == 1350
    assert np.count_nonzero(thickness != 65_535) == 1
    for path in ("/tiles/1/0/0", "/tiles/0/1/0", "/tiles/0/0/9999999999999999999"):
        status, _, body = served.ask(path)
        assert status == 404
        assert "error" in json.loads(body)
    assert served.ask("/tiles/-1/0/0")[0] == 404


def test_cell_and_line(served: ServedPage) -> None:
    """A cell is returned with its contents, a line with its profile."""
    served.call(lambda: served.source.measure(np.array([61]), 9.25))
    _, _, body = served.ask("/cell/1/1")
    cell = json.loads(body)
    assert (cell["scan"], cell["index"], cell["state"]) == (1.0, 1.0, "measured")
    assert (cell["thickness"], cell["hits"], cell["waveform"]) == (9.25, 1, None)
    assert cell["last_time"] == "2027-01-15T08:00:00+00:00"
    _, _, body = served.ask("/cell/0/0")
    assert json.loads(body)["thickness"] is None
    assert served.ask("/cell/40/0")[0] == 404
    _, _, body = served.ask("/line/1")
    line = json.loads(body)
    assert line["thickness"][:3] == [None, 9.25, None]
    assert (len(line["state"]), line["start"], line["step"]) == (60, 0.0, 1.0)
    assert served.ask("/line/40")[0] == 404


COMMAND = json.dumps({"command": "note", "text": "paint loose", "id": "a", "by": "crew"}).encode()


def test_command_from_the_page(served: ServedPage) -> None:
    """The page's own command is executed and answered; a wrong one is refused with the reason."""
    ours = {"Origin": f"http://127.0.0.1:{served.port}", "Content_Type": "application/json"}
    status, _, body = served.ask("/command", method="POST", body=COMMAND, **ours)
    assert status == 200
    reply = json.loads(body)
    assert (reply["message"], reply["id"], reply["accepted"]) == ("reply", "a", True)
    assert [command.text for command in served.source.commands] == ["paint loose"]
    wrong = {
        b"no JSON": "must be JSON",
        b'{"command": "explode", "id": "a", "by": "crew"}': "command",
        b'{"command": "note", "id": "a b", "by": "crew"}': "id",
        b"[]": "",
        b"\xff\xfe": "must be JSON",
        b"[" * 4096: "must be JSON",
        b'{"command": "note", "id": "a", "by": "\\ud800"}': "must be JSON",
        b'{"command": "discard", "id": "a", "by": "crew", "text": "why", "stretch": {"last": 1e300}}': "stretch.last",
    }
    for body, reason in wrong.items():
        status, _, answer = served.ask("/command", method="POST", body=body, **ours)
        assert status == 400
        assert reason in json.loads(answer)["error"]
    assert len(served.source.commands) == 1


@pytest.mark.parametrize(
    ("headers", "expected"),
    [
        ({"Origin": "http://evil.example", "Content_Type": "application/json"}, 403),
        ({"Content_Type": "application/json"}, 403),
        ({"Origin": "http://127.0.0.1:{port}", "Content_Type": "text/plain"}, 415),
        ({"Origin": "http://127.0.0.1:{port}", "Content_Type": "application/json",
          "Sec_Fetch_Site": "cross-site"}, 403),
    ],
)  # fmt: skip
def test_command_of_another_site_is_refused(
    served: ServedPage, headers: dict[str, str], expected: int
) -> None:
    """No other site commands the station, and the refusal carries the safety headers too."""
    sent = {name: value.format(port=served.port) for name, value in headers.items()}
    status, answered, _ = served.ask("/command", method="POST", body=COMMAND, **sent)
    assert status == expected
    assert answered["x-content-type-options"] == "nosniff"
    assert not served.source.commands


def test_command_too_long_is_refused(served: ServedPage) -> None:
    """A body longer than any command is refused, with or without its length declared."""
    ours = {"Origin": f"http://127.0.0.1:{served.port}", "Content_Type": "application/json"}
    status, _, _ = served.ask("/command", method="POST", body=b" " * 5000, **ours)
    assert status == 413
    with socket.create_connection(("127.0.0.1", served.port), timeout=20) as raw:
        raw.sendall(
            f"POST /command HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\n"
            f"Origin: http://127.0.0.1:{served.port}\r\nContent-Type: application/json\r\n"
            "Transfer-Encoding: chunked\r\n\r\n1388\r\n".encode()
        )
        raw.sendall(b" " * 5000 + b"\r\n")
        assert b" 413 " in raw.recv(4096)
    with socket.create_connection(("127.0.0.1", served.port), timeout=20) as raw:
        raw.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: " + b"a" * 100_000)
        assert b" 400 " in raw.recv(4096)
    assert not served.source.commands


def test_wrong_host_is_refused(served: ServedPage) -> None:
    """A foreign name that resolves to this address gets neither page nor data."""
    for path in ("/", "/events", "/static/main.js", "/tiles/0/0/0"):
        assert served.ask(path, host="evil.example")[0] == 421


def test_token_over_real_connections(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the token no data is returned; the right one gives a cookie for everything."""
    monkeypatch.setenv("PAGE_TOKEN", "correct horse battery")
    settings = PageSettings(port=0, token_variable="PAGE_TOKEN")  # noqa: S106
    with ServedPage(PlayedSource(), settings) as served:
        assert served.page.url.endswith("#token=correct horse battery")
        assert served.ask("/")[0] == 200
        assert served.ask("/cell/0/0")[0] == 401
        ours = {"Origin": f"http://127.0.0.1:{served.port}", "Content_Type": "application/json"}
        assert served.ask("/command", method="POST", body=COMMAND, **ours)[0] == 401

        def give(body: bytes) -> tuple[int, dict[str, str], bytes]:
            return served.ask("/session", method="POST", body=body, **ours)

        assert give(b'{"token": "wrong"}')[0] == 403
        assert give(b'{"token": 7}')[0] == 403
        assert give(b"[]")[0] == 403
        assert give(b"{")[0] == 400
        assert give(b" " * 5000)[0] == 413
        status, headers, _ = give(b'{"token": "correct horse battery"}')
        assert status == 204
        cookie = headers["set-cookie"].partition(";")[0]
        assert served.ask("/cell/0/0", Cookie=cookie)[0] == 200
        assert served.ask("/command", method="POST", body=COMMAND, Cookie=cookie, **ours)[0] == 200
        viewer = served.view(Cookie=cookie)
        assert viewer.status == 200
        viewer.close()
        assert len(served.source.commands) == 1


def test_viewers_are_bounded(served: ServedPage) -> None:
    """One viewer too many is asked to retry later; when one leaves the next is accepted."""
    viewers = [served.view() for _ in range(MAX_VIEWERS)]
    extra = served.view()
    assert extra.status == 503
    assert extra.answer.headers["retry-after"] == "5"
    extra.close()
    assert served.hub.viewers == MAX_VIEWERS
    for viewer in viewers:
        viewer.close()
    limit = time.monotonic() + 20
    while served.hub.viewers:
        assert time.monotonic() < limit, "viewers that left are kept"
        time.sleep(0.02)
    late = served.view()
    assert late.status == 200
    late.close()


def test_slow_viewer_costs_its_mailbox_only() -> None:
    """While one viewer reads nothing, others get changes at once, and memory does not grow."""
    with ServedPage(PlayedSource(200, 300)) as served:
        slow = Events(served.port, {}, buffer=4096)
        quick = served.view()
        quick.until(lambda name, _: name == "plan")
        source = served.source
        cells = np.arange(200 * 300)

        def change(k: int) -> None:
            source.measure(cells[k % 100 :: 100], 10 + k % 5)
            # Far more in all than the connection's buffers take.
            source.say("progress", percent=k, filler="x" * 40_000)

        def has_change(name: str, data: object, k: int) -> bool:
            assert isinstance(data, list | dict)
            return name == "messages" and any(
                (message or {}).get("percent") == k for _, message in data
            )

        tracemalloc.start()
        try:
            slowest, sizes = 0.0, []
            for k in range(150):
                begun = time.monotonic()
                served.call(lambda k=k: change(k))  # type: ignore[misc]
                quick.until(lambda name, data, k=k: has_change(name, data, k))  # type: ignore[misc]
                slowest = max(slowest, time.monotonic() - begun)
                sizes.append(tracemalloc.get_traced_memory()[0])
        finally:
            tracemalloc.stop()
        assert slowest < 5
        assert sizes[-1] - sizes[75] < 2_000_000

        def is_stale() -> bool:
            # Changes within a twentieth of a second are one patch: how many came is up to the machine.
            change(150)
            return any(viewer._stale for viewer in served.hub._viewers)

        wait_for(lambda: served.call(is_stale), 60, "patches for which there is no room")
        # When it reads again its tiles are marked as stale, and then it gets the newest.
        slow.until(lambda name, _: name == "stale")
        served.call(lambda: change(200))
        slow.until(lambda name, data: has_change(name, data, 200))
        slow.close()
        quick.close()


def test_port_taken_is_logged_and_stops_nothing(caplog: pytest.LogCaptureFixture) -> None:
    """If the port is taken there is no page, and the log has the remedy."""
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        page = Page(PageSettings(port=port), PlayedSource())
        page.open()
        assert page.url == ""
        assert page.trouble.startswith(f"no page: 127.0.0.1 port {port} cannot be used")
        assert "name another page.port" in caplog.text


async def test_close_of_a_page_that_was_never_open() -> None:
    """A page that was never opened releases its port, however often it is closed."""
    page = Page(PageSettings(port=0), PlayedSource())
    port = int(page.url.rpartition(":")[2].rstrip("/"))
    await page.close()
    await page.close()
    socket.create_server(("127.0.0.1", port)).close()


def test_close_sends_viewers_the_last_messages(served: ServedPage) -> None:
    """A viewer gets the last messages before the page ends."""
    viewer = served.view()
    viewer.until(lambda name, _: name == "plan")
    served.call(lambda: served.source.say("state", state="complete"))
    served.call(served.hub.close_viewers)
    last = ["state", {"state": "complete"}]
    viewer.until(lambda name, data: name == "messages" and last in data)
    while viewer.next() is not None:
        pass
    viewer.close()


def test_close_with_viewers_ends_soon() -> None:
    """Viewers, also one that reads nothing, do not keep the daemon from ending."""
    with ServedPage(PlayedSource()) as served:
        viewers = [served.view(), Events(served.port, {}, buffer=4096)]
        begun = time.monotonic()
    assert time.monotonic() - begun < 15
    assert not served.source.watched
    for viewer in viewers:
        viewer.close()


def test_survey_placed_again_reaches_viewers_in_one_event(served: ServedPage) -> None:
    """Plan and messages together; what was pending is dropped, tiles are of the new cells."""
    source = served.source
    source.step = HandGuidance(1, (1.0, 2.0), 3.0, "gap 1", "gap 1")
    served.call(lambda: source.say("gap/1", number=1, status="open"))
    viewer = served.view()
    plan = viewer.until(lambda name, _: name == "plan")
    viewer.until(lambda name, _: name == "messages")
    assert served.ask("/tiles/0/0/0")[2] == bytes([CellState.UNVISITED])
    grid = Grid(scan=source.grid.scan, index=source.grid.index, rule=source.grid.rule)
    grid.state[:] = CellState.NO_SIGNAL
    grid.touched.add_all()

    def replace() -> None:
        source.say("gap/1", number=1, status="closed")  # of the old state, and not sent yet
        source.messages.clear()
        source.grid, source.step = grid, None
        source.say("gap/2", number=2, status="open")
        served.page.replace()

    served.call(replace)
    name = ""
    whole: dict[str, Any] = {}
    while name != "replaced":
        found = viewer.next()
        assert found is not None
        name, whole = found
        assert name in ("beat", "pixels", "replaced")
    assert whole["messages"] == [["gap/2", {"number": 2, "status": "open"}], ["next", None]]
    changed = {key for key, value in whole["plan"].items() if value != plan[key]}
    assert changed == {"placing"}
    assert served.ask("/tiles/0/0/0")[2] == bytes([CellState.NO_SIGNAL])
    late = served.view()
    assert late.until(lambda name, _: name == "plan")["placing"] == whole["plan"]["placing"]
    served.call(lambda: source.say("gap/3", number=3, status="open"))
    assert viewer.until(lambda name, _: name == "messages") == [
        ["gap/3", {"number": 3, "status": "open"}]
    ]
    late.close()
    viewer.close()


def test_survey_placed_again_before_anybody_watches(served: ServedPage) -> None:
    """The first viewer gets the new state."""
    served.call(served.page.replace)
    viewer = served.view()
    assert viewer.until(lambda name, _: name == "plan")["placing"].endswith("-1")
    viewer.close()


async def test_map_that_is_built_while_the_survey_is_placed_again_is_of_the_new_cells() -> None:
    """What was built of the earlier cells is not used."""
    source = PlayedSource(600, 600)
    hub = Hub(source)
    building = asyncio.create_task(hub.pyramid())
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    grid = Grid(scan=source.grid.scan, index=source.grid.index, rule=source.grid.rule)
    grid.state[:] = CellState.NO_SIGNAL
    grid.touched.add_all()
    source.grid = grid
    hub.replace()
    pyramid = await building
    state, _ = pyramid.tile(0, 0, 0)
    assert set(np.unique(state)) == {CellState.NO_SIGNAL}
