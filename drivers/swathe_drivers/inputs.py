"""Which input of its device a reading is of, where the device sends the readings of several probes.

A device numbers its inputs by itself, 0 to 255. A record shows the input in one of three ways: a column
`probe` has its number; values of several inputs are side by side, each with the key `probe`; or the
inputs take turns, and the record's running number shows whose turn it is.
"""

import operator
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Final, Literal, Protocol, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from swathe_drivers.settings import SettingProblem, SettingsTable

HIGHEST_INPUT: Final = 255
"""What the column `probe` of a reading can hold."""

InputNumber = Annotated[int, Field(ge=0, le=HIGHEST_INPUT)]
"""Number of an input, as the device numbers it."""

InputsInTurn = Annotated[tuple[InputNumber, ...], Field(max_length=256)]
"""Inputs in the order in which their records come; the first has running number 0."""

Valid = Mapping[int | None, NDArray[np.bool_]]
"""What status columns show, each shape (n,), by the input that each is of; None: of all of them."""


class _Column(Protocol):
    @property
    def kind(self) -> str: ...


class ProbeNumber(SettingsTable):
    """The input that the reading is of, as the device numbers it: 0 to 255."""

    kind: Literal["probe"] = Field(alias="is")
    inputs: Annotated[tuple[InputNumber, ...], Field(max_length=256)] = ()
    """All that there are; any other number is a fault. Left out: nobody knows."""


class OfInput(SettingsTable):
    """A value that may be one of several side by side in a record, each of another input."""

    probe: InputNumber | None = None
    """The input that it is of."""


def input_of(column: object) -> int | None:
    """Return the input that a value says it is of; None if it says none."""
    found: int | None = getattr(column, "probe", None)
    return found


def input_among(column: object, inputs: Sequence[int]) -> int | None:
    """Return the input that a value is of, in a record of `inputs`: of a single one without saying so."""
    own = input_of(column)
    return inputs[0] if own is None and len(inputs) == 1 else own


def checked_inputs(inputs: tuple[int, ...] | None) -> tuple[int, ...] | None:
    """Return the inputs that a decoder states, rising; raises ValueError if they are none."""
    if inputs is None:
        return None
    found = tuple(sorted({operator.index(one) for one in inputs}))
    if not found or found[0] < 0 or found[-1] > HIGHEST_INPUT:
        message = f"'inputs' must be numbers from 0 to {HIGHEST_INPUT}, or None (got {inputs!r})"
        raise ValueError(message)
    return found


def valid_of(statuses: Valid, probe: int | None) -> NDArray[np.bool_] | None:
    """Return what the statuses show of the readings of one input, shape (n,); None: nothing."""
    own = [statuses[key] for key in dict.fromkeys((None, probe)) if key in statuses]
    return own[0] & own[1] if len(own) > 1 else own[0] if own else None


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordInputs:
    """How records show which inputs their readings are of.

    Attributes:
        listed: the inputs of which readings may come, rising; None where nobody has listed them.
        side_by_side: inputs of the readings of one record, in order; empty where a record is one reading
            whose input is elsewhere.
        in_turn: inputs in the order of the running numbers; empty where those show nothing.
    """

    listed: tuple[int, ...] | None = (0,)
    side_by_side: tuple[int, ...] = ()
    in_turn: tuple[int, ...] = ()

    @classmethod
    def of(cls, columns: Sequence[_Column], in_turn: Sequence[int] = ()) -> Self:
        """Return how records with `columns` show it; `in_turn`: inputs by running number."""
        for column in columns:
            if isinstance(column, ProbeNumber):
                return cls(listed=tuple(sorted(set(column.inputs))) or None)
        if in_turn:
            return cls(listed=tuple(sorted(set(in_turn))), in_turn=tuple(in_turn))
        named = dict.fromkeys(probe for one in columns if (probe := input_of(one)) is not None)
        return cls(listed=tuple(sorted(named)), side_by_side=tuple(named)) if named else cls()

    @property
    def readings(self) -> int:
        """How many readings a record has."""
        return len(self.side_by_side) or 1

    def numbers(self, columns: Mapping[str, NDArray[np.int64]], records: int) -> NDArray[np.uint8]:
        """Return the input of each reading of so many records, shape (records * readings,)."""
        if self.side_by_side:
            return np.tile(np.array(self.side_by_side, np.uint8), records)
        if self.in_turn:
            turns = columns["sequence"].astype(np.int64) % len(self.in_turn)
            return np.array(self.in_turn, np.uint8)[turns]
        found = columns.get("probe")
        return np.zeros(records, np.uint8) if found is None else found.astype(np.uint8)


ONE_INPUT: Final = RecordInputs()
"""Of a device with one input, and no number for it."""


def joined_inputs(each: Sequence[RecordInputs]) -> RecordInputs:
    """Return what inputs several kinds of readings have together; each shows them in its own way."""
    listed: set[int] = set()
    for one in each:
        if one.listed is None:
            return RecordInputs(listed=None)
        listed.update(one.listed)
    return RecordInputs(listed=tuple(sorted(listed))) if each else ONE_INPUT


def input_problems(
    columns: Sequence[_Column],
    *,
    key: str,
    measured: Sequence[str],
    in_turn: Sequence[int] = (),
    modulus: int | None = None,
) -> list[SettingProblem]:
    """Return what is wrong with how a record shows the inputs of its readings.

    Args:
        columns: of the record.
        key: of their table, for the paths of the problems.
        measured: kinds of which each reading needs one.
        in_turn: inputs by running number.
        modulus: records after which the running number starts again at 0; None if never.
    """
    found: list[SettingProblem] = []
    path: tuple[str | int, ...] = (key,)
    has_column = any(isinstance(one, ProbeNumber) for one in columns)
    named = list(dict.fromkeys(one for each in columns if (one := input_of(each)) is not None))
    if has_column and named:
        requirement = "must have a column 'probe' or values with the key 'probe', and not both"
        return [(path, requirement, named)]
    if in_turn and (has_column or named):
        requirement = "must be left out, as the records themselves show the input of each reading"
        return [(("probes_in_turn",), requirement, list(in_turn))]
    if in_turn:
        return _turn_problems(columns, measured, in_turn, modulus)
    if not named:
        return []
    values = {*measured, "amplitude"}
    unnamed = [one.kind for one in columns if one.kind in values and input_of(one) is None]
    if len(named) > 1 and unnamed:
        requirement = f"must have the key 'probe' with each of its values, as one of them has probe = {named[0]}"
        return [(path, requirement, unnamed)]
    kinds = {
        probe: {one.kind for one in columns if input_among(one, named) == probe} for probe in named
    }
    every = sorted({one.kind for one in columns}.intersection(measured))
    found += [
        (path, f"must have a {kind} with probe = {probe}, as another has one", sorted(own))
        for probe, own in kinds.items()
        for kind in every
        if kind not in own
    ]
    twice = Counter((one.kind, probe) for one in columns if (probe := input_of(one)) is not None)
    found += [
        (path, f"must have one {kind} with probe = {probe} at most", number)
        for (kind, probe), number in twice.items()
        if number > 1
    ]
    return found + _equal_problems(columns, path)


def _turn_problems(
    columns: Sequence[_Column],
    measured: Sequence[str],
    in_turn: Sequence[int],
    modulus: int | None,
) -> list[SettingProblem]:
    """Return what is wrong with inputs that take turns."""
    path: tuple[str | int, ...] = ("probes_in_turn",)
    kinds = {one.kind for one in columns}
    if not kinds & {*measured, "amplitude", "status"}:
        return []  # a record of another kind, which is no reading
    if "sequence" not in kinds:
        requirement = (
            "must be left out, as the record has no 'sequence': after one lost record each reading would"
            " be taken for one of the next input. Have the device send a running number, or the input's"
            " own number (is = 'probe')"
        )
        return [(path, requirement, list(in_turn))]
    if modulus is not None and modulus % len(in_turn):
        requirement = (
            f"must have a number of inputs that divides {modulus}, where the running number starts"
            f" again at 0: after that it shows another input"
        )
        return [(path, requirement, list(in_turn))]
    return []


def _equal_problems(
    columns: Sequence[_Column], path: tuple[str | int, ...]
) -> list[SettingProblem]:
    """Return which keys differ between inputs that must not, as a decoder states one of them."""
    found: list[SettingProblem] = []
    for names in (
        ("held_after",),
        ("samples", "type", "byte_order", "interval", "start", "full_scale", "zero"),
    ):
        first: dict[str, object] = {}
        for one in columns:
            if input_of(one) is None or not hasattr(one, names[0]):
                continue
            own = tuple(getattr(one, name) for name in names)
            if first.setdefault(one.kind, own) != own:
                what = " and ".join((", ".join(names[:-1]), names[-1])) if names[1:] else names[0]
                requirement = f"must have the same {what} in each {one.kind}"
                found.append((path, requirement, None))
    return found
