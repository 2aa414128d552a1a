r"""Driver for machines that take plain lines of text, described by templates.

A template holds values in braces, with a format: `"MOVE {scan:.2f} {index:.2f} {speed:.1f}"`.
Values are the machine's numbers of the axes (mm * scale + offset), `speed` in mm/s times the
scale of the axes that move, and `acceleration` in mm/s² likewise.
"""

from collections.abc import Mapping
from typing import Annotated, ClassVar

from pydantic import BaseModel, Field, model_validator

from swathe_drivers.columns import AxisName
from swathe_drivers.errors import DriverUsageError
from swathe_drivers.motion.commands import Command, CommandKind
from swathe_drivers.motion.lines import CommandText, LineCodec, LineMotionSettings
from swathe_drivers.motion.settings import MotionAxisSettings, check_axis_limits, describe_move
from swathe_drivers.motion.templates import names_in, template_problem
from swathe_drivers.settings import SettingProblem, raise_problems


class TextAxis(MotionAxisSettings):
    """An axis, and the commands that are for it alone."""

    move: CommandText | None = None
    """Moves this axis only."""
    home: CommandText | None = None
    """Finds the reference of this axis."""


class TextSettings(LineMotionSettings):
    """A machine that takes plain lines of text."""

    axes: Annotated[dict[AxisName, TextAxis], Field(min_length=1, max_length=6)]
    move: CommandText | None = None
    """Moves all axes that stand in it."""
    acceleration: CommandText | None = None
    """Sets the acceleration."""
    abandon: CommandText = "?!"

    @model_validator(mode="after")
    def _check_templates(self) -> "TextSettings":
        found: list[SettingProblem] = []

        def check(path: tuple[str | int, ...], text: str | None, known: set[str]) -> None:
            requirement = (
                template_problem(text, dict.fromkeys(known, 1.0)) if text is not None else None
            )
            if requirement is not None:
                found.append((path, requirement, text))

        common = {"speed", "acceleration"}
        check(("move",), self.move, {*self.axes, *common})
        check(("acceleration",), self.acceleration, {"acceleration"})
        for name, axis in self.axes.items():
            check(("axes", name, "move"), axis.move, {name, *common})
            check(("axes", name, "home"), axis.home, set())
            if axis.move is not None and name not in names_in(axis.move):
                found.append((("axes", name, "move"), f"must hold {{{name}}}", axis.move))
        if self.move is None and all(axis.move is None for axis in self.axes.values()):
            requirement = "must have a 'move' each, where the table has none for all of them"
            found.append((("axes",), requirement, sorted(self.axes)))
        raise_problems(self, found)
        return self


class TextCodec(LineCodec):
    """Codec of one machine; see `MotionCodec`."""

    def __init__(self, settings: TextSettings, *, ns_per_byte: int = 0) -> None:
        super().__init__(
            settings, settings.axes, position=settings.answers.position, ns_per_byte=ns_per_byte
        )
        self._settings = settings

    def move(
        self, target: Mapping[str, float], *, speed: float, acceleration: float | None = None
    ) -> Command:
        """Drive in a straight line; see `MotionCodec.move`."""
        settings = self._settings
        check_axis_limits(settings.axes, target, speed=speed, acceleration=acceleration)
        template = self._template(target)
        scale = max(abs(settings.axes[name].scale) for name in target)
        values = {name: settings.axes[name].to_machine(value) for name, value in target.items()}
        values["speed"] = speed * scale
        if "acceleration" in names_in(template):
            if acceleration is None:
                message = "the template of a move holds {acceleration}; give one"
                raise DriverUsageError(message)
            values["acceleration"] = acceleration * scale
        frames = [self._line(template.format(**values), timeout_s=settings.move_timeout_s)]
        if acceleration is not None and "acceleration" not in values:
            if settings.acceleration is None:
                message = "the settings have no 'acceleration' command; leave it to the machine"
                raise DriverUsageError(message)
            text = settings.acceleration.format(acceleration=acceleration * scale)
            frames.insert(0, self._line(text))
        return Command(CommandKind.MOVE, tuple(frames), describe_move(target, speed))

    def _template(self, target: Mapping[str, float]) -> str:
        settings = self._settings
        names = set(target)
        if len(names) == 1:
            own = settings.axes[next(iter(names))].move
            if own is not None:
                return own
        if settings.move is not None and names_in(settings.move) & settings.axes.keys() == names:
            scales = {abs(settings.axes[name].scale) for name in names}
            if len(scales) == 1 or "speed" not in names_in(settings.move):
                return settings.move
        able = [name for name, axis in settings.axes.items() if axis.move is not None]
        together = sorted(names_in(settings.move or "") & settings.axes.keys())
        message = (
            f"the machine can't move {', '.join(target)} in one command; alone: "
            f"{', '.join(able) or 'none'}; together, with one scale: {', '.join(together) or 'none'}"
        )
        raise DriverUsageError(message)

    def home(self, axis: str) -> Command:
        """Find the reference of an axis; see `MotionCodec.home`."""
        settings = self._settings
        text = settings.axes[axis].home if axis in settings.axes else None
        if text is None:
            able = [name for name, found in settings.axes.items() if found.home is not None]
            message = f"axis {axis!r} can't be homed; those that can: {', '.join(able) or 'none'}"
            raise DriverUsageError(message)
        frame = self._line(text, timeout_s=settings.homing_timeout_s)
        return Command(CommandKind.HOME, (frame,), f"home {axis}")


class TextDriver:
    """Driver for machines that take plain lines of text."""

    Settings: ClassVar[type[BaseModel]] = TextSettings

    def __init__(self, settings: TextSettings) -> None:
        """Take checked settings."""
        self._settings = settings

    def codec(self, *, ns_per_byte: int) -> TextCodec:
        """A new codec for one port whose bytes take `ns_per_byte` ns each on the line."""
        return TextCodec(self._settings, ns_per_byte=ns_per_byte)
