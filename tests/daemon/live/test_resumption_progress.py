"""How far a replay of earlier runs is: share and time left, from the first moment on."""

from __future__ import annotations

import io
from types import SimpleNamespace
from typing import cast

from rich.console import Console

from daemon.handmade import station_text
from swathe.live.mirror import Mirror
from swathe.live.resumption_progress import ResumptionClock, resuming_text
from swathe.live.session import Session
from swathe.live.shown_state import ShownState
from swathe.live.terminal import TerminalObserver
from swathe.messages import StateMessage
from swathe.station import parse_station

S = 1_000_000_000


def test_time_left_follows_from_the_share_and_the_time_it_took() -> None:
    """A quarter in 5 s leaves 15 s; nothing is known before the first share and after the last."""
    clock = ResumptionClock()
    first = clock.follow(0.0, 100 * S)
    assert first is not None
    assert (first.percent, first.seconds_left) == (0.0, None)
    assert clock.follow(0.1, 100 * S + S // 4) is None  # twice a second at most
    later = clock.follow(0.25, 105 * S)
    assert later is not None
    assert (later.percent, later.seconds_left, later.since) == (25.0, 15.0, first.since)
    last = clock.follow(1.0, 120 * S)
    assert last is not None
    assert (
        last.seconds_left is None
    )  # files are written then, and nothing shows how long that takes


def test_state_and_terminal_have_the_progress() -> None:
    """On MQTT in fields, on the terminal in words; nothing of it for a survey without earlier runs."""
    station, mirror = parse_station(station_text(), "bench.toml"), Mirror()
    session = SimpleNamespace(survey="s1", continued=False, resumed=0.0)
    shown = ShownState(station, mirror, cast("Session", session), process="aa11", link=lambda: None)
    out = io.StringIO()
    observer = TerminalObserver(Console(file=out, width=200))
    mirror.watch(lambda topic, _: observer.show_resumption(mirror.messages[topic]))
    shown.show_resumption(0)
    assert not mirror.messages
    session.continued = True
    for seconds, session.resumed in ((0, 0.0), (3, 0.05), (6, 0.3), (7, None)):
        shown.show_resumption(seconds * S)
    message = mirror.messages["swathe/bench/state"]
    assert isinstance(message, StateMessage)
    assert (message.state, message.resumed, message.resumed_in) == ("resuming", 30.0, 14.0)
    assert message.since is not None
    assert out.getvalue().splitlines() == [
        "resuming: 0.0 % of earlier runs replayed; what arrives is kept",
        "resuming: 30.0 % of earlier runs replayed, 14 s left; what arrives is kept",
    ]


def test_share_as_text_is_empty_once_all_is_resumed() -> None:
    """As replies to commands have it meanwhile."""
    resuming = "the survey is being resumed: "
    assert resuming_text(0.5) == resuming + "the journal of earlier runs is replayed, 50% is done"
    assert resuming_text(None) == ""
