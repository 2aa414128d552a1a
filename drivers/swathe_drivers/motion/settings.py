"""Settings that all motion drivers share: axes with their limits."""

import math
from collections.abc import Mapping

from pydantic import Field, field_validator, model_validator

from swathe_drivers.errors import DriverUsageError, LimitError
from swathe_drivers.settings import SettingsTable, problem


class MotionAxisSettings(SettingsTable):
    """An axis of the machine: its limits, and how mm become the machine's own number.

    The machine's number is `mm * scale + offset`. An axis around a pipe that turns in degrees
    has a scale of 360 / circumference.
    """

    min_mm: float
    max_mm: float
    speed_mm_per_s: float = Field(gt=0)
    """The highest speed."""
    acceleration_mm_per_s2: float | None = Field(default=None, gt=0)
    """The highest acceleration; None where the machine looks after it."""
    scale: float = 1.0
    offset: float = 0.0

    @field_validator("scale")
    @classmethod
    def _check_scale(cls, scale: float) -> float:
        if scale == 0:
            raise problem("must not be 0")
        return scale

    @model_validator(mode="after")
    def _check_travel(self) -> "MotionAxisSettings":
        if not self.min_mm < self.max_mm:
            raise problem("must have min_mm < max_mm")
        return self

    def to_machine(self, mm: float) -> float:
        """The machine's number of a place in mm."""
        return mm * self.scale + self.offset

    def to_mm(self, number: float) -> float:
        """The place in mm of a machine's number."""
        return (number - self.offset) / self.scale


def check_axis_limits(
    axes: Mapping[str, MotionAxisSettings],
    target: Mapping[str, float],
    *,
    speed: float,
    acceleration: float | None = None,
) -> None:
    """Refuse a move that would pass a limit.

    The speed must not pass that of any axis in the target: leave out an axis that is not
    meant to move. Ends within the travel of every axis make the straight way between them
    lie within it, too.

    Args:
        axes: the machine's, by name.
        target: mm by axis; at least one.
        speed: along the way, mm/s.
        acceleration: along the way, mm/s²; None to leave it to the machine.

    Raises:
        LimitError: names axis, value and limit; correct the move.
        DriverUsageError: the target is empty or names an axis that the machine has not.
    """
    unknown = sorted(target.keys() - axes.keys())
    if unknown or not target:
        message = f"a move must name axes of {', '.join(axes)} (got {', '.join(unknown) or 'none'})"
        raise DriverUsageError(message)
    for name, value in target.items():
        axis = axes[name]
        if not value >= axis.min_mm:  # so that a NaN is refused, too
            raise LimitError(name, "position", value, axis.min_mm)
        if not value <= axis.max_mm:
            raise LimitError(name, "position", value, axis.max_mm)
        if not 0 < speed <= axis.speed_mm_per_s:
            raise LimitError(name, "speed", speed, axis.speed_mm_per_s)
        if acceleration is None:
            continue
        limit = axis.acceleration_mm_per_s2
        if not 0 < acceleration <= (math.inf if limit is None else limit):
            raise LimitError(name, "acceleration", acceleration, limit or math.inf)


def describe_move(target: Mapping[str, float], speed: float) -> str:
    """A move in words, for the journal and messages."""
    places = " ".join(f"{name} {value:.3f} mm" for name, value in target.items())
    return f"move to {places} at {speed:g} mm/s"
