"""Driver for machines that are moved by writing Modbus registers, over RTU framing.

A move is: write the targets, the speed, then the command word. Each write waits for its
response, as the protocol asks for. Function codes are those of the MODBUS Application
Protocol Specification V1.1b3: 3 and 4 read, 6 writes one register, 16 several.
"""

import math
import struct
from collections import Counter
from collections.abc import Mapping
from typing import Annotated, ClassVar, Final, Literal

from pydantic import BaseModel, Field, model_validator

from swathe_drivers.columns import AxisName
from swathe_drivers.errors import DriverUsageError
from swathe_drivers.motion.commands import Command, CommandKind, Frame, Pending
from swathe_drivers.motion.events import EventKind, MotionEvent
from swathe_drivers.motion.responses import READS, Garbage, Response, ResponseReader
from swathe_drivers.motion.settings import MotionAxisSettings, check_axis_limits, describe_move
from swathe_drivers.records import MAX_EXCERPT, Fault, FaultReason
from swathe_drivers.rtu import EXCEPTION, with_crc
from swathe_drivers.settings import SettingProblem, SettingsTable, raise_problems

Register = Annotated[int, Field(ge=0, le=65535)]
Word = Annotated[int, Field(ge=0, le=65535)]
Bit = Annotated[int, Field(ge=0, le=15)]
RegisterType = Literal["int16", "uint16", "int32", "uint32", "float32"]

_FORMATS: Final = {"int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "float32": "f"}
_RANGES: Final = {
    "int16": (-(2**15), 2**15 - 1),
    "uint16": (0, 2**16 - 1),
    "int32": (-(2**31), 2**31 - 1),
    "uint32": (0, 2**32 - 1),
    "float32": (-3.4e38, 3.4e38),
}


class RegisterAxis(MotionAxisSettings):
    """An axis and its registers; they hold `mm * scale + offset`, rounded if whole."""

    target: Register
    position: Register | None = None
    type: RegisterType = "int32"
    home_command: Word | None = None
    """Command word that finds the reference of this axis."""
    homed_bit: Bit | None = None
    """Bit of the status word that shows it."""


class NumberRegister(SettingsTable):
    """A register that holds a number: value * scale, rounded if whole."""

    register_: Register = Field(alias="register")
    type: RegisterType = "uint16"
    scale: float = Field(default=1.0, gt=0)


class CommandRegister(SettingsTable):
    """The command word and what it may be."""

    register_: Register = Field(alias="register")
    move: Word
    stop: Word
    arm: Word | None = None
    disarm: Word | None = None


class StatusRegister(SettingsTable):
    """The status word and its bits, counted from the lowest, 0."""

    register_: Register = Field(alias="register")
    moving_bit: Bit | None = None
    alarm_bit: Bit | None = None


class RegistersSettings(SettingsTable):
    """A machine that is moved by writing Modbus registers."""

    unit: int = Field(default=1, ge=1, le=247)
    """The machine's address on the line."""
    axes: Annotated[dict[AxisName, RegisterAxis], Field(min_length=1, max_length=6)]
    speed: NumberRegister
    """mm/s along the way, whatever the axes' scales."""
    acceleration: NumberRegister | None = None
    command: CommandRegister
    status: StatusRegister | None = None
    read: Literal["holding", "input"] = "holding"
    """What kind of registers positions and status are."""
    word_order: Literal["high_first", "low_first"] = "high_first"
    """Of numbers with two registers."""
    timeout_s: float = Field(default=1.0, gt=0, le=60)

    @model_validator(mode="after")
    def _check_ranges(self) -> "RegistersSettings":
        found: list[SettingProblem] = []
        for name, axis in self.axes.items():
            low, high = _RANGES[axis.type]
            for key, mm in (("min_mm", axis.min_mm), ("max_mm", axis.max_mm)):
                if not low <= axis.to_machine(mm) <= high:
                    requirement = f"must fit into {axis.type} with scale and offset"
                    found.append((("axes", name, key), requirement, mm))
            top = axis.speed_mm_per_s * self.speed.scale
            if not top <= _RANGES[self.speed.type][1]:
                requirement = f"must fit into the speed register's {self.speed.type}"
                found.append((("axes", name, "speed_mm_per_s"), requirement, axis.speed_mm_per_s))
            if axis.homed_bit is not None and self.status is None:
                requirement = "must be left out, as there is no status register"
                found.append((("axes", name, "homed_bit"), requirement, axis.homed_bit))
        raise_problems(self, found)
        return self


class RegistersCodec:
    """Codec of one machine; see `MotionCodec`. One request is under way at a time."""

    in_flight: Final = 1

    def __init__(self, settings: RegistersSettings) -> None:
        self.axes: Final = dict(settings.axes)
        self.n_faults: Final[Counter[FaultReason]] = Counter()
        self._settings = settings
        self._reader = ResponseReader(settings.unit)
        self._pending = Pending()
        self._status = 0

    # Commands -----------------------------------------------------------------------

    @property
    def busy(self) -> int:
        """Frames sent and not acknowledged yet."""
        return len(self._pending)

    def move(
        self, target: Mapping[str, float], *, speed: float, acceleration: float | None = None
    ) -> Command:
        """Drive in a straight line; see `MotionCodec.move`."""
        settings = self._settings
        check_axis_limits(settings.axes, target, speed=speed, acceleration=acceleration)
        frames = []
        for name, value in target.items():
            axis = settings.axes[name]
            frames.append(self._write(axis.target, axis.type, axis.to_machine(value)))
        number = settings.speed
        frames.append(self._write(number.register_, number.type, speed * number.scale))
        if acceleration is not None:
            if settings.acceleration is None:
                message = "the settings have no 'acceleration' register; leave it to the machine"
                raise DriverUsageError(message)
            number = settings.acceleration
            frames.append(self._write(number.register_, number.type, acceleration * number.scale))
        frames.append(self._command(settings.command.move))
        return Command(CommandKind.MOVE, tuple(frames), describe_move(target, speed))

    def stop(self, *, half_sent: bool = False) -> Frame:
        """Stop at once; a frame that was half sent fails by its own checksum."""
        del half_sent
        return self._command(self._settings.command.stop)

    def home(self, axis: str) -> Command:
        """Find the reference of an axis; see `MotionCodec.home`."""
        axes = self._settings.axes
        word = axes[axis].home_command if axis in axes else None
        if word is None:
            able = [name for name, found in axes.items() if found.home_command is not None]
            message = f"axis {axis!r} can't be homed; those that can: {', '.join(able) or 'none'}"
            raise DriverUsageError(message)
        return Command(CommandKind.HOME, (self._command(word),), f"home {axis}")

    def arm(self) -> Command:
        """Make ready to move."""
        return self._optional(CommandKind.ARM, self._settings.command.arm)

    def disarm(self) -> Command:
        """Drives off."""
        return self._optional(CommandKind.DISARM, self._settings.command.disarm)

    def query_position(self) -> Command | None:
        """Ask for positions and status; None if there is no such register."""
        settings = self._settings
        frames = [
            self._read(axis.position, 2 if axis.type.endswith("32") else 1)
            for axis in settings.axes.values()
            if axis.position is not None
        ]
        if settings.status is not None:
            frames.append(self._read(settings.status.register_, 1))
        return Command(CommandKind.QUERY, tuple(frames), "query the position") if frames else None

    def _optional(self, kind: CommandKind, word: int | None) -> Command:
        return Command(kind, () if word is None else (self._command(word),), kind.value)

    def _command(self, word: int) -> Frame:
        return self._write(self._settings.command.register_, "uint16", word)

    def _write(self, register: int, kind: RegisterType, value: float) -> Frame:
        number = value if kind == "float32" else round(value)
        packed = struct.pack(f">{_FORMATS[kind]}", number)
        pieces = [packed[at : at + 2] for at in range(0, len(packed), 2)]
        if self._settings.word_order == "low_first":
            pieces.reverse()
        data = b"".join(pieces)
        if len(pieces) == 1:
            return self._request(6, register, data)
        return self._request(
            16, register, len(pieces).to_bytes(2, "big") + bytes([len(data)]) + data
        )

    def _read(self, register: int, count: int) -> Frame:
        function = 3 if self._settings.read == "holding" else 4
        return self._request(function, register, count.to_bytes(2, "big"))

    def _request(self, function: int, register: int, data: bytes) -> Frame:
        message = bytes([self._settings.unit, function]) + register.to_bytes(2, "big") + data
        return Frame(data=with_crc(message), timeout_s=self._settings.timeout_s)

    def sent(self, frame: Frame) -> int:
        """Count a frame as sent; see `MotionCodec.sent`."""
        return self._pending.sent(frame)

    def forget(self) -> None:
        """Give up waiting for answers, and what has begun of one."""
        self._pending.forget()
        for garbage in self._reader.reset():
            self._garbage(garbage, 0)

    # Answers ------------------------------------------------------------------------

    def feed(self, data: bytes, time_ns: int) -> list[MotionEvent]:
        """Read the next bytes of the stream; raises nothing."""
        counts = {
            2 * int.from_bytes(sent.data[4:6], "big")
            for _, sent in self._pending.frames
            if sent.data[1] in READS
        }
        events: list[MotionEvent] = []
        for found in self._reader.feed(data, counts):
            if isinstance(found, Garbage):
                events.append(self._garbage(found, time_ns))
            else:
                events += self._response(found, time_ns)
        return events

    def reset(self, offset: int) -> list[MotionEvent]:
        """Forget what has begun and all that waits; see `MotionCodec.reset`."""
        self._pending.forget()
        self._status = 0
        return [self._garbage(garbage, 0) for garbage in self._reader.reset(offset)]

    def _response(self, response: Response, time: int) -> list[MotionEvent]:
        raw = response.raw
        function = raw[1] & ~EXCEPTION
        for number, sent in self._pending.frames:
            # The response to a write repeats the request's first six bytes, value and all.
            repeats = function in READS or raw[1] & EXCEPTION or sent.data[:6] == raw[:6]
            if sent.data[1] != function or not repeats:
                continue
            self._pending.answered_number(number)
            if raw[1] & EXCEPTION:
                text = f"Modbus exception {response.exception_code} to function {function}"
                return [MotionEvent(kind=EventKind.REFUSED, time=time, number=number, text=text)]
            events = self._read_values(sent.data, response, time)
            done = MotionEvent(kind=EventKind.ACKNOWLEDGED, time=time, number=number)
            return [*events, done]
        detail = "answers what nothing waits for"
        return [self._fault(response.offset, raw, FaultReason.UNKNOWN_FRAME, detail, time)]

    def _read_values(self, request: bytes, response: Response, time: int) -> list[MotionEvent]:
        """What the registers hold."""
        if request[1] not in READS:
            return []
        settings = self._settings
        registers = response.registers
        offset, raw = response.offset, response.raw
        address = int.from_bytes(request[2:4], "big")
        if settings.status is not None and address == settings.status.register_:
            return self._status_events(registers[0], settings.status, time)
        position: dict[str, float] = {}
        for name, axis in settings.axes.items():
            if axis.position != address:
                continue
            if settings.word_order == "low_first":
                registers.reverse()
            packed = struct.pack(f">{len(registers)}H", *registers)
            (number,) = struct.unpack(f">{_FORMATS[axis.type]}", packed)
            if math.isfinite(number):
                position[name] = axis.to_mm(number)
        if not position:
            return [
                self._fault(offset, raw, FaultReason.NOT_FINITE, "position is not finite", time)
            ]
        return [MotionEvent(kind=EventKind.POSITION, time=time, position=position)]

    def _status_events(self, word: int, status: StatusRegister, time: int) -> list[MotionEvent]:
        before, self._status = self._status, word
        text = f"status word 0x{word:04X}"
        events = []
        if status.moving_bit is not None:
            moving = word >> status.moving_bit & 1
            kind = EventKind.MOVING if moving else EventKind.IDLE
            events.append(MotionEvent(kind=kind, time=time, text=text))
        risen = word & ~before
        for name, axis in self._settings.axes.items():
            if axis.homed_bit is not None and risen >> axis.homed_bit & 1:
                events.append(MotionEvent(kind=EventKind.HOMED, time=time, axis=name, text=text))
        if status.alarm_bit is not None and risen >> status.alarm_bit & 1:
            events.append(MotionEvent(kind=EventKind.ALARM, time=time, text=text))
        return events

    def _garbage(self, garbage: Garbage, time: int) -> MotionEvent:
        detail = "no frame with a right checksum"
        return self._fault(garbage.offset, garbage.data, FaultReason.FRAME, detail, time)

    def _fault(
        self, offset: int, raw: bytes, reason: FaultReason, detail: str, time: int
    ) -> MotionEvent:
        self.n_faults[reason] += 1
        fault = Fault(offset, len(raw), reason, raw[:MAX_EXCERPT], detail)
        return MotionEvent(kind=EventKind.FAULT, time=time, fault=fault)


class RegistersDriver:
    """Driver for machines that are moved by writing Modbus registers."""

    Settings: ClassVar[type[BaseModel]] = RegistersSettings

    def __init__(self, settings: RegistersSettings) -> None:
        """Take checked settings."""
        self._settings = settings

    def codec(self, *, ns_per_byte: int) -> RegistersCodec:
        """A new codec for one port; the time of a byte is not needed."""
        del ns_per_byte
        return RegistersCodec(self._settings)
