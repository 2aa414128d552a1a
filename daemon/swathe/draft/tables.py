"""Tables of a station file with a comment for each key, as TOML text."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from swathe_drivers.suggest.writing import text_of

__all__ = ["KeyDraft", "TableDraft", "station_file_text"]

_COMMENT_AT = 36
_WIDTH = 98


@dataclass(frozen=True, slots=True)
class KeyDraft:
    """A key of a table.

    Attributes:
        key: within the table, dotted where that is shorter than a table of its own.
        value: whatever TOML has; a list of tables is written line by line.
        comment: what it means, with its unit where the value shows none.
        off: whether it is shown as a comment: a key that is worth knowing and not in effect.
    """

    key: str
    value: object
    comment: str = ""
    off: bool = False


@dataclass(frozen=True, slots=True)
class TableDraft:
    """A table.

    Attributes:
        header: such as ``scan`` or ``device.gauge``; empty for keys ahead of all tables.
        entries: its keys.
        comment: ahead of it, broken into lines.
        repeated: whether it is one of a list of tables, such as ``exclude``.
    """

    header: str
    entries: tuple[KeyDraft, ...]
    comment: str = ""
    repeated: bool = False


def station_file_text(tables: Sequence[TableDraft]) -> str:
    """Return tables as TOML text, an empty line between them."""
    blocks = []
    for table in tables:
        lines = _comment_lines(table.comment)
        if lines and not table.header and table.entries and not table.entries[0].off:
            lines.append("")
        if table.header:
            lines.append(f"[[{table.header}]]" if table.repeated else f"[{table.header}]")
        for entry in table.entries:
            lines += _entry_lines(entry)
        blocks.append("\n".join(lines))
    return "\n\n".join(blocks) + "\n"


def _comment_lines(text: str) -> list[str]:
    """Return a comment as lines; paragraphs keep apart."""
    lines: list[str] = []
    for paragraph in text.splitlines():
        lines += textwrap.wrap(
            paragraph,
            _WIDTH,
            initial_indent="# ",
            subsequent_indent="# ",
            break_long_words=False,
            break_on_hyphens=False,
        )
    return lines


def _entry_lines(entry: KeyDraft) -> list[str]:
    """Return a key with its value, the comment behind it or, where there is no room, ahead of it."""
    if _is_tables(entry.value):
        assert isinstance(entry.value, Sequence)  # noqa: S101  for the type checker
        first, *rest = [
            f"{entry.key} = [",
            *(f"  {text_of(item)}," for item in entry.value),
            "]",
        ]
        return [_with_comment(first, entry.comment), *rest]
    written = f"{entry.key} = {text_of(_plain(entry.value))}"
    if entry.off:
        written = f"# {written}"
    line = _with_comment(written, entry.comment)
    if len(line) > _WIDTH and entry.comment and not entry.off:
        return [*_comment_lines(entry.comment), written]
    return [line]


def _with_comment(written: str, comment: str) -> str:
    return f"{written:{_COMMENT_AT - 1}} # {comment}" if comment else written


def _is_tables(value: object) -> bool:
    return (
        isinstance(value, Sequence)
        and not isinstance(value, str)
        and bool(value)
        and all(isinstance(item, Mapping) for item in value)
    )


def _plain(value: object) -> object:
    """Return a whole number without its decimal point."""
    return int(value) if isinstance(value, float) and value.is_integer() else value
