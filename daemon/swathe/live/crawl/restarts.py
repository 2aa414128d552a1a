"""Whether a machine's controller has restarted: its position, units and modes are then lost."""

from __future__ import annotations

from collections.abc import Mapping

from swathe.display_units import DisplayUnits
from swathe.live.crawl.machine_report import MachineReport
from swathe.motion import State
from swathe_drivers.motion import EventKind, MotionAxisSettings, MotionEvent

__all__ = ["RestartWatch"]

# A report may be as much older or younger than its time; and positions are rounded.
_LATE_NS = 250_000_000
_ROUNDED_MM = 1.0


class RestartWatch:
    """Compares what a machine reports with what its axes can do.

    Args:
        axes: with the highest speed of each.
        units: in which positions are written.
    """

    def __init__(self, axes: Mapping[str, MotionAxisSettings], units: DisplayUnits) -> None:
        self._speeds = {name: axis.speed_mm_per_s for name, axis in axes.items()}
        self._units = units

    def halt(self, event: MotionEvent, state: State) -> str:
        """Return why a machine halted by itself, of its alarm or its greeting; empty if it did not.

        Before it is armed a greeting is nothing unusual: some restart when their port is opened.
        """
        if event.kind is EventKind.ALARM:
            return event.text or "alarm"
        if event.kind is EventKind.RESTARTED and state is not State.DISARMED:
            return f"the controller has restarted, its position is lost: {event.text}"
        return ""

    def jump(self, before: MachineReport | None, after: MachineReport, state: State) -> str:
        """Return how a reported position jumped farther than the machine can drive; empty if not.

        A homing sets positions, and a machine that is disarmed may be moved by others.
        """
        if before is None or state in (State.DISARMED, State.HOMING, State.ENDED):
            return ""
        seconds = (after.time - before.time + _LATE_NS) / 1e9
        for axis, speed in self._speeds.items():
            way = abs(after.at(axis) - before.at(axis))
            if way > speed * seconds + _ROUNDED_MM:
                there = self._units.place_text(before.at(axis))
                here = self._units.place_text(after.at(axis))
                return (
                    f"{axis} jumped from {there} to {here}, farther than it can drive: the "
                    "controller may have restarted, its position is lost"
                )
        return ""
