"""A controller that restarts in the middle of a run is a fault."""

from __future__ import annotations

import asyncio
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest

from daemon.live.test_crawl import Seen, guards, station
from support.crawl import crawl_station
from swathe.live import Daemon
from swathe.live.crawl.drive import Drive, HaltedError
from swathe.live.crawl.homing import DriftError, Homing
from swathe.live.crawl.machine_report import MachineReport
from swathe.live.crawl.recovery import Recovery
from swathe.live.crawl.restarts import halt_text, reports_zero
from swathe.live.session import Session
from swathe.motion import CrawlStates, Event, Move, MoveKind, Point, State, work_area_of
from swathe.station import parse_station
from swathe.store import SurveyFolder
from swathe_drivers.motion import EventKind, MotionAxisSettings, MotionEvent


def test_greeting_is_a_fault_once_it_was_armed() -> None:
    """Before that it is what the machine sends when its port is opened."""
    greeting = MotionEvent(kind=EventKind.RESTARTED, time=1, text="CRAWLER 2.1 READY")
    assert halt_text(greeting, State.DISARMED) == ""
    for state in (State.ARMED, State.HOMING, State.MOVING, State.STOPPED):
        text = halt_text(greeting, state)
        assert text == "the controller has restarted, its position is lost: CRAWLER 2.1 READY"


def test_alarm_is_a_fault_in_any_state() -> None:
    """Other reports are none."""
    alarm = MotionEvent(kind=EventKind.ALARM, time=1, text="trip")
    assert halt_text(alarm, State.DISARMED) == "trip"
    assert halt_text(MotionEvent(kind=EventKind.ALARM, time=1), State.MOVING) == "alarm"
    assert halt_text(MotionEvent(kind=EventKind.IDLE, time=1), State.MOVING) == ""


def test_zero_of_the_machine_is_that_of_its_own_numbers() -> None:
    """A number of 0 is -20 mm on an axis with an offset of 40 and a scale of 2; each axis counts."""
    scan = MotionAxisSettings(min_mm=-100, max_mm=900, speed_mm_per_s=1, scale=2, offset=40)
    index = MotionAxisSettings(min_mm=-5, max_mm=90, speed_mm_per_s=1)
    for place, is_zero in (((-20.0, 0.0), True), ((-20.0, 8.0), False), ((0.0, 0.0), False)):
        report = MachineReport(1, place, asked=0)
        assert reports_zero(report, {"scan": scan, "index": index}) is is_zero
    assert reports_zero(MachineReport(1, (-20.0, 8.0), asked=0), {"scan": scan})


def armed() -> CrawlStates:
    """Return the state of a machine at rest between two moves."""
    machine = CrawlStates()
    machine.take(Event.ARMED)
    return machine


def homing_at(place: Point) -> tuple[Homing, CrawlStates]:
    """Return the homing of a machine at rest, whose encoders are at a place."""
    machine, made = armed(), station()
    drive = SimpleNamespace(machine=machine, trouble=machine.take)
    homing = Homing(
        made,
        cast("Session", None),
        drive=cast("Drive", drive),
        guards=guards(Seen(position=place)),
        recovery=cast("Recovery", None),
        say=lambda _: None,
        area=lambda: work_area_of(made),
    )
    return homing, machine


def test_machine_at_its_zero_has_lost_nothing() -> None:
    """Only a zero at which the encoder is not shows a restart, and no other place does."""
    homing, _ = homing_at((3.0, -3.9))
    assert homing.lost_text(MachineReport(1, (0.0, 0.0), asked=0)) == ""
    homing, _ = homing_at((3.0, -4.1))
    assert homing.lost_text(MachineReport(1, (0.0, 0.0), asked=0)).startswith("the controller has")
    assert homing.lost_text(MachineReport(1, (0.0, 8.0), asked=0)) == ""
    assert homing.lost_text(None) == ""


@pytest.mark.parametrize(
    ("place", "text"),
    [
        (
            (0.0, 0.0),
            "the controller has restarted or lost its position: it reports its zero, and motor and "
            "encoder are -250.0 mm (scan), -40.0 mm (index) apart",
        ),
        (
            (245.0, 40.0),
            "motor and encoder are -5.0 mm (scan), +0.0 mm (index) apart",
        ),
    ],
)
def test_position_that_is_lost_at_rest_is_a_fault(place: Point, text: str) -> None:
    """A controller that restarts without a greeting reports its zero; the encoder is where it was."""
    homing, machine = homing_at((250.0, 40.0))
    with pytest.raises(HaltedError):
        asyncio.run(homing.check_drift(MachineReport(1, place, asked=0)))
    assert (machine.state, machine.cause) == (State.FAILING, Event.DISAGREEMENT)
    assert machine.text == text


@pytest.mark.parametrize(("off", "is_lost"), [(40.0, True), (4.1, True), (3.9, False)])
def test_report_that_jumps_at_rest_is_a_fault_also_without_an_encoder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, off: float, is_lost: bool
) -> None:
    """Nothing has moved it since it came to rest: a little off it homes again, far off it is lost."""
    text = crawl_station(tmp_path)
    daemon = Daemon(parse_station(text, "x"), text, SurveyFolder(tmp_path / "survey"), armed=True)
    crawl = daemon.crawl
    assert crawl is not None
    crawl.machine.take(Event.ARMED)

    async def fresh() -> MachineReport:
        return MachineReport(1, (0.0, 40.0 - off), asked=0)

    async def agrees(_: MachineReport) -> None:
        """The encoders that there are agree."""

    monkeypatch.setattr(crawl._drive, "fresh", fresh)
    monkeypatch.setattr(crawl._homing, "check_drift", agrees)
    move = Move(MoveKind.TRANSFER, (0.0, 40.0), (100.0, 40.0), 40.0, 200.0, 5)
    with pytest.raises(HaltedError if is_lost else DriftError):
        asyncio.run(crawl._go(move, counts=False))
    assert (crawl.machine.cause is Event.DISAGREEMENT) is is_lost
    if is_lost:
        words = "the controller has restarted or lost its position: it is "
        assert crawl.machine.text == f"{words}{off:.1f} mm off its path"
