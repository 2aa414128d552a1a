"""The description of one kind of line, put together."""

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from swathe_drivers.suggest.cells import ColumnTexts
from swathe_drivers.suggest.findings import Basis, ColumnGuess, Finding, Suggestion
from swathe_drivers.suggest.line_checks import LineCheck
from swathe_drivers.suggest.line_items import named
from swathe_drivers.suggest.line_kinds import LineKind
from swathe_drivers.suggest.lines import TimedLine
from swathe_drivers.suggest.roles import Roles
from swathe_drivers.suggest.writing import write

__all__ = [
    "CutLines",
    "DividedColumns",
    "usable_items",
    "written_lines",
]

_LONG: Final = 200
_NEARLY_ALL: Final = 0.97
_LONGEST_LEAD: Final = 16
_MOST_LEADS: Final = 4
_FEWEST_ALIKE: Final = 3


@dataclass(frozen=True, slots=True, eq=False)
class CutLines:
    """Lines as one terminator gives them, and their checksum."""

    terminator: bytes
    why: str
    lines: list[TimedLine]
    check: LineCheck | None
    prompts: tuple[str, ...] = ()
    """Texts that stand alone in lines, which are none of `lines`."""

    @property
    def bodies(self) -> list[bytes]:
        """The lines without their checksums."""
        taken = self.check.length if self.check else 0
        return [line.data[:-taken] if taken else line.data for line in self.lines]


@dataclass(frozen=True, slots=True, eq=False)
class DividedColumns:
    """Columns of one kind of line, as a driver divides them."""

    driver: str
    settings: dict[str, Any]
    keys: list[str]
    cells: list[ColumnTexts]
    kind: LineKind
    why: str


def written_lines(
    look: CutLines,
    kinds: Sequence[LineKind],
    columns: DividedColumns,
    items: Mapping[str, ColumnGuess],
    roles: Roles,
    comma: bool,
    port: Mapping[str, Any],
) -> Suggestion:
    """The description, with what each line of it rests on."""
    end = Finding("terminator", repr(look.terminator)[1:], Basis.SHOWN, look.why)
    findings = [end]
    settings: list[tuple[str, object, Finding | None]] = [
        ("terminator", look.terminator.decode("latin-1"), end)
    ]
    noun = {"delimited": "column", "fixed_columns": "characters", "pattern": "word"}[columns.driver]
    for key, value in columns.settings.items():
        alike = len(columns.kind.rows) >= _NEARLY_ALL * len(look.lines)
        about = Finding(key, repr(value), Basis.SHOWN if alike else Basis.LIKELY, columns.why)
        findings.append(about)
        settings.append((key, value, about))
    if comma:
        settings.append(("decimal", ",", None))
    longest = max(len(line.data) for line in look.lines)
    if longest > _LONG:
        settings.append(("max_length", min(65536, 2 * longest), None))
    check = _check_finding(look)
    findings.append(check)
    length = look.check.length if look.check else 0
    if look.check is not None and look.check.table:
        settings.append(("checksum", look.check.table, check))
        length = 0
    items = dict(items)
    if length and columns.driver == "delimited":
        items = _with_rest(items, look, columns)
    identified = (
        any(item.table["is"] == "constant" for item in items.values())
        or columns.driver == "pattern"
    )
    if len(kinds) > 1:
        findings += _others(kinds, columns.kind, len(look.lines))
        if identified:
            settings.append(("other_lines", "ignore", findings[-1]))
    for key, item in items.items():
        label = key if noun != "word" else key[1:]
        findings.append(Finding(f"{noun} {label}", named(item.table), item.basis, item.why))
    items = usable_items(columns, items)
    passed = _unchecked_leads(look)
    why = "lines that begin so have no checksum; they are passed over"
    if not passed and len(kinds) == 1:
        passed = _heading_leads(look, columns)
        why = "lines that begin so have names in place of numbers: headings, passed over"
    if look.prompts:
        passed = [*look.prompts, *passed]
        why = "lines of these texts only are prompts, passed over"
    if passed:
        finding = Finding("ignore_lines", ", ".join(map(repr, passed)), Basis.LIKELY, why)
        findings.append(finding)
        settings.append(("ignore_lines", passed, finding))
    text = write(
        driver=columns.driver,
        port=port,
        settings=settings,
        list_name="columns",
        items=list(items.values()) if columns.driver == "delimited" else items,
        remarks=[
            one for one in findings if one.about == "other lines" or (one is check and length)
        ],
    )
    known = sum(len(kind.rows) for kind in kinds) if identified else len(columns.kind.rows)
    share = 0.1 * len(columns.kind.rows) / len(look.lines) + 0.9 * known / len(look.lines)
    prefer = {"delimited": 1.5, "fixed_columns": 0.0, "pattern": 0.5}[columns.driver]
    rank = roles.score + 12 * share + prefer + 4.0 * (look.check is not None) - 0.05 * len(items)
    rank -= 0.6 * sum(
        item.table["is"] == "ignore" and "texts such as" in item.why for item in items.values()
    )
    return Suggestion(text, tuple(findings), roles.questions, rank=rank)


def usable_items(
    columns: DividedColumns, items: Mapping[str, ColumnGuess]
) -> dict[str, ColumnGuess]:
    """The columns without those that a pattern has no group for."""
    if columns.driver != "pattern":
        return dict(items)
    pattern = columns.settings["pattern"]
    return {key: item for key, item in items.items() if f"<{key}>" in pattern}


def _unchecked_leads(look: CutLines) -> list[str]:
    """What lines without a checksum begin with, such as headings, and no other line does."""
    check = look.check
    if check is None or not check.table or check.table.get("behind_terminator"):
        return []
    written = check.table.get("written", "hex")
    digits = {"hex": rb"[0-9A-Fa-f]+", "decimal": rb"[0-9]+"}.get(written)
    if digits is None:
        return []
    size = check.length - len(check.table.get("after", ""))
    lines = [line.data for line in look.lines]
    bare = [line for line in lines if re.fullmatch(digits, line[-size:]) is None]
    if not 0 < len(bare) < 0.2 * len(lines):
        return []
    checked = [line for line in lines if re.fullmatch(digits, line[-size:]) is not None]
    return _leads_of(bare, checked)


def _heading_leads(look: CutLines, columns: DividedColumns) -> list[str]:
    """What the few lines begin with that are of no kind, such as headings, and no other line does."""
    usual = set(columns.kind.places)
    lines = [line.data for line in look.lines]
    strange = [line for at, line in enumerate(lines) if at not in usual]
    counts = Counter(strange)
    often = [line for line in strange if counts[line] > 1]
    if not 0 < len(strange) < 0.2 * len(lines):
        return []
    return _leads_of(often, [lines[at] for at in columns.kind.places])


def _leads_of(strange: Sequence[bytes], usual: Sequence[bytes]) -> list[str]:
    """The shortest beginnings of strange lines that no usual one has."""
    found: list[str] = []
    for line, _ in Counter(strange).most_common():
        if any(line.startswith(lead.encode("latin-1")) for lead in found):
            continue
        for width in range(1, min(len(line), _LONGEST_LEAD) + 1):
            lead = line[:width]
            if lead.strip() and not any(other.startswith(lead) for other in usual):
                # A damaged line begins as sound ones do: what it goes on with is no heading.
                alike = any(other[:1] == lead[:1] for other in usual)
                if not alike or sum(one.startswith(lead) for one in strange) >= _FEWEST_ALIKE:
                    found.append(lead.decode("latin-1"))
                break
    return found[:_MOST_LEADS]


def _with_rest(
    items: dict[str, ColumnGuess], look: CutLines, columns: DividedColumns
) -> dict[str, ColumnGuess]:
    """A last column for a checksum that the driver does not verify, where a separator is before it."""
    assert look.check is not None  # noqa: S101  checked by the caller
    tail = look.lines[0].data[-look.check.length :].decode("latin-1")
    if columns.settings["separator"] in tail:
        guess = ColumnGuess(
            {"is": "ignore"}, Basis.SHOWN, "a checksum that the driver does not verify"
        )
        items[str(len(items) + 1)] = guess
    return items


def _check_finding(look: CutLines) -> Finding:
    check = look.check
    if check is None:
        why = "no exclusive or, no sum and no CRC at the end fits the lines"
        return Finding("checksum", "none", Basis.LIKELY, why)
    found = check.found
    why = (
        f"it fits {found.fitting} of {found.pieces} lines that differ; by chance in fewer than 1 of"
        f" 10^{int(-found.chance)} captures"
    )
    if not check.table:
        why += ". The driver does not verify this kind; it is passed over"
    return Finding("checksum", check.what, Basis.SHOWN, why)


def _others(kinds: Sequence[LineKind], kind: LineKind, lines: int) -> list[Finding]:
    found = []
    for other in kinds:
        if other is kind:
            continue
        lead = f" that begin with {other.lead!r}" if other.lead else ""
        what = f"{len(other.rows)} of {lines} lines{lead} are of another kind"
        found.append(Finding("other lines", what, Basis.LIKELY, "this description covers one kind"))
    return found or [
        Finding("other lines", "of another length", Basis.LIKELY, "they are passed over")
    ]
