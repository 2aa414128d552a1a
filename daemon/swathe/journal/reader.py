"""Reading a journal back, torn tail and all."""

from __future__ import annotations

import json
import struct
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, BinaryIO

from mcap.exceptions import McapError
from mcap.records import Channel, Message
from mcap.records import Chunk as McapChunk
from mcap.stream_reader import CRCValidationError, StreamReader, breakup_chunk
from mcap.writer import MCAP0_MAGIC
from zstandard import ZstdError

from swathe.errors import JournalError
from swathe.journal.entries import Chunk, Entry, Mark, MarkKind, PortChange, Tick
from swathe.journal.writer import segment_paths

__all__ = ["read_journal", "read_segment"]

_PORT = "port/"


def read_journal(
    folder: Path, *, on_torn: Callable[[Path, str], None] | None = None
) -> Iterator[Entry]:
    """Yield every entry of every run in `folder`, in the order in which they were written.

    Args:
        folder: a survey's ``journal`` folder.
        on_torn: told of each file that ends in mid-chunk, as a crash leaves it, with what was met.

    Raises:
        JournalError: there is no journal, or a file is no journal of ours.
    """
    paths = segment_paths(folder)
    if not paths:
        raise JournalError(folder, "holds no journal (files such as 0001.mcap)")
    for path in paths:
        yield from read_segment(path, on_torn=on_torn)


def read_segment(
    path: Path, *, on_torn: Callable[[Path, str], None] | None = None
) -> Iterator[Entry]:
    """Yield the entries of one journal file, up to its last whole chunk.

    Raises:
        JournalError: the file cannot be opened or is no MCAP file.
    """
    try:
        stream = path.open("rb")
    except OSError as error:
        raise JournalError(path, f"cannot be read: {error.strerror}") from error
    with stream:
        magic = stream.read(len(MCAP0_MAGIC))
        if magic != MCAP0_MAGIC:
            if MCAP0_MAGIC.startswith(magic):
                return  # killed between making the file and writing its first bytes
            raise JournalError(path, "is no MCAP file")
        stream.seek(0)
        topics: dict[int, str] = {}
        report = on_torn or _ignore
        for chunk in _whole_chunks(path, stream, report):
            try:
                records = breakup_chunk(chunk, validate_crc=True)
            except _DAMAGE as error:
                report(path, f"a damaged chunk before byte {stream.tell():,} is left out: {error}")
                continue
            for record in records:
                if isinstance(record, Channel):
                    topics[record.id] = record.topic
                elif isinstance(record, Message):
                    entry = _decoded(topics[record.channel_id], record)
                    if entry is not None:
                        yield entry


# What a torn or rotten chunk makes the container's own reader raise; zstandard's error is its own.
_DAMAGE = (McapError, CRCValidationError, EOFError, ValueError, struct.error, ZstdError)


def _ignore(_path: Path, _message: str) -> None:
    return None


def _whole_chunks(
    path: Path, stream: BinaryIO, report: Callable[[Path, str], None]
) -> Iterator[McapChunk]:
    """Yield each chunk of the file, and stop where a kill or a power cut ended it."""
    records = StreamReader(stream, emit_chunks=True).records
    while True:
        try:
            record = next(records, None)
        except _DAMAGE as error:
            report(path, f"ends in mid-chunk at byte {stream.tell():,}: {error or 'cut off'}")
            return
        if record is None:
            return
        if isinstance(record, McapChunk):
            yield record


def _decoded(topic: str, record: Message) -> Entry | None:
    time, data = record.log_time, record.data
    if topic == "tick":
        return Tick(time)
    if topic.startswith(_PORT):
        return Chunk(time, topic[len(_PORT) :], data)
    detail: dict[str, Any] = json.loads(data)
    if topic == "port-state":
        return PortChange(time, detail["port"], detail["state"], detail["detail"])
    if topic == "mark":
        return Mark(time, MarkKind(detail["kind"]), detail["detail"])
    return None  # a channel of a later version of ours
