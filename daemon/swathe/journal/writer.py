"""Appends to the journal: MCAP files that survive a crash.

Each run begins a file of its own, ``journal/0001.mcap``, ``0002.mcap`` and so on, and a long run
continues in the next one. A file that a crash cut off is left as it is and read up to its last
whole chunk; the next run syncs it before it begins. A file appears with its first chunk, written and synced, or not at all; it states which
survey, run and number it is, and holds the digest of the file before (see `identity`).
`JournalWriter.flush` closes a chunk (compressed, with its CRC) and hands it to the
operating system: it survives a kill of this process. `JournalWriter.sync` writes it to the disk:
it survives a power cut.

Channels: ``port/NAME`` (raw bytes), ``port-state``, ``mark`` (JSON) and ``tick`` (empty). An
entry's log time is the host's monotonic time, its publish time the wall clock. Its sequence number
has the number of its chunk in the lower 20 bits, from 1, and above them the number of marks and port
changes of the file before it, modulo 4096.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Self, cast

from mcap.data_stream import RecordBuilder
from mcap.records import Channel
from mcap.writer import CompressionType, IndexType, Writer

from swathe.errors import JournalError, MisuseError
from swathe.journal.decoder import MARKS_MODULUS, sequence_number
from swathe.journal.entries import Chunk, Entry, Lost, Mark, MarkKind, PortChange, Sent, Tick
from swathe.journal.identity import (
    ATTACHMENT,
    MEDIA_TYPE,
    MarkCopy,
    OpeningCopy,
    SegmentIdentity,
)
from swathe.journal.position import JournalPosition, SegmentDigest, channel_of, segment_digests
from swathe.journal.segment_file import SegmentFile, sync_earlier
from swathe.journal.segments import next_segment_number, segments_of
from swathe.journal.steady_file import DiskTrouble, disk_words

__all__ = ["JournalWriter"]

_REFUSED = "cannot be written: {}; then run again, what is in the journal is resumed"
_CHUNK_BYTES = 1 << 20
# The container's writer keeps an entry for each chunk until its file ends. This many are half an
# hour of a run and some tens of MB of memory; then the run continues in the next file.
_MAX_CHUNKS = 60_000
# The next run takes the digest of the last file before it journals: this much takes a moment.
_MAX_BYTES = 128 << 20
# Marks that were added are repeated this often, ns, and at the end of the file.
_REPEAT_NS = 60_000_000_000
# The container's writer is to close no chunk by itself: chunks are numbered here.
_NO_LIMIT = 1 << 62
_MESSAGE_BYTES = 31  # of a message's head


class JournalWriter:
    """Writes one run's journal; a context manager that is entered once.

    Not thread-safe, except for `sync`, which uses the file's descriptor only and may run in
    another thread.

    Args:
        folder: the survey's ``journal`` folder; created when missing.
        wall_clock: ns since 1970, for the publish times.
        max_chunks: chunks after which a run continues in the next file.

    Attributes:
        entries: written so far.
        bytes: of their contents.
        path: of the present file.
    """

    def __init__(
        self,
        folder: Path,
        *,
        wall_clock: Callable[[], int] = time.time_ns,
        max_chunks: int = _MAX_CHUNKS,
    ) -> None:
        self._folder = folder
        self._wall_clock = wall_clock
        self._entered = False
        self._file: SegmentFile | None = None
        self._ended: list[SegmentDigest] = []
        self._writer: Writer | None = None
        self._channels: dict[str, int] = {}
        self._max_chunks = max_chunks
        self._number = 0
        self._run = 0
        self._survey = ""
        self._opened: OpeningCopy | None = None
        self._previous: SegmentDigest | None = None
        self._chunk = 1  # number of the chunk in progress
        self._pending = 0  # bytes in it
        self._marks: list[MarkCopy] = []
        self._mark_count = 0
        self._repeated = 0, 0  # number of marks and journal time at the last copy
        self._time = 0
        self.entries = 0
        self.bytes = 0
        self.path = folder

    def __enter__(self) -> Self:
        if self._entered:
            message = "a journal writer is entered once"
            raise MisuseError(message)
        self._entered = True
        self._begin()
        return self

    def _begin(self) -> None:
        """Begin the next file, under a name that nothing reads until it has its first chunk."""
        try:
            if self._ended:
                self._number, self._previous = self._ended[-1].segment + 1, self._ended[-1]
            else:
                self._follow_earlier_runs()
            self.path = self._folder / f"{self._number:04d}.mcap"
            self._file = SegmentFile(self._folder, self._number)
        except OSError as error:
            raise self._refused(disk_words(error)) from error
        self._writer = Writer(
            cast("IO[Any]", self._file),
            chunk_size=_NO_LIMIT,
            compression=CompressionType.ZSTD,
            # A journal is read from its start; no message is looked up.
            index_types=IndexType.ATTACHMENT,
            repeat_channels=False,
        )
        self._channels = {}
        self._chunk, self._pending = 1, 0
        self._marks, self._mark_count = [], 0
        if self._opened is not None:
            self._opened = self._opened._replace(chunk=0)
        self._writer.start(profile="", library="swathe")
        if self._ended:
            self._identify(chunk=0)
            self._writer.flush()
            self._publish(self._file)

    def _follow_earlier_runs(self) -> None:
        """Find number, run and predecessor of the run's first file."""
        self._number, self._run = next_segment_number(self._folder), 1
        if segments := segments_of(self._folder).segments:
            last = segments[-1]
            self._run += last.number if last.identity is None else last.identity.run
            sync_earlier(last.path)
            _, self._previous = segment_digests(last.path, number=last.number)

    def _identify(self, *, chunk: int, end: bool = False) -> None:
        """Write which file this is, with its marks so far."""
        identity = SegmentIdentity(
            survey=self._survey,
            run=self._run,
            segment=self._number,
            previous=self._previous,
            opened=self._opened,
            chunk=chunk,
            end=end,
            channels=tuple(self._channels),
            marks=tuple(self._marks),
        )
        assert self._writer is not None  # noqa: S101  of the file that is open
        data = identity.encoded()
        self._writer.add_attachment(0, self._time, ATTACHMENT, MEDIA_TYPE, data)
        self._repeated = self._mark_count, self._time

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def write(self, entry: Entry) -> None:
        """Append `entry`; it survives a kill after the next `flush`.

        Raises:
            MisuseError: the writer is not open.
        """
        if self._writer is None:
            message = "write to a journal that is not open"
            raise MisuseError(message)
        topic, data = _encoded(entry)
        self._time = entry.time
        if not self.entries:
            self._open(entry)
        channel = self._channels.get(topic) or self._new_channel(self._writer, topic)
        self._writer.add_message(
            channel,
            log_time=entry.time,
            publish_time=self._wall_clock(),
            data=data,
            sequence=sequence_number(self._chunk, self._mark_count),
        )
        if isinstance(entry, Mark | PortChange):
            self._keep_copy(entry, topic, data)
        self._pending += len(data) + _MESSAGE_BYTES
        if self._pending > _CHUNK_BYTES:
            self._end_chunk(self._writer)
        self.entries += 1
        self.bytes += len(data)

    def _open(self, entry: Entry) -> None:
        """Write which file this is, before its first entry."""
        if isinstance(entry, Mark) and entry.kind is MarkKind.OPENED:
            self._survey = str(entry.detail.get("survey", ""))
            self._opened = OpeningCopy(1, entry.time, entry.detail)
        self._identify(chunk=0)

    def _keep_copy(self, entry: Mark | PortChange, topic: str, data: bytes) -> None:
        self._mark_count += 1
        opened = self._opened
        first = self._mark_count == 1 and opened is not None and opened.chunk == 1
        if not (first and isinstance(entry, Mark) and entry.kind is MarkKind.OPENED):
            self._marks.append(MarkCopy(self._chunk, entry.time, topic, data.decode()))

    def _end_chunk(self, writer: Writer) -> None:
        """Close the chunk in progress; repeat the marks if it is time."""
        if self._pending:
            writer.flush()
            # The library keeps an index of each chunk, 0.6 kB, also where none is written at the end.
            getattr(writer, "_Writer__chunk_indices", []).clear()
            self._chunk += 1
            self._pending = 0
            count, time_ns = self._repeated
            if self._mark_count != count and self._time - time_ns >= _REPEAT_NS:
                self._identify(chunk=self._chunk - 1)

    def _new_channel(self, writer: Writer, topic: str) -> int:
        encoding = "json" if topic in ("mark", "port-state") else "application/octet-stream"
        number = writer.register_channel(topic, encoding, schema_id=0)
        self._channels[topic] = number
        # A copy outside the chunks: the chunk that names the channel may be the damaged one.
        record = RecordBuilder()
        Channel(id=number, topic=topic, message_encoding=encoding, schema_id=0, metadata={}).write(
            record
        )
        if self._file is not None:
            self._file.write(record.end())
        return number

    def flush(self) -> None:
        """Close the chunk and hand it to the operating system; begin the next file if it is time.

        Raises:
            JournalError: the disk takes nothing. What was written so far is kept in memory: it is
                written by the next `sync` that succeeds, or is lost with this process.
        """
        if self._writer is None or self._file is None or not self.entries:
            return
        self._end_chunk(self._writer)
        self._writer.flush()
        if self._file.steady.trouble is not None:
            raise self._refused(self._file.steady.trouble.text)
        if not self._file.published and (self._ended or self._chunk > 1):
            self._publish(self._file)
        if self._file.tell() >= _MAX_BYTES or self._chunk > self._max_chunks:
            self.close()
            self._begin()

    def _publish(self, file: SegmentFile) -> None:
        """Let the file appear under its name, with what was flushed on the disk."""
        if not file.steady.sync():
            trouble = file.steady.trouble
            raise self._refused("see to the disk" if trouble is None else trouble.text)
        try:
            file.publish()
        except OSError as error:
            raise self._refused(disk_words(error)) from error

    def _refused(self, words: str) -> JournalError:
        return JournalError(self.path, _REFUSED.format(words))

    @property
    def trouble(self) -> DiskTrouble | None:
        """What the disk refuses now; None while it takes what it is given."""
        return None if self._file is None else self._file.steady.trouble

    @property
    def waiting(self) -> int:
        """Bytes that are not known to be on the disk; they are kept in memory."""
        return 0 if self._file is None else self._file.steady.waiting

    @property
    def waiting_since(self) -> int | None:
        """Host time at which the oldest of them was flushed, ns; None where there are none."""
        return None if self._file is None else self._file.steady.waiting_since

    @property
    def readable(self) -> bool:
        """Whether all that was flushed can be read in the file."""
        return self._file is None or not self._file.steady.unwritten

    def digests(self) -> list[SegmentDigest]:
        """Return the digests of this run's files, as far as they are written."""
        file = self._file
        return [*self._ended, *([file.digest()] if file is not None and file.published else [])]

    def position(self) -> JournalPosition:
        """Return the position behind what is flushed, for a cursor.

        Raises:
            MisuseError: the writer is not open.
        """
        if self._file is None:
            message = "position in a journal that is not open"
            raise MisuseError(message)
        segment, size, _ = self._file.digest()
        channels = {number: channel_of(topic) for topic, number in self._channels.items()}
        return JournalPosition(
            segment,
            size,
            channels,
            self._chunk - 1,
            self._mark_count % MARKS_MODULUS,
            0 if self._opened is None else self._run,
        )

    def sync(self) -> None:
        """Write what was flushed to the disk; safe to call from another thread.

        Raises:
            JournalError: as `flush`.
        """
        if (file := self._file) is None:
            return
        if not file.steady.sync() and (trouble := file.steady.trouble) is not None:
            raise self._refused(trouble.text)

    def close(self) -> None:
        """Write the end of the file, sync and close it; does nothing when it is closed already."""
        if self._writer is None or self._file is None:
            return
        writer, file = self._writer, self._file
        try:
            if self.entries:
                self._end_chunk(writer)
                self._identify(chunk=self._chunk - 1, end=True)
                writer.finish()
                file.flush()
                if not file.published:
                    self._publish(file)
        except JournalError:
            file.discard()
            raise
        finally:
            self._writer = self._file = None
        try:
            file.close()
        except OSError as error:
            lost = f"{disk_words(error)}; its last {file.steady.waiting:,} bytes are lost"
            raise self._refused(lost) from error
        finally:
            if file.published:
                self._ended.append(file.digest())


def _encoded(entry: Entry) -> tuple[str, bytes]:
    match entry:
        case Chunk():
            return f"port/{entry.port}", entry.data
        case Sent():
            return f"{'unanswered' if entry.unanswered else 'sent'}/{entry.port}", entry.data
        case Tick():
            return "tick", b""
        case PortChange():
            detail = {"port": entry.port, "state": entry.state, "detail": entry.detail}
            return "port-state", json.dumps(detail).encode()
        case Mark():
            return "mark", json.dumps({"kind": entry.kind, "detail": entry.detail}).encode()
        case Lost():
            message = "a loss is what a reader finds: it is never journalled"
            raise MisuseError(message)
