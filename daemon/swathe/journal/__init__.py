"""The journal: every byte that arrived and every mark, before anything else happens to them."""

from swathe.journal.damage import Damage, DamageKind
from swathe.journal.entries import Chunk, Entry, Lost, Mark, MarkKind, PortChange, Sent, Tick
from swathe.journal.marks import read_marks
from swathe.journal.position import JournalPosition, SegmentDigest, segment_digests
from swathe.journal.reader import JournalCursor, read_journal, read_segment
from swathe.journal.segments import opening_marks, segment_paths, segments_of
from swathe.journal.writer import JournalWriter

__all__ = [
    "Chunk",
    "Damage",
    "DamageKind",
    "Entry",
    "JournalCursor",
    "JournalPosition",
    "JournalWriter",
    "Lost",
    "Mark",
    "MarkKind",
    "PortChange",
    "SegmentDigest",
    "Sent",
    "Tick",
    "opening_marks",
    "read_journal",
    "read_marks",
    "read_segment",
    "segment_digests",
    "segment_paths",
    "segments_of",
]
