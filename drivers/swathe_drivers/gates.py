"""Values of several gates in a record: whose count, and which are taken off them."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.columns import AmplitudeValue, MeasuredValue, ThicknessValue
from swathe_drivers.records import FaultReason
from swathe_drivers.settings import SettingProblem

_SUBTRACTED: Final = "subtracted"
"""Kind of a value that is taken off the one of the gate that counts."""

_AnyColumn = TypeVar("_AnyColumn")
_Parts = dict[int | None, NDArray[np.float64]]


def is_of_other_gate(column: object, gate: str | None) -> bool:
    """Whether a column has the value of a gate other than the one that is chosen."""
    if not isinstance(column, MeasuredValue | AmplitudeValue):
        return False
    return column.gate is not None and column.gate != gate


def as_subtracted(column: _AnyColumn, minus: str | None) -> _AnyColumn | None:
    """Return a value as one that is taken off that of the gate that counts; None if it is none.

    `minus` is the gate whose values are taken off.
    """
    if not isinstance(column, MeasuredValue) or minus is None or column.gate != minus:
        return None
    copy: _AnyColumn = column.model_copy(update={"kind": _SUBTRACTED, "held_after": None})
    return copy


def subtracted_from(column: object) -> str | None:
    """Return the kind of value that a column is taken off; None if it is not taken off any."""
    if not isinstance(column, MeasuredValue) or str(column.kind) != _SUBTRACTED:
        return None
    return "thickness" if isinstance(column, ThicknessValue) else "time_of_flight"


def take_off(
    values: _Parts,
    others: Mapping[int | None, NDArray[np.float64]],
    kind: str,
    add_all: Callable[[Iterable[int], FaultReason, Callable[[int], str]], None],
) -> None:
    """Take the values of another gate off `values`, by input; one that is not above it is a fault.

    Args:
        values: of the gate that counts, by input, shape (n,) each; changed.
        others: of the gate that is taken off.
        kind: what messages call the values.
        add_all: notes a fault of some records.
    """
    for probe, other in others.items():
        difference = values[probe] - other
        wrong = difference <= 0.0
        if wrong.any():
            add_all(
                np.flatnonzero(wrong).tolist(),
                FaultReason.OUT_OF_RANGE,
                lambda _row: f"the {kind} of 'gate' is not above that of 'gate_minus'",
            )
        values[probe] = difference


def gate_problems(
    columns: Sequence[object], gate: str | None, minus: str | None = None
) -> list[SettingProblem]:
    """Return what is wrong with the choice of gates, among all columns of all kinds of records."""
    named = [
        column.gate
        for column in columns
        if isinstance(column, MeasuredValue | AmplitudeValue) and column.gate is not None
    ]
    if minus is not None and minus == gate:
        return [(("gate_minus",), "must be another gate than 'gate'", minus)]
    if minus is not None and gate is None:
        return [
            (
                ("gate_minus",),
                "must be left out without 'gate', whose values it is taken off",
                minus,
            )
        ]
    if gate in named or (gate is None and not named):
        return []
    if not named:
        return [(("gate",), "must be left out, as no value has a 'gate'", gate)]
    names = ", ".join(repr(name) for name in dict.fromkeys(named))
    return [(("gate",), f"must be one of {names}: the gate whose values count", gate)]


def difference_problems(
    columns: Sequence[object], gate: str | None, minus: str | None, *, key: str
) -> list[SettingProblem]:
    """Return what is wrong with the columns of a record of which one is taken off another.

    Args:
        columns: of the record, of all gates.
        gate: whose values count.
        minus: whose values are taken off; None: no such.
        key: of the columns' table, for the paths of the problems.
    """
    if minus is None:
        return []
    values = [one for one in columns if isinstance(one, MeasuredValue)]
    both = [
        sorted(
            (one.kind, -1 if one.probe is None else one.probe) for one in values if one.gate == name
        )
        for name in (gate, minus)
    ]
    if both[0] == both[1] and len(set(both[0])) == len(both[0]):
        return []
    requirement = f"must have the same values of the gates {gate!r} and {minus!r}, as one is taken off the other"
    return [((key,), requirement, [kind for kind, _ in both[1]])]
