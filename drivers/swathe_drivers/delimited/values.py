"""What is in the columns: many texts to one array, and which lines are faulty.

Each reader goes over all lines at once and takes only what is not plain (an exponent, a
fault) text by text. Few lines are quicker text by text from the start.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers import decimals
from swathe_drivers.columns import LimitedValue
from swathe_drivers.decimals import NumberError
from swathe_drivers.delimited.clocks import read_clock
from swathe_drivers.delimited.columns import (
    AmplitudeColumn,
    ChannelColumn,
    CountsColumn,
    DeviceTimeColumn,
    ProbeColumn,
    ThicknessColumn,
    TimeOfFlightColumn,
    texts_behind,
)
from swathe_drivers.delimited.fields import Fields
from swathe_drivers.delimited.notation import Notation
from swathe_drivers.inputs import HIGHEST_INPUT
from swathe_drivers.record_values import INT64_MAX, MAX_EXACT, Faulty, SentValues, outside_limits
from swathe_drivers.records import FaultReason
from swathe_drivers.units import MAX_VALUE, TIME_POWERS, largest, linear, scaled, tick_ns, unscaled

FEW: Final = 64
"""Up to so many lines are read text by text."""


def _quoted(text: bytes) -> str:
    return repr(text.decode("latin-1"))


def _read(
    fields: Fields,
    index: int,
    name: str,
    faulty: Faulty,
    *,
    dtype: type[np.float64] | type[np.int64],
    many: Callable[[decimals.Plain], tuple[NDArray[Any], NDArray[np.bool_]]],
    one: Callable[[bytes], float],
    skip: NDArray[np.bool_] | None = None,
) -> NDArray[Any]:
    """One column as numbers; 0 where faulty or `skip`."""
    if fields.rows <= FEW:
        values = np.zeros(fields.rows, dtype)
        rest = None if skip is None else np.flatnonzero(~skip)
    else:
        plain = decimals.read_plain(fields.block, fields.starts[index], fields.ends[index])
        values, good = many(plain)
        if skip is not None:
            values = np.where(skip, values.dtype.type(0), values)
            good |= skip
        if good.all():
            return values
        rest = np.flatnonzero(~good)
    rows = range(fields.rows) if rest is None else rest.tolist()
    for row, text in zip(rows, fields.texts(index, rest), strict=True):
        try:
            values[row] = one(text)
        except NumberError as error:
            values[row] = 0
            faulty.add(row, error.reason, f"{name}: {_quoted(text)} {error.problem}")
    return values


@dataclass(frozen=True, slots=True, eq=False)
class NumberColumnReader:
    """Reads the numbers of one column.

    Attributes:
        index: of the column.
        name: what messages call it.
        notation: how its numbers are written.
    """

    index: int
    name: str
    notation: Notation

    def floats(
        self, fields: Fields, faulty: Faulty, skip: NDArray[np.bool_] | None = None
    ) -> tuple[NDArray[np.float64], NDArray[np.int8] | None]:
        """The column as doubles, shape (n,), and the index of the text behind each number."""
        return self._numbers(
            fields,
            faulty,
            dtype=np.float64,
            many=decimals.Plain.floats,
            one=decimals.read_float,
            skip=skip,
        )

    def integers(self, fields: Fields, faulty: Faulty) -> NDArray[np.int64]:
        """The column as int64, shape (n,)."""
        values: NDArray[np.int64] = self._numbers(
            fields, faulty, dtype=np.int64, many=decimals.Plain.integers, one=decimals.read_integer
        )[0]
        return values

    def scaled(self, fields: Fields, faulty: Faulty, power: int) -> NDArray[np.int64]:
        """The column times 10**power as int64, shape (n,)."""
        values: NDArray[np.int64] = self._numbers(
            fields,
            faulty,
            dtype=np.int64,
            many=lambda plain: plain.scaled(power),
            one=lambda text: decimals.read_scaled(text, power),
        )[0]
        return values

    def _numbers(
        self,
        fields: Fields,
        faulty: Faulty,
        *,
        dtype: type[np.float64] | type[np.int64],
        many: Callable[[decimals.Plain], tuple[NDArray[Any], NDArray[np.bool_]]],
        one: Callable[[bytes], float],
        skip: NDArray[np.bool_] | None = None,
    ) -> tuple[NDArray[Any], NDArray[np.int8] | None]:
        notation, index, name = self.notation, self.index, self.name
        if notation.is_usual:
            return _read(
                fields, index, name, faulty, dtype=dtype, many=many, one=one, skip=skip
            ), None
        bare = notation.bare(fields, index)
        values, good = many(notation.plain(fields.block, bare))
        done = np.zeros(fields.rows, np.bool_) if skip is None else skip.copy()
        for rows, problem in bare.problems:
            for row in np.flatnonzero(rows & ~done).tolist():
                detail = f"{name}: {_quoted(fields.text(index, row))} {problem}"
                faulty.add(row, FaultReason.NUMBER, detail)
            done |= rows
        values = np.where(good & ~done, values, values.dtype.type(0))
        for row in np.flatnonzero(~good & ~done).tolist():
            text = bytes(fields.data[bare.starts[row] : bare.ends[row]])
            try:
                values[row] = one(notation.usual(text, minus=bool(bare.minus[row])))
            except NumberError as error:
                whole = _quoted(fields.text(index, row))
                faulty.add(row, error.reason, f"{name}: {whole} {error.problem}")
        return values, bare.behind


def read_integers(
    reader: NumberColumnReader, fields: Fields, faulty: Faulty, *, low: int, high: int
) -> NDArray[np.int64]:
    """One column as int64, shape (n,); what isn't in low..high is out of range."""
    values = reader.integers(fields, faulty)
    outside = (values < low) | (values > high)
    check_range(fields, reader.index, reader.name, faulty, outside, f"{low} to {high}")
    return values


def read_input_columns(
    reader: NumberColumnReader, fields: Fields, faulty: Faulty, column: ProbeColumn
) -> NDArray[np.int64]:
    """One column of numbers of inputs, shape (n,)."""
    values = read_integers(reader, fields, faulty, low=0, high=HIGHEST_INPUT)
    if column.inputs:
        unknown = ~np.isin(values, column.inputs)
        allowed = f"one of {', '.join(map(str, column.inputs))}"
        check_range(fields, reader.index, reader.name, faulty, unknown, allowed)
    return values


def read_count_columns(
    reader: NumberColumnReader, fields: Fields, faulty: Faulty, column: CountsColumn
) -> NDArray[np.int64]:
    """One column of counts, shape (n,); signed ones in hexadecimal or octal are two's complements."""
    low, high = count_limits(column)
    if column.bits is None or not column.signed or reader.notation.base == 10:
        return read_integers(reader, fields, faulty, low=low, high=high)
    values = read_integers(reader, fields, faulty, low=low, high=high - low)
    return np.where(values > high, values - (1 << column.bits), values)


def read_time_columns(
    reader: NumberColumnReader, fields: Fields, faulty: Faulty, column: DeviceTimeColumn
) -> NDArray[np.int64]:
    """One column of times as ns, shape (n,)."""
    if column.unit is None:
        return _read_clocks(reader, fields, faulty, column)
    index, name, span = reader.index, reader.name, column.span
    if column.scale == 1.0:
        power = TIME_POWERS[column.unit]
        values = reader.scaled(fields, faulty, power)
        if span is not None:
            outside = (values < 0) | (values >= span * 10**power)
            check_range(fields, index, name, faulty, outside, f"0 to {span - 1}")
        return values
    tick = tick_ns(column.scale, column.unit)
    most = (INT64_MAX - tick.denominator) // tick.numerator
    low, high = (-most, most) if span is None else (0, min(most, span - 1))
    counts = read_integers(reader, fields, faulty, low=low, high=high)
    counts = np.where((counts < low) | (counts > high), 0, counts)
    return (counts * tick.numerator + tick.denominator // 2) // tick.denominator


def _read_clocks(
    reader: NumberColumnReader, fields: Fields, faulty: Faulty, column: DeviceTimeColumn
) -> NDArray[np.int64]:
    """One column of times of day, or of dates with times, as ns, shape (n,)."""
    written = column.written
    bare = reader.notation.bare(fields, reader.index)
    times = read_clock(
        fields.block, bare.starts, bare.ends, written=written, point=reader.notation.point[0]
    )
    problems = (*bare.problems, (~times.good, f"is no time written {written!r}"))
    for rows, problem in problems:
        for row in np.flatnonzero(rows).tolist():
            detail = f"{reader.name}: {_quoted(fields.text(reader.index, row))} {problem}"
            faulty.add(row, FaultReason.NUMBER, detail)
    return times.ns


def check_range(
    fields: Fields,
    index: int,
    name: str,
    faulty: Faulty,
    outside: NDArray[np.bool_],
    allowed: str,
) -> None:
    """Note an `out_of_range` fault for the lines `outside`."""
    if outside.any():
        faulty.add_all(
            np.flatnonzero(outside).tolist(),
            FaultReason.OUT_OF_RANGE,
            lambda row: f"{name}: {_quoted(fields.text(index, row))} is not {allowed}",
        )


class ValueReader:
    """Reads a time of flight, thickness, amplitude or position with its limits.

    Limits are checked after all columns are read, as they don't hold for a line without echo.
    """

    def __init__(self, column: LimitedValue, reader: NumberColumnReader) -> None:
        self._column = column
        self._reader = reader
        no_echo: tuple[float | str, ...] = ()
        if isinstance(column, TimeOfFlightColumn | ThicknessColumn):
            no_echo = column.no_echo
        elif isinstance(column, ChannelColumn):
            no_echo = column.absent
        self._texts = [text.encode("latin-1") for text in no_echo if isinstance(text, str)]
        self._numbers = [number for number in no_echo if not isinstance(number, str)]
        # A sign behind is part of such a text, as '-' is of '---'.
        inner = replace(reader.notation, sign_behind=False)
        self._inner = inner if inner.before or inner.behind else None
        self._may_be_empty = (
            isinstance(
                column, TimeOfFlightColumn | ThicknessColumn | AmplitudeColumn | ChannelColumn
            )
            and column.empty != "fault"
        )
        self._scale: float = getattr(column, "scale", 1.0)
        self._offset: float = getattr(column, "offset", 0.0)
        self._bits: int | None = getattr(column, "bits", None)
        self._units = list(texts_behind(column).values())
        self._most = MAX_VALUE if isinstance(column, ChannelColumn) else largest(column.unit)

    def read(self, fields: Fields, faulty: Faulty) -> SentValues:
        """Return the values as sent."""
        column, index, name = self._column, self._reader.index, self._reader.name
        absent: NDArray[np.bool_] | None = None
        if self._may_be_empty:
            absent = fields.starts[index] == fields.ends[index]
        for text in self._texts:
            same = fields.equal(index, text)
            if self._inner is not None:  # or without the texts around the number
                same |= self._inner.equal(fields, index, text)
            absent = same if absent is None else absent | same
        if absent is not None and not absent.any():
            absent = None
        values, behind = self._reader.floats(fields, faulty, absent)
        if self._bits is not None:  # a two's complement
            half = float(1 << self._bits - 1)
            beyond = (values < 0.0) | (values >= 2.0 * half)
            if beyond.any():
                check_range(fields, index, name, faulty, beyond, f"a number of {self._bits} bits")
            values = np.where(values >= half, values - 2.0 * half, values)
        for number in self._numbers:  # some devices send one beyond all values, such as 9.91e37
            same = values == number
            if same.any():
                absent = same if absent is None else absent | same
        values = linear(values, self._scale, self._offset)
        if behind is not None:
            values = self._in_unit(values, behind)
        outside = np.abs(values) > self._most
        if outside.any():
            if absent is not None:
                outside &= ~absent
            most = self._most
            check_range(fields, index, name, faulty, outside, f"{-most} to {most}")
            values[outside] = 0.0

        def check(faulty: Faulty, rows: NDArray[np.bool_] | None) -> None:
            beyond = outside_limits(column, values, rows)
            if beyond is not None:
                check_range(fields, index, name, faulty, beyond, column.allowed)

        return SentValues(column, values, absent, check)

    def _in_unit(
        self, values: NDArray[np.float64], behind: NDArray[np.int8]
    ) -> NDArray[np.float64]:
        """The values in the column's unit, whatever unit was sent behind each."""
        for number, unit in enumerate(self._units):
            if unit is None or unit == self._column.unit:
                continue
            other = unscaled(scaled(values, unit), self._column.unit)
            values = np.where(behind == number, other, values)
        return values


def count_limits(column: CountsColumn) -> tuple[int, int]:
    """Return the minimum and maximum count of an encoder; a double holds all of them exactly."""
    if column.bits is None:
        return (-MAX_EXACT, MAX_EXACT)
    if column.signed:
        return (-(1 << (column.bits - 1)), (1 << (column.bits - 1)) - 1)
    return (0, (1 << column.bits) - 1)


QUADRATURE_STEPS: Final = np.array([0, 1, -1, 0, -1, 0, 0, 1, 1, 0, 0, -1, 0, -1, 1, 0], np.int64)
"""Step for each `before << 2 | now`, states being 2 * A + B; which way is up is a convention."""

QUADRATURE_INVALID: Final = np.isin(np.arange(16), (3, 6, 9, 12))
"""Where both lines changed at once."""


class QuadratureCounter:
    """Counts the edges of one axis from the two lines of its incremental encoder.

    The lines are a quarter of a period apart, and all four edges of a period are counted. A step
    in which both lines changed at once may have been in either direction: it is counted as an
    error and moves nothing.

    Attributes:
        counts: since the start.
        errors: steps in which both lines changed at once.
    """

    def __init__(self) -> None:
        self.counts = 0
        self.errors = 0
        self._last: int | None = None

    def count(self, states: NDArray[np.int64]) -> NDArray[np.int64]:
        """Counts after each of `states` (0 to 3), shape as given; call in the stream's order."""
        if not states.size:
            return states
        before = int(states[0]) if self._last is None else self._last
        steps = np.concatenate(([before], states[:-1])) << 2 | states
        self.errors += int(np.count_nonzero(QUADRATURE_INVALID[steps]))
        counts = self.counts + np.cumsum(QUADRATURE_STEPS[steps])
        self.counts, self._last = int(counts[-1]), int(states[-1])
        return np.asarray(counts, np.int64)
