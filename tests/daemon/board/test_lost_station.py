"""What watch states of a station that is gone: since when, what it did, and whether a crawler may move."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from daemon.board.test_board import drawn
from daemon.board.test_stations import PLAN, put, state
from daemon.messages.test_messages import NOW, OF, progress
from swathe.board import PlainLines, Stations, StationView
from swathe.board.block_map import BlockMap
from swathe.board.lost_station import lost_lines
from swathe.messages import STATE_WORDS, CrawlerMessage, ProgressMessage

LATER = NOW + timedelta(seconds=90)
CRAWLER = {"since": NOW, "armed": True, "moving": True, "state": "moving"}


def gone(*, was: str = "scanning", crawler: dict[str, Any] | None = None) -> Stations:
    """Return a station that the broker lost 150 s after its last message."""
    stations = Stations()
    put(stations, "state", state(state=was), now=100.0)
    put(stations, "progress", ProgressMessage.of(progress(), {**OF, "time": LATER}), now=190.0)
    if crawler is not None:
        put(stations, "crawler", CrawlerMessage(**{**OF, **CRAWLER, **crawler}), now=190.0)
    # The time in a will is that of the connection, which may be later than a message was made.
    will = state(state="offline", time=LATER + timedelta(hours=1), reason="the broker lost it")
    put(stations, "state", will, now=340.0)
    return stations


def test_map_of_a_station_that_is_lost_stays() -> None:
    """A will has no plan: what the station itself published of it is still what was scanned."""
    stations = gone()
    (view,) = stations.views
    assert view.state is not None
    put(stations, "state", state(state="offline", time=LATER + timedelta(hours=2), plan=None))
    assert view.plan == PLAN
    assert "not published" not in BlockMap().draw(view, width=40, height=9).plain
    stations.take("swathe/bench/state", b"", retained=False, now=0)
    put(
        stations,
        "state",
        state(state="scanning", survey="s-2", time=LATER + timedelta(hours=3), plan=None),
    )
    assert view.plan is None


def lines(stations: Stations, now: float = 340.0) -> list[str]:
    """Return what is stated of the station."""
    (view,) = stations.views
    return lost_lines(view, now, LATER + timedelta(seconds=150))


@pytest.mark.parametrize("was", ["scanning", "paused", "resuming"])
def test_offline_states_since_when_and_what_it_was(was: str) -> None:
    """The age is that of its own last message, not of the will."""
    assert lines(gone(was=was)) == [
        f"OFFLINE since {LATER:%Y-%m-%d %H:%M:%S} UTC, 2 min ago; it was {STATE_WORDS[was]} then: "
        "killed, or without power or network"
    ]


@pytest.mark.parametrize(
    ("crawler", "expected"),
    [
        ({}, "THE CRAWLER MAY BE MOVING: it was moving"),
        ({"state": "armed", "moving": False}, "THE CRAWLER MAY BE MOVING: it was armed"),
        ({"state": "stopping", "armed": False}, "THE CRAWLER MAY BE MOVING: it was stopping"),
        (
            {"state": "faulted", "armed": False, "moving": False},
            "the crawler was at rest, faulted, in the last message of it",
        ),
    ],
)
def test_a_crawler_comes_first(crawler: dict[str, Any], expected: str) -> None:
    """Armed or in motion it may be moving; otherwise its last message is what is known."""
    found = lines(gone(crawler=crawler))
    assert found[0].startswith(expected)
    assert found[1].startswith("OFFLINE since")
    assert expected[:40] in " ".join(" ".join(drawn(gone(crawler=crawler))).split())


def test_a_crawler_whose_run_ended_is_not_warned_of() -> None:
    """Its machine has ended as well."""
    ended = {"state": "ended", "armed": False, "moving": False}
    assert len(lines(gone(crawler=ended))) == 1


def test_a_viewer_who_comes_late_gets_what_the_broker_kept() -> None:
    """The will replaced the state; the time is that of the newest other message."""
    view = StationView("bench")
    sent = ProgressMessage.of(progress(), {**OF, "time": LATER})
    will = state(state="offline", time=NOW)
    for kind, message in (("progress", sent), ("state", will)):
        payload = message.model_dump_json(by_alias=True).encode()
        view.take(kind, "", payload, retained=True, now=5.0)
    assert lost_lines(view, 5.0, LATER + timedelta(hours=3)) == [
        f"OFFLINE since {LATER:%Y-%m-%d %H:%M:%S} UTC, 3 h ago: killed, or without power or network"
    ]
    assert view.units.length_name == "mm"


def test_a_will_alone_dates_nothing() -> None:
    """It was made before the station said anything."""
    stations = Stations()
    put(stations, "state", state(state="offline"), now=1.0)
    assert lines(stations) == [
        "OFFLINE: no earlier message of it is known; killed, or without power or network"
    ]


def test_silence_states_the_same_of_a_session_that_went_stale() -> None:
    """A broker that still keeps the connection publishes no will."""
    stations = Stations()
    put(stations, "state", state(), now=100.0)
    put(stations, "crawler", CrawlerMessage(**{**OF, **CRAWLER}), now=100.0)
    assert lines(stations, now=109.0) == []
    moving, silent = lines(stations, now=125.0)
    assert moving.startswith("THE CRAWLER MAY BE MOVING")
    assert silent == (
        f"NO MESSAGE since {NOW:%Y-%m-%d %H:%M:%S} UTC, 25 s ago; it was scanning then: "
        "is the station up?"
    )
    put(stations, "state", state(), now=126.0)
    assert lines(stations, now=127.0) == []


@pytest.mark.parametrize("was", ["complete", "incomplete"])
def test_a_run_that_ended_is_not_lost(was: str) -> None:
    """It may be silent for ever."""
    stations = Stations()
    put(stations, "state", state(state=was), now=100.0)
    assert lines(stations, now=9999.0) == []


def test_plain_lines_state_it_once() -> None:
    """And that messages arrive again."""
    stations, printed = gone(crawler={}), list[str]()
    plain = PlainLines(stations, printed.append)
    plain.refresh()
    plain.refresh()
    (line,) = [one for one in printed if "OFFLINE" in one]
    assert line.startswith("bench: THE CRAWLER MAY BE MOVING")
    assert f"OFFLINE since {LATER:%Y-%m-%d %H:%M:%S} UTC" in line
    put(stations, "state", state(), now=1e12)
    plain.refresh()
    assert printed[-1] == "bench: messages arrive again"
