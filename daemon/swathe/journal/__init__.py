"""The journal: every byte that arrived and every mark, before anything else happens to them."""

from swathe.journal.entries import Chunk, Entry, Mark, MarkKind, PortChange, Sent, Tick
from swathe.journal.marks import read_marks
from swathe.journal.position import JournalPosition, SegmentDigest, segment_digests
from swathe.journal.reader import JournalCursor, read_journal, read_segment
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
    "SegmentDigest",
    "Sent",
    "Tick",
    "read_journal",
    "read_marks",
    "read_segment",
    "segment_digests",
    "segment_paths",
]
