"""What a watcher makes of messages, and draws from them."""

from __future__ import annotations

import json
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from daemon.messages.test_messages import AT, NOW, OF, gap_snapshot, line, progress
from swathe.board import Stations, StationView
from swathe.board.block_map import BlockMap
from swathe.messages import (
    AlarmMessage,
    Extent,
    GapIndexMessage,
    GapMessage,
    LineMessage,
    PlanMessage,
    ProgressMessage,
    StateMessage,
    moment,
)
from swathe.pipeline import GapCause
from swathe.pipeline.alarms.register import Alarm
from swathe.pipeline.progress.snapshots import ZoneSnapshot
from swathe.station import AlarmKind


def span(low: float, high: float) -> Extent:
    """Return an extent."""
    return Extent(low=low, high=high)


PLAN = PlanMessage(
    scan=span(-0.5, 19.5),
    index=span(-0.5, 3.5),
    scan_resolution=1.0,
    index_resolution=1.0,
    lines=4,
    profile=False,
    alert_below=None,
    excluded=(ZoneSnapshot(name="lug", scan=span(15, 16), index=span(0, 1)),),
)


def put(stations: Stations, topic: str, message: Any, *, now: float = 0.0, **fields: Any) -> None:
    """Have a message come; with other fields than the model's if given."""
    told = {**json.loads(message.model_dump_json(by_alias=True)), **fields}
    stations.take(f"swathe/bench/{topic}", json.dumps(told).encode(), retained=False, now=now)


def state(**other: Any) -> StateMessage:
    """Return a state."""
    return StateMessage(**{**OF, "time": NOW, "state": "scanning", "plan": PLAN, **other})


def line_message(number: int, *missing: tuple[float, float]) -> LineMessage:
    """Return a line of 20 cells, but for what is missing."""
    return LineMessage.of(line(number, missing=missing), OF)


def gap(**other: Any) -> GapMessage:
    """Return a gap."""
    return GapMessage.of(gap_snapshot(**other), OF)


def view_of(stations: Stations) -> StationView:
    """Return the one station."""
    (view,) = stations.views
    return view


def drawn(view: StationView, width: int = 20, height: int = 4) -> list[str]:
    """Return the map's lines, without the legend."""
    return BlockMap().draw(view, width=width, height=height).plain.split("\n")[:-1]


def test_map_of_lines_and_gaps() -> None:
    """Measured, to come, left out, and each cause by its shape, where it is."""
    stations = Stations()
    put(stations, "state", state())
    put(stations, "line/0", line_message(0, (4.5, 6.5)))
    put(stations, "line/1", line_message(1, (9.5, 10.5)))
    put(stations, "gap/1", gap(number=1, scan=(4.5, 6.5), index=(-0.5, 0.5), area=2.0))
    put(
        stations,
        "gap/2",
        gap(number=2, scan=(7.5, 9.5), index=(1.5, 2.5), area=2.0, cause=GapCause.NO_SIGNAL),
    )
    put(stations, "progress", ProgressMessage.of(progress(line=None, scan=12.0, index=2.0), OF))
    assert drawn(view_of(stations)) == [
        "▪▪▪▪▪//▪▪▪▪▪▪▪▪  ▪▪▪",
        "▪▪▪▪▪▪▪▪▪▪·▪▪▪▪  ▪▪▪",
        "········○○··◆·······",
        "····················",
    ]


def test_map_drawn_small_loses_no_gap() -> None:
    """A block shows the most urgent of its cells."""
    stations = Stations()
    put(stations, "state", state())
    for number in range(4):
        put(
            stations, f"line/{number}", line_message(number, *([(6.5, 7.5)] if number == 2 else []))
        )
    put(stations, "gap/1", gap(scan=(6.5, 7.5), index=(1.5, 2.5), area=1.0))
    assert drawn(view_of(stations), width=5, height=2) == ["▪▪▪▪▪", "▪/▪▪▪"]


def test_map_of_a_gap_that_is_no_rectangle_keeps_what_its_lines_measured() -> None:
    """Of a gap with corners only its lines' own stretches are shown as missing."""
    stations = Stations()
    put(stations, "state", state())
    put(stations, "line/2", line_message(2, (3.5, 5.5)))
    put(stations, "line/3", line_message(3, (5.5, 7.5)))
    put(stations, "gap/1", gap(scan=(3.5, 7.5), index=(1.5, 3.5), area=4.0))
    assert drawn(view_of(stations))[2:] == ["▪▪▪▪//▪▪▪▪▪▪▪▪▪▪▪▪▪▪", "▪▪▪▪▪▪//▪▪▪▪▪▪▪▪▪▪▪▪"]


def test_newer_survey_forgets_the_older_and_is_not_overruled_by_it() -> None:
    """Gaps of the survey before are gone; a stale message that comes late brings none back."""
    stations = Stations()
    put(stations, "gap/1", gap())
    later = moment(AT + 10**9).isoformat()
    put(stations, "state", state(), survey="s-2", time=later)
    view = view_of(stations)
    assert view.gaps == {}
    put(stations, "gap/1", gap())
    assert view.gaps == {}
    put(stations, "gap/1", gap(), survey="s-2", time=later)
    assert list(view.gaps) == [1]


def test_fields_of_a_later_version_are_passed_over() -> None:
    """A station that tells more than this program knows is understood all the same."""
    stations = Stations()
    put(stations, "gap/7", gap(), colour="red", scan={"from": 1.0, "to": 2.0, "middle": 1.5})
    view = view_of(stations)
    assert view.gaps[7].scan == span(1.0, 2.0)
    put(stations, "gap/8", gap(), version=2)
    assert (list(view.gaps), view.unread) == ([7], 1)


def test_cleared_topic_is_forgotten() -> None:
    """What the broker is told to forget is forgotten here too."""
    stations = Stations()
    put(stations, "gap/7", gap())
    stations.take("swathe/bench/gap/7", b"", retained=False, now=0.0)
    assert view_of(stations).gaps == {}
    stations.take("swathe/other/gap/7", b"", retained=False, now=0.0)
    assert len(stations) == 1


def test_index_of_very_many_gaps() -> None:
    """How many open gaps have no message of their own is known while the broker has the index."""
    stations = Stations()
    put(stations, "gap/7", gap())
    assert view_of(stations).gaps_not_listed == 0
    index = GapIndexMessage(**OF, open=400, cells=900, causes={}, listed=300, blocks=())
    put(stations, "gaps", index)
    assert view_of(stations).gaps_not_listed == 100
    stations.take("swathe/bench/gaps", b"", retained=False, now=0.0)
    assert view_of(stations).gaps_not_listed == 0


def test_age_and_staleness() -> None:
    """A station that scans and is not heard is stale; one that is done may be silent."""
    stations = Stations()
    put(stations, "state", state(), now=100.0)
    view = view_of(stations)
    assert view.age(103.0, NOW) == 3.0
    assert not view.is_stale(109.0, NOW)
    assert view.is_stale(111.0, NOW)
    put(stations, "state", state(state="complete"), now=100.0)
    assert not view.is_stale(999.0, NOW)


@given(st.text(max_size=40), st.binary(max_size=60))
def test_any_rubbish_on_a_broker_is_survived(topic: str, payload: bytes) -> None:
    """Whatever others publish, nothing but a count comes of it."""
    stations = Stations()
    for prefix in ("", "swathe/", "swathe/x/", "swathe/x/gap/", "swathe/x/state"):
        stations.take(prefix + topic, payload, retained=False, now=0.0)
    for view in stations.views:
        assert view.gaps == {}
        assert view.state is None


def test_readings_without_a_place_come_after_the_alarm_that_they_follow_from() -> None:
    """The newest is first otherwise, and what nobody acknowledged before the rest."""
    stations = Stations()
    put(stations, "state", state())
    kinds = ["position lost", "below alert", "readings unplaced"]
    for number, kind in enumerate(kinds, 1):
        alarm = Alarm(number=number, kind=AlarmKind(kind), detail="x", since=AT, until=None)
        put(stations, f"alarm/{number}", AlarmMessage.of_alarm(alarm, OF))
    order = [alarm.kind for alarm in view_of(stations).raised_alarms]
    assert order == ["below alert", "position lost", "readings unplaced"]
