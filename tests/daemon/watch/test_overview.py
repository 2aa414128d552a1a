"""All stations of a broker on one page: what is stated of each, and of which no more is known."""

from __future__ import annotations

import asyncio
import json
import re
from datetime import timedelta
from importlib.resources import files
from types import SimpleNamespace
from typing import Any

import pytest

from daemon.board.test_stations import put, state
from daemon.messages.test_messages import NOW, OF, progress
from support.page import Events
from swathe.board import Stations
from swathe.live import free_port
from swathe.messages import AlarmMessage, ProgressMessage
from swathe.page.overview_feed import OverviewFeed
from swathe.pipeline.alarms.register import Alarm
from swathe.station import AlarmKind, PageSettings
from swathe.watch.overview import MOST_STATIONS, station_row, stations_summary
from swathe.watch.overview_page import OverviewPage


def row(
    stations: Stations, now: float, *, connected: float | None = 0.0, passed: float = 0.0
) -> dict[str, Any]:
    """Return the row of the one station, so many seconds after its messages were made."""
    (view,) = stations.views
    return station_row(view, now, NOW + timedelta(seconds=passed), connected=connected)


def working(now: float = 100.0, **fields: Any) -> Stations:
    """Return a station of which state and progress came."""
    stations = Stations()
    put(stations, "state", state(**fields), now=now)
    put(stations, "progress", ProgressMessage.of(progress(), OF), now=now)
    return stations


def alarm(number: int = 1, **fields: Any) -> AlarmMessage:
    """Return an alarm."""
    made = Alarm(number, AlarmKind.PORT, since=10**18, detail="no data", device="gauge")
    return AlarmMessage.of_alarm(made, OF).model_copy(update=fields)


def test_working_station_shows_progress_and_when_it_was_received() -> None:
    """Its last message came 2 s ago, by this computer's clock."""
    found = row(working(), 102.0, passed=60)
    assert (found["name"], found["kind"], found["state"]) == ("bench", "work", "scanning")
    assert found["covered"] == progress().percent
    assert found["coverage"].startswith(f"{progress().percent:.2f} % · ")
    assert found["received"] == f"last message {NOW + timedelta(seconds=58):%Y-%m-%d %H:%M:%S} UTC"
    assert found["lost"] == []


def test_silent_station_is_said_to_be_silent_since_when() -> None:
    """Only one at work: of an ended run nothing is expected."""
    (lost,) = row(working(), 130.0, passed=30)["lost"]
    assert lost.startswith(f"NO MESSAGE since {NOW:%Y-%m-%d %H:%M:%S} UTC, 30 s ago")
    assert row(working(), 130.0)["kind"] == "lost"
    ended = row(working(state="complete"), 130.0, passed=30)
    assert (ended["kind"], ended["lost"]) == ("ended", [])


def test_silence_counts_while_the_broker_is_there() -> None:
    """What a station sends while the broker is away does not arrive: no evidence of anything."""
    assert row(working(), 500.0, connected=None)["lost"] == []
    assert row(working(), 500.0, connected=495.0)["lost"] == []
    assert row(working(), 500.0, connected=489.0)["lost"] != []


def test_station_that_the_broker_lost() -> None:
    """A will is no message of the station: it was last message before."""
    stations = working()
    put(stations, "alarm/1", alarm(), now=100.0)  # which is from before
    put(stations, "state", state(state="offline", plan=None), now=160.0)
    found = row(stations, 160.0, passed=60)
    assert (found["kind"], found["state"]) == ("lost", "OFFLINE")
    assert found["lost"][0].startswith(f"OFFLINE since {NOW:%Y-%m-%d %H:%M:%S} UTC, 60 s ago")
    assert found["received"] == f"last message {NOW:%Y-%m-%d %H:%M:%S} UTC"


def test_station_of_kept_messages_only_was_not_received() -> None:
    """What the broker kept may be of any day; its time is by the station's own clock."""
    stations = Stations()
    payload = state(state="incomplete").model_dump_json(by_alias=True).encode()
    stations.take("swathe/bench/state", payload, retained=True, now=5.0)
    found = row(stations, 9.0, passed=3600)
    assert found["received"] == (
        f"nothing received yet; its last message is of {NOW:%Y-%m-%d %H:%M:%S} UTC, by its own clock"
    )
    assert (found["covered"], found["coverage"]) == (None, "no progress known")


def test_alarms_and_waiting_runs_are_to_be_looked_at() -> None:
    """New alarms; acknowledged ones stay in the row. Three are written out."""
    stations = working()
    for number in range(1, 6):
        put(stations, f"alarm/{number}", alarm(number), now=101.0)
    found = row(stations, 102.0)
    assert (found["kind"], len(found["alarms"]), found["more_alarms"]) == ("alarm", 3, 2)
    assert "no data" in found["alarms"][0]
    seen = working()
    put(seen, "alarm/1", alarm(acknowledged_by="Ana"), now=101.0)
    assert (row(seen, 102.0)["kind"], len(row(seen, 102.0)["alarms"])) == ("work", 1)
    assert row(working(state="faulted", todo="look"), 102.0)["kind"] == "alarm"


def test_summary_counts() -> None:
    """Each station once, and those without a row."""
    rows = [{"kind": kind} for kind in ("work", "lost", "lost", "alarm", "ended")]
    assert stations_summary(rows, 5) == "5 stations · 2 lost or silent · 1 to look at · 1 ended"
    assert stations_summary([{"kind": "work"}], 3) == "3 stations · 2 are not listed"


def test_only_what_changed_is_sent() -> None:
    """To a viewer that has everything; what is gone is null."""
    topics: dict[str, Any] = {"summary": "2", "station/a": {"n": 1}, "station/b": {"n": 1}}
    feed = OverviewFeed(lambda: topics)

    async def events() -> list[bytes]:
        with feed.mailbox() as mailbox:
            feed.publish()
            first = await mailbox.take()
            topics["station/a"] = {"n": 2}
            del topics["station/b"]
            feed.publish()
            return [one for one in (first, await mailbox.take()) if one is not None]

    _, changed = asyncio.run(events())
    pairs = json.loads(changed.split(b"data: ")[1])
    assert pairs == [["station/a", {"n": 2}], ["station/b", None], ["beat", 1]]


def link(**fields: Any) -> Any:
    """Return a link as it is."""
    return SimpleNamespace(
        **{"address": "b:1883", "state": "connected", "detail": "", "since": 40.0, **fields}
    )


def page(stations: Stations, made: Any, port: int = 0) -> OverviewPage:
    """Return a page at a time of 100 s."""
    settings = PageSettings(port=port)
    return OverviewPage(settings, stations, made, clock=lambda: 100.0, wall=lambda: NOW)


def test_lost_broker_is_named_with_its_time() -> None:
    """And nothing is claimed of the stations."""
    made = page(working(0.0), link(state="lost", detail="refused"))
    found = made.topics()
    asyncio.run(made.close())
    since = f"{NOW - timedelta(seconds=60):%Y-%m-%d %H:%M:%S} UTC"
    assert found["broker"] == {
        "address": "b:1883", "connected": False, "state": "lost", "detail": "refused", "since": since,
    }  # fmt: skip
    assert found["station/bench"]["lost"] == []


def test_many_names_are_bounded() -> None:
    """Anybody may publish on a broker that allows it."""
    stations = Stations()
    payload = state().model_dump_json(by_alias=True).encode()
    for number in range(MOST_STATIONS + 3):
        stations.take(f"swathe/s{number:04}/state", payload, retained=False, now=99.0)
    made = page(stations, link())
    found = made.topics()
    asyncio.run(made.close())
    assert len(found) == MOST_STATIONS + 2
    assert found["summary"].endswith("3 are not listed")


def test_page_is_served_over_a_real_connection() -> None:
    """The document, and everything in the first event; there are no commands."""
    port = free_port()

    async def served() -> list[Any]:
        made = page(working(), link(), port)
        made.open()
        try:
            return await asyncio.to_thread(first_messages)
        finally:
            await made.close()

    def first_messages() -> list[Any]:
        for _ in range(200):
            try:
                viewer = Events(port, {})
                break
            except ConnectionError:
                pass
        event = viewer.next()
        viewer.close()
        assert event is not None
        assert event[0] == "messages"
        return list(event[1])

    pairs = dict(asyncio.run(served()))
    assert set(pairs) == {"broker", "summary", "station/bench"}
    assert pairs["summary"] == "1 station"


@pytest.mark.parametrize("name", ["overview"])
def test_script_finds_its_elements(name: str) -> None:
    """Every id that the script asks for is in the document, and no other file is loaded."""
    static = files("swathe.page").joinpath("static")
    script = static.joinpath(f"{name}.js").read_text("utf-8")
    document = static.joinpath(f"{name}.html").read_text("utf-8")
    asked = set(re.findall(r'\$\("([a-z-]+)"\)', script))
    assert asked
    assert asked <= set(re.findall(r'id="([a-z-]+)"', document))
    assert "innerHTML" not in script  # names come from anybody
