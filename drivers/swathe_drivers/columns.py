"""What a column of a line or a field of a frame means: quantity, unit, axis, limits.

The drivers of text and of binary frames add how each is encoded; see `delimited.settings` and
`frames.fields`.
"""

from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Final, Literal, Protocol, Self

from pydantic import AfterValidator, Field

from swathe_drivers.inputs import ONE_INPUT, OfInput, RecordInputs, input_of
from swathe_drivers.records import ChannelFormat, WaveformFormat
from swathe_drivers.settings import SettingProblem, SettingsTable, problem
from swathe_drivers.units import DurationText, LengthUnit, TimeUnit, nanoseconds

AxisName = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$", max_length=32)]
"""Name of an axis."""

GateText = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9 _-]*$", max_length=32)]
"""Name of a gate, of a device that sends the values of several."""

LAYER_NAMES: Final = frozenset(
    {
        *("thickness", "thickness_mean", "time_of_flight", "amplitude", "waveform"),
        *("hits", "passes", "last_time", "state", "quality"),
        *("scan", "index", "spot", "sample_time"),
    }
)
"""Names of arrays that a survey has in any case: no channel may be called so."""


def _check_channel(name: str) -> str:
    if name in LAYER_NAMES:
        raise problem("must be another name: a survey has a layer that is called so")
    return name


ChannelName = Annotated[
    str, Field(pattern=r"^[a-z][a-z0-9_]*$", max_length=32), AfterValidator(_check_channel)
]
"""Name of a channel, and of the layer that keeps it."""

MEASURED: Final = frozenset({"time_of_flight", "thickness", "waveform"})
"""Kinds of columns of which a reading with an echo needs one."""

POSITIONS: Final = frozenset({"counts", "position", "quadrature"})
"""Kinds of columns that show where an axis is."""

# 73 years: the sum of a time and half a turn beyond it would not fit into 64 bits.
_LONGEST_WRAP_NS: Final = 2**61


def _check_period(text: str) -> str:
    if nanoseconds(text) <= 0:
        raise problem("must be > 0")
    return text


class Column(Protocol):
    """What every column of a line and every field of a frame has."""

    @property
    def kind(self) -> str:
        """The key `is` of its table."""
        ...


class Constant(SettingsTable):
    """A value that never changes; a record in which it differs is of another kind."""

    kind: Literal["constant"] = Field(alias="is")


class DeviceTime(SettingsTable, ABC):
    """The device's own clock."""

    kind: Literal["device_time"] = Field(alias="is")

    @property
    @abstractmethod
    def wrap_ns(self) -> int | None:
        """Time after which it starts again at 0, ns; None if it never does."""


class RunningNumber(SettingsTable):
    """Running number of the record; with `wrap` it starts again at 0 after `wrap` records.

    Where the device makes records at a steady rate, the number shows when; `period` is the time from
    one to the next, if it is known.
    """

    kind: Literal["sequence"] = Field(alias="is")
    wrap: int | None = Field(default=None, ge=2, le=2**62)
    period: Annotated[DurationText, AfterValidator(_check_period)] | None = None

    @property
    def period_ns(self) -> float | None:
        """Time from one record to the next, ns; None where it is not given."""
        return None if self.period is None else float(nanoseconds(self.period))

    @property
    def modulus(self) -> int | None:
        """Records after which it starts again at 0; None if it never does."""
        return self.wrap


class Counts(SettingsTable, ABC):
    """Raw count of an encoder.

    A counter of decimal digits rolls over at a decimal number: `rolls_over_after` is the number of
    its values, 100000 for 0 to 99999 and 199999 for -99999 to 99999.
    """

    kind: Literal["counts"] = Field(alias="is")
    axis: AxisName
    rolls_over_after: int | None = Field(default=None, ge=10, le=2**52)

    @property
    def period(self) -> int | None:
        """Counts after which it repeats; None if it never does."""
        if self.rolls_over_after is not None:
            return self.rolls_over_after
        return None if self.width is None else 1 << self.width

    def roll_over_problems(self, bits: int | None) -> list[SettingProblem]:
        """Return what is wrong with `rolls_over_after` next to `bits`."""
        if self.rolls_over_after is None or bits is None:
            return []
        message = "must not be given with 'bits', which is another limit"
        return [(("rolls_over_after",), message, self.rolls_over_after)]

    @property
    @abstractmethod
    def width(self) -> int | None:
        """Bits at which it rolls over; None if it never does."""


class Quadrature(SettingsTable):
    """Levels of both lines of an encoder, 2 * A + B; the decoder counts all four edges."""

    kind: Literal["quadrature"] = Field(alias="is")
    axis: AxisName


class IndexMark(SettingsTable):
    """Whether an encoder passed its index mark with this record."""

    kind: Literal["index_mark"] = Field(alias="is")
    axis: AxisName


class ReadingStatus(OfInput):
    """Whether the reading is valid; without `probe`: each reading of the record."""

    kind: Literal["status"] = Field(alias="is")


class LimitedValue(SettingsTable):
    """A number of a quantity; its limits are in `unit`."""

    kind: str
    unit: str
    min: float | None = None
    max: float | None = None

    def limit_problems(self) -> list[SettingProblem]:
        """Return what is wrong with the limits."""
        if self.min is None or self.max is None or self.min < self.max:
            return []
        return [(("max",), f"must be > 'min', which is {self.min!r}", self.max)]

    @property
    def allowed(self) -> str:
        """The limits in words."""
        if self.min is None:
            return f"at most {self.max}"
        return f"at least {self.min}" if self.max is None else f"{self.min} to {self.max}"


class PositionValue(LimitedValue):
    """Position of an axis that the device sends as a length."""

    kind: Literal["position"] = Field(alias="is")
    axis: AxisName
    unit: LengthUnit


class MeasuredValue(OfInput, LimitedValue):
    """What a reading measures.

    A device that repeats its last value when it has lost the echo sends it unchanged: from
    `held_after` repeats on, the repeats are no readings.
    """

    held_after: Annotated[int, Field(ge=1, le=10_000)] | None = None
    gate: GateText | None = None
    """The gate whose value it is; used if the settings choose it."""


class TimeOfFlightValue(MeasuredValue):
    """Time of flight."""

    kind: Literal["time_of_flight"] = Field(alias="is")
    unit: TimeUnit


class ThicknessValue(MeasuredValue):
    """Thickness."""

    kind: Literal["thickness"] = Field(alias="is")
    unit: LengthUnit


class AmplitudeValue(OfInput, LimitedValue):
    """Amplitude of the echo in percent of full screen height, as a fraction of it, or in dB.

    0 dB is full screen height.
    """

    kind: Literal["amplitude"] = Field(alias="is")
    unit: Literal["%", "fraction", "dB"] = "%"
    gate: GateText | None = None
    """The gate whose echo it is; used if the settings choose it."""


class ChannelValue(LimitedValue):
    """A further number, such as a temperature, a gain or the thickness of another gate.

    It is kept as it is, with its unit, and measures nothing.
    """

    kind: Literal["channel"] = Field(alias="is")
    name: ChannelName
    unit: Annotated[str, Field(min_length=1, max_length=32)] = "1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Abilities:
    """What a decoder can give; the attributes are those of `swathe_drivers.abc.Decoder`."""

    axes: tuple[str, ...]
    count_periods: dict[str, int | None]
    length_axes: frozenset[str]
    gives: frozenset[str]
    gives_readings: bool
    gives_positions: bool
    combined: bool
    has_clock: bool
    clock_wrap_ns: int | None
    sequence_wrap: int | None
    numbered: bool
    pulse_period_ns: float | None
    held_after: dict[str, int]
    waveform: WaveformFormat | None
    channels: tuple[ChannelFormat, ...] = ()
    inputs: RecordInputs = ONE_INPUT

    @property
    def passes_over(self) -> bool:
        """The records mean nothing here: those of a kind among others are ignored."""
        return not (self.gives_readings or self.gives_positions or self.channels)

    @classmethod
    def of(
        cls,
        columns: Sequence[Column],
        waveform: WaveformFormat | None = None,
        *,
        without_value: bool = False,
        in_turn: Sequence[int] = (),
    ) -> Self:
        """Return the abilities of a decoder of records with `columns`.

        Args:
            columns: of the records.
            waveform: what the samples of their A-scans mean.
            without_value: whether these are readings without an echo; see `has_no_value`.
            in_turn: inputs by running number; see `inputs`.
        """
        kinds = {column.kind for column in columns}
        positions = [one for one in columns if isinstance(one, Counts | PositionValue | Quadrature)]
        clock = next((one for one in columns if isinstance(one, DeviceTime)), None)
        number = next((one for one in columns if isinstance(one, RunningNumber)), None)
        gives_readings = without_value or bool(kinds & MEASURED)
        return cls(
            axes=tuple(one.axis for one in positions),
            count_periods={
                one.axis: one.period if isinstance(one, Counts) else None for one in positions
            },
            length_axes=frozenset(one.axis for one in positions if isinstance(one, PositionValue)),
            gives=frozenset(kinds & {"time_of_flight", "thickness", "amplitude", "waveform"}),
            gives_readings=gives_readings,
            gives_positions=bool(positions),
            combined=gives_readings and bool(positions),
            has_clock=clock is not None,
            clock_wrap_ns=None if clock is None else _wrap_of(clock),
            sequence_wrap=None if number is None else number.modulus,
            numbered=number is not None,
            pulse_period_ns=None if number is None else number.period_ns,
            held_after={
                one.kind: one.held_after
                for one in columns
                if isinstance(one, MeasuredValue) and one.held_after is not None
            },
            waveform=waveform,
            channels=tuple(
                ChannelFormat(one.name, one.unit)
                for one in columns
                if isinstance(one, ChannelValue)
            ),
            inputs=RecordInputs.of(columns, in_turn) if gives_readings else ONE_INPUT,
        )


def kind_and_axis(column: Column) -> str:
    """Return what messages call the subject of a column: its kind, and its axis if it has one."""
    if isinstance(column, Counts | PositionValue | Quadrature | IndexMark):
        return f"{column.kind} {column.axis}"
    if isinstance(column, ChannelValue):
        return f"channel {column.name}"
    if isinstance(column, MeasuredValue) and column.gate is not None:
        what = "thickness" if isinstance(column, ThicknessValue) else "time_of_flight"
        return f"{what} of gate {column.gate}"
    probe = input_of(column)
    return column.kind if probe is None else f"{column.kind} probe {probe}"


def _wrap_of(clock: DeviceTime) -> int | None:
    """Return the time after which a clock starts again at 0, ns; None if no scan lasts so long."""
    wrap = clock.wrap_ns
    return wrap if wrap is not None and wrap <= _LONGEST_WRAP_NS else None
