"""Commands to the bytes of a machine that moves the probe, and its answers to events."""

from swathe_drivers.motion.abc import MotionCodec, MotionDriver
from swathe_drivers.motion.commands import Command, CommandKind, Frame
from swathe_drivers.motion.events import EventKind, MotionEvent
from swathe_drivers.motion.port import MotionPort
from swathe_drivers.motion.receipts import Outcome, Receipt
from swathe_drivers.motion.settings import AxisSettings, check_move

__all__ = [
    "AxisSettings",
    "Command",
    "CommandKind",
    "EventKind",
    "Frame",
    "MotionCodec",
    "MotionDriver",
    "MotionEvent",
    "MotionPort",
    "Outcome",
    "Receipt",
    "check_move",
]
