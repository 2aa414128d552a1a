"""Checksums at the ends of lines: in which digits, behind which text, over which bytes."""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from swathe_drivers.suggest.checks import FoundCheck, find_check, pieces_of

__all__ = ["LineCheck", "find_line_check"]

_FITS: Final = 0.9
_FEWEST: Final = 5
_LONGEST_MARKER: Final = 4
_MOST_LEFT_OUT: Final = 4
_TESTED: Final = 2.0 * 5 * 6 * 2 * (_MOST_LEFT_OUT + 1)


@dataclass(frozen=True, slots=True)
class LineCheck:
    """A checksum that fits.

    Attributes:
        found: which.
        table: settings of the driver; empty if it has none for it.
        length: bytes of its marker and digits at the end of the line.
        what: in words.
    """

    found: FoundCheck
    table: dict[str, Any]
    length: int
    what: str


def find_line_check(
    lines: Sequence[bytes], *, behind: Sequence[bytes] = (), terminator: bytes = b""
) -> LineCheck | None:
    """Return the checksum that fits nearly all lines; None if none does.

    Args:
        lines: without terminators.
        behind: what follows each terminator, where a checksum may be there.
        terminator: what may be summed up with the line then.
    """
    if len(lines) < _FEWEST:
        return None
    if behind:
        return _behind(lines, behind, terminator)
    for written, size, pattern in (
        ("hex", 8, rb"[0-9A-Fa-f]{8}"),
        ("hex", 4, rb"[0-9A-Fa-f]{4}"),
        ("hex", 2, rb"[0-9A-Fa-f]{2}"),
        ("decimal", 5, rb"[0-9]{5}"),
        ("decimal", 3, rb"[0-9]{3}"),
    ):
        whole = re.compile(pattern)
        ending = [line for line in lines if len(line) > size + 1 and whole.fullmatch(line[-size:])]
        if len(ending) < _FITS * len(lines):
            continue
        width = {"hex": 4 * size, "decimal": 16 if size == 5 else 8}[written]
        base = 16 if written == "hex" else 10
        sent = [int(line[-size:], base) for line in ending]
        if max(sent) >> width:
            continue
        found = _ranges(ending, size, sent, width, written)
        if found is not None:
            return found
    for size in (1, 2):
        ending = [line for line in lines if len(line) > size + 2]
        if len(ending) < _FITS * len(lines):
            continue
        for order in ("big", "little")[:size]:
            sent = [int.from_bytes(line[-size:], order) for line in ending]  # type: ignore[arg-type]
            found = _ranges(ending, size, sent, 8 * size, "bytes", order)
            if found is not None:
                return found
    return None


def _ranges(
    lines: Sequence[bytes],
    size: int,
    sent: Sequence[int],
    width: int,
    written: str,
    order: str = "big",
) -> LineCheck | None:
    """Over what it may be: from which byte on, with or without the marker before it."""
    numbers: list[tuple[str, Sequence[int]]] = [(order, sent)]
    if written == "hex" and width > 8:
        bits = width // 8
        swapped = [int.from_bytes(one.to_bytes(bits, "big"), "little") for one in sent]
        numbers.append(("little", swapped))
    for marker in _markers(lines, size):
        cut = size + len(marker)
        for counts in (False, True) if marker else (False,):
            for first in range(_MOST_LEFT_OUT + 1):
                for way, number in numbers:
                    for over in ("text", "hex"):
                        covered = [line[first : -size if counts else -cut] for line in lines]
                        if over == "hex":
                            if counts or not all(
                                re.fullmatch(rb"(?:[0-9A-Fa-f]{2})+", c) for c in covered
                            ):
                                continue
                            covered = [bytes.fromhex(c.decode()) for c in covered]
                        found = find_check(pieces_of(covered, number, width), _TESTED)
                        if found is None:
                            continue
                        if counts and not all(line[-cut:-size] == marker for line in lines):
                            marker = b""  # noqa: PLW2901  a flag: other lines have another there
                            cut, counts = size, False  # noqa: PLW2901
                        table = _table(found, marker, counts, first, written, way, over)
                        what = f"{found.name}, {written}, after {marker!r} from byte {first}"
                        return LineCheck(found, table, cut, what)
    return None


def _markers(lines: Sequence[bytes], size: int) -> list[bytes]:
    """Texts that are always before the digits, the shortest first, the empty one the last."""
    found = []
    for width in range(1, _LONGEST_MARKER + 1):
        marker, count = Counter(line[-size - width : -size] for line in lines).most_common(1)[0]
        if count < _FITS * len(lines) or chr(marker[0]).isalnum():
            break
        found.append(marker)
    return [*found, b""]


def _table(
    found: FoundCheck, marker: bytes, counts: bool, first: int, written: str, order: str, over: str
) -> dict[str, Any]:
    if not found.table:
        return {}
    table = dict(found.table)
    if marker:
        table["after"] = marker.decode("latin-1")
    if counts:
        table["after_counts"] = True
    if first:
        table["from"] = first
    if written != "hex":
        table["written"] = written
    if order == "little":
        table["byte_order"] = "little"
    if over == "hex":
        table["over"] = "hex"
    return table


def _behind(lines: Sequence[bytes], behind: Sequence[bytes], terminator: bytes) -> LineCheck | None:
    """Behind the terminator, as a BCC behind ETX."""
    size = len(behind[0])
    ways = [("bytes", 8 * size, [int.from_bytes(one, "big") for one in behind])]
    if size in (2, 4) and all(re.fullmatch(rb"[0-9A-Fa-f]+", one) for one in behind):
        ways.insert(0, ("hex", 4 * size, [int(one, 16) for one in behind]))
    for written, width, sent in ways:
        if width not in (8, 16, 32):
            continue
        for counts in (True, False):
            for first in range(_MOST_LEFT_OUT + 1):
                covered = [(line + (terminator if counts else b""))[first:] for line in lines]
                found = find_check(pieces_of(covered, sent, width), _TESTED)
                if found is None:
                    continue
                table = _table(found, b"", counts, first, written, "big", "text")
                if table:
                    table["behind_terminator"] = True
                what = f"{found.name}, {written}, behind the terminator, from byte {first}"
                return LineCheck(found, table, 0, what)
    return None
