"""What a machine answers, as events."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from swathe_drivers.records import Fault


class EventKind(StrEnum):
    """What an event reports."""

    ACKNOWLEDGED = "acknowledged"
    """A frame was taken; `number` is the one that `MotionCodec.sent` gave it."""
    REFUSED = "refused"
    """A frame was not taken; `text` is the machine's reason. `number` is None if none waited."""
    BUSY = "busy"
    """The machine works on a frame and asks for patience."""
    ALARM = "alarm"
    """The machine halted by itself; `text` is its reason."""
    RESTARTED = "restarted"
    """The machine has restarted: its position, units and modes are lost; `text` is its greeting."""
    POSITION = "position"
    """Where the motors believe to be: `position`, mm by axis."""
    MOVING = "moving"
    """The machine reports that it moves."""
    IDLE = "idle"
    """The machine reports that it is at rest."""
    HOMED = "homed"
    """The `axis` has found its reference; None when the machine does not say which."""
    FAULT = "fault"
    """Bytes that mean nothing: `fault` has where and why. They change no state."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MotionEvent:
    """One thing that the machine reported.

    Attributes:
        kind: what it reports.
        time: host's monotonic time of the line's or frame's beginning, ns.
        number: of the frame that it answers.
        text: the machine's own words, without control characters.
        position: mm by axis, only with `EventKind.POSITION`.
        axis: only with `EventKind.HOMED`.
        fault: only with `EventKind.FAULT`.
    """

    kind: EventKind
    time: int
    number: int | None = None
    text: str = ""
    position: Mapping[str, float] = field(default_factory=dict)
    axis: str | None = None
    fault: Fault | None = None
