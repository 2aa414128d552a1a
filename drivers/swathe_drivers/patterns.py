"""Regular expressions of settings files, matched in time proportional to pattern and line.

A matcher that tries one reading of a text after the other, as Python's `re` does, may never end:
`(a+)+` doubles its steps with each byte of a line that does not fit, and holds the interpreter
meanwhile (OWASP, "Regular expression Denial of Service"). Here both come from outside.
RE2 follows all readings at once and gives the same groups as a backtracking matcher (R. Cox,
"Regular Expression Matching in the Wild", 2010). What it cannot match that way is refused, and so is
what the two would read differently, so that a pattern is one of Python's.
"""

import re
import warnings
from collections.abc import Mapping
from typing import Final

import re2

MAX_SIZE: Final = 2000
"""Steps of a pattern: a repeat such as `{200}` counts as often as it says."""

MAX_WORK: Final = 1 << 24
"""Steps of a pattern times bytes of its longest line: some tenths of a second at most."""

_MEMORY: Final = 1 << 20  # bytes that one pattern may take, tables of its automaton included
_WHOLE: Final = re2._Anchor.ANCHOR_BOTH
_ABSENT: Final = -1
# A repeat to Python, plain characters to RE2.
_NO_LOWER_LIMIT: Final = re.compile(r"\{,[0-9]*\}")


class PatternError(ValueError):
    """A text is not a pattern that can be matched; its text is the requirement, `must ...`."""


class LinePattern:
    r"""A regular expression for whole lines, whose characters are bytes (Latin-1).

    Can be pickled. `\d`, `\w`, `\s` and `(?i)` mean ASCII; `$` is the end of the line only.

    Args:
        text: the expression, of characters up to U+00FF.

    Raises:
        PatternError: it is no regular expression, or one that cannot be matched in bounded time;
            correct the settings.
    """

    __slots__ = ("_match", "groups", "size", "text")

    def __init__(self, text: str) -> None:
        self.text: Final = text
        compiled = _compile(text.encode("latin-1"))
        self.size: Final[int] = compiled.programsize
        if self.size > MAX_SIZE:
            message = (
                f"must be shorter or repeat less: it has {self.size} steps, {MAX_SIZE} at most"
            )
            raise PatternError(message)
        names: dict[bytes, int] = compiled.groupindex
        self.groups: Final[Mapping[str, int]] = {
            name.decode("latin-1"): number for name, number in names.items()
        }
        # Without the wrapper's match object, which costs more than the match.
        self._match = compiled._regexp.Match

    def __reduce__(self) -> tuple[type["LinePattern"], tuple[str]]:
        """Pickle the text: the automaton is C++."""
        return LinePattern, (self.text,)

    def spans(self, line: bytes | bytearray) -> list[tuple[int, int]] | None:
        """Return where the groups of a line are, or None if the pattern does not fit all of it.

        The first byte and the one behind the last, for the whole line and then each group by its number; -1 and -1
        for a group that took no part.
        """
        found: list[tuple[int, int]] = self._match(_WHOLE, line, 0, len(line))
        return None if found[0][0] == _ABSENT else found

    def named(self, line: bytes) -> dict[str, str | None] | None:
        """Return the text of each named group, or None if the pattern does not fit all of the line.

        A group that took no part is None.
        """
        found = self.spans(line)
        if found is None:
            return None
        texts: dict[str, str | None] = {}
        for name, number in self.groups.items():
            start, end = found[number]
            texts[name] = None if start == _ABSENT else line[start:end].decode("latin-1")
        return texts


def _compile(text: bytes) -> "re2._Regexp":
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # of what Python itself may come to read differently
        try:
            re.compile(text)
        except (re.error, Warning, OverflowError, RecursionError) as error:
            message = f"must be a regular expression: {error}"
            raise PatternError(message) from None
    if found := _NO_LOWER_LIMIT.search(text.decode("latin-1")):
        message = f"must give both ends of a repeat: '{{0{found[0][1:]}' instead of '{found[0]}'"
        raise PatternError(message)
    options = re2.Options()
    options.encoding = re2.Options.Encoding.LATIN1
    options.max_mem = _MEMORY
    options.log_errors = False
    try:
        return re2.compile(text, options)
    except re2.error as error:
        reason = error.args[0]
        reason = reason.decode("latin-1") if isinstance(reason, bytes) else reason
        message = (
            "must be a regular expression that can be matched in bounded time, without look-around, \\Z,"
            " references to groups, atomic groups, possessive repeats, and repeats above 1000:"
            f" {reason}"
        )
        raise PatternError(message) from None


__all__ = ["MAX_SIZE", "MAX_WORK", "LinePattern", "PatternError"]
