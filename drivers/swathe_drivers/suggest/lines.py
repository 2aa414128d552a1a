"""Where lines end, what separates their columns, and which kinds of line there are."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from swathe_drivers.framing import MAX_TERMINATOR, LineFramer
from swathe_drivers.suggest.numbers import is_number

MAX_LINE_BYTES: Final = 4096
"""A line that is looked at is not longer, bytes."""

_FEWEST: Final = 4  # lines of which anything can be said
_SAME: Final = 0.97  # of the lines, for what is the same in "all": the first may be half a line
_MIN_KIND_SHARE: Final = 0.04  # of the lines; fewer are strange lines, not a kind
_MOST_KINDS: Final = 6
_PREFERENCE: Final = {b",": 1.0, b";": 1.0, b"\t": 1.0, b"|": 1.0, b" ": 0.9}
_OTHER_PREFERENCE: Final = 0.3
_NEVER: Final = b"+-."  # part of a number


@dataclass(frozen=True, slots=True)
class TimedLine:
    """A line without its terminator, and when it began (host time, ns)."""

    time: int
    data: bytes


@dataclass(frozen=True, slots=True)
class LineKind:
    """Lines with as many columns and, where it names a kind, the same text in the first one.

    Attributes:
        lead: text of the first column; None where that is no name of a kind.
        rows: columns of each line, without spaces around them.
        times: when each line began, ns.
        places: number of each line among all of them.
    """

    lead: bytes | None
    rows: list[list[bytes]]
    times: list[int]
    places: list[int]


def is_text(data: bytes) -> bool:
    """Nearly all bytes are printable or control characters of text."""
    odd = sum(1 for byte in data if byte > 0x7E or (byte < 0x20 and byte not in b"\t\r\n\x02\x03"))
    return odd <= 0.05 * len(data)


def find_terminator(data: bytes) -> tuple[bytes, float, str] | None:
    """The end of a line, how sure that is and why; None if there is none."""
    counts = Counter(byte for byte in data if byte < 0x20 and byte != 0x09)
    preferred = [byte for byte in b"\n\r\x03" if counts[byte] >= _FEWEST]
    others = [byte for byte, count in counts.most_common(1) if count >= _FEWEST]
    if not preferred and not others:
        return _printable_terminator(data)
    found = bytes([(preferred or others)[0]])
    # What is always around it belongs to it, such as a carriage return, or the start of the
    # next line: a driver that knows ends of lines only gets rid of it that way.
    while len(found) < MAX_TERMINATOR:
        before, after = _neighbours(data, found)
        if before is not None and before < 0x20 and before not in b"\t\n":
            found = bytes([before]) + found
        elif after is not None and after < 0x20 and after not in b"\t\n":
            found += bytes([after])
        else:
            break
    return found, 0.99, f"{data.count(found)} times in {len(data)} bytes"


def _neighbours(data: bytes, found: bytes) -> tuple[int | None, int | None]:
    """The byte before and behind `found` where it is nearly always the same one."""
    before: Counter[int] = Counter()
    after: Counter[int] = Counter()
    at = data.find(found)
    while at >= 0:
        end = at + len(found)
        if at:
            before[data[at - 1]] += 1
        if end < len(data):
            after[data[end]] += 1
        at = data.find(found, end)
    return _constant(before), _constant(after)


def _constant(counts: Counter[int]) -> int | None:
    if not counts:
        return None
    byte, count = counts.most_common(1)[0]
    return byte if count >= _SAME * counts.total() and count >= _FEWEST - 1 else None


def _printable_terminator(data: bytes) -> tuple[bytes, float, str] | None:
    """A printable character that ends lines: what it cuts out has always as many separators."""
    marks = [mark for mark in {*data} if not chr(mark).isalnum() and mark not in _NEVER + b" "]
    best: tuple[float, bytes] | None = None
    for mark in marks:
        lines = data.split(bytes([mark]))[1:-1]
        if len(lines) < _FEWEST:
            continue
        if all(is_number(line.strip()) for line in lines):
            return bytes([mark]), 0.6, "numbers only stand between them, one a line"
        for other in marks:
            if other == mark:
                continue
            counts = Counter(line.count(other) for line in lines)
            number, share = counts.most_common(1)[0]
            if number and share >= 0.9 * len(lines):
                score = share / len(lines) * number
                if best is None or score > best[0]:
                    best = (score, bytes([mark]))
    if best is None:
        return None
    return best[1], 0.7, "no control character ends lines, and between these all lines are alike"


def cut(
    chunks: Sequence[tuple[int, bytes]], terminator: bytes, ns_per_byte: int
) -> list[TimedLine]:
    """The whole lines; the first one is left out, as it may be half of one."""
    framer = LineFramer(terminator=terminator, max_length=MAX_LINE_BYTES, ns_per_byte=ns_per_byte)
    lines = framer.feed_chunks(chunks)
    data = bytes(lines.data)
    found = [
        TimedLine(time, data[start : start + length])
        for start, length, time in zip(
            lines.starts.tolist(), lines.lengths.tolist(), lines.times.tolist(), strict=True
        )
    ]
    return found[1:] if len(found) > _FEWEST else found


def find_separator(bodies: Sequence[bytes]) -> tuple[bytes, float, str] | None:
    """The separator of columns, how sure that is and why; None for lines of one column."""
    marks = {byte for body in bodies for byte in body}
    candidates = [
        bytes([mark])
        for mark in sorted(marks)
        if not chr(mark).isalnum() and mark not in _NEVER and (mark >= 0x20 or mark == 0x09)
    ]
    scores: list[tuple[float, float, bytes]] = []
    for mark in candidates:
        counts = Counter(body.count(mark) for body in bodies)
        steady = sum(count for count in counts.values() if count >= _MIN_KIND_SHARE * len(bodies))
        steady -= counts[0] if counts[0] >= _MIN_KIND_SHARE * len(bodies) else 0
        consistency = steady / len(bodies)
        spread = max(1, len([c for c in counts.values() if c >= _MIN_KIND_SHARE * len(bodies)]))
        numbers = sum(is_number(text.strip()) for body in bodies for text in body.split(mark))
        preference = _PREFERENCE.get(mark, _OTHER_PREFERENCE)
        if mark == b" " and any(b"  " in body for body in bodies):
            preference = _OTHER_PREFERENCE  # spaces that fill columns up don't separate them
        # Each column more is worth having even when it is a text.
        columns = sum(body.count(mark) for body in bodies) / len(bodies)
        score = preference * consistency / spread**0.5 * (numbers / len(bodies) + 0.2 * columns)
        scores.append((score, consistency, mark))
    if not scores:
        return None
    scores.sort(reverse=True)
    score, consistency, mark = scores[0]
    whole = sum(is_number(body.strip()) for body in bodies) / len(bodies)
    if score <= 0.1 or whole > 0.9:
        return None
    second = scores[1][0] if len(scores) > 1 else 0.0
    sure = min(0.99, max(0.4, consistency * (1 - 0.4 * second / score)))
    return mark, sure, f"{consistency * 100:.0f} % of the lines agree in its number"


def sort_kinds(
    lines: Sequence[TimedLine], bodies: Sequence[bytes], separator: bytes
) -> list[LineKind]:
    """Kinds of lines, the most frequent first; lines that are like no others are left out."""
    rows = [[text.strip(b" \t") for text in body.split(separator)] for body in bodies]
    fewest = max(3.0, _MIN_KIND_SHARE * len(rows))
    leads = Counter(row[0] for row in rows if row[0] and not is_number(row[0]))
    often = {lead for lead, count in leads.items() if count >= fewest}
    named = len(often) <= _MOST_KINDS and sum(leads[lead] for lead in often) >= 0.5 * len(rows)
    kinds: dict[tuple[int, bytes | None], LineKind] = {}
    for place, (line, row) in enumerate(zip(lines, rows, strict=True)):
        lead = row[0] if named and row[0] in often else None
        kind = kinds.setdefault((len(row), lead), LineKind(lead, [], [], []))
        kind.rows.append(row)
        kind.times.append(line.time)
        kind.places.append(place)
    found = [kind for kind in kinds.values() if len(kind.rows) >= fewest]
    return sorted(found, key=lambda kind: -len(kind.rows))
