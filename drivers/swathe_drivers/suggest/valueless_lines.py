"""Lines that begin as those with a reading do, and have a word in place of the value."""

from collections import Counter
from collections.abc import Sequence
from typing import Final, NamedTuple

from swathe_drivers.suggest.findings import Basis, ColumnGuess, Finding
from swathe_drivers.suggest.line_kinds import LineKind, number_like

__all__ = ["Valueless", "valueless"]

_FEWEST: Final = 3
_MOST_SHARE: Final = 0.6
_MOST_WORDS: Final = 3
_BEFORE: Final = frozenset({"device_time", "sequence", "counts", "position", "constant", "probe"})
"""Columns that are the same in lines without a value, at the same place."""


class Valueless(NamedTuple):
    """A kind of lines without a value: what it is for a comment, its columns, and the finding."""

    note: str
    items: list[ColumnGuess]
    finding: Finding


def valueless(
    bodies: Sequence[str], separator: str, kind: LineKind, items: Sequence[ColumnGuess]
) -> Valueless | None:
    """Return the columns of such lines, and the finding of them; None if there are none.

    Args:
        bodies: all lines, without their checksums.
        separator: of columns.
        kind: the lines with a value.
        items: what their columns are.
    """
    if kind.lead is None:
        return None
    width = len(items)
    rows = [[text.strip(" \t") for text in body.split(separator)] for body in bodies]
    short = [row for row in rows if row[0] == kind.lead and len(row) < width]
    if not _FEWEST <= len(short) <= _MOST_SHARE * (len(short) + len(kind.rows)):
        return None
    columns, number = Counter(map(len, short)).most_common(1)[0]
    if columns < 2 or number < 0.9 * len(short):
        return None
    found: list[ColumnGuess] = []
    word = ""
    for at in range(columns):
        texts = {row[at] for row in short if len(row) == columns}
        item = items[at]
        if item.table["is"] in _BEFORE and (
            texts == {item.table["text"]}
            if item.table["is"] == "constant"
            else all(map(number_like, texts))
        ):
            found.append(item)
        elif not word and len(texts) <= _MOST_WORDS and not any(map(number_like, texts)):
            word = " or ".join(map(repr, sorted(texts)))
            table = {"is": "status", "valid": [], "invalid": sorted(texts)}
            found.append(
                ColumnGuess(table, Basis.LIKELY, "a word where other lines have the value")
            )
        else:
            found.append(ColumnGuess({"is": "ignore"}, Basis.LIKELY, "of lines without a value"))
    if not word:
        return None
    note = f"{number} lines with {word} in place of the value: readings without an echo"
    about = f"lines of {columns} columns that begin with {kind.lead!r}"
    why = f"{number} lines have {word} where the others have the value"
    finding = Finding(about, "readings without an echo", Basis.LIKELY, why)
    return Valueless(note, found, finding)
