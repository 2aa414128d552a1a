"""What is in each column of one kind of line."""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.suggest.checksums import looks_like_checksum
from swathe_drivers.suggest.findings import ColumnGuess
from swathe_drivers.suggest.lines import LineKind
from swathe_drivers.suggest.motion import guess_moving
from swathe_drivers.suggest.numbers import Numbers, persistence, read_numbers
from swathe_drivers.suggest.values import SteadyColumn, guess_status, guess_steady_columns, label_of

_MOST_TEXTS: Final = 6
_TAGGED: Final = re.compile(rb"([^0-9+\-.]*)([+-]?[0-9]*\.?[0-9]+)([^0-9]*)")
_HEX: Final = re.compile(rb"[0-9A-Fa-f]{2,16}")
_AXES: Final = ("scan", "index")
_ONCE: Final = ("device_time", "sequence", "status")
_VALUES: Final = frozenset({"time_of_flight", "thickness"})
_MOVING: Final = frozenset({"counts", "position", "quadrature"})


def guess_columns(kind: LineKind) -> list[ColumnGuess]:
    """What each column is taken for, in their order."""
    columns = [[row[at] for row in kind.rows] for at in range(len(kind.rows[0]))]
    numbers = [read_numbers(texts, kind.times) for texts in columns]
    guesses: list[ColumnGuess | None] = [None] * len(columns)
    steady: list[SteadyColumn] = []
    flags: list[int] = []
    for at, (texts, column) in enumerate(zip(columns, numbers, strict=True)):
        if column is None:
            guesses[at] = _of_text(at, texts)
            continue
        guesses[at] = guess_moving(column)
        if guesses[at] is None:
            if _is_flag(column):
                flags.append(at)
            else:
                label = _label_behind(columns, numbers, at)
                steady.append(SteadyColumn(at, column, label=label))
    for at, guess in guess_steady_columns(steady).items():
        guesses[at] = guess
    valued = [one for one in steady if _kind(guesses[one.index]) in _VALUES]
    missing = np.any([one.missing for one in valued], axis=0) if valued else None
    _add_status(columns, guesses, flags, missing)
    known = [guess if guess is not None else _IGNORED for guess in guesses]
    if not valued:
        known = _promote_motion(known, numbers)
    return _once(_named_axes(known))


_IGNORED: Final = ColumnGuess({"is": "ignore"}, 0.5, "the bytes do not show what it is")


def _kind(guess: ColumnGuess | None) -> str:
    return str(guess.table["is"]) if guess is not None else ""


def _is_flag(column: Numbers) -> bool:
    values = set(column.values[column.present].tolist())
    return column.whole and len(values) == 2 and values <= {0.0, 1.0, 2.0, 3.0}


def _of_text(at: int, texts: Sequence[bytes]) -> ColumnGuess | None:
    """A column that is not one of numbers; None where it may be a status."""
    different = Counter(texts)
    if len(different) == 1:
        text = texts[0].decode("latin-1")
        if at == 0 and text:
            return ColumnGuess({"is": "constant", "text": text}, 0.95, "the same in every line")
        if not text:
            return ColumnGuess({"is": "ignore"}, 0.9, "always empty")
        if at and not any(character.isalnum() for character in text):
            return ColumnGuess({"is": "ignore"}, 0.8, f"always {text!r}: part of the framing?")
        if label_of(texts) is not None:
            return ColumnGuess({"is": "ignore"}, 0.9, f"always {text!r}: the unit next to it")
        return None
    if looks_like_checksum(texts):
        why = "hexadecimal digits that change all the time: a checksum of another kind?"
        return ColumnGuess({"is": "ignore"}, 0.5, why)
    if len(different) <= _MOST_TEXTS:
        return None
    tagged = [_TAGGED.fullmatch(text) for text in texts]
    whole = [match for match in tagged if match is not None]
    if len(whole) > 0.9 * len(texts):
        around = Counter((match.group(1), match.group(3)) for match in whole)
        (before, behind), count = around.most_common(1)[0]
        if count > 0.9 * len(texts):
            why = (
                f"a number between {before.decode('latin-1')!r} and {behind.decode('latin-1')!r},"
                " which this driver does not take off"
            )
            return ColumnGuess({"is": "ignore"}, 0.5, why)
    if all(_HEX.fullmatch(text) for text in texts):
        return ColumnGuess(
            {"is": "ignore"}, 0.5, "a hexadecimal number, which this driver does not read"
        )
    return ColumnGuess({"is": "ignore"}, 0.5, f"texts such as {texts[0].decode('latin-1')!r}")


def _label_behind(
    columns: Sequence[Sequence[bytes]], numbers: Sequence[Numbers | None], at: int
) -> str | None:
    """The unit in the column behind, if that is always the same text."""
    if at + 1 < len(columns) and numbers[at + 1] is None and len(set(columns[at + 1])) == 1:
        return label_of(columns[at + 1])
    return None


def _add_status(
    columns: Sequence[Sequence[bytes]],
    guesses: list[ColumnGuess | None],
    flags: Sequence[int],
    missing: NDArray[np.bool_] | None,
) -> None:
    """Take one column of few texts, or of flags that go with the value, for the status."""
    ranked: list[tuple[float, int, ColumnGuess]] = []
    for at, texts in enumerate(columns):
        if guesses[at] is not None:
            continue
        guess, fits = guess_status(texts, missing)
        if at in flags and fits < 1.0:
            why = "only two numbers: a flag, or the index mark of an encoder"
            guesses[at] = ColumnGuess({"is": "ignore"}, 0.4, why)
            continue
        # A single text shows nothing.
        ranked.append((fits if len(set(texts)) > 1 else 0.1 * fits, -at, guess))
    for rank, (_, minus, guess) in enumerate(
        sorted(ranked, key=lambda item: item[:2], reverse=True)
    ):
        at = -minus
        if rank == 0 and missing is not None:
            if len(set(columns[at])) == 1:
                text = columns[at][0].decode("latin-1")
                why = f"always {text!r} here; other texts will be counted as faults until they are named"
                guesses[at] = replace(guess, sure=min(guess.sure, 0.5), why=why)
            else:
                guesses[at] = guess
        else:
            shown = ", ".join(
                repr(t.decode("latin-1")) for t in sorted(set(columns[at]))[:_MOST_TEXTS]
            )
            guesses[at] = ColumnGuess(
                {"is": "ignore"}, 0.5, f"one of {shown}: its meaning is not known"
            )


def _promote_motion(
    guesses: Sequence[ColumnGuess], numbers: Sequence[Numbers | None]
) -> list[ColumnGuess]:
    """Without value and motion, the column that changes most steadily may yet be an encoder."""
    if any(_kind(guess) in _MOVING for guess in guesses):
        return list(guesses)
    best: tuple[float, int] | None = None
    for at, column in enumerate(numbers):
        if column is None or not column.whole or not column.present.all():
            continue
        if _kind(guesses[at]) != "ignore" or np.unique(column.values).size < 3:
            continue
        moving = persistence(column.values)
        if best is None or moving > best[0]:
            best = (moving, at)
    if best is None or best[0] < 0.3:
        return list(guesses)
    why = "hardly moved, but like an encoder; move it to and fro and capture again"
    found = list(guesses)
    found[best[1]] = ColumnGuess({"is": "counts"}, 0.4, why)
    return found


def _named_axes(guesses: Sequence[ColumnGuess]) -> list[ColumnGuess]:
    """Give each moving column an axis, in their order."""
    found: list[ColumnGuess] = []
    number = 0
    for guess in guesses:
        if _kind(guess) not in _MOVING:
            found.append(guess)
            continue
        axis = _AXES[number] if number < len(_AXES) else f"axis_{number + 1}"
        number += 1
        table: dict[str, Any] = {"is": guess.table["is"], "axis": axis}
        table |= {key: value for key, value in guess.table.items() if key != "is"}
        found.append(replace(guess, table=table))
    return found


def _once(guesses: Sequence[ColumnGuess]) -> list[ColumnGuess]:
    """Of what a line can have once only, keep the surest."""
    found = list(guesses)
    for kind in _ONCE:
        same = [at for at, guess in enumerate(found) if _kind(guess) == kind]
        for at in sorted(same, key=lambda at: -found[at].sure)[1:]:
            why = f"a second {kind.replace('_', ' ')}: {found[at].why}"
            found[at] = ColumnGuess({"is": "ignore"}, found[at].sure, why)
    return found
