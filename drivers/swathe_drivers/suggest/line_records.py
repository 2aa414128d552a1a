"""One description of lines of several kinds: readings in one, positions in another."""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from swathe_drivers.suggest.findings import Basis, ColumnGuess, Finding, Suggestion
from swathe_drivers.suggest.line_writing import CutLines, DividedColumns
from swathe_drivers.suggest.valueless_lines import Valueless, valueless
from swathe_drivers.suggest.writing import RecordGuess, write

__all__ = ["DescribedLines", "together", "with_missing"]

_VALUES: Final = frozenset({"thickness", "time_of_flight"})
_MOVING: Final = frozenset({"counts", "position"})
_COMMON: Final = (
    "terminator",
    "separator",
    "decimal",
    "max_length",
    "checksum",
    "ignore_lines",
)


@dataclass(frozen=True, slots=True, eq=False)
class DescribedLines:
    """One kind of lines.

    Attributes:
        look: how all lines are cut.
        columns: how these are divided.
        items: their columns.
        suggestion: the description of these lines alone.
    """

    look: CutLines
    columns: DividedColumns
    items: Mapping[str, ColumnGuess]
    suggestion: Suggestion

    @property
    def kinds(self) -> frozenset[str]:
        """What its columns are."""
        return frozenset(str(item.table["is"]) for item in self.items.values())


def together(apart: Sequence[DescribedLines]) -> list[Suggestion]:
    """Return the best pair of kinds of each driver of which one has readings and the other positions."""
    found: list[Suggestion] = []
    ways = dict.fromkeys(
        (one.columns.driver, one.columns.settings.get("separator")) for one in apart
    )
    for driver, separator in ways:
        best: dict[bool, DescribedLines] = {}
        same = [
            one
            for one in apart
            if (one.columns.driver, one.columns.settings.get("separator")) == (driver, separator)
        ]
        for one in sorted(same, key=lambda each: -each.suggestion.rank):
            value, moving = bool(one.kinds & _VALUES), bool(one.kinds & _MOVING)
            if value != moving:
                best.setdefault(value, one)
        if len(best) == 2 and _are_apart(best[True], best[False]):
            missing = _without_value(best[True])
            joined = [best[True], best[False]]
            found.append(_joined(joined, [] if missing is None else [missing]))
    return found


def with_missing(one: DescribedLines) -> list[Suggestion]:
    """Return a description of lines that have a second kind without a value, if there are such lines."""
    if not one.kinds & _VALUES:
        return []
    missing = _without_value(one)
    return [] if missing is None else [_joined([one], [missing])]


def _without_value(one: DescribedLines) -> Valueless | None:
    """The lines that begin as those of a kind, and have a word in place of the value."""
    separator = one.columns.settings.get("separator")
    if one.columns.driver != "delimited" or not isinstance(separator, str):
        return None
    bodies = [body.decode("latin-1") for body in one.look.bodies]
    return valueless(bodies, separator, one.columns.kind, list(one.items.values()))


def _are_apart(one: DescribedLines, other: DescribedLines) -> bool:
    """No line is of both kinds, and something shows of which it is."""
    if one.look is not other.look or set(one.columns.kind.places) & set(other.columns.kind.places):
        return False
    if one.columns.driver == "pattern" or len(one.items) != len(other.items):
        return True
    texts = [
        [item.table.get("text") for item in each.items.values() if item.table["is"] == "constant"]
        for each in (one, other)
    ]
    return bool(texts[0] and texts[1] and texts[0] != texts[1])


def _joined(kinds: Sequence[DescribedLines], without: Sequence[Valueless] = ()) -> Suggestion:
    parts = [kind.suggestion for kind in kinds]
    tables = [tomllib.loads(part.text) for part in parts]
    shared = _in_all(kinds)
    records = [
        RecordGuess(note, (), "columns", [_kept(item, shared) for item in items])
        for note, items, _ in without
    ]
    for kind in kinds:
        items = {key: _kept(item, shared) for key, item in kind.items.items()}
        if kind.columns.driver == "pattern":
            own = (("pattern", kind.columns.settings["pattern"]),)
            records.append(RecordGuess("", own, "columns", items))
        else:
            records.append(RecordGuess("", (), "columns", list(items.values())))
    common = {
        key: table["protocol"][key]
        for table in tables
        for key in _COMMON
        if key in table["protocol"]
    }
    settings: list[tuple[str, object, Finding | None]] = [
        (key, common[key], None) for key in _COMMON if key in common
    ]
    settings.append(("other_lines", "ignore", None))
    text = write(
        driver=kinds[0].columns.driver,
        port=tables[0].get("port", {}),
        settings=settings,
        list_name="columns",
        items=(),
        remarks=(),
        records=records,
    )
    findings = tuple(
        one
        for one in dict.fromkeys(one for part in parts for one in part.findings)
        if one.about != "other lines"
    )
    findings += tuple(finding for *_, finding in without)
    questions = tuple(dict.fromkeys(one for part in parts for one in part.questions))
    rank = parts[0].rank + 2.0 * len(without)
    if len(parts) > 1:
        rank += 0.5 * max(0.0, parts[1].rank) + 5.0
    return Suggestion(text, findings, questions, rank=rank)


def _in_all(kinds: Sequence[DescribedLines]) -> frozenset[str]:
    """Clock and running number, if lines of all kinds have one, as the driver needs them in all or in none."""
    return frozenset(
        what for what in ("device_time", "sequence") if all(what in kind.kinds for kind in kinds)
    )


def _kept(item: ColumnGuess, shared: frozenset[str]) -> ColumnGuess:
    what = item.table["is"]
    if what not in ("device_time", "sequence") or what in shared:
        return item
    why = (
        f"a {str(what).replace('_', ' ')}, left out as the other kind of lines has none: {item.why}"
    )
    return ColumnGuess({"is": "ignore"}, Basis.LIKELY, why)
