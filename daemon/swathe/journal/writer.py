"""Appends to the journal: MCAP files that survive a crash.

Each run begins a file of its own, ``journal/0001.mcap``, ``0002.mcap`` and so on, and a long run
continues in the next one. A file that a crash cut off is left as it is and read up to its last
whole chunk. `JournalWriter.flush` closes a chunk (compressed, with its CRC) and hands it to the
operating system: it survives a kill of this process. `JournalWriter.sync` writes it to the disk:
it survives a power cut.

Channels: ``port/NAME`` (raw bytes), ``port-state``, ``mark`` (JSON) and ``tick`` (empty). An
entry's log time is the host's monotonic time, its publish time the wall clock.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Self, cast

from mcap.data_stream import RecordBuilder
from mcap.records import Channel
from mcap.writer import CompressionType, IndexType, Writer

from swathe.errors import JournalError, MisuseError
from swathe.journal.entries import Chunk, Entry, Mark, PortChange, Sent, Tick
from swathe.journal.position import JournalPosition, SegmentDigest, channel_of
from swathe.journal.steady_file import DiskTrouble, SteadyFile, disk_words

__all__ = ["JournalWriter", "segment_paths"]

_REFUSED = "cannot be written: {}; then run again, what is in the journal is resumed"
_CHUNK_BYTES = 1 << 20
# The container's writer keeps an entry for each chunk until its file ends. This many are half an
# hour of a run and some tens of MB of memory; then the run continues in the next file.
_MAX_CHUNKS = 60_000


def segment_paths(folder: Path) -> list[Path]:
    """Return the journal files in `folder`, oldest first."""
    return sorted(folder.glob("[0-9][0-9][0-9][0-9].mcap"))


class _HashedFile:
    """A file as the container's writer needs it, with a digest of what was written."""

    def __init__(self, stream: SteadyFile, segment: int) -> None:
        self._stream = stream
        self._segment = segment
        self._digest = hashlib.sha256()
        self._size = 0
        self.tell, self.flush = stream.tell, stream.flush

    def write(self, data: bytes) -> int:
        self._digest.update(data)
        self._size += len(data)
        return self._stream.write(data)

    def digest(self) -> SegmentDigest:
        return SegmentDigest(self._segment, self._size, self._digest.hexdigest())


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
        self._stream: SteadyFile | None = None
        self._file: _HashedFile | None = None
        self._ended: list[SegmentDigest] = []
        self._writer: Writer | None = None
        self._channels: dict[str, int] = {}
        self._chunks = 0
        self._max_chunks = max_chunks
        self.entries = 0
        self.bytes = 0
        self.path = folder

    def __enter__(self) -> Self:
        if self._stream is not None:
            message = "a journal writer is entered once"
            raise MisuseError(message)
        self._begin()
        return self

    def _begin(self) -> None:
        """Begin the next file."""
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            last = segment_paths(self._folder)
            number = int(last[-1].stem) + 1 if last else 1
            self.path = self._folder / f"{number:04d}.mcap"
            # 'x': two daemons on one survey must not write into each other.
            self._stream = SteadyFile(self.path.open("xb", buffering=0))
        except OSError as error:
            raise self._refused(disk_words(error)) from error
        self._file = _HashedFile(self._stream, number)
        self._writer = Writer(
            cast("IO[Any]", self._file),
            chunk_size=_CHUNK_BYTES,
            compression=CompressionType.ZSTD,
            # A journal is read from its start; no message is looked up.
            index_types=IndexType.NONE,
            repeat_channels=False,
        )
        self._channels = {}
        self._chunks = 0
        try:
            self._writer.start(profile="", library="swathe")
            self._hand_over(self._writer, self._stream)
            _sync_folder(self._folder)
        except OSError as error:
            raise self._refused(disk_words(error)) from error

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
        channel = self._channels.get(topic) or self._new_channel(self._writer, topic)
        self._writer.add_message(
            channel, log_time=entry.time, publish_time=self._wall_clock(), data=data
        )
        self.entries += 1
        self.bytes += len(data)

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
        if self._writer is None or self._stream is None:
            return
        self._chunks += 1
        self._hand_over(self._writer, self._stream)
        if self._chunks >= self._max_chunks:
            self.close()
            self._begin()

    def _hand_over(self, writer: Writer, stream: SteadyFile) -> None:
        writer.flush()
        stream.flush()
        if stream.trouble is not None:
            raise self._refused(stream.trouble.text)

    def _refused(self, words: str) -> JournalError:
        return JournalError(self.path, _REFUSED.format(words))

    @property
    def trouble(self) -> DiskTrouble | None:
        """What the disk refuses now; None while it takes what it is given."""
        return None if self._stream is None else self._stream.trouble

    @property
    def waiting(self) -> int:
        """Bytes that are not known to be on the disk; they are kept in memory."""
        return 0 if self._stream is None else self._stream.waiting

    @property
    def waiting_since(self) -> int | None:
        """Host time at which the oldest of them was flushed, ns; None where there are none."""
        return None if self._stream is None else self._stream.waiting_since

    @property
    def readable(self) -> bool:
        """Whether all that was flushed can be read in the file."""
        return self._stream is None or not self._stream.unwritten

    def digests(self) -> list[SegmentDigest]:
        """Return the digests of this run's files, as far as they are written."""
        return [*self._ended, *([] if self._file is None else [self._file.digest()])]

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
        return JournalPosition(segment, size, channels)

    def sync(self) -> None:
        """Write what was flushed to the disk; safe to call from another thread.

        Raises:
            JournalError: as `flush`.
        """
        stream = self._stream
        if stream is not None and not stream.sync() and (trouble := stream.trouble) is not None:
            raise self._refused(trouble.text)

    def close(self) -> None:
        """Write the end of the file, sync and close it; does nothing when it is closed already."""
        if self._writer is None or self._stream is None:
            return
        try:
            self._writer.finish()
            self._stream.close()
        except OSError as error:
            lost = f"{disk_words(error)}; its last {self._stream.waiting:,} bytes are lost"
            raise self._refused(lost) from error
        finally:
            self._writer = None
            if self._file is not None:
                self._ended.append(self._file.digest())
                self._file = None


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


def _sync_folder(folder: Path) -> None:
    """Sync a folder, so that a new file's name survives a power cut (not possible on Windows)."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
