"""Whether a machine has halted by itself, or its controller has restarted."""

from __future__ import annotations

from collections.abc import Mapping

from swathe.live.crawl.machine_report import MachineReport
from swathe.motion import State
from swathe_drivers.motion import EventKind, MotionAxisSettings, MotionEvent

__all__ = ["LOST", "halt_text", "reports_zero"]

LOST = "the controller has restarted or lost its position"
_ZERO_MM = 0.1


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


def reports_zero(report: MachineReport, axes: Mapping[str, MotionAxisSettings]) -> bool:
    """Return whether the machine reports its own zero on each axis, as after a restart.

    Args:
        report: of the machine, at rest.
        axes: of the machine; those of the plan are named ``scan`` and ``index``.
    """
    names = [name for name in ("scan", "index") if name in axes]
    return all(abs(report.at(name) - axes[name].to_mm(0.0)) <= _ZERO_MM for name in names)
