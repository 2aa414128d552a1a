"""A controller that restarts in the middle of a run is a fault, whether it greets or not."""

from __future__ import annotations

import pytest

from swathe.display_units import MILLIMETRES
from swathe.live.crawl.machine_report import MachineReport
from swathe.live.crawl.restarts import RestartWatch
from swathe.motion import State
from swathe_drivers.motion import EventKind, MotionAxisSettings, MotionEvent

MS = 1_000_000
WATCH = RestartWatch(
    {
        "scan": MotionAxisSettings(min_mm=-60, max_mm=460, speed_mm_per_s=120),
        "index": MotionAxisSettings(min_mm=0, max_mm=90, speed_mm_per_s=40),
    },
    MILLIMETRES,
)


def report(ms: int, scan: float, index: float = 0.0) -> MachineReport:
    """Return a report of so many ms."""
    return MachineReport(ms * MS, (scan, index), asked=ms * MS)


@pytest.mark.parametrize("state", [State.ARMED, State.MOVING, State.STOPPING, State.STOPPED])
def test_position_that_jumps_is_a_restart(state: State) -> None:
    """From 200 mm to 0 in a tenth of a second is more than 120 mm/s."""
    text = WATCH.jump(report(0, 200.0), report(100, 0.0), state)
    assert text.startswith("scan jumped from 200.0 mm to 0.0 mm, farther than it can drive")
    assert "index jumped" in WATCH.jump(report(0, 0.0, 80.0), report(100, 0.0, 0.0), state)


@pytest.mark.parametrize(
    ("ms", "scan"),
    [(100, 12.0), (100, 43.0), (1000, 151.0), (1000, -151.0)],  # 120 mm/s, 0.25 s late, 1 mm
)
def test_position_that_the_machine_can_reach_is_none(ms: int, scan: float) -> None:
    """Also where reports are late, in either direction."""
    assert WATCH.jump(report(0, 0.0), report(ms, scan), State.MOVING) == ""


def test_position_that_it_cannot_quite_reach() -> None:
    """The border: 120 mm/s for 1.25 s, and 1 mm."""
    assert WATCH.jump(report(0, 0.0), report(1000, 151.1), State.MOVING)


@pytest.mark.parametrize("state", [State.DISARMED, State.HOMING, State.ENDED])
def test_homing_and_a_machine_that_is_not_armed_may_jump(state: State) -> None:
    """Homing sets positions."""
    assert WATCH.jump(report(0, 200.0), report(100, 0.0), state) == ""
    assert WATCH.jump(None, report(100, 0.0), State.MOVING) == ""


def test_greeting_is_a_fault_once_it_was_armed() -> None:
    """Before that it is what the machine sends when its port is opened."""
    greeting = MotionEvent(kind=EventKind.RESTARTED, time=1, text="CRAWLER 2.1 READY")
    assert WATCH.halt(greeting, State.DISARMED) == ""
    text = WATCH.halt(greeting, State.MOVING)
    assert text == "the controller has restarted, its position is lost: CRAWLER 2.1 READY"
    assert (
        WATCH.halt(MotionEvent(kind=EventKind.ALARM, time=1, text="trip"), State.MOVING) == "trip"
    )
    assert WATCH.halt(MotionEvent(kind=EventKind.IDLE, time=1), State.MOVING) == ""
