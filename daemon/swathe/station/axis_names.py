"""What people call directions and positions on an axis: its ends, and hours round a pipe."""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from swathe.errors import Problem
from swathe.station.table import StationTable
from swathe.units import Length

__all__ = ["AxisNames", "ClockSettings", "check_clock"]

_READS = re.compile(r"(\d{1,2})(?::(\d{2}))?(?: ?o'clock)?")
_HOURS, _MINUTES = 12, 60
# Hours are read to a quarter: closer, nobody finds them on a pipe. (Our choice, no source.)
_STEP_MINUTES = 15


def _hours(value: object) -> object:
    """Return a position on a clock in hours, of a text such as ``3:30`` or ``12 o'clock``."""
    found = _READS.fullmatch(value.strip()) if isinstance(value, str) else None
    hour, minute = (int(found[1]), int(found[2] or 0)) if found else (0, 0)
    if not found or not 1 <= hour <= _HOURS or minute >= _MINUTES:
        message = "must be a position on a clock, such as '12 o'clock' or '3:30'"
        raise ValueError(message)
    return hour + minute / _MINUTES


class ClockSettings(StationTable):
    """Positions round a pipe as hours of a clock, as somebody reads them who looks along it."""

    at: Length = Field(0.0, description="position on the axis, mm, that")
    reads: Annotated[float, BeforeValidator(_hours)] = Field(
        12.0, description="this hour: a text such as 12 o'clock or 3:30"
    )
    looking: str = Field("", max_length=40, description="which way one looks, such as downstream")
    direction: Literal["clockwise", "counterclockwise"] = Field(
        "clockwise", description="how the hours run while the position rises"
    )
    circumference: Length | None = Field(
        None, gt=0, description="of the pipe, mm; of a wrapped axis its length"
    )


class AxisNames(StationTable):
    """Names of an axis's ends and positions, for texts to people; nothing is computed from them."""

    low_end: str = Field("", max_length=40, description="name of its begin, such as upstream")
    high_end: str = Field("", max_length=40, description="name of its end, such as downstream")
    clock: ClockSettings | None = Field(None, description="of an axis round a pipe")

    @property
    def ends(self) -> tuple[str, str]:
        """Names of the low and the high end; empty where they have none."""
        return self.low_end, self.high_end

    def towards(self, *, rising: bool) -> str:
        """Return the name of the end that a motion goes to; empty where it has none."""
        return self.high_end if rising else self.low_end

    def hour(self, position: float, length: float) -> str:
        """Return a position in hours, such as ``3 o'clock`` or ``2:45``; empty without a clock.

        Args:
            position: mm.
            length: of the axis, mm, which is the circumference of a wrapped one.
        """
        minutes = self._minutes(position, length)
        return "" if minutes is None else _hour_text(minutes, lone=True)

    def hours(self, low: float, high: float, length: float) -> str:
        """Return an extent in hours, such as ``2:45 to 3:15``; empty without a clock."""
        first, last = self._minutes(low, length), self._minutes(high, length)
        if first is None or last is None or self.clock is None:
            return ""
        if high - low >= (self.clock.circumference or length) * (1 - 1e-9):
            return "all round"
        if first == last and high - low < (self.clock.circumference or length) / 2:
            return _hour_text(first, lone=True)
        return f"{_hour_text(first)} to {_hour_text(last, lone=True)}"

    def _minutes(self, position: float, length: float) -> int | None:
        """Return minutes of twelve hours, to a quarter of an hour."""
        clock = self.clock
        if clock is None:
            return None
        turns = (position - clock.at) / (clock.circumference or length)
        if clock.direction == "counterclockwise":
            turns = -turns
        minutes = clock.reads * _MINUTES + turns * _HOURS * _MINUTES
        return round(minutes / _STEP_MINUTES) * _STEP_MINUTES % (_HOURS * _MINUTES)


def _hour_text(minutes: int, *, lone: bool = False) -> str:
    hour, rest = divmod(minutes, _MINUTES)
    hour = hour or _HOURS
    if rest:
        return f"{hour}:{rest:02}"
    return f"{hour} o'clock" if lone else f"{hour}"


def check_clock(name: str, names: AxisNames, *, wrapped: bool) -> list[Problem]:
    """Return what is wrong with the clock of an axis.

    Args:
        name: of the axis.
        names: its own.
        wrapped: whether it is a circumference.
    """
    clock = names.clock
    if clock is None or (clock.circumference is None) == wrapped:
        return []
    key = f"{name}.clock.circumference"
    if wrapped:
        remedy = f"remove it: it is '{name}.length'"
        return [Problem(key, "must not be given on a wrapped axis", clock.circumference, remedy)]
    remedy = "give the pipe's circumference, or remove the clock"
    return [Problem(key, "is required on an axis that is not wrapped", None, remedy)]
