"""Which kinds of line there are, by their columns and what they begin with."""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["LineKind", "kinds_of", "number_like"]

_MIN_SHARE: Final = 0.04  # of the lines; fewer are strange lines, not a kind
_MOST_KINDS: Final = 6
_ALTERNATES: Final = 0.5
_RUNNING: Final = 0.6
_NUMBER: Final = re.compile(r"[+-]?(?:[0-9]+[.,]?[0-9]*|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?")


_LETTER: Final = re.compile("[A-Za-z]")
_TAGGED: Final = re.compile(r"[^0-9A-Za-z]*(?:0x)?[-+.,:0-9A-Fa-f]*[0-9][-+.,:0-9A-Fa-f]*[^0-9]*")
_NUMBERED: Final = 0.8


@dataclass(frozen=True, slots=True, eq=False)
class LineKind:
    """Lines with as many columns and, where it names a kind, the same text in the first one.

    Attributes:
        lead: text of the first column; None where that is no name of a kind.
        rows: columns of each line, without spaces around them.
        seconds: when each line began, s from the first of all on.
        places: number of each line among all of them.
    """

    lead: str | None
    rows: list[list[str]]
    seconds: NDArray[np.float64]
    places: list[int]

    @property
    def columns(self) -> list[list[str]]:
        """Texts of each column."""
        return [list(column) for column in zip(*self.rows, strict=True)]


def kinds_of(bodies: Sequence[str], times: NDArray[np.int64], separator: str) -> list[LineKind]:
    """Return the kinds of lines, the most frequent first; lines that are like no others are left out.

    Args:
        bodies: lines without checksum.
        times: when each began, ns, shape (n,).
        separator: of columns.
    """
    rows = [[text.strip(" \t") for text in body.split(separator)] for body in bodies]
    fewest = max(3.0, _MIN_SHARE * len(rows))
    leads = Counter(row[0] for row in rows if row[0] and not _has_value(row[0]))
    if not leads:
        leads = _numbered_kinds([row[0] for row in rows])
    often = {lead for lead, count in leads.items() if count >= fewest}
    named = len(often) <= _MOST_KINDS and sum(leads[lead] for lead in often) >= 0.5 * len(rows)
    places: dict[tuple[int, str | None], list[int]] = {}
    for place, row in enumerate(rows):
        lead = row[0] if named and row[0] in often else None
        places.setdefault((len(row), lead), []).append(place)
    kinds = [(lead, where) for (_, lead), where in places.items() if len(where) >= fewest]
    kinds.sort(key=lambda item: -len(item[1]))
    merged: list[tuple[str | None, list[int]]] = []
    for lead, where in kinds:
        for at, (other, there) in enumerate(merged):
            if lead is not None and other is not None and _alike(rows, where, there):
                merged[at] = (other, sorted([*there, *where]))
                break
        else:
            merged.append((lead, where))
    merged = [(lead, _usual(rows, where)) for lead, where in merged]
    start = int(times[0]) if times.size else 0
    return [
        LineKind(lead, [rows[at] for at in where], (times[where] - start) / 1e9, where)
        for lead, where in merged
    ]


def _numbered_kinds(firsts: Sequence[str]) -> Counter[str]:
    """Few whole numbers that come in turn as kinds of lines do; a status stays for long."""
    counts = Counter(firsts)
    if not 2 <= len(counts) <= _MOST_KINDS or not all(
        re.fullmatch("[0-9]{1,3}", one) for one in counts
    ):
        return Counter()
    expected = 1.0 - sum((count / len(firsts)) ** 2 for count in counts.values())
    changes = sum(one != two for one, two in pairwise(firsts)) / max(1, len(firsts) - 1)
    rising = sum(int(two) - int(one) == 1 for one, two in pairwise(firsts)) / max(
        1, len(firsts) - 1
    )
    return counts if changes >= _ALTERNATES * expected and rising < _RUNNING else Counter()


def _usual(rows: Sequence[list[str]], where: list[int]) -> list[int]:
    """The lines without headings: names where all others have numbers."""
    numbers = [[_has_digits(text) for text in rows[at]] for at in where]
    table = np.array(numbers, np.bool_).reshape(len(where), -1)
    columns = table.mean(axis=0) > _NUMBERED
    if np.count_nonzero(columns) < 2:
        return where
    bare = np.asarray(~table[:, columns].any(axis=1), np.bool_)
    kept = [
        at
        for at, none in zip(where, bare.tolist(), strict=True)
        if not (none and any(_LETTER.search(text) for text in rows[at]))
    ]
    return kept if len(kept) > 0.8 * len(where) else where


def number_like(text: str) -> bool:
    """Whether a text is a number."""
    return _NUMBER.fullmatch(text) is not None


def _has_digits(text: str) -> bool:
    """It is a number, perhaps in hexadecimal digits or with a text around it."""
    return _TAGGED.fullmatch(text) is not None


def _has_value(text: str) -> bool:
    return (re.search(r"[0-9]{2}|[0-9]$", text) is not None and len(text) > 3) or bool(
        _NUMBER.fullmatch(text)
    )


def _alike(rows: Sequence[list[str]], one: Sequence[int], two: Sequence[int]) -> bool:
    """The columns behind the first hold numbers of the same size, or none, in both."""
    width = len(rows[one[0]])
    if width != len(rows[two[0]]) or width < 2:
        return False
    numbers = 0
    for at in range(1, width):
        a = [float(rows[p][at].replace(",", ".")) for p in one if _NUMBER.fullmatch(rows[p][at])]
        b = [float(rows[p][at].replace(",", ".")) for p in two if _NUMBER.fullmatch(rows[p][at])]
        if not a or not b or _stands_for_none(a) or _stands_for_none(b):
            continue  # a reading without a value is no other kind
        numbers += 1
        low, high = np.quantile(a, (0.02, 0.98)), np.quantile(b, (0.02, 0.98))
        margin = 0.5 * max(low[1] - low[0], high[1] - high[0])
        if low[0] > high[1] + margin or high[0] > low[1] + margin:
            return False
        if _places(rows, one, at) != _places(rows, two, at):
            return False
    return True


def _stands_for_none(values: Sequence[float]) -> bool:
    """Always the same number, of those that devices send in place of a value: 0, -1, 999.9."""
    value = values[0]
    if any(other != value for other in values):
        return False
    return value <= 0 or set(f"{value:g}".replace(".", "")) == {"9"}


def _places(rows: Sequence[list[str]], where: Sequence[int], at: int) -> set[int]:
    return {len(rows[p][at].partition(".")[2]) for p in where if _NUMBER.fullmatch(rows[p][at])}
