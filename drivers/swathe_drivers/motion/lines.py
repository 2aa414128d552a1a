"""What machines that speak lines of text have in common: their answers and plain commands."""

import math
from collections import Counter
from collections.abc import Mapping
from typing import Annotated, Final, Literal

from pydantic import AfterValidator, Field, field_validator

from swathe_drivers.errors import DriverUsageError
from swathe_drivers.framing import MAX_TERMINATOR, LineFramer, Lines
from swathe_drivers.motion.commands import Command, CommandKind, Frame, Pending
from swathe_drivers.motion.events import EventKind, MotionEvent
from swathe_drivers.motion.settings import MotionAxisSettings
from swathe_drivers.patterns import LinePattern, PatternError
from swathe_drivers.records import MAX_EXCERPT, Fault, FaultReason
from swathe_drivers.settings import SettingsTable, problem

_MAX_BYTE: Final = "\xff"


def _check_bytes(text: str) -> str:
    if any(char > _MAX_BYTE for char in text):
        raise problem("must consist of characters up to U+00FF, one byte each")
    return text


def _check_pattern(text: str) -> str:
    try:
        LinePattern(_check_bytes(text))
    except PatternError as error:
        raise problem(str(error)) from None
    return text


CommandText = Annotated[str, Field(max_length=128), AfterValidator(_check_bytes)]
Groups = Mapping[str, str | None]
"""Texts of the named groups of a line; None for one that took no part."""
AnswerPattern = Annotated[str, Field(max_length=512), AfterValidator(_check_pattern)]


class AnswerSettings(SettingsTable):
    """Regular expressions for the machine's lines; each must fit the whole line.

    A line may fit several; one that fits none is a fault, or ignored. Texts stand for bytes
    one to one (Latin-1).
    """

    acknowledged: AnswerPattern = r"(?i)ok(\s.*)?"
    """A command was taken. A group `number` holds the command's own number, if it is sent."""
    refused: AnswerPattern = r"(?i)(error|err|!!)\b.*"
    """A command was not taken."""
    busy: AnswerPattern = r"(?i)(echo:\s*)?busy\b.*"
    """The machine asks for patience."""
    alarm: AnswerPattern = r"(?i)alarm\b.*"
    """The machine has halted by itself."""
    restarted: AnswerPattern | None = None
    """What the machine sends when it is switched on or was reset, such as its name and version."""
    position: AnswerPattern | None = None
    """Where the motors are; a group per axis, under the axis' name."""
    moving: AnswerPattern = r"(?i).*\b(moving|run|running)\b.*"
    idle: AnswerPattern = r"(?i).*\bidle\b.*"
    homed: AnswerPattern = r"(?i)homed\b.*"
    """A group per axis, under the axis' name, names which it was, if there are such."""
    ignored: AnswerPattern | None = None
    """Lines that mean nothing here, like greetings."""
    other_lines: Literal["fault", "ignore"] = "fault"


class LineMotionSettings(SettingsTable):
    """What every machine that speaks lines has."""

    terminator: str = Field(default="\n", min_length=1, max_length=MAX_TERMINATOR)
    max_length: int = Field(default=80, ge=8, le=4096)
    """The most bytes of a command, without the terminator."""
    answer_terminator: str = Field(default="\n", min_length=1, max_length=MAX_TERMINATOR)
    """A carriage return before it is taken off as well."""
    max_answer: int = Field(default=256, ge=8, le=4096)
    in_flight: int = Field(default=1, ge=1, le=64)
    """How many commands may wait for their acknowledgement at once."""
    timeout_s: float = Field(default=2.0, gt=0, le=600)
    """How long to wait for an acknowledgement."""
    move_timeout_s: float | None = Field(default=None, gt=0, le=3600)
    """The same for a move, where that waits for the end of one; None: as `timeout_s`. A machine
    that reports meanwhile that it is busy needs no longer time."""
    homing_timeout_s: float = Field(default=60.0, gt=0, le=3600)
    arm: tuple[CommandText, ...] = ()
    disarm: tuple[CommandText, ...] = ()
    query: CommandText = ""
    """Asks for the position; empty if the machine can't tell."""
    query_is_line: bool = True
    """The query takes a terminator and is acknowledged; otherwise it is sent as it is."""
    stop: CommandText = Field(min_length=1)
    """Sent as it is, out of turn; write the terminator if it is a line."""
    stop_acknowledged: bool = False
    abandon: CommandText
    """Comes before a stop when a line was half sent, so that the machine refuses that line."""
    answers: AnswerSettings = AnswerSettings()

    @field_validator("terminator", "answer_terminator")
    @classmethod
    def _check_terminator(cls, text: str) -> str:
        return _check_bytes(text)


class LineCodec:
    """Codec of a machine that speaks lines; what its moves look like is a subclass' business."""

    def __init__(
        self,
        settings: LineMotionSettings,
        axes: Mapping[str, MotionAxisSettings],
        *,
        position: str | None,
        ns_per_byte: int = 0,
    ) -> None:
        self.axes: Final = dict(axes)
        self.in_flight: Final = settings.in_flight
        self.n_faults: Final[Counter[FaultReason]] = Counter()
        self._line_settings = settings
        self._terminator = settings.terminator.encode("latin-1")
        answers = settings.answers
        self._patterns = {
            kind: LinePattern(pattern)
            for kind, pattern in (
                ("restarted", answers.restarted),
                ("alarm", answers.alarm),
                ("refused", answers.refused),
                ("acknowledged", answers.acknowledged),
                ("busy", answers.busy),
                ("position", position),
                ("homed", answers.homed),
                ("moving", answers.moving),
                ("idle", answers.idle),
                ("ignored", answers.ignored),
            )
            if pattern is not None
        }
        self._other_lines = answers.other_lines
        self._framer = LineFramer(
            terminator=settings.answer_terminator.encode("latin-1"),
            max_length=settings.max_answer,
            ns_per_byte=ns_per_byte,
        )
        self._pending = Pending()

    # Commands -----------------------------------------------------------------------

    @property
    def busy(self) -> int:
        """Frames sent and not acknowledged yet."""
        return len(self._pending)

    def stop(self, *, half_sent: bool = False) -> Frame:
        """Stop at once; see `MotionCodec.stop`."""
        settings = self._line_settings
        data = settings.stop.encode("latin-1")
        if half_sent:
            data = settings.abandon.encode("latin-1") + self._terminator + data
        return Frame(data=data, awaits=settings.stop_acknowledged, timeout_s=settings.timeout_s)

    def arm(self) -> Command:
        """Make ready to move."""
        frames = tuple(self._line(text) for text in self._line_settings.arm)
        return Command(CommandKind.ARM, frames, "arm")

    def disarm(self) -> Command:
        """Drives off."""
        frames = tuple(self._line(text) for text in self._line_settings.disarm)
        return Command(CommandKind.DISARM, frames, "disarm")

    def query_position(self) -> Command | None:
        """Ask for the position; None if the settings have no query."""
        settings = self._line_settings
        if not settings.query:
            return None
        if settings.query_is_line:
            frame = self._line(settings.query)
        else:
            frame = Frame(data=settings.query.encode("latin-1"), awaits=False)
        return Command(CommandKind.QUERY, (frame,), "query the position")

    def _line(self, text: str, *, timeout_s: float | None = None, tag: int | None = None) -> Frame:
        settings = self._line_settings
        data = text.encode("latin-1")
        if len(data) > settings.max_length:
            message = (
                f"the command {text!r} has {len(data)} bytes, the machine takes"
                f" {settings.max_length}; use fewer decimals or axes, or raise max_length"
            )
            raise DriverUsageError(message)
        return Frame(
            data=data + self._terminator,
            timeout_s=settings.timeout_s if timeout_s is None else timeout_s,
            tag=tag,
        )

    def sent(self, frame: Frame) -> int:
        """Count a frame as sent; see `MotionCodec.sent`."""
        return self._pending.sent(frame)

    def forget(self) -> None:
        """Give up waiting for answers."""
        self._pending.forget()

    # Answers ------------------------------------------------------------------------

    def feed(self, data: bytes, time_ns: int) -> list[MotionEvent]:
        """Read the next bytes of the stream; raises nothing."""
        lines = self._framer.feed(data, time_ns)
        events: list[MotionEvent] = []
        for start, length, offset, time in zip(
            lines.starts.tolist(),
            lines.lengths.tolist(),
            lines.offsets.tolist(),
            lines.times.tolist(),
            strict=True,
        ):
            raw = bytes(lines.data[start : start + length])
            events += self._answer(raw, offset, time)
        events += self._overlong(lines, time_ns)
        return events

    def reset(self, offset: int) -> list[MotionEvent]:
        """Forget the line that has only begun and all that waits; see `MotionCodec.reset`."""
        self.forget()
        begun, rest, skipping = self._framer.reset(offset)
        if not rest or skipping:
            return []
        detail = "a line had only begun when the port was lost"
        return [self._fault(begun, rest, FaultReason.PARTIAL, detail, 0)]

    def _answer(self, raw: bytes, offset: int, time: int) -> list[MotionEvent]:
        line = raw.rstrip(b"\r").strip(b" ")
        if not line:
            return []
        text = line.decode("latin-1")
        found = {
            kind: groups
            for kind, pattern in self._patterns.items()
            if (groups := pattern.named(line)) is not None
        }
        if not found:
            if self._other_lines == "ignore":
                return []
            detail = "fits none of the patterns of the settings"
            return [self._fault(offset, raw, FaultReason.UNKNOWN_LINE, detail, time)]
        if "restarted" in found:
            return [MotionEvent(kind=EventKind.RESTARTED, time=time, text=_printable(text))]
        if "alarm" in found:
            return [MotionEvent(kind=EventKind.ALARM, time=time, text=_printable(text))]
        if "refused" in found:
            number = self._pending.answered()
            return [
                MotionEvent(kind=EventKind.REFUSED, time=time, number=number, text=_printable(text))
            ]
        events: list[MotionEvent] = []
        if "position" in found:
            events.append(self._position(found["position"], raw, offset, time))
        if "homed" in found:
            events += self._homed(found["homed"], text, time)
        for name, kind in (
            ("moving", EventKind.MOVING),
            ("idle", EventKind.IDLE),
            ("busy", EventKind.BUSY),
        ):
            if name in found:
                events.append(MotionEvent(kind=kind, time=time, text=_printable(text)))
        if "acknowledged" in found:
            # Last, so that what a line reports is known when its command is done.
            events.append(self._acknowledged(found["acknowledged"], raw, offset, time))
        return events

    def _acknowledged(self, groups: Groups, raw: bytes, offset: int, time: int) -> MotionEvent:
        tag = groups.get("number")
        number = self._pending.answered(int(tag) if tag and tag.isdecimal() else None)
        if number is None:
            detail = "acknowledges what nothing waits for"
            return self._fault(offset, raw, FaultReason.UNKNOWN_LINE, detail, time)
        return MotionEvent(kind=EventKind.ACKNOWLEDGED, time=time, number=number)

    def _position(self, groups: Groups, raw: bytes, offset: int, time: int) -> MotionEvent:
        position: dict[str, float] = {}
        for name, text in groups.items():
            if text is None or name not in self.axes:
                continue
            try:
                number = float(text)
            except ValueError:
                detail = f"{name}: {text!r} is not a number"
                return self._fault(offset, raw, FaultReason.NUMBER, detail, time)
            if not math.isfinite(number):
                detail = f"{name}: {text!r} is not finite"
                return self._fault(offset, raw, FaultReason.NOT_FINITE, detail, time)
            position[name] = self.axes[name].to_mm(number)
        return MotionEvent(kind=EventKind.POSITION, time=time, position=position)

    def _homed(self, groups: Groups, text: str, time: int) -> list[MotionEvent]:
        named: list[str | None] = [
            name for name, found in groups.items() if found and name in self.axes
        ]
        return [
            MotionEvent(kind=EventKind.HOMED, time=time, axis=name, text=_printable(text))
            for name in named or [None]
        ]

    def _overlong(self, lines: Lines, time: int) -> list[MotionEvent]:
        detail = f"no end of line within {self._line_settings.max_answer} bytes"
        return [
            self._fault(found.offset, found.excerpt, FaultReason.TOO_LONG, detail, time)
            for found in lines.overlong
        ]

    def _fault(
        self, offset: int, raw: bytes, reason: FaultReason, detail: str, time: int
    ) -> MotionEvent:
        self.n_faults[reason] += 1
        fault = Fault(offset, len(raw), reason, raw[:MAX_EXCERPT], detail)
        return MotionEvent(kind=EventKind.FAULT, time=time, fault=fault)


def _printable(text: str) -> str:
    return "".join(char if char.isprintable() else "?" for char in text)
