"""What is in the columns of records: faulty records, values to mm, µs and percent."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Self

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.columns import (
    AmplitudeValue,
    ChannelValue,
    LimitedValue,
    PositionValue,
    ReadingStatus,
)
from swathe_drivers.gates import subtracted_from, take_off
from swathe_drivers.inputs import Valid, input_among, input_of, valid_of
from swathe_drivers.records import FaultReason
from swathe_drivers.units import scaled

INT64_MAX: Final = 2**63 - 1
MAX_EXACT: Final = 2**53
"""A double holds every whole number up to here."""

_KEPT_WHEN_INVALID: Final = (AmplitudeValue, ChannelValue, PositionValue)

Bad = dict[int, tuple[FaultReason | None, str]]
"""Lines or frames that are no record, by their number; the reason is None for one to ignore."""


class Faulty:
    """The first fault of each record that has one, in the order of its columns."""

    def __init__(self) -> None:
        self.by_row: dict[int, tuple[FaultReason, str]] = {}

    def add(self, row: int, reason: FaultReason, detail: str) -> None:
        """Note a fault; only the first of a record is kept."""
        self.by_row.setdefault(row, (reason, detail))

    def add_all(
        self, rows: Iterable[int], reason: FaultReason, detail: Callable[[int], str]
    ) -> None:
        """Note a fault of each of `rows`; `detail` makes its sentence."""
        for row in rows:
            self.add(row, reason, detail(row))

    def spread(self, owners: NDArray[np.int64]) -> None:
        """Give the first fault of each owner, such as a frame, to all rows that it has."""
        first: dict[int, tuple[FaultReason, str]] = {}
        for row in sorted(self.by_row):
            first.setdefault(int(owners[row]), self.by_row[row])
        if first:
            for row in np.flatnonzero(np.isin(owners, list(first))).tolist():
                self.by_row[row] = first[int(owners[row])]

    def take(self, other: Self, excused: NDArray[np.bool_] | None = None) -> None:
        """Take over the faults of one more column, but for those of the rows `excused`."""
        for row, fault in other.by_row.items():
            if excused is None or not excused[row]:
                self.by_row.setdefault(row, fault)

    def split(
        self, rows: NDArray[np.int64], columns: dict[str, NDArray[Any]], bad: Bad
    ) -> tuple[NDArray[np.int64], dict[str, NDArray[Any]]]:
        """Return the rows and columns without fault; note the others in `bad`."""
        if not self.by_row:
            return rows, columns
        keep = np.ones(rows.size, np.bool_)
        keep[list(self.by_row)] = False
        bad.update((int(rows[row]), fault) for row, fault in self.by_row.items())
        return rows[keep], {name: column[keep] for name, column in columns.items()}


@dataclass(frozen=True, slots=True, eq=False)
class SentValues:
    """A column of numbers as the device sent them.

    Attributes:
        column: what they mean.
        values: in the column's unit, shape (n,).
        absent: rows in which there is none; None if there are no such.
        check: checks the limits in the rows given (None: in all).
    """

    column: LimitedValue
    values: NDArray[np.float64]
    absent: NDArray[np.bool_] | None
    check: Callable[[Faulty, NDArray[np.bool_] | None], None]


class ColumnFaults:
    """The faults of records, column by column, until it is known which readings have no echo.

    A value that cannot be read is no fault where the record's status shows that there is none.
    """

    def __init__(self) -> None:
        self._columns: list[tuple[Faulty, SentValues | None]] = []
        self._unknown: list[Faulty] = []
        self._statuses: dict[int | None, NDArray[np.bool_]] = {}

    def of_column(self) -> Faulty:
        """Return what the next column's faults go into."""
        faulty = Faulty()
        self._columns.append((faulty, None))
        return faulty

    def are_of(self, values: SentValues) -> None:
        """State what was read of the newest column, if that are numbers."""
        self._columns[-1] = (self._columns[-1][0], values)

    def are_of_status(self, column: ReadingStatus, valid: NDArray[np.bool_]) -> None:
        """State that the newest column is a status: where it is faulty, it excuses nothing."""
        self._unknown.append(self._columns[-1][0])
        self._statuses[input_of(column)] = valid

    @property
    def statuses(self) -> Valid:
        """What the status columns show, by the input that each is of."""
        return self._statuses

    def settle(self, faulty: Faulty) -> list[SentValues]:
        """Note in `faulty` what is a fault; return the numbers with those absent that are none."""
        out: list[SentValues] = []
        for own, values in self._columns:
            probe = None if values is None else input_of(values.column)
            excused = self._excused(own, values, valid_of(self._statuses, probe))
            faulty.take(own, excused)
            if values is None:
                continue
            if excused is None:
                out.append(values)
            else:
                absent = excused if values.absent is None else values.absent | excused
                out.append(replace(values, absent=absent))
        return out

    def _excused(
        self, own: Faulty, values: SentValues | None, valid: NDArray[np.bool_] | None
    ) -> NDArray[np.bool_] | None:
        """Return the rows whose status shows that there is no value to be read; None: none."""
        if not own.by_row or values is None or valid is None:
            return None
        if isinstance(values.column, ChannelValue | PositionValue):
            return None
        excused = ~valid
        for unknown in self._unknown:
            excused[list(unknown.by_row)] = False
        rows = np.array(list(own.by_row))
        return np.isin(np.arange(valid.size), rows) & excused


def convert(
    sent: Sequence[SentValues], statuses: Valid, faulty: Faulty, inputs: Sequence[int] = ()
) -> dict[str, NDArray[Any]]:
    """Check limits and return columns in mm, µs and percent by name; an axis is `axis NAME`.

    A channel is `channel NAME`, in its own unit, and NaN where it is absent.

    A reading without an echo is not valid, and its limits don't hold. A time of flight or
    thickness that is not valid becomes NaN, an amplitude only where it is absent.

    Args:
        sent: columns in the order in which their faults count.
        statuses: what status columns show, by the input that each is of.
        faulty: takes the values beyond their limits.
        inputs: of the readings side by side in a record: what is of a reading has shape
            (n, inputs) then, in this order.
    """
    out: dict[str, NDArray[Any]] = {}
    parts: dict[str, dict[int | None, NDArray[Any]]] = {}
    off: dict[str, dict[int | None, NDArray[Any]]] = {}
    keys: Sequence[int | None] = inputs or (None,)
    shown = {probe: valid_of(statuses, probe) for probe in keys}
    for one in sent:
        if one.absent is not None and not isinstance(one.column, _KEPT_WHEN_INVALID):
            probe = input_among(one.column, inputs)
            valid = shown[probe]
            shown[probe] = ~one.absent if valid is None else valid & ~one.absent
    for one in sent:
        column, absent = one.column, one.absent
        if isinstance(column, PositionValue):
            one.check(faulty, None)
            out[f"axis {column.axis}"] = scaled(one.values, column.unit)
            continue
        if isinstance(column, ChannelValue):
            one.check(faulty, None if absent is None else ~absent)
            out[f"channel {column.name}"] = (
                one.values if absent is None else np.where(absent, np.nan, one.values)
            )
            continue
        probe = input_among(column, inputs)
        valid = shown[probe]
        checked, blank = valid, absent
        if not isinstance(column, AmplitudeValue):
            blank = None if valid is None else ~valid
        elif absent is not None:
            checked = ~absent if valid is None else valid & ~absent
        one.check(faulty, checked)
        values = scaled(one.values, column.unit)
        values = values if blank is None else np.where(blank, np.nan, values)
        if (from_what := subtracted_from(column)) is None:
            parts.setdefault(column.kind, {})[probe] = values
        else:
            off.setdefault(from_what, {})[probe] = values
    for kind, part in off.items():
        take_off(parts[kind], part, kind, faulty.add_all)
    if known := {probe: one for probe, one in shown.items() if one is not None}:
        parts["valid"] = known
    for name, part in parts.items():
        out[name] = _side_by_side(part, inputs, True if name == "valid" else np.nan)
    return out


def _side_by_side(
    part: Mapping[int | None, NDArray[Any]], inputs: Sequence[int], absent: float
) -> NDArray[Any]:
    """Return a column of all inputs, shape (n, inputs), or of the only reading of each record."""
    if not inputs:
        return part[None]
    first = next(iter(part.values()))
    return np.stack([part.get(one, np.full_like(first, absent)) for one in inputs], axis=1)


def outside_limits(
    column: LimitedValue, values: NDArray[np.float64], checked: NDArray[np.bool_] | None
) -> NDArray[np.bool_] | None:
    """Return the rows of `checked` (None: all) beyond the column's limits; None if it has none."""
    outside: NDArray[np.bool_] | None = None
    if column.min is not None:
        outside = values < column.min
    if column.max is not None:
        above = values > column.max
        outside = above if outside is None else outside | above
    return outside if outside is None or checked is None else outside & checked
