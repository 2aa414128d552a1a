"""The fields of snapshots: how each is rounded, which time it has, and how it is written out."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated, Any, NamedTuple, Self

from pydantic import AwareDatetime, BaseModel, BeforeValidator, ConfigDict, GetCoreSchemaHandler
from pydantic_core import CoreSchema, core_schema

from swathe.display_units import MILLIMETRES, DisplayUnits

__all__ = [
    "Digits",
    "Extent",
    "Snapshot",
    "UtcTime",
    "clock_text",
    "count_text",
    "distance_to",
    "extent_text",
    "moment",
    "number_text",
    "percent_of",
]

_EXTENT_DIGITS = 3
_SAME_MM = 0.5e-3


class Snapshot(BaseModel):
    """Facts as they were at a moment: frozen, without unknown fields, rounded once."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, populate_by_name=True, from_attributes=True
    )


@dataclass(frozen=True, slots=True)
class Digits:
    """Rounds a field to so many decimals when it is validated; NaN and infinity become None.

    This is the only place where a published number is rounded, and `number_text` writes it with
    the same decimals: every output shows the same digits.

    Attributes:
        decimals: how many.
        shown: how many are written; all by default.
        inches: how many of a length in inches; one more than in mm by default.
    """

    decimals: int
    shown: int | None = None
    inches: int | None = None

    def __get_pydantic_core_schema__(
        self,
        source: Any,  # noqa: ANN401  any type that pydantic knows
        handler: GetCoreSchemaHandler,
    ) -> CoreSchema:
        return core_schema.no_info_after_validator_function(self._round, handler(source))

    def _round(self, value: float | None) -> float | None:
        if value is None or not math.isfinite(value):
            return None
        return round(value, self.decimals) + 0.0  # -0.0 becomes 0.0


def number_text(
    snapshot: Snapshot,
    name: str,
    units: DisplayUnits | None = None,
    *,
    sign: bool = False,
    resolution: float | None = None,
) -> str:
    """Return a number of a snapshot as text with its own decimals; ``–`` for None.

    Args:
        snapshot: has the number.
        name: of the field, which is annotated with `Digits`.
        units: in which a length in mm, or a speed in mm/s, is written; None for other numbers.
        sign: whether a plus is written too.
        resolution: of a place, the width of its cells in mm, which decide its decimals in inches.
    """
    value = getattr(snapshot, name)
    if value is None:
        return "–"
    for item in type(snapshot).model_fields[name].metadata:
        if isinstance(item, Digits):
            shown = item.decimals if item.shown is None else item.shown
            if units is None:
                return f"{value:{'+' if sign else ''},.{shown}f}"
            inches = item.inches if resolution is None else units.place_decimals(resolution)
            return units.number(value, shown, inches, sign=sign)
    message = f"'{name}' must be annotated with its digits"
    raise TypeError(message)


class Extent(NamedTuple):
    """From a lower to a higher border, mm; on a wrapped axis the higher may be past the seam.

    A pair in Python, an object with ``from`` and ``to`` in JSON; rounded to 0.001 mm where it is a
    field of a snapshot.
    """

    low: float
    high: float

    @classmethod
    def __get_pydantic_core_schema__(
        cls,
        source: Any,  # noqa: ANN401  any type that pydantic knows
        handler: GetCoreSchemaHandler,
    ) -> CoreSchema:
        borders = {
            name: core_schema.typed_dict_field(
                core_schema.float_schema(),
                metadata={"pydantic_js_updates": {"description": f"{which} border, mm"}},
            )
            for name, which in (("from", "lower"), ("to", "higher"))
        }
        pair = core_schema.typed_dict_schema(borders, extra_behavior="forbid", total=True)
        steps: list[CoreSchema] = [
            core_schema.no_info_before_validator_function(_borders_by_name, pair),
            core_schema.no_info_plain_validator_function(cls._rounded),
        ]
        return core_schema.chain_schema(
            steps,
            serialization=core_schema.plain_serializer_function_ser_schema(
                _borders_by_name, return_schema=pair
            ),
        )

    @classmethod
    def _rounded(cls, borders: dict[str, float]) -> Self:
        return cls(*(round(borders[name], _EXTENT_DIGITS) for name in ("from", "to")))


def _borders_by_name(borders: Any) -> Any:  # noqa: ANN401  what is no pair is refused after this
    if isinstance(borders, tuple) and len(borders) == 2:
        return dict(zip(("from", "to"), borders, strict=True))
    return borders


def count_text(count: int, what: str) -> str:
    """Return a number of things, such as ``1 gap`` or ``1,200 gaps``."""
    return f"{count:,} {what}" if count == 1 else f"{count:,} {what}s"


def extent_text(
    extent: Extent, turn: Extent | None = None, units: DisplayUnits = MILLIMETRES
) -> str:
    """Return an extent as text, such as ``9.5…15.5``: all its digits, without trailing zeros.

    Args:
        extent: mm.
        units: in which it is written, without their name.
        turn: of a circumference, from where to where its positions read: an extent over the seam
            reads ``680…12``, one of a whole turn as the turn.
    """
    if turn is not None:
        length = turn.high - turn.low
        if extent.high - extent.low >= length - _SAME_MM:
            extent = turn
        else:
            low, high = (turn.low + (border - turn.low) % length for border in extent)
            extent = Extent(low, turn.high if high - turn.low < _SAME_MM else high)
    digits = _EXTENT_DIGITS if units.is_metric else _EXTENT_DIGITS + 1
    return "…".join(f"{round(units.length(border), digits) + 0.0:.10g}" for border in extent)


def distance_to(position: float, extent: Extent, turn: Extent | None = None) -> float:
    """Return how far a position is outside an extent, mm; 0 inside it.

    Args:
        position: mm.
        extent: mm.
        turn: of a circumference, from where to where its positions read: the shorter path counts.
    """
    if turn is None:
        return max(extent.low - position, position - extent.high, 0.0)
    length = turn.high - turn.low
    past = (position - extent.low) % length
    beyond = past - (extent.high - extent.low)
    return max(min(beyond, length - past), 0.0)


def clock_text(time: datetime | None, day: datetime) -> str:
    """Return a time of day, with its date unless that is the date of `day`; empty for None."""
    if time is None:
        return ""
    return f"{time:%H:%M:%S}" if time.date() == day.date() else f"{time:%Y-%m-%d %H:%M:%S}"


def moment(time_ns: int) -> datetime:
    """Return ns since 1970 as a UTC time, to the microsecond."""
    seconds, nanoseconds = divmod(time_ns, 1_000_000_000)
    return datetime.fromtimestamp(seconds, UTC).replace(microsecond=nanoseconds // 1000)


def _utc(time: Any) -> Any:  # noqa: ANN401  what is no time is refused after this
    try:
        return moment(time) if isinstance(time, int) else time
    except (OverflowError, OSError) as error:
        message = "must lie between the years 1 and 9999"
        raise ValueError(message) from error


UtcTime = Annotated[AwareDatetime, BeforeValidator(_utc)]
"""A time in UTC, to the microsecond; ns since 1970 are accepted too."""


def percent_of(part: int, whole: int) -> float:
    """Return a share of cells in percent, rounded down to 0.01; 100 of none.

    It is computed in whole numbers, so that 100 % is shown only when nothing is missing.
    """
    return part * 10_000 // whole / 100 if whole else 100.0
