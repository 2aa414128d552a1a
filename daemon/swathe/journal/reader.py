"""Reading a journal, including one that a crash cut off and one that is being written."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

from mcap.writer import MCAP0_MAGIC

from swathe.errors import JournalError
from swathe.journal.decoder import EntryDecoder
from swathe.journal.entries import Entry
from swathe.journal.position import JournalPosition
from swathe.journal.records import FIRST_RECORD, whole_blocks
from swathe.journal.writer import segment_paths

__all__ = ["JournalCursor", "read_journal", "read_segment"]

OnTorn = Callable[[Path, str], None]


class JournalCursor:
    """Reads a journal from a position on, and later what was appended meanwhile.

    Args:
        folder: a survey's ``journal`` folder.
        start: where to begin; the journal's start without one.
        on_torn: called with the path and a message for each damaged chunk, and for each file that
            a crash cut off.
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
        self.position = start or JournalPosition(0, FIRST_RECORD, {})

    def blocks(self) -> Iterator[list[Entry]]:
        """Yield the entries up to the present end of the journal, block by block.

        Raises:
            JournalError: a file cannot be read, or is not one of a journal.
        """
        paths = segment_paths(self._folder)
        for path in paths:
            number = int(path.stem)
            if number < self.position.segment:
                continue
            if self._before is not None and number >= self._before:
                return
            if number > self.position.segment:
                self.position = JournalPosition(number, FIRST_RECORD, {})
            growing = self._growing and path is paths[-1]
            for position, entries in _blocks(path, self.position, self._on_torn, growing):
                self.position = position
                yield entries

    def share_read(self) -> float:
        """Return which share of the journal's bytes was read, 0 to 1."""
        sizes = {int(path.stem): path.stat().st_size for path in segment_paths(self._folder)}
        done = sum(size for number, size in sizes.items() if number < self.position.segment)
        return (done + self.position.offset) / max(sum(sizes.values()), 1)


def read_journal(folder: Path, *, on_torn: OnTorn | None = None) -> Iterator[Entry]:
    """Yield every entry of every run in `folder`, in the order in which they were written.

    Args:
        folder: a survey's ``journal`` folder.
        on_torn: called with the path and a message for each damaged chunk, and for each file that
            a crash cut off.

    Raises:
        JournalError: there is no journal, or a file is not one of a journal.
    """
    if not segment_paths(folder):
        raise JournalError(folder, "holds no journal (files such as 0001.mcap)")
    for entries in JournalCursor(folder, on_torn=on_torn).blocks():
        yield from entries


def read_segment(path: Path, *, on_torn: OnTorn | None = None) -> Iterator[Entry]:
    """Yield the entries of one journal file: those of its whole chunks.

    Raises:
        JournalError: the file cannot be opened or is no MCAP file.
    """
    start = JournalPosition(0, FIRST_RECORD, {})
    for _, entries in _blocks(path, start, on_torn or _ignore, growing=False):
        yield from entries


def _blocks(
    path: Path, start: JournalPosition, on_torn: OnTorn, growing: bool
) -> Iterator[tuple[JournalPosition, list[Entry]]]:
    """Yield the entries of each whole block of a file, with the position behind them."""
    try:
        stream = path.open("rb")
    except OSError as error:
        raise JournalError(path, f"cannot be read: {error.strerror}") from error
    with stream:
        magic = stream.read(FIRST_RECORD)
        if magic != MCAP0_MAGIC:
            if MCAP0_MAGIC.startswith(magic):
                return  # killed between creating the file and writing its first bytes
            raise JournalError(path, "is no MCAP file")
        report = partial(on_torn, path)
        decoder = EntryDecoder(report, start.channels)
        blocks = whole_blocks(stream, decoder.decode, report, start=start.offset, growing=growing)
        for end, entries in blocks:
            yield JournalPosition(start.segment, end, decoder.channels), entries


def _ignore(_path: Path, _message: str) -> None:
    return None
