"""A controller that restarts in the middle of a run is a fault."""

from __future__ import annotations

from swathe.live.crawl.restarts import halt_text
from swathe.motion import State
from swathe_drivers.motion import EventKind, MotionEvent


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
