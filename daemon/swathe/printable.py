"""Text from outside made safe for a terminal or a log."""

from __future__ import annotations

import re

__all__ = ["printable"]

# C0, DEL and C1 control characters (ISO/IEC 6429, which escape sequences begin with), separators of
# lines, marks of writing direction (Unicode UAX #9), and lone surrogates.
_UNSAFE = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff]"
)


def printable(text: str) -> str:
    r"""Return a text with control characters as escapes, such as ``\x1b``; newline and tab stay."""
    return _UNSAFE.sub(lambda found: found[0].encode("unicode_escape").decode(), text)
