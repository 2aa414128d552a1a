"""A description for lines of text, from what they look like."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from swathe_drivers.framing import MAX_TERMINATOR
from swathe_drivers.suggest.checksums import FoundChecksum, find_checksum
from swathe_drivers.suggest.columns import guess_columns
from swathe_drivers.suggest.findings import ColumnGuess, Finding, Suggestion
from swathe_drivers.suggest.lines import (
    LineKind,
    TimedLine,
    cut,
    find_separator,
    find_terminator,
    sort_kinds,
)
from swathe_drivers.suggest.numbers import is_number
from swathe_drivers.suggest.writing import write

_FEWEST_LINES: Final = 8
_NUMERIC: Final = b"0123456789+-."
_ROLES: Final[Mapping[str, int]] = {
    "time_of_flight": 10,
    "thickness": 10,
    "counts": 3,
    "position": 3,
    "quadrature": 3,
    "device_time": 1,
    "amplitude": 1,
    "status": 1,
    "sequence": 1,
}
_ENOUGH: Final = 3


@dataclass(frozen=True, slots=True)
class _Look:
    """One reading of the bytes, with a certain terminator."""

    terminator: bytes
    lines: list[TimedLine]
    checksum: FoundChecksum | None
    separator: tuple[bytes, float, str] | None
    kinds: list[LineKind]
    columns: list[list[ColumnGuess]]

    @property
    def best(self) -> int:
        """Number of the most telling kind."""
        return max(
            range(len(self.kinds)),
            key=lambda at: (_worth(self.columns[at]), len(self.kinds[at].rows)),
        )


def suggest_text(
    chunks: Sequence[tuple[int, bytes]], *, port: Mapping[str, Any], ns_per_byte: int
) -> Suggestion:
    """Propose a description of lines of text; see `swathe_drivers.suggest.suggest`."""
    data = b"".join(data for _, data in chunks)
    ended = find_terminator(data)
    if ended is None:
        why = "no character comes again and again where lines could end; is the baud rate right?"
        return Suggestion("", (Finding("terminator", "not found", 0.5, why),))
    terminator, sure, why = ended
    end = Finding("terminator", repr(terminator)[1:], sure, why)
    look = _look(chunks, terminator, ns_per_byte)
    if look is None:
        why = f"fewer than {_FEWEST_LINES} whole lines that are alike: capture for longer"
        return Suggestion("", (end, Finding("lines", "too few", 0.9, why)))
    shaved = _shaved(chunks, look, ns_per_byte)
    if shaved is not None:
        why = f"what is attached to a number counts as part of {terminator!r}, to get rid of it"
        end = Finding("terminator", repr(shaved.terminator)[1:], min(sure, 0.8), why)
        look = shaved
    return _written(look, end, port)


def _look(chunks: Sequence[tuple[int, bytes]], terminator: bytes, ns_per_byte: int) -> _Look | None:
    lines = [line for line in cut(chunks, terminator, ns_per_byte) if line.data]
    if len(lines) < _FEWEST_LINES:
        return None
    checksum = find_checksum([line.data for line in lines])
    bodies = [line.data[: -checksum.length] if checksum else line.data for line in lines]
    separator = find_separator(bodies)
    mark = separator[0] if separator else _unused(bodies)
    kinds = _merged(sort_kinds(lines, bodies, mark))
    if not kinds or len(kinds[0].rows) < min(_FEWEST_LINES, 0.5 * len(lines)):
        return None
    return _Look(terminator, lines, checksum, separator, kinds, [guess_columns(k) for k in kinds])


def _unused(bodies: Sequence[bytes]) -> bytes:
    """A separator that is in no line, for lines of one column."""
    used = {byte for body in bodies for byte in body}
    return next(bytes([mark]) for mark in b",;|\t~^" if mark not in used or mark == ord("^"))


def _merged(kinds: list[LineKind]) -> list[LineKind]:
    """Kinds that differ in their first text only are one kind whose first column is a status."""
    found: list[LineKind] = []
    for kind in kinds:
        for at, other in enumerate(found):
            if kind.lead is not None and other.lead is not None and _alike(kind, other):
                together = sorted(  # several lines may have the same time
                    zip(
                        [*other.places, *kind.places],
                        [*other.times, *kind.times],
                        [*other.rows, *kind.rows],
                        strict=True,
                    )
                )
                places, times, rows = (list(part) for part in zip(*together, strict=True))
                found[at] = LineKind(other.lead, rows, times, places)
                break
        else:
            found.append(kind)
    return found


def _alike(one: LineKind, two: LineKind) -> bool:
    """The columns behind the first hold numbers of the same size, or none, in both."""
    if len(one.rows[0]) != len(two.rows[0]) or len(one.rows[0]) < 2:
        return False
    for at in range(1, len(one.rows[0])):
        a = [float(row[at]) for row in one.rows if is_number(row[at])]
        b = [float(row[at]) for row in two.rows if is_number(row[at])]
        if not a or not b or _stands_for_none(a) or _stands_for_none(b):
            continue  # a reading without a value is no other kind
        low, high = np.quantile(a, (0.02, 0.98)), np.quantile(b, (0.02, 0.98))
        margin = 0.5 * max(low[1] - low[0], high[1] - high[0])
        if low[0] > high[1] + margin or high[0] > low[1] + margin:
            return False
        if {_places(row[at]) for row in one.rows} != {_places(row[at]) for row in two.rows}:
            return False
    return True


def _stands_for_none(values: Sequence[float]) -> bool:
    """Always the same number, of those that devices send in place of a value: 0, -1, 999.9."""
    value = values[0]
    if any(other != value for other in values):
        return False
    return value <= 0 or set(f"{value:g}".replace(".", "")) == {"9"}


def _places(text: bytes) -> int:
    return len(text.partition(b".")[2])


def _shaved(chunks: Sequence[tuple[int, bytes]], look: _Look, ns_per_byte: int) -> _Look | None:
    """Another look with what is before the first or behind the last number taken off."""
    if look.checksum is not None and look.checksum.first == 0:
        return None  # what is summed up has to stay in the line
    rows = [row for kind in look.kinds for row in kind.rows]
    lead = Counter(_edge(row[0], front=True) for row in rows).most_common(1)[0]
    tail = Counter(_edge(row[-1], front=False) for row in rows).most_common(1)[0]
    before = lead[0] if lead[1] > 0.97 * len(rows) else b""
    behind = tail[0] if tail[1] > 0.97 * len(rows) and look.checksum is None else b""
    terminator = behind + look.terminator + before
    if terminator == look.terminator or len(terminator) > MAX_TERMINATOR:
        return None
    found = _look(chunks, terminator, ns_per_byte)
    if found is None or (look.checksum is not None and found.checksum is None):
        return None
    better = _worth(found.columns[found.best]) > _worth(look.columns[look.best])
    return found if better else None


def _edge(text: bytes, *, front: bool) -> bytes:
    """What is attached to a number."""
    kept = text.lstrip(_not_numeric(text)) if front else text.rstrip(_not_numeric(text))
    if not is_number(kept):
        return b""
    return text[: len(text) - len(kept)] if front else text[len(kept) :]


def _not_numeric(text: bytes) -> bytes:
    return bytes({*text} - {*_NUMERIC})


def _worth(columns: Sequence[ColumnGuess]) -> int:
    return sum(_ROLES.get(str(column.table["is"]), 0) for column in columns)


def _written(look: _Look, end: Finding, port: Mapping[str, Any]) -> Suggestion:
    best = look.best
    columns = look.columns[best]
    others = [at for at in range(len(look.kinds)) if at != best]
    findings = [end]
    settings: list[tuple[str, object, Finding | None]] = [
        ("terminator", look.terminator.decode("latin-1"), end)
    ]
    if look.separator is not None:
        mark, sure, why = look.separator
        finding = Finding("separator", repr(mark)[1:], sure, why)
        findings.append(finding)
        settings.append(("separator", mark.decode("latin-1"), finding))
    else:
        mark = _unused([line.data for line in look.lines])
        settings.append(("separator", mark.decode("latin-1"), None))
        findings.append(Finding("separator", "none", 0.8, "each line is one number"))
    longest = max(len(line.data) for line in look.lines)
    if longest > 200:  # of the 256 that are allowed when nothing is said
        settings.append(("max_length", min(65536, 2 * longest), None))
    findings.append(_checksum_finding(look, settings))
    findings += _other_lines(look, others, columns, settings)
    findings += [
        Finding(f"column {number}", _named(column), column.sure, column.why)
        for number, column in enumerate(columns, 1)
    ]
    listed = [finding for finding in findings if finding.about in ("other lines", "checksum")]
    remarks = [
        finding for finding in listed if finding.about == "other lines" or finding.sure < 0.9
    ]
    if _worth(columns) < _ENOUGH or not any(
        _ROLES.get(str(column.table["is"]), 0) >= _ENOUGH for column in columns
    ):
        why = "no column looks like a thickness, a time of flight or an encoder"
        findings.append(Finding("description", "none", 0.8, why))
        return Suggestion("", tuple(findings))
    text = write(
        driver="delimited",
        port=port,
        settings=settings,
        list_name="columns",
        items=columns,
        remarks=remarks,
    )
    return Suggestion(text, tuple(findings))


def _checksum_finding(look: _Look, settings: list[tuple[str, object, Finding | None]]) -> Finding:
    found = look.checksum
    if found is None:
        return Finding("checksum", "none", 0.7, "no xor and no sum at the end fits the lines")
    table: dict[str, object] = {"kind": found.kind, "after": found.after.decode("latin-1")}
    if found.first:
        table["from"] = found.first
    why = f"it fits {found.fitting} of {found.lines} lines"
    finding = Finding("checksum", f"{found.kind} after {found.after!r}", 0.98, why)
    settings.append(("checksum", table, finding))
    return finding


def _other_lines(
    look: _Look,
    others: Sequence[int],
    columns: Sequence[ColumnGuess],
    settings: list[tuple[str, object, Finding | None]],
) -> list[Finding]:
    if not others:
        return []
    found = []
    for at in others:
        other = look.kinds[at]
        lead = "" if other.lead is None else f" that begin with {other.lead.decode('latin-1')!r}"
        what = f"{len(other.rows)} of {len(look.lines)} lines{lead} are of another kind"
        holds = ", ".join(_named(column) for column in look.columns[at])
        why = f"a description covers one kind only, these would be: {holds}"
        found.append(Finding("other lines", what, 0.8, why))
    if any(column.table["is"] == "constant" for column in columns):
        why = "by the constant column the lines of this kind are known"
        settings.append(("other_lines", "ignore", Finding("other lines", "ignored", 0.9, why)))
    else:
        why = "no constant column distinguishes these lines from the others, which will count as faults"
        found.append(Finding("other lines", "can't be ignored", 0.9, why))
    return found


def _named(column: ColumnGuess) -> str:
    table = column.table
    parts = [str(table["is"])]
    parts += [str(table[key]) for key in ("axis", "text", "unit") if key in table]
    parts += [f"{table['bits']} bits"] if "bits" in table else []
    return " ".join(parts)
