"""Whether a machine has halted by itself, or its controller has restarted."""

from __future__ import annotations

from swathe.motion import State
from swathe_drivers.motion import EventKind, MotionEvent

__all__ = ["halt_text"]


def halt_text(event: MotionEvent, state: State) -> str:
    """Return why a machine halted by itself, of its alarm or its greeting; empty if it did not.

    With a restart its position, units and modes are lost. Before it is armed a greeting is nothing
    unusual: some controllers restart when their port is opened.

    Args:
        event: of the machine.
        state: of the crawler.
    """
    if event.kind is EventKind.ALARM:
        return event.text or "alarm"
    if event.kind is EventKind.RESTARTED and state is not State.DISARMED:
        return f"the controller has restarted, its position is lost: {event.text}"
    return ""
