"""G-code lines to words.

As ISO 6983-1 and the NIST RS274/NGC interpreter (NISTIR 6556) have it, from memory: a block is
words of a letter and a number, spaces mean nothing, comments stand in brackets or behind a
semicolon, a comment that is not closed is an error, and so is a word given twice.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

_WORD = re.compile(r"([A-Z])([+-]?(?:\d+\.?\d*|\.\d+))")
_COMMENT = re.compile(r"\([^()]*\)")
LONGEST_BLOCK = 128


class GcodeError(ValueError):
    """A line that is no block; the text says why."""


@dataclass(frozen=True, slots=True)
class GcodeBlock:
    """The words of a line.

    Attributes:
        number: of the line, None without an N word.
        g: numbers of the G words, in tenths, as some have a decimal.
        m: numbers of the M words.
        values: all other words by letter.
    """

    number: int | None
    g: tuple[int, ...] = ()
    m: tuple[int, ...] = ()
    values: dict[str, float] = field(default_factory=dict)


def read_gcode(line: bytes) -> GcodeBlock:
    """Read a line without its end.

    Raises:
        GcodeError: it is too long, has a comment that is not closed, or no word somewhere.
    """
    if len(line) > LONGEST_BLOCK:
        raise GcodeError("line too long")
    text = _COMMENT.sub("", line.decode("latin-1").partition(";")[0])
    if "(" in text or ")" in text:
        raise GcodeError("unclosed comment")
    text = re.sub(r"[ \t\r]", "", text).upper()
    found: list[tuple[str, float]] = []
    at = 0
    while at < len(text):
        word = _WORD.match(text, at)
        if word is None:
            raise GcodeError(f"no word at {text[at : at + 8]!a}")
        found.append((word[1], float(word[2])))
        at = word.end()
    number: int | None = None
    g: list[int] = []
    m: list[int] = []
    values: dict[str, float] = {}
    for letter, value in found:
        if letter == "N":
            number = int(value)
        elif letter == "G":
            g.append(round(value * 10))
        elif letter == "M":
            m.append(round(value))
        elif letter in values:
            raise GcodeError(f"two {letter} words")
        else:
            values[letter] = value
    return GcodeBlock(number, tuple(g), tuple(m), values)
