"""Descriptions of lines of text, from what they look like."""

import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.suggest.cells import Cells, read_cells
from swathe_drivers.suggest.findings import ColumnGuess, Finding, Level, Suggestion
from swathe_drivers.suggest.fixed_text import places_of_columns
from swathe_drivers.suggest.flags import Flag
from swathe_drivers.suggest.hints import Hints
from swathe_drivers.suggest.line_checks import LineCheck, find_line_check
from swathe_drivers.suggest.line_kinds import LineKind, kinds_of
from swathe_drivers.suggest.lines import TimedLine, cut, find_terminator, separators
from swathe_drivers.suggest.measured import match_shown
from swathe_drivers.suggest.roles import Roles, assign
from swathe_drivers.suggest.running import Role
from swathe_drivers.suggest.series import Series
from swathe_drivers.suggest.writing import write

__all__ = ["suggest_text"]

_FEWEST_LINES: Final = 8
_LONG: Final = 200
_STX: Final = b"\x02"
_ETX: Final = b"\x03"
_USEFUL: Final = frozenset({"thickness", "time_of_flight", "counts", "position", "quadrature"})


@dataclass(frozen=True, slots=True, eq=False)
class _Lines:
    """Lines as one terminator gives them, and their checksum."""

    terminator: bytes
    why: str
    lines: list[TimedLine]
    check: LineCheck | None

    @property
    def bodies(self) -> list[bytes]:
        taken = self.check.length if self.check else 0
        return [line.data[:-taken] if taken else line.data for line in self.lines]


@dataclass(frozen=True, slots=True, eq=False)
class _Columns:
    """Columns of one kind of line, as a driver divides them."""

    driver: str
    settings: dict[str, Any]
    keys: list[str]
    cells: list[Cells]
    kind: LineKind
    why: str


def suggest_text(
    chunks: Sequence[tuple[int, bytes]],
    *,
    port: Mapping[str, Any],
    ns_per_byte: int,
    hints: Hints,
) -> list[Suggestion]:
    """Descriptions for lines of text, not tried yet; see `swathe_drivers.suggest.suggest`."""
    data = b"".join(data for _, data in chunks)
    looks = list(_looks(chunks, data, ns_per_byte))
    if not looks:
        ended = find_terminator(data)
        if ended is None:
            why = "no character comes again and again where lines could end; is the baud rate right?"
            return [Suggestion("", (Finding("terminator", "not found", Level.LIKELY, why),))]
        end = Finding("terminator", repr(ended[0])[1:], Level.LIKELY, ended[1])
        why = f"fewer than {_FEWEST_LINES} whole lines that are alike: capture for longer"
        return [Suggestion("", (end, Finding("lines", "too few", Level.SHOWN, why)))]
    found: list[Suggestion] = []
    for look in looks:
        for kinds, columns in _divisions(look, hints):
            suggestion = _described(look, kinds, columns, port, hints)
            if suggestion is not None:
                found.append(suggestion)
    if not found:
        look = looks[0]
        end = Finding("terminator", repr(look.terminator)[1:], Level.LIKELY, look.why)
        why = "no column looks like a thickness, a time of flight or an encoder"
        return [Suggestion("", (end, Finding("description", "none", Level.LIKELY, why)))]
    return found


def _looks(
    chunks: Sequence[tuple[int, bytes]], data: bytes, ns_per_byte: int
) -> Iterator[_Lines]:
    """Ways to cut the bytes into lines."""
    bcc = _behind_etx(chunks, data, ns_per_byte)
    if bcc is not None:
        yield bcc
        return
    ended = find_terminator(data)
    if ended is None:
        return
    terminator, why = ended
    lines = [line for line in cut(chunks, terminator, ns_per_byte) if line.data.strip()]
    if len(lines) >= _FEWEST_LINES:
        check = find_line_check([line.data for line in lines])
        yield _Lines(terminator, why, lines, check)


def _behind_etx(
    chunks: Sequence[tuple[int, bytes]], data: bytes, ns_per_byte: int
) -> _Lines | None:
    """Lines between STX and ETX with a check behind it, whatever bytes that has."""
    number = data.count(_ETX)
    if number < _FEWEST_LINES or data.count(_STX) < 0.8 * number:
        return None
    for size in (1, 2, 4):
        whole = re.compile(rb"\x02([^\x03]{1,250})\x03(.{%d})(?=\x02|\Z)" % size, re.DOTALL)
        found = list(whole.finditer(data))
        if sum(len(match[0]) for match in found) < 0.9 * len(data) - 300:
            continue
        starts = np.cumsum([0, *(len(piece) for _, piece in chunks)])[:-1]
        at = np.searchsorted(starts, [match.start() for match in found], side="right") - 1
        times = [chunks[int(one)][0] for one in at]
        lines = [TimedLine(time, match[0][: -size - 1]) for time, match in zip(times, found, strict=True)]
        check = find_line_check(
            [line.data for line in lines], behind=[match[2] for match in found], terminator=_ETX
        )
        if check is not None:
            del ns_per_byte
            return _Lines(_ETX, f"ETX {len(found)} times, a check behind each", lines, check)
    return None


def _divisions(
    look: _Lines, hints: Hints
) -> Iterator[tuple[list[LineKind], _Columns]]:
    """Ways to divide the lines into columns."""
    bodies = [body.decode("latin-1") for body in look.bodies]
    times = np.array([line.time for line in look.lines], np.int64)
    marks = separators(look.bodies)
    for mark in [*marks, _unused(look.bodies)]:
        separator = mark.decode("latin-1")
        kinds = kinds_of(bodies, times, separator)
        for kind in kinds[:3]:
            if mark == b" " and any(text == "" for row in kind.rows for text in row):
                continue  # spaces that fill columns up do not separate them
            cells = [read_cells(at, column, kind.seconds) for at, column in enumerate(kind.columns)]
            settings = {"separator": separator}
            keys = [str(at + 1) for at in range(len(cells))]
            yield kinds, _Columns("delimited", settings, keys, cells, kind, f"{len(kind.rows)} lines with as many columns")
    yield from _fixed(bodies, times, hints)
    yield from _words(bodies, times)


def _fixed(
    bodies: Sequence[str], times: NDArray[np.int64], hints: Hints
) -> Iterator[tuple[list[LineKind], _Columns]]:
    lengths = Counter(map(len, bodies))
    length, number = lengths.most_common(1)[0]
    if number < 0.3 * len(bodies) or length < 4 or number < _FEWEST_LINES:
        return
    leads = Counter(_lead(body) for body in bodies if len(body) == length)
    lead, often = leads.most_common(1)[0]
    same = [at for at, body in enumerate(bodies) if len(body) == length and (often < 0.9 * number or _lead(body) == lead)]
    lines = [bodies[at] for at in same]
    seconds = (times[same] - times[0]) / 1e9

    def worth(cells: Cells) -> float:
        if cells.series is None:
            return 0.0
        gain = 0.0
        for quantity in ("thickness", "position"):
            shown = hints.of(quantity)
            if shown and np.unique(cells.series.values[cells.series.present]).size > 3:
                match = match_shown(cells.series, shown)
                if match is not None:
                    gain = max(gain, 10.0 - 12.0 * match.chance)
        return min(gain, 50.0)

    places = places_of_columns(lines, seconds, worth=worth)
    if not places:
        return
    constants = _constant_places(lines)
    keys, cells = [], []
    columns = [*((p.first, p.end, p.cells) for p in places)]
    if constants is not None and all(constants[1] <= a or constants[0] >= b for a, b, _ in columns):
        text = lines[0][constants[0] : constants[1]]
        columns.insert(0, (*constants, Cells("constant", tuple(text for _ in lines))))
    columns.sort(key=lambda item: item[0])
    for at, (first, end, cell) in enumerate(columns):
        keys.append(f"{first + 1}-{end}" if end - first > 1 else f"{first + 1}")
        series = cell.series
        if series is not None:
            series.key = at
        cells.append(cell)
    kind = LineKind(None, [[line] for line in lines], seconds, same)
    others = len(bodies) - len(same)
    kinds = [kind] if others < 0.04 * len(bodies) else [kind, LineKind(None, [], seconds[:0], [])]
    yield kinds, _Columns("fixed_columns", {}, keys, cells, kind, f"{len(lines)} lines of {length} characters")


def _lead(body: str) -> str:
    found = re.match(r"[^0-9+\-. ]*", body)
    return found[0] if found else ""


def _constant_places(lines: Sequence[str]) -> tuple[int, int] | None:
    """The text that all lines begin with."""
    lead = Counter(_lead(line) for line in lines).most_common(1)[0]
    text = lead[0]
    return (0, len(text)) if text.strip() and text == text.strip() and lead[1] == len(lines) else None


def _words(
    bodies: Sequence[str], times: NDArray[np.int64]
) -> Iterator[tuple[list[LineKind], _Columns]]:
    """Lines like prose: words with spaces between, as a pattern."""
    if not any("  " in body.strip() or body != body.strip() for body in bodies):
        return
    kinds = kinds_of([" ".join(body.split()) for body in bodies], times, " ")
    for kind in kinds[:2]:
        if not kind.rows or len(kind.rows[0]) < 2:
            continue
        cells = [read_cells(at, column, kind.seconds) for at, column in enumerate(kind.columns)]
        parts = []
        keys = []
        for at, cell in enumerate(cells):
            if cell.kind == "constant":
                parts.append(_escaped(cell.texts[0]))
            else:
                parts.append(rf"(?P<c{at + 1}>\S+)")
            keys.append(f"c{at + 1}")
        pattern = " *" + " +".join(parts) + " *"
        yield kinds, _Columns("pattern", {"pattern": pattern}, keys, cells, kind, f"{len(kind.rows)} lines with as many words")


def _escaped(text: str) -> str:
    return re.sub(r"([^A-Za-z0-9_%:=#/ ])", r"\\\1", text)


def _unused(bodies: Sequence[bytes]) -> bytes:
    """A separator that is in no line, for lines of one column."""
    used = {byte for body in bodies for byte in body}
    return next(bytes([mark]) for mark in b";|\t~^" if mark not in used or mark == ord("^"))


def _described(
    look: _Lines,
    kinds: Sequence[LineKind],
    columns: _Columns,
    port: Mapping[str, Any],
    hints: Hints,
) -> Suggestion | None:
    comma = any(cells.comma for cells in columns.cells)
    if comma and columns.settings.get("separator") == ",":
        return None
    series, flags = [], []
    for at, cells in enumerate(columns.cells):
        if cells.series is not None:
            series.append(_labelled(cells.series, columns.cells, at))
            values = set(cells.series.values.tolist())
            if cells.series.whole and 2 <= len(values) <= 4 and values <= {0.0, 1.0, 2.0, 3.0}:
                flags.append(Flag(at, texts=cells.texts))
        elif cells.kind == "words":
            flags.append(Flag(at, texts=cells.texts))
        elif cells.kind == "constant" and at and _is_status(cells.texts[0], columns.cells):
            flags.append(Flag(at, texts=cells.texts))
    few = {flag.key for flag in flags if columns.cells[flag.key].kind == "number"}
    moving = [one for one in series if one.key not in few or set(one.values) == {0.0, 1.0, 2.0, 3.0}]
    roles = assign(moving, flags, hints)
    if not {role.kind for role in roles.of.values()} & _USEFUL:
        return None
    items = {
        key: _column(at, cells, roles.of.get(at), columns.driver)
        for at, (key, cells) in enumerate(zip(columns.keys, columns.cells, strict=True))
    }
    return _written(look, kinds, columns, items, roles, comma, port)


def _is_status(text: str, cells: Sequence[Cells]) -> bool:
    words = sum(one.kind == "words" for one in cells)
    return not words and text.isalpha() and len(text) <= 6 and _unit_of(text) is None


def _unit_of(text: str) -> str | None:
    known = {"MM", "IN", "INCH", "THOU", "US", "NS", "UM", "%", "DB", "USEC", '"', "\xb5S", "C", "V"}
    return text if text.upper() in known else None


def _labelled(series: Series, cells: Sequence[Cells], at: int) -> Series:
    """The series with the unit of the column behind it."""
    if not series.label and at + 1 < len(cells) and cells[at + 1].kind == "constant":
        unit = _unit_of(cells[at + 1].texts[0].strip())
        if unit is not None:
            series.label = unit
    if not series.name and at and cells[at - 1].kind == "constant" and len(cells[at - 1].texts[0]) <= 12:
        series.name = cells[at - 1].texts[0] if _unit_of(cells[at - 1].texts[0]) is None else ""
    return series


def _column(at: int, cells: Cells, role: Role | None, driver: str) -> ColumnGuess:
    """The table of a column."""
    if role is None:
        if cells.kind == "constant":
            text = cells.texts[0]
            if _unit_of(text) is not None and at:
                return ColumnGuess({"is": "ignore"}, Level.LIKELY, f"always {text!r}: the unit next to it")
            if text and (at == 0 or driver == "pattern"):
                return ColumnGuess({"is": "constant", "text": text}, Level.LIKELY, "the same in every line")
            why = f"always {text!r}" if text else "always empty"
            return ColumnGuess({"is": "ignore"}, Level.GUESS, why)
        why = f"texts such as {cells.texts[0]!r}"
        return ColumnGuess({"is": "ignore"}, Level.GUESS, why)
    if role.kind == "ignore":
        return ColumnGuess({"is": "ignore"}, role.level, role.why)
    table: dict[str, Any] = {"is": role.kind}
    if role.kind == "status":
        return ColumnGuess({**table, **role.keys}, role.level, role.why)
    keys = dict(role.keys)
    notation = dict(cells.notation)
    series = cells.series
    if cells.kind == "time":
        keys = {}
    if role.kind == "quadrature":
        notation = {}
    if role.kind in ("counts", "device_time") and role.period is not None and cells.kind == "number":
        power = role.period.bit_length() - 1
        keys |= {"bits": power} if role.period == 1 << power else {"rolls_over_after": role.period}
    signed = notation.pop("signed", False)
    if role.kind == "counts" and (signed or (series is not None and "bits" in keys and series.values.min() < 0)):
        keys["signed"] = True
        if series is not None and series.span and "bits" not in keys and "rolls_over_after" not in keys:
            keys["bits"] = series.span.bit_length() - 1
    elif role.kind == "counts" and series is not None and series.span and role.period is None:
        keys["bits"] = series.span.bit_length() - 1
    if role.kind in ("thickness", "time_of_flight") and series is not None:
        keys |= _no_echo(series)
    elif role.kind == "amplitude" and series is not None and series.texts:
        if any(series.texts):
            return ColumnGuess(
                {"is": "ignore"}, Level.GUESS,
                f"like an amplitude, but with texts such as {series.texts[0]!r} in it",
            )
        keys["empty"] = "absent"
    if "unit" in keys and notation.get("behind") and role.kind in ("amplitude",) and keys["unit"] == "dB":
        keys["unit"] = "dB"
    return ColumnGuess({**table, **keys, **notation}, role.level, role.why)


def _no_echo(series: Series) -> dict[str, Any]:
    keys: dict[str, Any] = {}
    whole = [int(one) if one == int(one) and abs(one) < 1e15 else one for one in series.sentinels]
    no_echo: list[Any] = [*whole, *(text for text in series.texts if text)]
    if no_echo:
        keys["no_echo"] = no_echo
    if "" in series.texts:
        keys["empty"] = "no_echo"
    return keys


def _written(
    look: _Lines,
    kinds: Sequence[LineKind],
    columns: _Columns,
    items: Mapping[str, ColumnGuess],
    roles: Roles,
    comma: bool,
    port: Mapping[str, Any],
) -> Suggestion:
    end = Finding("terminator", repr(look.terminator)[1:], Level.SHOWN, look.why)
    findings = [end]
    settings: list[tuple[str, object, Finding | None]] = [
        ("terminator", look.terminator.decode("latin-1"), end)
    ]
    noun = {"delimited": "column", "fixed_columns": "characters", "pattern": "word"}[columns.driver]
    for key, value in columns.settings.items():
        about = Finding(key, repr(value), Level.LIKELY, columns.why)
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
    identified = any(item.table["is"] == "constant" for item in items.values()) or columns.driver == "pattern"
    if len(kinds) > 1:
        findings += _others(kinds, columns.kind, len(look.lines))
        if identified:
            settings.append(("other_lines", "ignore", findings[-1]))
    for key, item in items.items():
        label = key if noun != "word" else key[1:]
        findings.append(Finding(f"{noun} {label}", named(item.table), item.level, item.why))
    if columns.driver == "pattern":
        items = {key: item for key, item in items.items() if f"<{key}>" in columns.settings["pattern"]}
    text = write(
        driver=columns.driver, port=port, settings=settings, list_name="columns",
        items=list(items.values()) if columns.driver == "delimited" else items,
        remarks=[one for one in findings if one.about == "other lines" or (one is check and length)],
    )
    share = len(columns.kind.rows) / len(look.lines)
    prefer = {"delimited": 1.5, "fixed_columns": 0.0, "pattern": 0.5}[columns.driver]
    rank = roles.score + 12 * share + prefer + 4.0 * (look.check is not None) - 0.05 * len(items)
    rank -= 0.6 * sum(item.table["is"] == "ignore" and "texts such as" in item.why for item in items.values())
    return Suggestion(text, tuple(findings), roles.questions, rank=rank)


def _with_rest(
    items: dict[str, ColumnGuess], look: _Lines, columns: _Columns
) -> dict[str, ColumnGuess]:
    """A last column for a checksum that the driver does not verify, where a separator is before it."""
    assert look.check is not None  # noqa: S101  checked by the caller
    tail = look.lines[0].data[-look.check.length :].decode("latin-1")
    if columns.settings["separator"] in tail:
        guess = ColumnGuess({"is": "ignore"}, Level.SHOWN, "a checksum that the driver does not verify")
        items[str(len(items) + 1)] = guess
    return items


def _check_finding(look: _Lines) -> Finding:
    check = look.check
    if check is None:
        why = "no exclusive or, no sum and no CRC at the end fits the lines"
        return Finding("checksum", "none", Level.LIKELY, why)
    found = check.found
    why = (
        f"it fits {found.fitting} of {found.pieces} lines that differ; by chance in fewer than 1 of"
        f" 10^{int(-found.chance)} captures"
    )
    if not check.table:
        why += ". The driver does not verify this kind; it is passed over"
    return Finding("checksum", check.what, Level.SHOWN, why)


def _others(kinds: Sequence[LineKind], kind: LineKind, lines: int) -> list[Finding]:
    found = []
    for other in kinds:
        if other is kind:
            continue
        lead = f" that begin with {other.lead!r}" if other.lead else ""
        what = f"{len(other.rows)} of {lines} lines{lead} are of another kind"
        found.append(Finding("other lines", what, Level.LIKELY, "this description covers one kind"))
    return found or [Finding("other lines", "of another length", Level.LIKELY, "they are passed over")]


def named(table: Mapping[str, Any]) -> str:
    """What a column is, in a few words."""
    parts = [str(table["is"])]
    parts += [str(table[key]) for key in ("axis", "text", "unit") if key in table]
    parts += [f"times {table['scale']:g}"] if "scale" in table else []
    parts += [f"{table['bits']} bits"] if "bits" in table else []
    return " ".join(parts)


_ = replace
