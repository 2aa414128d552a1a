"""What is wrong with the columns of a record taken together."""

from collections import Counter
from collections.abc import Sequence
from typing import Final

from swathe_drivers.columns import (
    MEASURED,
    POSITIONS,
    ChannelValue,
    Column,
    Counts,
    IndexMark,
    PositionValue,
    Quadrature,
    RunningNumber,
)
from swathe_drivers.inputs import input_of, input_problems
from swathe_drivers.settings import SettingProblem

_ONCE: Final = (
    "length",
    "device_time",
    "sequence",
    "time_of_flight",
    "thickness",
    "amplitude",
    "status",
    "waveform",
    "probe",
)


def has_no_value(columns: Sequence[Column], every: Sequence[Column]) -> bool:
    """Whether a record among others shows a reading without an echo: how it went, and no value.

    Args:
        columns: of the record, without the values of other gates.
        every: with them: a reading of another gate shows nothing of the one that was chosen.
    """
    kinds = {column.kind for column in columns}
    return bool(kinds & {"amplitude", "status"}) and not {one.kind for one in every} & MEASURED


def record_problems(
    columns: Sequence[Column],
    *,
    key: str,
    noun: str,
    measured: Sequence[str],
    alone: bool = True,
    without_value: bool = False,
    in_turn: Sequence[int] = (),
) -> list[SettingProblem]:
    """Return what is wrong with the columns of a record taken together.

    Args:
        columns: of the record.
        key: of their table, for the paths of the problems.
        noun: what one of them is called.
        measured: kinds of which a reading needs one.
        alone: whether there are no records of another kind, which have readings or positions.
        without_value: whether these are readings without an echo; see `has_no_value`.
        in_turn: inputs of the device by running number; see `inputs`.
    """
    found: list[SettingProblem] = []
    path: tuple[str | int, ...] = (key,)
    kinds = Counter(column.kind for column in columns)
    meaning = {*measured, *POSITIONS}
    if without_value or (
        not alone and not kinds.keys() & {*meaning, "status", "amplitude", "probe"}
    ):
        pass  # a reading without an echo, channels, or nothing that means anything here
    elif not kinds.keys() & meaning:
        names = ", ".join([*measured, "counts"])
        requirement = f"must have at least one of {names} and position"
        found.append((path, requirement, sorted(kinds)))
    elif not kinds.keys() & set(measured):
        names = f"{', '.join(measured[:-1])} or {measured[-1]}"
        found.extend(
            (path, f"must have a {names} in addition to {kind}", kind)
            for kind in ("amplitude", "status", "probe", *(("channel",) if alone else ()))
            if kinds[kind]
        )
    ever = Counter(column.kind for column in columns if input_of(column) is None)
    found.extend(
        (path, f"must have one {kind} at most", ever[kind]) for kind in _ONCE if ever[kind] > 1
    )
    number = next((one for one in columns if isinstance(one, RunningNumber)), None)
    found += input_problems(
        columns,
        key=key,
        measured=measured,
        in_turn=in_turn,
        modulus=None if number is None else number.modulus,
    )
    channels = Counter(one.name for one in columns if isinstance(one, ChannelValue))
    found.extend(
        (path, f"must have one channel {name!r} at most", number)
        for name, number in channels.items()
        if number > 1
    )
    axes = Counter(
        one.axis for one in columns if isinstance(one, Counts | PositionValue | Quadrature)
    )
    marks = Counter(one.axis for one in columns if isinstance(one, IndexMark))
    found.extend(
        (path, f"must have counts for the axis of the index mark {mark!r}", mark)
        for mark in marks
        if mark not in axes
    )
    for what, numbers in ((noun, axes), ("index mark", marks)):
        found.extend(
            (path, f"must have one {what} for the axis {axis!r}", number)
            for axis, number in numbers.items()
            if number > 1
        )
    return found
