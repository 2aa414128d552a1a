"""Driver for machines that take G-code line by line.

The words are those of ISO 6983-1 and of the NIST RS274/NGC interpreter (NISTIR 6556), from
memory: G1 is a straight move at the feed F, in units per minute; G21 selects mm, G90 absolute
places; G28 goes home; N numbers a line; an unclosed comment is an error. M words for drives
differ from machine to machine and stand in the settings.
"""

from collections.abc import Mapping
from typing import Annotated, ClassVar, Final, Literal

from pydantic import BaseModel, Field, field_validator, model_validator

from swathe_drivers.columns import AxisName
from swathe_drivers.errors import DriverUsageError
from swathe_drivers.motion.commands import Command, CommandKind, Frame
from swathe_drivers.motion.lines import CommandText, LineCodec, LineMotionSettings
from swathe_drivers.motion.settings import MotionAxisSettings, check_axis_limits, describe_move
from swathe_drivers.motion.templates import template_problem
from swathe_drivers.settings import problem

_NUMBER: Final = r"[-+]?(?:\d+\.?\d*|\.\d+)"


class GCodeAxis(MotionAxisSettings):
    """An axis and its word."""

    word: str = Field(pattern=r"^[ABCUVWXYZ]$")
    decimals: int = Field(default=3, ge=0, le=6)


class GCodeSettings(LineMotionSettings):
    """A machine that takes G-code line by line and acknowledges each."""

    axes: Annotated[dict[AxisName, GCodeAxis], Field(min_length=1, max_length=6)]
    arm: tuple[CommandText, ...] = ("G21", "G90")
    move: CommandText = Field(default="G1", min_length=1)
    """The word of a straight move; axis words and the feed follow."""
    feed_per: Literal["min", "s"] = "min"
    acceleration: CommandText = ""
    """Sets the acceleration, e.g. "M204 P{acceleration:.0f}"; mm/s² times the axis' scale."""
    home: CommandText = "G28 {word}0"
    """Finds the reference of the axis with that word; empty if the machine can't."""
    query: CommandText = "M114"
    abandon: CommandText = "("
    line_numbers: bool = False
    """Begin each line with N and a number; the acknowledgement may repeat it in `number`."""

    @field_validator("home")
    @classmethod
    def _check_home(cls, home: str) -> str:
        return _tried(home, word="X")

    @field_validator("acceleration")
    @classmethod
    def _check_acceleration(cls, text: str) -> str:
        return _tried(text, acceleration=1.0)

    @model_validator(mode="after")
    def _check_words(self) -> "GCodeSettings":
        used = [axis.word for axis in self.axes.values()]
        if len(set(used)) < len(used):
            raise problem("must have axes with different words")
        return self


def _tried(text: str, **values: str | float) -> str:
    if (requirement := template_problem(text, values)) is not None:
        raise problem(requirement)
    return text


class GCodeCodec(LineCodec):
    """Codec of one machine; see `MotionCodec`."""

    def __init__(self, settings: GCodeSettings, *, ns_per_byte: int = 0) -> None:
        position = settings.answers.position
        if position is None:
            position = "(?i)" + "".join(
                rf".*?\b{axis.word}[:=]?\s*(?P<{name}>{_NUMBER})"
                for name, axis in settings.axes.items()
            )
            position += ".*"
        super().__init__(settings, settings.axes, position=position, ns_per_byte=ns_per_byte)
        self._settings = settings
        self._number = 0

    def move(
        self, target: Mapping[str, float], *, speed: float, acceleration: float | None = None
    ) -> Command:
        """Drive in a straight line; see `MotionCodec.move`."""
        settings = self._settings
        check_axis_limits(settings.axes, target, speed=speed, acceleration=acceleration)
        scales = {abs(settings.axes[name].scale) for name in target}
        if len(scales) > 1:
            message = (
                f"axes {', '.join(target)} have different scales, so that a common feed means"
                " nothing; move one after the other"
            )
            raise DriverUsageError(message)
        scale = scales.pop()
        parts = [settings.move]
        for name, value in target.items():
            axis = settings.axes[name]
            # The sum with 0.0 takes the sign from a negative zero.
            number = round(axis.to_machine(value), axis.decimals) + 0.0
            parts.append(f"{axis.word}{number:.{axis.decimals}f}")
        feed = speed * scale * (60.0 if settings.feed_per == "min" else 1.0)
        parts.append(f"F{feed:.3f}")
        frames = [self._line(" ".join(parts), timeout_s=settings.move_timeout_s)]
        if acceleration is not None:
            if not settings.acceleration:
                message = "the settings have no 'acceleration' command; leave it to the machine"
                raise DriverUsageError(message)
            text = settings.acceleration.format(acceleration=acceleration * scale)
            frames.insert(0, self._line(text))
        return Command(CommandKind.MOVE, tuple(frames), describe_move(target, speed))

    def home(self, axis: str) -> Command:
        """Find the reference of an axis; see `MotionCodec.home`."""
        settings = self._settings
        if not settings.home or axis not in settings.axes:
            able = ", ".join(settings.axes) if settings.home else "none"
            message = f"axis {axis!r} can't be homed; those that can: {able}"
            raise DriverUsageError(message)
        text = settings.home.format(word=settings.axes[axis].word)
        frame = self._line(text, timeout_s=settings.homing_timeout_s)
        return Command(CommandKind.HOME, (frame,), f"home {axis}")

    def _line(self, text: str, *, timeout_s: float | None = None, tag: int | None = None) -> Frame:
        if self._settings.line_numbers:
            self._number += 1
            tag = self._number
            text = f"N{tag} {text}"
        return super()._line(text, timeout_s=timeout_s, tag=tag)


class GCodeDriver:
    """Driver for machines that take G-code line by line."""

    Settings: ClassVar[type[BaseModel]] = GCodeSettings

    def __init__(self, settings: GCodeSettings) -> None:
        """Take checked settings."""
        self._settings = settings

    def codec(self, *, ns_per_byte: int) -> GCodeCodec:
        """A new codec for one port whose bytes take `ns_per_byte` ns each on the line."""
        return GCodeCodec(self._settings, ns_per_byte=ns_per_byte)
