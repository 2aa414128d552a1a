"""What a motion driver and its codec must offer; no logic lives here.

A codec makes the bytes of commands and reads the answers. It does no input or output, knows
no clock and draws no random number. `MotionPort` is what sends and reads.
"""

from collections.abc import Mapping
from typing import Any, ClassVar, Protocol, runtime_checkable

from pydantic import BaseModel

from swathe_drivers.motion.commands import Command, Frame
from swathe_drivers.motion.events import MotionEvent
from swathe_drivers.motion.settings import MotionAxisSettings
from swathe_drivers.records import FaultReason


@runtime_checkable
class MotionCodec(Protocol):
    """Commands to bytes and answers to events, for one port."""

    @property
    def axes(self) -> Mapping[str, MotionAxisSettings]:
        """The machine's axes with their limits."""
        ...

    @property
    def in_flight(self) -> int:
        """The most frames that may wait for an acknowledgement at once."""
        ...

    @property
    def busy(self) -> int:
        """Frames sent and not acknowledged yet."""
        ...

    @property
    def n_faults(self) -> Mapping[FaultReason, int]:
        """How many faults of each reason there were since the start."""
        ...

    def move(
        self, target: Mapping[str, float], *, speed: float, acceleration: float | None = None
    ) -> Command:
        """Drive in a straight line.

        Args:
            target: mm by axis; leave out an axis that is not meant to move.
            speed: along the way, mm/s.
            acceleration: mm/s²; None to leave it to the machine.

        Raises:
            LimitError: a limit of the settings would be passed; correct the move.
            DriverUsageError: the machine can't do such a move; the message names what it can.
        """
        ...

    def stop(self, *, half_sent: bool = False) -> Frame:
        """Stop at once; to be sent out of turn.

        Args:
            half_sent: a frame before it went out in part; the stop must not complete it.
        """
        ...

    def home(self, axis: str) -> Command:
        """Find the reference of an axis.

        Raises:
            DriverUsageError: no such axis, or it can't be homed; the message lists those that can.
        """
        ...

    def arm(self) -> Command:
        """Make ready to move: units, modes, drives on."""
        ...

    def disarm(self) -> Command:
        """Drives off."""
        ...

    def query_position(self) -> Command | None:
        """Ask where the motors are and whether they move; None if the machine can't tell."""
        ...

    def sent(self, frame: Frame) -> int:
        """Count a frame as sent, just before it is; give the number that its answer will have."""
        ...

    def forget(self) -> None:
        """Give up waiting for answers."""
        ...

    def feed(self, data: bytes, time_ns: int) -> list[MotionEvent]:
        """Read the next bytes of the stream, cut anywhere, that arrived at `time_ns`.

        Raises nothing, whatever the bytes are.
        """
        ...

    def reset(self, offset: int) -> list[MotionEvent]:
        """Forget what had only begun and all that waits; the stream continues at byte `offset`."""
        ...


@runtime_checkable
class MotionDriver(Protocol):
    """A kind of machine; registered under a name in the entry-point group `swathe.motion`."""

    Settings: ClassVar[type[BaseModel]]
    """The model of the driver's own table in a station file."""

    def __init__(self, settings: Any) -> None:  # noqa: ANN401  each driver takes its own model
        """Take settings that are an instance of `Settings`."""
        ...

    def codec(self, *, ns_per_byte: int) -> MotionCodec:
        """A new codec for one port.

        Args:
            ns_per_byte: time that one byte takes on the line, ns; 0 when unknown or not serial.
        """
        ...
