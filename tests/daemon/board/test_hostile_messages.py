"""Messages of strangers on the board of `watch`: whatever comes, it is drawn or counted as unread."""

from __future__ import annotations

import copy
import io
import json
from datetime import UTC, datetime
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st
from rich.text import Text

from daemon.messages.test_messages import EXAMPLES
from swathe.board import Board, Panel, PlainLines, Stations, StationView
from swathe.cli.safe_console import SafeConsole
from swathe.messages import Extent, PlanMessage, StateMessage

WALL = datetime(2030, 1, 1, tzinfo=UTC)
PLAN = PlanMessage(
    scan=Extent(0.0, 900.0),
    index=Extent(0.0, 120.0),
    scan_resolution=4.0,
    index_resolution=4.0,
    lines=31,
    profile=False,
    alert_below=6.0,
    excluded=(),
)
GOOD = [
    (kind, json.loads(message.model_dump_json(by_alias=True)))
    for kind, message in EXAMPLES
    if kind not in ("command", "reply", "revisions")
]
HEADING = {key: GOOD[0][1][key] for key in ("version", "station", "survey", "time")}
STATE = StateMessage(**HEADING, state="scanning", plan=PLAN)
GOOD.append(("state", json.loads(STATE.model_dump_json(by_alias=True))))
ODD: st.SearchStrategy[Any] = st.sampled_from(
    [0, -1, 1, 10**9, 10**30, -(10**30), 1e-300, 1e300, -1e300, 5e-324, 0.1, None, True, "", "mm",
     "in", "\x1b[2J", "x" * 3000, "9999-12-31T23:59:59Z", "0001-01-01T00:00:00Z", [], {}, [[]],
     {"from": 5, "to": -5}, {"from": 0, "to": 0}, {"from": -1e300, "to": 1e300}, "raised", "open",
     [{"from": 1, "to": 2}] * 500]
)  # fmt: skip


def _places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    found = [path] if path else []
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()  # fmt: skip
    for key, part in inner:
        found.extend(_places(part, (*path, key)))
    return found


@st.composite
def hostile(draw: st.DrawFn) -> tuple[str, str, bytes]:
    """Return kind, name and payload of a message with some values exchanged."""
    kind, good = draw(st.sampled_from(GOOD))
    made = copy.deepcopy(good)
    for _ in range(draw(st.integers(0, 3))):
        path = draw(st.sampled_from(_places(made)))
        part = made
        for key in path[:-1]:
            part = part[key]
        part[path[-1]] = copy.deepcopy(draw(ODD))
    name = draw(st.sampled_from(["", "1", "2", "-3", "9" * 5000, "²", "gauge", "a/b", "\x1b[m"]))
    payload = json.dumps(made).encode()
    return kind, name, draw(st.sampled_from([payload, payload, payload, payload[:-1], b"[" * 4000]))


class _Panel(Panel):
    def head(self, views: list[StationView], now: float, wall: datetime) -> Text:
        del views, now, wall
        return Text("watch")


def _draw(stations: Stations) -> str:
    file = io.StringIO()
    console = SafeConsole(file=file, width=110, height=40, force_terminal=True)
    board = Board(console, stations, _Panel(), ring=lambda: None)
    board.ring_for_new()
    console.print(board.render())
    PlainLines(stations, lambda text: console.print(text, markup=False)).refresh()
    return file.getvalue()


@settings(max_examples=40, deadline=None)
@given(st.lists(hostile(), min_size=1, max_size=8), st.booleans())
def test_any_message_is_drawn_or_unread(
    messages: list[tuple[str, str, bytes]], retained: bool
) -> None:
    """No values, numbers, texts or names end the board, and none reaches the terminal raw."""
    stations = Stations()
    for kind, name, payload in messages:
        topic = f"swathe/bench/{kind}" + (f"/{name}" if name else "")
        stations.take(topic, payload, retained=retained, now=1.0)
    assert "\x1b[2J" not in _draw(stations)


def test_good_messages_are_drawn() -> None:
    """The messages that are changed are good ones: none of them is unread."""
    stations = Stations()
    for kind, contents in GOOD:
        stations.take(
            f"swathe/bench/{kind}/1", json.dumps(contents).encode(), retained=True, now=1.0
        )
    view = stations.find("bench")
    assert view is not None
    assert view.unread == 0
    assert "bench" in _draw(stations)
