"""Reading a journal: one that a crash cut off, one that is being written, and one that is damaged.

Where bytes are lost the reader gives a `Lost` entry, and the marks that were lost with them from
the file's copies (see `identity`). Where a mark may be lost without a copy, what later bytes of the
run mean is not known: they are counted, and not given.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from swathe.errors import JournalError
from swathe.journal.damage import Damage
from swathe.journal.entries import Entry, Lost
from swathe.journal.position import JournalPosition
from swathe.journal.records import FIRST_RECORD
from swathe.journal.segment_reader import SegmentReader
from swathe.journal.segments import Segment, segment_of, segment_paths, segments_of

__all__ = ["JournalCursor", "read_journal", "read_segment"]

OnTorn = Callable[[Path, str], None]


class JournalCursor:
    """Reads a journal from a position on, and later what was appended meanwhile.

    Args:
        folder: a survey's ``journal`` folder.
        start: where to begin; the journal's start without one.
        on_torn: called with the path and a message for each damage, and for each file that a
            crash cut off.
        growing: whether the last file is being written: its end is then where reading resumes.
        before: number of the first file that is left out; None for none.

    Attributes:
        position: behind the entries that were returned last.
    """

    def __init__(
        self,
        folder: Path,
        *,
        start: JournalPosition | None = None,
        on_torn: OnTorn | None = None,
        growing: bool = False,
        before: int | None = None,
    ) -> None:
        self._before = before
        self._folder = folder
        self._on_torn = on_torn or _ignore
        self._growing = growing
        self._reader = SegmentReader(self._on_torn)
        self._reported: set[Damage] = set()
        self.position = start or JournalPosition(0, FIRST_RECORD, {})

    def blocks(self) -> Iterator[list[Entry]]:
        """Yield the entries up to the present end of the journal, block by block.

        Raises:
            JournalError: a file cannot be read.
        """
        segments, damage = segments_of(self._folder)
        for place, segment in enumerate(segments):
            number = segment.number
            if number < self.position.segment:
                continue
            if self._before is not None and number >= self._before:
                break
            if number > self.position.segment:
                _, _, _, _, _, run, unknown = self.position
                start = JournalPosition(number, FIRST_RECORD, {}, run=run, unknown=unknown)
                before = [one for one in damage if one.segment <= number]
                if lost := list(self._structural(before)):
                    unknown = unknown or any(one.marks_lost for one in lost)
                    start = start._replace(unknown=unknown)
                    yield [*lost]
                self.position = start
            after = segments[place + 1] if place + 1 < len(segments) else None
            growing = self._growing and after is None
            reader = self._reader
            for position, entries in reader.blocks(
                segment, self.position, after=after, growing=growing
            ):
                self.position = position
                yield entries
        rest = [one for one in damage if self._before is None or one.segment < self._before]
        if lost := list(self._structural(rest)):
            yield [*lost]

    def _structural(self, damage: Iterable[Damage]) -> Iterator[Lost]:
        """Yield what is damaged of files as such, once."""
        for one in damage:
            if one not in self._reported:
                self._reported.add(one)
                self._on_torn(self._folder / one.file, one.text)
                yield Lost(self._reader.time, one, marks_lost=one.marks_lost)

    def share_read(self) -> float:
        """Return which share of the journal's bytes was read, 0 to 1."""
        segments, _ = segments_of(self._folder)
        sizes = {one.number: one.path.stat().st_size for one in segments}
        done = sum(size for number, size in sizes.items() if number < self.position.segment)
        return (done + self.position.offset) / max(sum(sizes.values()), 1)


def read_journal(folder: Path, *, on_torn: OnTorn | None = None) -> Iterator[Entry]:
    """Yield every entry of every run in `folder`, in the order in which they were written.

    Args:
        folder: a survey's ``journal`` folder.
        on_torn: called with the path and a message for each damage, and for each file that a
            crash cut off.

    Raises:
        JournalError: there is no journal, or a file cannot be read.
    """
    if not segment_paths(folder):
        raise JournalError(folder, "holds no journal (files such as 0001.mcap)")
    for entries in JournalCursor(folder, on_torn=on_torn).blocks():
        yield from (entry for entry in entries if not isinstance(entry, Lost))


def read_segment(path: Path, *, on_torn: OnTorn | None = None) -> Iterator[Entry]:
    """Yield the entries of one journal file: those of its whole chunks, and marks from copies.

    Raises:
        JournalError: the file cannot be read.
    """
    segment: Segment = segment_of(path)
    start = JournalPosition(segment.number, FIRST_RECORD, {})
    for _, entries in SegmentReader(on_torn or _ignore).blocks(segment, start):
        yield from (entry for entry in entries if not isinstance(entry, Lost))


def _ignore(_path: Path, _message: str) -> None:
    return None
