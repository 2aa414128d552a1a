"""Descriptions of lines of text, from what they look like."""

import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.suggest.cells import ColumnTexts, read_cells
from swathe_drivers.suggest.display import match_shown
from swathe_drivers.suggest.findings import Basis, ColumnGuess, Finding, Suggestion
from swathe_drivers.suggest.fixed_text import places_of_columns
from swathe_drivers.suggest.flags import Flag
from swathe_drivers.suggest.hints import Hints
from swathe_drivers.suggest.line_checks import find_line_check
from swathe_drivers.suggest.line_items import column_of, unit_of
from swathe_drivers.suggest.line_kinds import LineKind, kinds_of
from swathe_drivers.suggest.line_records import DescribedLines, together, with_missing
from swathe_drivers.suggest.line_writing import (
    CutLines,
    DividedColumns,
    usable_items,
    written_lines,
)
from swathe_drivers.suggest.lines import TimedLine, cut, find_terminator, prompts_of, separators
from swathe_drivers.suggest.probe_columns import with_inputs
from swathe_drivers.suggest.roles import assign
from swathe_drivers.suggest.series import Series
from swathe_drivers.suggest.skeleton import skeletons_of

__all__ = ["suggest_text"]

_FEWEST_LINES: Final = 8
_LONGEST_NUMBER: Final = 16
_LONG: Final = 200
_CLOSING: Final = (b">", b"]", b")", b"}", b";", b"#", b"!", b"$")
_STX: Final = b"\x02"
_ETX: Final = b"\x03"
_USEFUL: Final = frozenset({"thickness", "time_of_flight", "counts", "position", "quadrature"})


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
            why = (
                "no character comes again and again where lines could end; is the baud rate right?"
            )
            return [Suggestion("", (Finding("terminator", "not found", Basis.LIKELY, why),))]
        end = Finding("terminator", repr(ended[0])[1:], Basis.LIKELY, ended[1])
        why = f"fewer than {_FEWEST_LINES} whole lines that are alike: capture for longer"
        return [Suggestion("", (end, Finding("lines", "too few", Basis.SHOWN, why)))]
    found: list[Suggestion] = []
    apart: list[DescribedLines] = []
    for look in looks:
        understood = False
        for kinds, columns in _divisions(look, hints):
            if understood and columns.driver != "delimited":
                break  # columns at fixed places take long to find
            described = _described(look, kinds, columns, port, hints)
            if described is not None:
                items, suggestion = described
                found.append(suggestion)
                lines = DescribedLines(look, columns, items, suggestion)
                found += with_missing(lines)
                if len(kinds) > 1 and columns.driver != "fixed_columns":
                    apart.append(lines)
                leads = [kind.lead for kind in kinds]
                if columns.driver == "delimited" and leads.count(columns.kind.lead) == 1:
                    understood |= _is_understood(columns, suggestion, hints, len(look.lines))
    found += together(apart)
    if not found:
        look = looks[0]
        end = Finding("terminator", repr(look.terminator)[1:], Basis.LIKELY, look.why)
        why = "no column looks like a thickness, a time of flight or an encoder"
        return [Suggestion("", (end, Finding("description", "none", Basis.LIKELY, why)))]
    return found


def _is_understood(columns: DividedColumns, found: Suggestion, hints: Hints, lines: int) -> bool:
    """Separators explain the lines: no column is too long for one number, and what is known agrees."""
    if any(
        cells.kind == "other"
        or max(map(len, cells.texts[:50])) > _LONGEST_NUMBER + 8 * (cells.kind == "time")
        for cells in columns.cells
        if cells.kind not in ("words", "constant")
    ):
        return False
    if len(columns.kind.rows) < 0.2 * lines:
        return False
    if len(columns.kind.rows) < 0.8 * lines and hints.contents in (None, "both"):
        # Where these have the positions, the readings may be in lines of another kind.
        read = any(f'is = "{kind}"' in found.text for kind in ("thickness", "time_of_flight"))
        if not (read and any(f'is = "{kind}"' in found.text for kind in ("counts", "position"))):
            return False
    return not hints.shows or "the display" in found.text


def _looks(
    chunks: Sequence[tuple[int, bytes]], data: bytes, ns_per_byte: int
) -> Iterator[CutLines]:
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
    prompts = prompts_of(lines)
    lines = [line for line in lines if line.data.decode("latin-1") not in prompts]
    if len(lines) < _FEWEST_LINES:
        return
    check = find_line_check([line.data for line in lines])
    last = lines[0].data[-1:]
    if check is None and last in _CLOSING and all(line.data.endswith(last) for line in lines):
        # A bracket that ends each line may be behind a checksum.
        longer = [line for line in cut(chunks, last + terminator, ns_per_byte) if line.data.strip()]
        check = find_line_check([line.data for line in longer])
        if check is not None:
            yield CutLines(last + terminator, why, longer, check)
            return
    yield CutLines(terminator, why, lines, check, prompts)


def _behind_etx(
    chunks: Sequence[tuple[int, bytes]], data: bytes, ns_per_byte: int
) -> CutLines | None:
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
        lines = [
            TimedLine(time, match[0][: -size - 1]) for time, match in zip(times, found, strict=True)
        ]
        check = find_line_check(
            [line.data for line in lines], behind=[match[2] for match in found], terminator=_ETX
        )
        if check is not None:
            del ns_per_byte
            return CutLines(_ETX, f"ETX {len(found)} times, a check behind each", lines, check)
    return None


def _divisions(look: CutLines, hints: Hints) -> Iterator[tuple[list[LineKind], DividedColumns]]:
    """Ways to divide the lines into columns."""
    bodies = [body.decode("latin-1") for body in look.bodies]
    times = np.array([line.time for line in look.lines], np.int64)
    marks = separators(look.bodies)
    for mark in [*marks, _unused([*look.bodies, look.terminator])]:
        separator = mark.decode("latin-1")
        kinds = kinds_of(bodies, times, separator)
        for kind in kinds[:3]:
            filled = any(text == "" for row in kind.rows for text in row)
            if mark == b" " and filled and len(kind.rows) < 0.9 * len(bodies):
                continue  # spaces that fill columns up do not separate them
            cells = [read_cells(at, column, kind.seconds) for at, column in enumerate(kind.columns)]
            settings = {"separator": separator}
            keys = [str(at + 1) for at in range(len(cells))]
            yield (
                kinds,
                DividedColumns(
                    "delimited",
                    settings,
                    keys,
                    cells,
                    kind,
                    f"{len(kind.rows)} lines with as many columns",
                ),
            )
    yield from _fixed(bodies, times, hints)
    yield from _words(bodies, times)
    yield from _skeletons(bodies, times)


def _skeletons(
    bodies: Sequence[str], times: NDArray[np.int64]
) -> Iterator[tuple[list[LineKind], DividedColumns]]:
    """Lines as numbers and words between texts that stay the same, as a pattern."""
    found = skeletons_of(bodies)
    kinds = []
    for one in found:
        seconds = (times[one.places] - times[0]) / 1e9
        kinds.append(LineKind(None, one.rows, seconds, one.places))
    for one, kind in zip(found, kinds, strict=True):
        cells = [read_cells(at, column, kind.seconds) for at, column in enumerate(kind.columns)]
        keys = [f"c{at + 1}" for at in range(len(cells))]
        why = f"{len(kind.rows)} lines with the same texts between their numbers"
        settings = {"pattern": one.pattern}
        yield kinds, DividedColumns("pattern", settings, keys, cells, kind, why)


def _fixed(
    bodies: Sequence[str], times: NDArray[np.int64], hints: Hints
) -> Iterator[tuple[list[LineKind], DividedColumns]]:
    lengths = Counter(map(len, bodies))
    length, number = lengths.most_common(1)[0]
    if number < 0.3 * len(bodies) or length < 4 or number < _FEWEST_LINES:
        return
    leads = Counter(_lead(body) for body in bodies if len(body) == length)
    lead, often = leads.most_common(1)[0]
    same = [
        at
        for at, body in enumerate(bodies)
        if len(body) == length
        and (often < 0.9 * number or body.startswith(lead) or _lead(body) == lead)
    ]
    lines = [bodies[at] for at in same]
    seconds = (times[same] - times[0]) / 1e9

    def worth(cells: ColumnTexts) -> float:
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
        columns.insert(0, (*constants, ColumnTexts("constant", tuple(text for _ in lines))))
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
    yield (
        kinds,
        DividedColumns(
            "fixed_columns", {}, keys, cells, kind, f"{len(lines)} lines of {length} characters"
        ),
    )


def _lead(body: str) -> str:
    found = re.match(r"[^0-9+\-. ]*", body)
    return found[0] if found else ""


def _constant_places(lines: Sequence[str]) -> tuple[int, int] | None:
    """The text that all lines begin with."""
    lead = Counter(_lead(line) for line in lines).most_common(1)[0]
    text = lead[0]
    return (
        (0, len(text)) if text.strip() and text == text.strip() and lead[1] == len(lines) else None
    )


def _words(
    bodies: Sequence[str], times: NDArray[np.int64]
) -> Iterator[tuple[list[LineKind], DividedColumns]]:
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
        yield (
            kinds,
            DividedColumns(
                "pattern",
                {"pattern": pattern},
                keys,
                cells,
                kind,
                f"{len(kind.rows)} lines with as many words",
            ),
        )


def _escaped(text: str) -> str:
    return re.sub(r"([^A-Za-z0-9_%:=#/ ])", r"\\\1", text)


def _unused(bodies: Sequence[bytes]) -> bytes:
    """A separator that is in no line, for lines of one column."""
    used = {byte for body in bodies for byte in body}
    return next(bytes([mark]) for mark in b";|\t~^" if mark not in used or mark == ord("^"))


def _described(
    look: CutLines,
    kinds: Sequence[LineKind],
    columns: DividedColumns,
    port: Mapping[str, Any],
    hints: Hints,
) -> tuple[Mapping[str, ColumnGuess], Suggestion] | None:
    """The columns of one kind of line, and the description of these lines."""
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
        elif cells.kind == "words" or (
            cells.kind == "constant" and at and _is_status(cells.texts[0], columns.cells)
        ):
            flags.append(Flag(at, texts=cells.texts))
    few = {flag.key for flag in flags if columns.cells[flag.key].kind == "number"}
    moving = [
        one for one in series if one.key not in few or set(one.values) == {0.0, 1.0, 2.0, 3.0}
    ]
    roles = with_inputs(assign(moving, flags, hints), series)
    if not {role.kind for role in roles.of.values()} & _USEFUL:
        return None
    items = {
        key: column_of(at, cells, roles.of.get(at), columns.driver)
        for at, (key, cells) in enumerate(zip(columns.keys, columns.cells, strict=True))
    }
    lead = columns.kind.lead
    first = columns.keys[0]
    if lead is not None and columns.driver == "delimited" and len({*columns.cells[0].texts}) == 1:
        why = "it tells the kinds of lines apart"
        items[first] = ColumnGuess({"is": "constant", "text": lead}, Basis.SHOWN, why)
    written = written_lines(look, kinds, columns, items, roles, comma, port)
    return usable_items(columns, items), written


def _is_status(text: str, cells: Sequence[ColumnTexts]) -> bool:
    words = sum(one.kind == "words" for one in cells)
    return not words and text.isalpha() and len(text) <= 6 and unit_of(text) is None


def _labelled(series: Series, cells: Sequence[ColumnTexts], at: int) -> Series:
    """The series with the unit of the column behind it."""
    if not series.label and at + 1 < len(cells) and cells[at + 1].kind == "constant":
        unit = unit_of(cells[at + 1].texts[0].strip())
        if unit is not None:
            series.label = unit
    if (
        not series.name
        and at
        and cells[at - 1].kind == "constant"
        and len(cells[at - 1].texts[0]) <= 12
    ):
        series.name = cells[at - 1].texts[0] if unit_of(cells[at - 1].texts[0]) is None else ""
    return series
