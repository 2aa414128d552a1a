"""Reading one file of a journal, with what its copies replace of what is damaged."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from pathlib import Path
from typing import BinaryIO, NamedTuple

from mcap.writer import MCAP0_MAGIC

from swathe.errors import JournalError
from swathe.journal.copies import entries_of_copy, later_copy
from swathe.journal.damage import Damage, DamageKind
from swathe.journal.decoder import BlockNumbers, EntryDecoder, numbers_of
from swathe.journal.entries import Chunk, Entry, Lost, Mark, MarkKind
from swathe.journal.identity import SegmentIdentity
from swathe.journal.position import JournalPosition, segment_digests
from swathe.journal.records import FIRST_RECORD, BadBytes, whole_blocks
from swathe.journal.segments import Segment
from swathe.object_storage import files_of

__all__ = ["SegmentReader"]

# The topic in the record that names the channel of marks: its length, then its text.
_CHANNEL_OF_MARKS = b"\4\0\0\0mark"


class _Block(NamedTuple):
    """A decoded chunk: its numbers, its entries, the number of its marks and port changes."""

    numbers: BlockNumbers
    entries: list[Entry]
    marks: int


class SegmentReader:
    """Reads files of a journal, one after the other.

    Args:
        on_torn: called with the path and a message for each damage, and for each file that a
            crash cut off.
        only: kinds of marks: chunks in which none of them is named are not decoded; None for all.

    Attributes:
        time: of the last entry, host time in ns.
    """

    def __init__(
        self,
        on_torn: Callable[[Path, str], None],
        *,
        only: Collection[MarkKind] | None = None,
    ) -> None:
        self._on_torn = on_torn
        self._names = None if only is None else [f'"{kind}"'.encode() for kind in only]
        self.time = 0
        self._unplaced = 0
        self._segment: Segment
        self._stream: BinaryIO
        self._position: JournalPosition
        self._decoder: EntryDecoder
        self._bad: list[BadBytes] = []
        self._copy: SegmentIdentity | None = None
        self._at_start = False
        self._damaged = False  # damage of the file was reported

    def blocks(
        self,
        segment: Segment,
        start: JournalPosition,
        *,
        after: Segment | None = None,
        growing: bool = False,
    ) -> Iterator[tuple[JournalPosition, list[Entry]]]:
        """Yield the entries of each whole chunk of a file, with the position behind them.

        Args:
            segment: the file.
            start: where to begin.
            after: the file that follows, which has this one's digest; None for the last one.
            growing: whether the file is being written: its end is then neither cut off nor damaged.

        Raises:
            JournalError: the file cannot be read.
        """
        self._segment, self._position = segment, start
        self._copy = segment.identity
        path = segment.path
        self._decoder = decoder = EntryDecoder(
            lambda text: self._on_torn(path, text), start.channels
        )
        self._bad = []
        self._at_start = start.offset == FIRST_RECORD
        self._damaged = False
        try:
            with files_of(path.parent).open(path.name) as stream:
                self._stream = stream
                if start.offset == FIRST_RECORD and not self._has_magic(stream):
                    return
                blocks = whole_blocks(
                    stream,
                    self._decode,
                    self._note,
                    learn=decoder.learn,
                    on_identity=self._take_copy,
                    start=start.offset,
                    growing=growing,
                )
                for end, block in blocks:
                    entries = self._block(block, end)
                    self._at_start = False
                    yield self._moved(end, entries), entries
            if not growing and (entries := self._tail(after)):
                yield self._moved(self._position.offset, entries), entries
        except OSError as error:
            raise JournalError(path, f"cannot be read: {error.strerror}") from error

    def _decode(self, block: bytes) -> _Block:
        numbers, decoder = numbers_of(block), self._decoder
        if numbers.chunk > self._position.chunk + 1:
            # What the lost chunks named is in the next copy, or in the last one.
            self._copy = (
                later_copy(self._stream, self._position.offset, numbers.chunk - 1) or self._copy
            )
            if self._copy is not None:
                decoder.name_channels(self._copy.channels)
        names = self._names
        if names is not None and not any(name in block for name in (_CHANNEL_OF_MARKS, *names)):
            return _Block(numbers, [], 0)
        return _Block(numbers, decoder.decode(block), decoder.marks)

    def _has_magic(self, stream: BinaryIO) -> bool:
        """Take note of damaged first bytes; return False if there are no others."""
        magic = stream.read(FIRST_RECORD)
        if len(magic) < FIRST_RECORD:
            return False
        if magic != MCAP0_MAGIC:
            text = f"its first {FIRST_RECORD} bytes are not those of an MCAP file"
            self._note(BadBytes(0, FIRST_RECORD, text))
        return True

    def _note(self, bad: BadBytes) -> None:
        self._bad.append(bad)
        self._on_torn(self._segment.path, bad.text)

    def _take_copy(self, identity: SegmentIdentity) -> None:
        self._copy = identity

    def _moved(self, offset: int, entries: list[Entry]) -> JournalPosition:
        """Return the position behind these entries."""
        if entries:
            self.time = entries[-1].time
        self._position = self._position._replace(offset=offset, channels=self._decoder.channels)
        return self._position

    # --- a chunk

    def _block(self, block: _Block, end: int) -> list[Entry]:
        """Return the entries of a chunk, and before them what became of those that are missing."""
        number, chunk = block.numbers.chunk, self._position.chunk
        bad, self._bad = self._bad, []
        found: list[Entry] = self._begin(block.entries) if self._at_start else []
        if not number:
            found += self._after_loss_in_old(bad, block.entries)
        elif number <= chunk:
            text = "a chunk is there a second time, or out of order: it is left out"
            begin = self._position.offset
            damage = self._damage(DamageKind.DOUBLED, text, begin=begin, end=end)
            self._on_torn(self._segment.path, text)
            return [Lost(self.time, damage)]
        elif number > chunk + 1:
            recovered, whole = self._recovered(chunk + 1, number, block.numbers.marks)
            whole = whole and not self._decoder.unnamed
            found += self._loss(bad, recovered, number - chunk - 1, block.entries, whole=whole)
        elif bad:
            found.append(Lost(self.time, self._changed(bad)))
        if number:
            marks = block.numbers.marks_after(block.marks)
            self._position = self._position._replace(chunk=number, marks=marks)
        return found + self._placeable(block.entries)

    def _after_loss_in_old(self, bad: list[BadBytes], entries: list[Entry]) -> list[Entry]:
        """Return what is lost before a chunk of an earlier version, which has no copies."""
        if not self._decoder.unnamed and (not bad or _opens(entries[:1])):
            return [Lost(self.time, self._changed(bad))] if bad else []
        return self._loss(bad, [], 0, entries, whole=False)

    def _recovered(self, first: int, end: int, marks: int) -> tuple[list[Entry], bool]:
        """Return marks and port changes of the chunks from `first` to before `end`, by the copies.

        Also whether these are all.

        Args:
            first: as above, and
            end: likewise.
            marks: of the file before the chunk `end`, modulo 4096.
        """
        if self._names is None and marks == self._position.marks:
            return [], True
        if self._copy is None:
            return [], False
        entries, number = entries_of_copy(self._copy, self._decoder, first, end)
        before = BlockNumbers(0, self._position.marks)
        # Where not all is decoded, marks are not counted.
        return entries, self._names is not None or before.marks_after(number) == marks

    def _loss(
        self,
        bad: list[BadBytes],
        recovered: list[Entry],
        chunks: int,
        entries: list[Entry],
        *,
        whole: bool,
        kind: DamageKind = DamageKind.UNREADABLE,
        text: str = "",
    ) -> list[Entry]:
        """Return a loss with the marks that were recovered of it.

        Args:
            bad: the bytes that make no record.
            recovered: marks and port changes.
            chunks: that are lost; 0 where their number is not known.
            entries: that follow.
            whole: whether no mark is lost.
            kind: of the damage.
            text: of it; by default how many chunks are lost.
        """
        opening = recovered[:1] if _opens(recovered[:1]) else []
        first = self._placeable(opening)
        if not text:
            many = "chunks are" if chunks != 1 else "chunk is"
            text = f"{chunks or 'some'} {many} damaged or gone: their bytes are lost"
        if not whole:
            text += ", and perhaps marks: later bytes of the run belong to no cell"
        else:
            text += ", no mark is"
        damage = self._damage(
            kind,
            text,
            begin=bad[0].begin if bad else self._position.offset,
            end=bad[-1].end if bad else self._position.offset,
            chunks=chunks,
            marks_lost=not whole,
        )
        if not bad:
            self._on_torn(self._segment.path, text)
        time, until = self.time, entries[0].time if entries else None
        lost = Lost(time, damage, until=until, bytes_lost=True, marks_lost=not whole)
        rest = self._placeable(recovered[len(opening) :])
        if not whole:
            if self._at_start and self._copy is None:
                self._forget_run()  # the mark that opened the run may be lost
            self._position = self._position._replace(unknown=True)
        return [*first, lost, *rest]

    def _changed(self, bad: list[BadBytes]) -> Damage:
        text = f"bytes {bad[0].begin:,} to {bad[-1].end:,} make no record: no chunk is lost"
        return self._damage(DamageKind.CHANGED, text, begin=bad[0].begin, end=bad[-1].end)

    # --- the end of a file

    def _tail(self, after: Segment | None) -> list[Entry]:
        """Return what is damaged of the end of the file, and of the file as a whole."""
        position, copy = self._position, self._copy
        bad = [one for one in self._bad if not one.torn]
        found: list[Entry] = []
        if copy is not None and copy.end and copy.chunk > position.chunk:
            lost, _ = entries_of_copy(copy, self._decoder, position.chunk + 1)
            found = self._loss(bad, lost, copy.chunk - position.chunk, [], whole=True)
        elif bad and (copy is None or not copy.end):
            found = self._loss(bad, [], 0, [], whole=False)
        elif bad:
            found = [Lost(self.time, self._changed(bad))]
        if not found:
            found = self._by_digest(after)
        return found + self._end_of_unknown()

    def _by_digest(self, after: Segment | None) -> list[Entry]:
        """Return whether the file differs from what it was when the next one was begun."""
        then = None if after is None or after.identity is None else after.identity.previous
        if then is None or then.segment != self._segment.number:
            return []
        _, now = segment_digests(self._segment.path)
        if now[1:] == then[1:]:
            return []
        if now.size >= then.size or (self._copy is not None and self._copy.end):
            if self._damaged:
                return []  # it was reported what differs
            text = "has other bytes than when the next file was begun: no chunk is lost"
            self._on_torn(self._segment.path, text)
            return [Lost(self.time, self._damage(DamageKind.CHANGED, text, end=now.size))]
        text = f"is {then.size - now.size:,} bytes shorter than when the next file was begun: they are lost"
        copy, first = self._copy, self._position.chunk + 1
        known = [] if copy is None else entries_of_copy(copy, self._decoder, first)[0]
        cut = BadBytes(now.size, then.size, text)
        self._on_torn(self._segment.path, text)
        return self._loss([cut], known, 0, [], whole=False, kind=DamageKind.CUT, text=text)

    # --- bytes whose meaning is not known

    def _placeable(self, entries: list[Entry]) -> list[Entry]:
        """Return entries without those whose meaning is not known; count their bytes."""
        found: list[Entry] = []
        for entry in entries:
            if isinstance(entry, Mark) and entry.kind is MarkKind.OPENED:
                found += self._end_of_unknown()
                self._open(entry)
            elif isinstance(entry, Chunk) and self._position.unknown:
                self._unplaced += len(entry.data)
                continue
            elif self._position.run < 0:  # no mark opened this run: nothing of it means anything
                continue
            found.append(entry)
        return found

    def _open(self, mark: Mark) -> None:
        copy = self._copy
        run = copy.run if copy is not None else abs(self._position.run) + 1
        self._position = self._position._replace(run=run, unknown=False)
        self.time = mark.time

    def _begin(self, entries: list[Entry]) -> list[Entry]:
        """Return what comes before the first entries of a file.

        A file that continues a run of which nothing is known so far has a copy of the mark that opened
        the run; without one, nothing in it means anything.
        """
        position, copy = self._position, self._copy
        if _opens(entries[:1]):
            return []
        if copy is None:
            if position.unknown:
                self._forget_run()
            return []
        if copy.run == position.run or copy.opened is None or copy.opened.chunk:
            return []
        found = self._placeable([Mark(copy.opened.time, MarkKind.OPENED, copy.opened.detail)])
        self._position = self._position._replace(unknown=True)
        return found

    def _forget_run(self) -> None:
        run = abs(self._position.run) + 1
        self._position = self._position._replace(run=-run, unknown=True)

    def _end_of_unknown(self) -> list[Entry]:
        """Return how many bytes were left out since marks were lost."""
        unplaced, self._unplaced = self._unplaced, 0
        if not unplaced:
            return []
        text = (
            f"{unplaced:,} bytes are whole, but what they mean is not known: they belong to no cell"
        )
        self._on_torn(self._segment.path, text)
        damage = self._damage(DamageKind.UNPLACED, text, unplaced=unplaced)
        return [Lost(self.time, damage)]

    def _damage(
        self,
        kind: DamageKind,
        text: str,
        *,
        begin: int = 0,
        end: int = 0,
        chunks: int = 0,
        unplaced: int = 0,
        marks_lost: bool = False,
    ) -> Damage:
        """Return a damage of the file."""
        self._damaged = True
        return Damage(
            self._segment.number,
            self._segment.path.name,
            kind,
            text,
            begin=begin,
            end=end,
            run=max(self._position.run, 0),
            chunks=chunks,
            unplaced=unplaced,
            marks_lost=marks_lost,
        )


def _opens(entries: list[Entry]) -> bool:
    """Return whether the first entry opens a run."""
    return any(isinstance(one, Mark) and one.kind is MarkKind.OPENED for one in entries)
