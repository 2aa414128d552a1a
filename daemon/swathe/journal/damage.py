"""What is damaged in a journal, and what that costs."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Damage", "DamageKind"]


class DamageKind(StrEnum):
    """Kind of a damage."""

    MISSING = "missing"
    """A file of the journal is not there."""

    FOREIGN = "foreign"
    """A file is one of another survey's journal; it is not read."""

    DOUBLED = "doubled"
    """A file or a chunk is there twice; it is read once."""

    REORDERED = "reordered"
    """A file has the name of another one; it is read where it belongs."""

    CUT = "cut"
    """A file is shorter than when the next one was begun."""

    CHANGED = "changed"
    """A file has other bytes than when the next one was begun, or bytes that are no record."""

    UNREADABLE = "unreadable chunk"
    """Chunks of a file are damaged or gone."""

    UNPLACED = "unplaced"
    """Bytes are whole, but what they mean is not known: they count for no cell."""


@dataclass(frozen=True, slots=True)
class Damage:
    """One damage of a journal.

    Attributes:
        segment: number of the file, and
        file: its name.
        kind: of the damage.
        begin: first byte in the file, and
        end: byte behind the last one; both 0 where no stretch of bytes is meant.
        text: what it is and what it costs, for people.
        run: number of the run, from 1; 0 where it is not known.
        since: ns UTC; what is lost came after this, None where that is not known.
        until: ns UTC; what is lost came before this, None where that is not known.
        chunks: that are lost; 0 where their number is not known.
        unplaced: bytes of the file that were not decoded, or belong to no cell because of it.
        marks_lost: whether marks or port changes may be lost.
    """

    segment: int
    file: str
    kind: DamageKind
    text: str
    begin: int = 0
    end: int = 0
    run: int = 0
    since: int | None = None
    until: int | None = None
    chunks: int = 0
    unplaced: int = 0
    marks_lost: bool = False

    def __str__(self) -> str:
        """Return file and text."""
        return f"{self.file}: {self.text}"
