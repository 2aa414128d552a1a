"""The journal: every byte that arrived and every mark, before anything else happens to them."""

from swathe.journal.entries import Chunk, Entry, Mark, MarkKind, PortChange, Sent, Tick
from swathe.journal.reader import JournalCursor, JournalPosition, read_journal, read_segment
from swathe.journal.writer import JournalWriter, segment_paths

__all__ = [
    "Chunk",
    "Entry",
    "JournalCursor",
    "JournalPosition",
    "JournalWriter",
    "Mark",
    "MarkKind",
    "PortChange",
    "Sent",
    "Tick",
    "read_journal",
    "read_segment",
    "segment_paths",
]
