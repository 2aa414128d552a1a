"""When the bell rings, and how often."""

from __future__ import annotations

from typing import Any

import pytest

from daemon.board.test_stations import gap, put, state
from daemon.messages.test_messages import OF, alarm
from swathe.board import Stations
from swathe.board.bells import Bells
from swathe.errors import StationError
from swathe.messages import AlarmMessage
from swathe.station import AlarmKind, SoundEvent, parse_station

STATION = """
name = "bench"
[survey]
folder = "survey"
[scan]
length = "20 mm"
resolution = "1 mm"
device = "gauge"
[device.gauge]
port = "socket://gauge:1"
protocol.columns = [
  { is = "position", axis = "scan", unit = "mm" },
  { is = "thickness", unit = "mm" },
]
[alarms]
"""


class Scene:
    """A station whose bell is looked at every 50 ms."""

    def __init__(self, sounds: tuple[str, ...] | None = None) -> None:
        self.stations = Stations()
        self.bells = Bells(sounds)
        self.now = 100.0
        put(self.stations, "state", state())
        self.wait(0.05)

    def wait(self, seconds: float) -> list[float]:
        """Return when it rang in so many seconds, from their begin."""
        begin, rung = self.now, []
        for k in range(round(seconds * 20)):
            self.now = begin + k / 20
            if self.bells.ring(self.stations.views, self.now):
                rung.append(round(self.now - begin, 2))
        self.now = begin + seconds
        return rung

    def raise_alarm(self, number: int, kind: AlarmKind, **values: Any) -> None:
        """Let an alarm begin."""
        message = AlarmMessage.of_alarm(alarm(number=number, kind=kind, **values), OF)
        put(self.stations, f"alarm/{number}", message)

    def open_gap(self, number: int) -> None:
        """Let a gap open."""
        put(self.stations, f"gap/{number}", gap(number=number))


def test_patterns_by_urgency() -> None:
    """Twice for what cannot wait, once for the rest, and once only for each."""
    scene = Scene()
    scene.raise_alarm(1, AlarmKind.TOO_FAST)
    assert scene.wait(5.0) == [0.0]
    scene.raise_alarm(2, AlarmKind.THIN)
    assert scene.wait(5.0) == [0.0, 0.4]
    scene.raise_alarm(3, AlarmKind.CHECK_OVERDUE, acknowledged_by="A. Kern")
    assert scene.wait(5.0) == []


def test_many_events_are_no_flood() -> None:
    """What comes meanwhile rings after two quiet seconds, together; the most urgent decides."""
    scene = Scene()
    scene.raise_alarm(1, AlarmKind.TOO_FAST)
    assert scene.wait(0.5) == [0.0]
    scene.raise_alarm(2, AlarmKind.GAPS)
    scene.raise_alarm(3, AlarmKind.PORT)
    for number in range(4, 20):
        scene.raise_alarm(number, AlarmKind.TOO_FAST)
    assert scene.wait(10.0) == [1.5, 1.9]


def test_gaps_ring_every_ten_seconds_at_most() -> None:
    """Those that were open at the first look are old."""
    scene = Scene()
    scene.open_gap(1)
    assert scene.wait(1.0) == [0.0]
    for number in range(2, 9):
        scene.open_gap(number)
        assert scene.wait(1.0) == []
    assert scene.wait(5.0) == []
    scene.open_gap(9)
    assert scene.wait(1.0) == [0.0]
    late = Bells()
    assert not late.ring(scene.stations.views, 0.0)


def test_a_pause_rings_each_time_it_begins() -> None:
    """Not while it lasts."""
    scene = Scene()
    for _ in range(2):
        put(scene.stations, "state", state(state="paused", reason="by A. Kern"))
        assert scene.wait(5.0) == [0.0]
        put(scene.stations, "state", state())
        assert scene.wait(5.0) == []


def test_what_is_muted_does_not_ring_later() -> None:
    """Neither what was new meanwhile nor the second stroke."""
    scene = Scene()
    scene.raise_alarm(1, AlarmKind.THIN)
    assert scene.wait(0.1) == [0.0]
    scene.bells.muted = True
    scene.raise_alarm(2, AlarmKind.THIN)
    assert scene.wait(3.0) == []
    scene.bells.muted = False
    assert scene.wait(3.0) == []
    scene.raise_alarm(3, AlarmKind.THIN)
    assert scene.wait(3.0) == [0.0, 0.4]


def test_chosen_events_ring_alone() -> None:
    """`alarms.sound` limits the bell; nothing in it means silence."""
    scene = Scene(("below alert", "paused"))
    scene.raise_alarm(1, AlarmKind.TOO_FAST)
    scene.open_gap(1)
    assert scene.wait(3.0) == []
    put(scene.stations, "state", state(state="paused", reason=""))
    assert scene.wait(3.0) == [0.0]
    scene = Scene(())
    scene.raise_alarm(1, AlarmKind.THIN)
    assert scene.wait(3.0) == []


def test_sound_of_the_station_file() -> None:
    """All events unless it is given; a name that is none is refused with those that are."""
    assert parse_station(STATION, "x").alarms.sound is None
    every = [*map(str, AlarmKind), *map(str, SoundEvent)]
    assert parse_station(STATION + f"sound = {every}", "x").alarms.sound == tuple(every)
    chosen = parse_station(STATION + 'sound = ["gap opened", "too fast"]', "x").alarms.sound
    assert chosen == ("gap opened", "too fast")
    with pytest.raises(StationError) as caught:
        parse_station(STATION + 'sound = ["gap"]', "x")
    assert "'alarms.sound[0]' must be one of 'gaps open', 'coupling lost'" in str(caught.value)
