"""Whether the end of every line is a checksum of what is before it."""

import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import reduce
from operator import xor
from typing import Final

_FITS: Final = 0.95  # of the lines: some may be damaged, that is what it is there for
_FEWEST: Final = 5
_FEWEST_DIFFERENT: Final = 3
_LONGEST_MARKER: Final = 4
_MOST_LEFT_OUT: Final = 4
_HEX: Final = re.compile(rb"[0-9A-Fa-f]{2}")


@dataclass(frozen=True, slots=True)
class FoundChecksum:
    """A checksum that fits: settings of `delimited`, and how many of how many lines it fits."""

    kind: str
    after: bytes
    first: int
    fitting: int
    lines: int

    @property
    def length(self) -> int:
        """Bytes of marker and digits."""
        return len(self.after) + 2


_SUMS: Final[dict[str, Callable[[bytes], int]]] = {
    "xor": lambda data: reduce(xor, data, 0),
    "sum8": lambda data: sum(data) & 0xFF,
}


def find_checksum(lines: Sequence[bytes]) -> FoundChecksum | None:
    """The checksum that fits nearly all lines; None if none does."""
    ending = [line for line in lines if len(line) > 3 and _HEX.fullmatch(line[-2:])]
    if len(ending) < max(_FEWEST, _FITS * len(lines)):
        return None
    if len({line[-2:] for line in ending}) < _FEWEST_DIFFERENT:
        return None
    for width in range(1, _LONGEST_MARKER + 1):
        marker, count = Counter(line[-2 - width : -2] for line in ending).most_common(1)[0]
        if count < _FITS * len(lines) or chr(marker[0]).isalnum():
            return None
        for kind, of in _SUMS.items():
            for first in range(_MOST_LEFT_OUT + 1):
                fitting = sum(
                    line[-2 - width : -2] == marker
                    and of(line[first : -2 - width]) == int(line[-2:], 16)
                    for line in ending
                )
                if fitting >= _FITS * len(lines):
                    return FoundChecksum(kind, marker, first, fitting, len(lines))
    return None


def looks_like_checksum(texts: Sequence[bytes]) -> bool:
    """Two or four hexadecimal digits in every line, spread over most of their values."""
    if not texts or any(
        re.fullmatch(rb"[0-9A-Fa-f]{2}|[0-9A-Fa-f]{4}", text) is None for text in texts
    ):
        return False
    different = len(set(texts))
    letters = sum(any(char in b"abcdefABCDEF" for char in text) for text in texts)
    return different > 0.3 * min(len(texts), 256) and letters > 0.3 * len(texts)
