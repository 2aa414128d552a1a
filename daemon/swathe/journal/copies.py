"""What a journal file holds a second time, where the first is damaged."""

from __future__ import annotations

from typing import BinaryIO

from swathe.journal.decoder import EntryDecoder
from swathe.journal.entries import Entry, Mark, MarkKind
from swathe.journal.identity import SegmentIdentity
from swathe.journal.records import identities

__all__ = ["entries_of_copy", "later_copy"]


def later_copy(stream: BinaryIO, offset: int, chunk: int) -> SegmentIdentity | None:
    """Return the next copy of a file's marks that has those of a chunk; None without one.

    Args:
        stream: the file.
        offset: of a record, from which on to search.
        chunk: number of the chunk.
    """
    return next((one for one in identities(stream, offset) if one.chunk >= chunk), None)


def entries_of_copy(
    copy: SegmentIdentity, decoder: EntryDecoder, first: int, end: int | None = None
) -> tuple[list[Entry], int]:
    """Return marks and port changes of some chunks by a copy, and their number.

    Those of a later version are counted, and not among the entries.

    Args:
        copy: of the file.
        decoder: of the file.
        first: number of the first of these chunks.
        end: number of the chunk behind the last one; None for all.
    """
    entries: list[Entry] = []
    number = 0
    opened = copy.opened
    if opened is not None and first <= opened.chunk and (end is None or opened.chunk < end):
        entries.append(Mark(opened.time, MarkKind.OPENED, opened.detail))
        number += 1
    for mark in copy.marks:
        if first <= mark.chunk and (end is None or mark.chunk < end):
            entries += decoder.copies(mark.topic, mark.time, mark.message)
            number += 1
    return entries, number
