"""What a report consists of, before it becomes HTML: sections of text, lists, tables and pictures.

All texts are plain: whoever renders them escapes them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from rich.table import Table

__all__ = [
    "DataTable",
    "DrawnPicture",
    "FactList",
    "Paragraph",
    "ReportBlock",
    "ReportDocument",
    "ReportSection",
    "SignatureLines",
    "TextLines",
    "capped",
    "data_table",
]


@dataclass(frozen=True, slots=True)
class Paragraph:
    """A paragraph; a caution is set off, a note is small."""

    text: str
    kind: Literal["plain", "caution", "note"] = "plain"


@dataclass(frozen=True, slots=True)
class TextLines:
    """A list of lines; those indented by four spaces belong to the line before them."""

    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FactList:
    """Names and values; an empty value is a line to fill in by hand."""

    facts: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class DataTable:
    """A table.

    Attributes:
        caption: what it shows.
        heads: of the columns.
        rows: of cells, as many as heads.
        words: whether each column holds words, which begin at its left edge.
    """

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    words: tuple[bool, ...]


@dataclass(frozen=True, slots=True)
class DrawnPicture:
    """A picture as PNG, with the size that it has on paper.

    Attributes:
        png: contents.
        width: on paper, mm.
        height: on paper, mm.
        caption: below it.
        alternative: what it shows, for who does not see it.
    """

    png: bytes
    width: float
    height: float
    caption: str
    alternative: str


@dataclass(frozen=True, slots=True)
class SignatureLines:
    """Lines to sign: a role each, and the name where it is known."""

    roles: tuple[tuple[str, str], ...]


ReportBlock = Paragraph | TextLines | FactList | DataTable | DrawnPicture | SignatureLines


@dataclass(frozen=True, slots=True)
class ReportSection:
    """A numbered section of a report."""

    title: str
    blocks: tuple[ReportBlock, ...]


@dataclass(frozen=True, slots=True)
class ReportDocument:
    """A report.

    Attributes:
        title: what kind of report it is.
        subject: the part, and the survey.
        running: on top of each printed page.
        warnings: what keeps the figures from being taken as they are, on the cover.
        cover: entries of the cover.
        cautions: at the foot of the cover.
        sections: in their order.
    """

    title: str
    subject: str
    running: str
    warnings: tuple[str, ...]
    cover: FactList
    cautions: tuple[str, ...]
    sections: tuple[ReportSection, ...]


def data_table(
    table: Table, caption: str, *, words: Sequence[str] = ("cause", "opened", "closed", "next to")
) -> DataTable:
    """Return a table of the terminal as one of a report.

    Args:
        table: its cells are text.
        caption: what it shows.
        words: heads of the columns that hold words.
    """
    heads = tuple(str(column.header) for column in table.columns)
    cells = [[str(cell) for cell in column.cells] for column in table.columns]
    return DataTable(
        caption, heads, tuple(zip(*cells, strict=True)), tuple(head in words for head in heads)
    )


def capped(lines: Sequence[str], most: int, what: str) -> list[str]:
    """Return the last `most` lines, and how many earlier ones there are."""
    if len(lines) <= most:
        return list(lines)
    return [
        f"{len(lines) - most:,} earlier {what} are in survey.json",
        *lines[len(lines) - most :],
    ]
