"""What stands in the columns: many texts to one array, and which lines are faulty.

Each reader goes over all lines at once and takes only what is not plain (an exponent, a
fault) text by text. Few lines are quicker text by text from the start.
"""

from collections.abc import Callable
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers import decimals
from swathe_drivers.decimals import NumberError
from swathe_drivers.delimited.fields import Fields
from swathe_drivers.delimited.settings import (
    Amplitude,
    Counts,
    Position,
    Status,
    Thickness,
    TimeOfFlight,
)
from swathe_drivers.faulty import Faulty
from swathe_drivers.records import FaultReason
from swathe_drivers.units import MAX_VALUE, TIME_POWERS

FEW: Final = 64
"""Up to so many lines are read text by text."""

_MAX_EXACT: Final = 2**53


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
        rest = range(fields.rows) if skip is None else np.flatnonzero(~skip).tolist()
    else:
        plain = decimals.read_plain(fields.block, fields.starts[index], fields.ends[index])
        values, good = many(plain)
        if skip is not None:
            values = np.where(skip, values.dtype.type(0), values)
            good |= skip
        rest = [] if good.all() else np.flatnonzero(~good).tolist()
    for row in rest:
        text = fields.text(index, row)
        try:
            values[row] = one(text)
        except NumberError as error:
            values[row] = 0
            faulty.add(row, error.reason, f"{name}: {_quoted(text)} {error.problem}")
    return values


def read_floats(
    fields: Fields,
    index: int,
    name: str,
    faulty: Faulty,
    skip: NDArray[np.bool_] | None = None,
) -> NDArray[np.float64]:
    """One column as doubles, shape (n,)."""
    return _read(
        fields,
        index,
        name,
        faulty,
        dtype=np.float64,
        many=decimals.Plain.floats,
        one=decimals.read_float,
        skip=skip,
    )


def read_integers(
    fields: Fields, index: int, name: str, faulty: Faulty, *, low: int, high: int
) -> NDArray[np.int64]:
    """One column as int64, shape (n,); what isn't in low..high is out of range."""
    values: NDArray[np.int64] = _read(
        fields,
        index,
        name,
        faulty,
        dtype=np.int64,
        many=decimals.Plain.integers,
        one=decimals.read_integer,
    )
    check_range(
        fields, index, name, faulty, outside=(values < low) | (values > high), low=low, high=high
    )
    return values


def read_times(
    fields: Fields, index: int, name: str, faulty: Faulty, *, unit: str, bits: int | None
) -> NDArray[np.int64]:
    """One column of times as ns, shape (n,)."""
    power = TIME_POWERS[unit]
    values: NDArray[np.int64] = _read(
        fields,
        index,
        name,
        faulty,
        dtype=np.int64,
        many=lambda plain: plain.scaled(power),
        one=lambda text: decimals.read_scaled(text, power),
    )
    if bits is not None:
        outside = (values < 0) | (values >= (1 << bits) * 10**power)
        check_range(fields, index, name, faulty, outside=outside, low=0, high=(1 << bits) - 1)
    return values


def check_range(
    fields: Fields,
    index: int,
    name: str,
    faulty: Faulty,
    *,
    outside: NDArray[np.bool_],
    low: float | None,
    high: float | None,
) -> None:
    """Note an `out_of_range` fault for the lines `outside`."""
    if outside.any():
        if low is None:
            allowed = f"at most {high}"
        elif high is None:
            allowed = f"at least {low}"
        else:
            allowed = f"{low} to {high}"
        for row in np.flatnonzero(outside).tolist():
            text = _quoted(fields.text(index, row))
            faulty.add(row, FaultReason.OUT_OF_RANGE, f"{name}: {text} is not {allowed}")


class ValueReader:
    """Reads a time of flight, thickness, amplitude or position with its limits.

    Limits are checked after all columns are read, as they don't hold for a line without echo.
    """

    def __init__(
        self, column: TimeOfFlight | Thickness | Amplitude | Position, index: int, name: str
    ) -> None:
        self.column = column
        self._index = index
        self._name = name
        no_echo = column.no_echo if isinstance(column, TimeOfFlight | Thickness) else ()
        self._texts = [text.encode("latin-1") for text in no_echo if isinstance(text, str)]
        self._numbers = [number for number in no_echo if not isinstance(number, str)]
        self._may_be_empty = not isinstance(column, Position) and column.empty != "fault"

    def read(
        self, fields: Fields, faulty: Faulty
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_] | None]:
        """Values as sent, and the lines in which there is none (None if there are no such)."""
        absent: NDArray[np.bool_] | None = None
        if self._may_be_empty:
            absent = fields.starts[self._index] == fields.ends[self._index]
        for text in self._texts:
            same = fields.equal(self._index, text)
            absent = same if absent is None else absent | same
        if absent is not None and not absent.any():
            absent = None
        values = read_floats(fields, self._index, self._name, faulty, absent)
        for number in self._numbers:  # some devices send one beyond all values, such as 9.91e37
            same = values == number
            if same.any():
                absent = same if absent is None else absent | same
        outside = np.abs(values) > MAX_VALUE
        if absent is not None:
            outside &= ~absent
        check_range(
            fields,
            self._index,
            self._name,
            faulty,
            outside=outside,
            low=-MAX_VALUE,
            high=MAX_VALUE,
        )
        if outside.any():
            values[outside] = 0.0
        return values, absent

    def check(
        self,
        fields: Fields,
        values: NDArray[np.float64],
        wanted: NDArray[np.bool_] | None,
        faulty: Faulty,
    ) -> None:
        """Check the limits in the lines `wanted` (None: in all)."""
        low, high = self.column.min, self.column.max
        outside: NDArray[np.bool_] | None = None
        if low is not None:
            outside = values < low
        if high is not None:
            above = values > high
            outside = above if outside is None else outside | above
        if outside is not None:
            if wanted is not None:
                outside &= wanted
            check_range(
                fields, self._index, self._name, faulty, outside=outside, low=low, high=high
            )


class StatusReader:
    """Reads a status column."""

    def __init__(self, column: Status, index: int, name: str) -> None:
        self._index = index
        self._name = name
        self._valid = [text.encode("latin-1") for text in column.valid]
        self._invalid = [text.encode("latin-1") for text in column.invalid]
        self._known = ", ".join(repr(text) for text in (*column.valid, *column.invalid))

    def read(self, fields: Fields, faulty: Faulty) -> NDArray[np.bool_]:
        """Lines that say valid, shape (n,)."""
        valid = np.zeros(fields.rows, np.bool_)
        for text in self._valid:
            valid |= fields.equal(self._index, text)
        if valid.all():
            return valid
        known = valid.copy()
        for text in self._invalid:
            known |= fields.equal(self._index, text)
        if not known.all():
            for row in np.flatnonzero(~known).tolist():
                text = fields.text(self._index, row)
                detail = f"{self._name}: {_quoted(text)} is none of {self._known}"
                faulty.add(row, FaultReason.STATUS, detail)
        return valid


def count_limits(column: Counts) -> tuple[int, int]:
    """The least and the greatest count of an encoder; a double holds all of them exactly."""
    if column.bits is None:
        return (-_MAX_EXACT, _MAX_EXACT)
    if column.signed:
        return (-(1 << (column.bits - 1)), (1 << (column.bits - 1)) - 1)
    return (0, (1 << column.bits) - 1)
