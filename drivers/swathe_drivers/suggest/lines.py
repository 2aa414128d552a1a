"""Where lines end, and what may separate their columns."""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from swathe_drivers.framing import MAX_TERMINATOR, LineFramer

MAX_LINE_BYTES: Final = 4096
"""A line that is looked at is not longer, bytes."""

_FEWEST: Final = 4  # lines of which anything can be said
_SAME: Final = 0.97  # of the lines, for what is the same in "all": the first may be half a line
_MIN_KIND_SHARE: Final = 0.04  # of the lines; fewer are strange lines, not a kind
_PREFERENCE: Final = {b",": 1.0, b";": 1.0, b"\t": 1.0, b"|": 1.0, b" ": 0.9}
_NEVER: Final = b"+-."  # part of a number
_MOST_SEPARATORS: Final = 4
_PROMPTED: Final = 0.2  # of the lines
_LONGEST_PROMPT: Final = 12
_CLOSE: Final = b")]}>;"
_OPEN: Final = b"([{<:$#@!"
_NUMBER: Final = re.compile(rb"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")


@dataclass(frozen=True, slots=True)
class TimedLine:
    """A line without its terminator, and when it began (host time, ns)."""

    time: int
    data: bytes


def is_text(data: bytes) -> bool:
    """Nearly all bytes are printable or control characters of text."""
    odd = sum(1 for byte in data if byte > 0x7E or (byte < 0x20 and byte not in b"\t\r\n\x02\x03"))
    return odd <= 0.05 * len(data)


def find_terminator(data: bytes) -> tuple[bytes, str] | None:
    """The end of a line, and why; None if there is none."""
    counts = Counter(byte for byte in data if byte < 0x20 and byte != 0x09)
    preferred = [byte for byte in b"\n\r\x03" if counts[byte] >= _FEWEST]
    others = [byte for byte, count in counts.most_common(1) if count >= _FEWEST]
    if not preferred and not others:
        return _printable_terminator(data)
    found = bytes([(preferred or others)[0]])
    # A control character that is always before it belongs to it, such as a carriage return, or an
    # ETX; one behind it begins the next line, but for a carriage return.
    while len(found) < MAX_TERMINATOR:
        before, after = _neighbours(data, found)
        if before is not None and before < 0x20 and before not in b"\t\n":
            found = bytes([before]) + found
        elif after == 0x0D:
            found += b"\r"
        else:
            break
    return found, f"{data.count(found)} times in {len(data)} bytes"


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


def _printable_terminator(data: bytes) -> tuple[bytes, str] | None:
    """A printable character that ends lines: what it cuts out has always as many separators."""
    marks = [mark for mark in {*data} if not chr(mark).isalnum() and mark not in _NEVER + b" "]
    best: tuple[float, bytes] | None = None
    for mark in marks:
        lines = data.split(bytes([mark]))[1:-1]
        if len(lines) < _FEWEST:
            continue
        if all(is_number(line.strip()) for line in lines):
            return bytes([mark]), "numbers only stand between them, one a line"
        for other in marks:
            if other == mark:
                continue
            counts = Counter(line.count(other) for line in lines)
            number, share = counts.most_common(1)[0]
            if number and share >= 0.9 * len(lines):
                # A closing bracket ends a line, an opening one begins the next.
                bias = 1.0 + (mark in _CLOSE) - 0.5 * (mark in _OPEN)
                score = share / len(lines) * number * bias
                if best is None or score > best[0]:
                    best = (score, bytes([mark]))
    if best is None:
        return None
    return best[1], "no control character ends lines, and between these all lines are alike"


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


def is_number(text: bytes) -> bool:
    """A text in decimal notation, as the driver takes it."""
    return _NUMBER.fullmatch(text) is not None


def separators(bodies: Sequence[bytes]) -> list[bytes]:
    """Bytes that may separate columns: nearly every line has as many, or one of few numbers of them."""
    marks = {byte for body in bodies[:500] for byte in body}
    found: list[tuple[float, bytes]] = []
    for mark in sorted(marks):
        if chr(mark).isalnum() or mark in _NEVER or mark < 0x09 or 0x0A <= mark < 0x1C:
            continue
        counts = Counter(body.count(mark) for body in bodies)
        often = {n: c for n, c in counts.items() if n and c >= _MIN_KIND_SHARE * len(bodies)}
        steady = sum(often.values()) / len(bodies)
        if steady < 0.5:
            continue
        columns = sum(n * c for n, c in often.items()) / len(bodies)
        found.append((_PREFERENCE.get(bytes([mark]), 0.5) * steady + 0.02 * columns, bytes([mark])))
    return [mark for _, mark in sorted(found, reverse=True)][:_MOST_SEPARATORS]


def prompts_of(lines: Sequence[TimedLine]) -> tuple[str, ...]:
    """Texts without digits that come again and again as lines, and with which no other line begins."""
    counts = Counter(line.data for line in lines)
    return tuple(
        text.decode("latin-1")
        for text, number in counts.items()
        if number >= _PROMPTED * len(lines)
        and len(text) <= _LONGEST_PROMPT
        and not re.search(rb"[0-9]", text)
        and re.search(rb"[>:?#$]\s*\Z", text)
        and not any(other != text and other.startswith(text) for other in counts)
    )
