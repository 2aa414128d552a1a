"""Asking the machine of a station where it is, to see whether it answers; nothing is armed."""

from __future__ import annotations

import threading

from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.live.listening import PortReport
from swathe.station import MOTION_PORT, MotionTable, motion_driver
from swathe_drivers import PortError
from swathe_drivers.motion import EventKind, MotionEvent, MotionPort

__all__ = ["ask_machine"]

_MOST_LINES = 3


class _MachineAnswers:
    """Keeps what the machine answers."""

    def __init__(self) -> None:
        self.position: dict[str, float] = {}
        self.lines: list[str] = []
        self.answered_position = threading.Event()

    def take(self, event: MotionEvent) -> None:
        if event.kind is EventKind.POSITION:
            self.position = dict(event.position)
            self.answered_position.set()
        elif event.kind is EventKind.FAULT:
            self.lines.append(f"fault at {event.fault}")
        elif event.text:
            self.lines.append(f"{event.kind}: {event.text}")


def ask_machine(
    motion: MotionTable, seconds: float, units: DisplayUnits = MILLIMETRES
) -> PortReport:
    """Ask a machine for its position and report what came; it is neither armed nor moved.

    Args:
        motion: the station's table.
        seconds: how long its port and its answer are waited for, each.
        units: in which positions are written.
    """
    answers = _MachineAnswers()
    with MotionPort(
        MOTION_PORT, motion.port_settings(), motion_driver(motion), on_event=answers.take
    ) as port:
        try:
            port.wait_open(seconds)
            request = port.query_position()
        except PortError as error:
            return PortReport(MOTION_PORT, False, str(error))
        answered = answers.answered_position.wait(seconds)
        ending = request.result().text if request.done() else ""
        axes = port.codec.axes
    lines = answers.lines[:_MOST_LINES]
    if not answered:
        hint = ending or "is it on, and are baud rate and 'motion.protocol' as its manual says?"
        return PortReport(MOTION_PORT, False, f"no position in {seconds:g} s: {hint}", lines)
    # In the order of the axes, whichever answered first.
    position = {name: answers.position[name] for name in axes if name in answers.position}
    place = ", ".join(f"{name} {units.stated_text(at)}" for name, at in position.items())
    outside = [
        f"{name} is outside of its travel, {units.stated_number(axes[name].min_mm)} to "
        f"{units.stated_text(axes[name].max_mm)}"
        for name, at in position.items()
        if not axes[name].min_mm <= at <= axes[name].max_mm
    ]
    lines += [f"caution: {text}" for text in outside]
    return PortReport(MOTION_PORT, True, f"answers, its motors are at {place}", lines)
