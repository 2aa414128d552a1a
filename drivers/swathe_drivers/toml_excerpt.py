"""The line of a TOML text at which its parser stopped, for error messages."""

import re
import tomllib
import unicodedata
from typing import Final

__all__ = ["toml_excerpt"]

_WIDTH: Final = 64
"""Characters of a line that are shown; of a longer one those around the fault."""

_PLACE: Final = re.compile(r"\(at line (\d+), column (\d+)\)")
_ASSIGNED: Final = re.compile(r"""\s*[\w."'-]+\s*=\s*([^\s"'#\[{][^"'#\\]*?)\s*(?:#.*)?""")


def toml_excerpt(text: str, error: tomllib.TOMLDecodeError) -> str:
    """The line at which the parser stopped, with its number, a caret, and a remedy where one is sure.

    Args:
        text: what was parsed.
        error: the parser's error; its message ends with line and column, or with the end of the text.

    Returns:
        Two lines, or three with a remedy.
    """
    lines = text.replace("\r\n", "\n").split("\n")
    if (place := _PLACE.search(str(error))) is not None:
        number, column = int(place[1]), int(place[2])
    else:
        number = next((n for n in range(len(lines), 0, -1) if lines[n - 1].strip()), 1)
        column = len(lines[number - 1]) + 1
    whole = lines[min(number, len(lines)) - 1]
    # As wide as a character, so that the caret is below what it marks.
    line = "".join(character if character.isprintable() else " " for character in whole)
    first = max(0, column - 1 - _WIDTH // 2) if len(line) > _WIDTH else 0
    shown = line[first : first + _WIDTH]
    before = shown[: column - 1 - first]
    if first:
        shown, before = f"…{shown}", f"…{before}"
    if first + _WIDTH < len(line):
        shown += "…"
    margin = " " * len(f"{number}")
    out = [f"{number} | {shown}".rstrip(), f"{margin} | {' ' * _cells(before)}^"]
    if remedy := _remedy(whole):
        out.append(f"{margin} | {remedy}")
    return "\n".join(out)


def _remedy(line: str) -> str:
    """What makes a line valid; empty unless it is a value that lacks its quotes."""
    found = _ASSIGNED.fullmatch(line)
    if found is None:
        return ""
    try:
        tomllib.loads(f"x = {found[1]}")
    except tomllib.TOMLDecodeError:
        return f'texts, and numbers with a unit, are in quotes: "{found[1]}"'
    return ""


def _cells(text: str) -> int:
    """Columns of a terminal that a text takes."""
    wide = sum(unicodedata.east_asian_width(character) in "WF" for character in text)
    return len(text) + wide - sum(unicodedata.combining(character) > 0 for character in text)
