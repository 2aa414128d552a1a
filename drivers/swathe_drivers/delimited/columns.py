"""What may be in a column of a line of text: one table for each."""

from typing import Annotated, Final, Literal, Self

from pydantic import Field, model_validator

from swathe_drivers.columns import (
    AmplitudeValue,
    ChannelValue,
    Constant,
    Counts,
    DeviceTime,
    IndexMark,
    PositionValue,
    Quadrature,
    ReadingStatus,
    RunningNumber,
    ThicknessValue,
    TimeOfFlightValue,
)
from swathe_drivers.inputs import ProbeNumber
from swathe_drivers.settings import SettingProblem, SettingsTable, raise_problems
from swathe_drivers.units import DAY_NS, LengthUnit, TimeUnit, tick_ns

_MAX_COUNT_BITS: Final = 52

ColumnText = Annotated[str, Field(max_length=64)]


class ConstantColumn(Constant):
    """A text that never changes; a line in which it differs is of another kind."""

    text: ColumnText


class _Written(SettingsTable):
    """How a number is written."""

    written: Literal["decimal", "hex", "octal"] = "decimal"
    sign: Literal["before", "behind"] = "before"
    """Where the sign is, if there is one."""
    before: ColumnText = ""
    """A text before the number, in the same column."""


class _NumberColumn(_Written):
    behind: ColumnText = ""
    """A text behind the number."""


class _ValueColumn(_Written):
    """A number of a quantity: its value in `unit` is `scale * sent + offset`."""

    scale: float = 1.0
    offset: float = 0.0
    bits: Annotated[int, Field(ge=4, le=_MAX_COUNT_BITS)] | None = None
    """Bits of a number in hexadecimal or octal that is a two's complement."""


_UnitsOfLength = Annotated[dict[ColumnText, LengthUnit], Field(min_length=1, max_length=8)]
_UnitsOfTime = Annotated[dict[ColumnText, TimeUnit], Field(min_length=1, max_length=8)]


class _LengthColumn(_ValueColumn):
    behind: ColumnText | _UnitsOfLength = ""
    """A text behind the number, or several, each with the unit it stands for."""


class _MayBeMissing(SettingsTable):
    no_echo: tuple[float | ColumnText, ...] = ()
    """Numbers, before `scale` and `offset`, or texts that the device sends when it has no echo."""
    empty: Literal["fault", "no_echo"] = "fault"
    """What an empty column means."""


class TimeOfFlightColumn(_MayBeMissing, _ValueColumn, TimeOfFlightValue):
    """Time of flight; `min` and `max` are in `unit`."""

    behind: ColumnText | _UnitsOfTime = ""
    """A text behind the number, or several, each with the unit it stands for."""


class ThicknessColumn(_MayBeMissing, _LengthColumn, ThicknessValue):
    """Thickness; `min` and `max` are in `unit`."""


class AmplitudeColumn(_ValueColumn, AmplitudeValue):
    """Amplitude of the echo, in percent of full screen height, as a fraction of it, or in dB."""

    behind: ColumnText = ""
    """A text behind the number."""
    empty: Literal["fault", "absent"] = "fault"
    """What an empty column means."""


class PositionColumn(_LengthColumn, PositionValue):
    """Position of an axis that the device sends as a length."""


class ChannelColumn(_ValueColumn, ChannelValue):
    """A further number: a temperature, a gain, a battery's level, the value of another gate."""

    behind: ColumnText = ""
    """A text behind the number."""
    absent: tuple[float | ColumnText, ...] = ()
    """Numbers, before `scale` and `offset`, or texts that the device sends when it has none."""
    empty: Literal["fault", "absent"] = "fault"
    """What an empty column means."""


class StatusColumn(ReadingStatus):
    """A text that shows whether the reading is valid, or a number of which bits under a mask do."""

    valid: tuple[ColumnText, ...] = ()
    invalid: tuple[ColumnText, ...] = ()
    written: Literal["decimal", "hex", "octal"] = "decimal"
    """How the number is written."""
    mask: int | None = Field(default=None, ge=1, lt=2**63)
    valid_when: int | None = Field(default=None, ge=0, lt=2**63)
    """What the bits under `mask` are when the reading is valid."""
    before: ColumnText = ""
    """A text before the number."""
    behind: ColumnText = ""
    """A text behind it."""


class IndexMarkColumn(IndexMark):
    """1 when an encoder passed its index mark, else 0; or texts, or a number with bits for it."""

    marked: tuple[ColumnText, ...] = ()
    """Texts of a line with which it did."""
    unmarked: tuple[ColumnText, ...] = ()
    """Texts of one with which it did not."""
    written: Literal["decimal", "hex", "octal"] = "decimal"
    """How the number is written."""
    mask: int | None = Field(default=None, ge=1, lt=2**63)
    """Bits of which any is set when it did."""
    before: ColumnText = ""
    """A text before the number."""
    behind: ColumnText = ""
    """A text behind it."""


class CountsColumn(_NumberColumn, Counts):
    """Raw count of an encoder. With `bits` it rolls over; that is undone by the daemon."""

    bits: int | None = Field(default=None, ge=4, le=_MAX_COUNT_BITS)
    signed: bool = False

    @property
    def width(self) -> int | None:
        """Bits at which it rolls over; None if it never does."""
        return self.bits


class RunningNumberColumn(_NumberColumn, RunningNumber):
    """Running number of the line."""


class ProbeColumn(_NumberColumn, ProbeNumber):
    """The input of the device that the reading is of."""


class DeviceTimeColumn(DeviceTime):
    """The device's own clock: a number of `scale` units, a time of day, or date and time.

    A number starts again at 0 at 2**bits or `rolls_over_after`, a time of day at midnight.
    """

    unit: TimeUnit | None = None
    """Of a number."""
    written: Literal["decimal", "hex", "octal", "hh:mm:ss", "hhmmss", "ISO 8601"] = "decimal"
    scale: float = Field(default=1.0, gt=0.0, le=1e9)
    bits: int | None = Field(default=None, ge=8, le=62)
    rolls_over_after: int | None = Field(default=None, ge=2, le=2**62)
    before: ColumnText = ""
    """A text before the time, in the same column."""
    behind: ColumnText = ""
    """A text behind it."""

    @property
    def is_number(self) -> bool:
        """The time is a number of units."""
        return self.written in ("decimal", "hex", "octal")

    @property
    def span(self) -> int | None:
        """Units after which it starts again at 0; None if it never does."""
        return self.rolls_over_after if self.bits is None else 1 << self.bits

    @property
    def wrap_ns(self) -> int | None:
        """Time after which it starts again at 0, ns; None if it never does."""
        if self.unit is None or not self.is_number:
            return None if self.written == "ISO 8601" else DAY_NS
        return None if self.span is None else round(self.span * tick_ns(self.scale, self.unit))

    @model_validator(mode="after")
    def _check_together(self) -> Self:
        raise_problems(self, _time_problems(self))
        return self


class Ignore(SettingsTable):
    """A column that means nothing here; it may hold anything."""

    kind: Literal["ignore"] = Field(alias="is")


AnyColumn = Annotated[
    ConstantColumn
    | DeviceTimeColumn
    | TimeOfFlightColumn
    | ThicknessColumn
    | AmplitudeColumn
    | ChannelColumn
    | StatusColumn
    | CountsColumn
    | PositionColumn
    | Quadrature
    | IndexMarkColumn
    | RunningNumberColumn
    | ProbeColumn
    | Ignore,
    Field(discriminator="kind"),
]


def texts_behind(column: object) -> dict[str, str | None]:
    """Return the texts of which one is behind a column's number, each with its unit; {}: none."""
    behind: str | dict[str, str] = getattr(column, "behind", "")
    if isinstance(behind, str):
        return {behind: None} if behind else {}
    return dict(behind)


def _time_problems(column: DeviceTimeColumn) -> list[SettingProblem]:
    """Return what is wrong with the column of a clock."""
    found: list[SettingProblem] = []
    if not column.is_number:
        for key in ("unit", "scale", "bits", "rolls_over_after"):
            if key in column.model_fields_set and getattr(column, key) is not None:
                requirement = f"must be left out, as the time is written {column.written!r}"
                found.append(((key,), requirement, getattr(column, key)))
        return found
    if column.unit is None:
        found.append((("unit",), "must be given", None))
    if column.bits is not None and column.rolls_over_after is not None:
        requirement = "must not be given with 'bits', which is another limit"
        found.append((("rolls_over_after",), requirement, column.rolls_over_after))
    return found
