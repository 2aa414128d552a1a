"""Commands to the bytes of a machine that moves the probe, and its answers to events."""

from swathe_drivers.motion.abc import MotionCodec, MotionDriver
from swathe_drivers.motion.commands import Command, CommandKind, Frame
from swathe_drivers.motion.events import EventKind, MotionEvent
from swathe_drivers.motion.port import MotionPort
from swathe_drivers.motion.receipts import CommandOutcome, Receipt
from swathe_drivers.motion.settings import MotionAxisSettings, check_axis_limits
from swathe_drivers.motion.stop_guard import StopGuard, StopReport

__all__ = [
    "Command",
    "CommandKind",
    "CommandOutcome",
    "EventKind",
    "Frame",
    "MotionAxisSettings",
    "MotionCodec",
    "MotionDriver",
    "MotionEvent",
    "MotionPort",
    "Receipt",
    "StopGuard",
    "StopReport",
    "check_axis_limits",
]
