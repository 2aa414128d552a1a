"""Frames with a number of values in them, and as many bytes: kinds of frames that differ by these only."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from swathe_drivers.suggest.findings import Basis, ColumnGuess
from swathe_drivers.suggest.frame_kinds import FrameKind

__all__ = ["CountedValues", "counted_values", "field_bytes", "without_values"]

_MOST_PLACES: Final = 6
_WIDEST: Final = 16


@dataclass(frozen=True, slots=True)
class CountedValues:
    """Where the number of values is, and how many bytes one has.

    Attributes:
        place: byte of the frame.
        width: bytes of a value; the values follow the number.
    """

    place: int
    width: int


def counted_values(kinds: Sequence[FrameKind], first: int) -> CountedValues | None:
    """Return the number of values that shows in kinds of frames of several lengths; None if none does.

    Args:
        kinds: with the same number in the byte that distinguishes kinds, if there is one.
        first: byte at which fields begin.
    """
    if len({kind.length for kind in kinds}) < 2:
        return None
    shortest = min(kind.length for kind in kinds)
    for place in range(first, min(shortest, first + _MOST_PLACES)):
        numbers = [int(kind.rows[0, place]) for kind in kinds]
        if len(set(numbers)) < 2 or any(
            (kind.rows[:, place] != number).any()
            for kind, number in zip(kinds, numbers, strict=True)
        ):
            continue
        low, high = numbers.index(min(numbers)), numbers.index(max(numbers))
        more = kinds[high].length - kinds[low].length
        width = more // (numbers[high] - numbers[low])
        if not 0 < width <= _WIDEST:
            continue
        base = kinds[low].length - width * numbers[low]
        if all(k.length == base + width * n for k, n in zip(kinds, numbers, strict=True)):
            return CountedValues(place, width)
    return None


def without_values(
    items: Sequence[ColumnGuess], first: int, counted: CountedValues, number: int, left: int
) -> list[ColumnGuess] | None:
    """Return the fields of frames with fewer values; None if a field is partly one of them.

    Args:
        items: fields of frames with `number` values.
        first: byte at which they begin.
        counted: where the number is.
        number: of values in them.
        left: of values in the frames that are described.
    """
    begin = counted.place + 1 + left * counted.width
    end = counted.place + 1 + number * counted.width
    out: list[ColumnGuess] = []
    at = first
    for item in items:
        size = field_bytes(item)
        if at == counted.place and size == 1:
            table = {"is": "constant", "type": "u1", "value": left}
            out.append(ColumnGuess(table, Basis.SHOWN, "it is the number of values that follow"))
        elif at + size <= begin or at >= end:
            out.append(item)
        elif at < begin or at + size > end:
            return None
        at += size
    return out


def field_bytes(item: ColumnGuess) -> int:
    """Bytes of a field."""
    table = item.table
    if table["is"] == "skip":
        return int(table["bytes"])
    return int("".join(char for char in str(table["type"]) if char.isdigit()))
