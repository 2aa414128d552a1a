"""Reading a journal, including one that a crash cut off."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

from mcap.records import Channel, Message
from mcap.writer import MCAP0_MAGIC

from swathe.errors import JournalError
from swathe.journal.entries import Chunk, Entry, Mark, MarkKind, PortChange, Sent, Tick
from swathe.journal.records import whole_records
from swathe.journal.writer import segment_paths

__all__ = ["read_journal", "read_segment"]

_PORT = "port/"


def read_journal(
    folder: Path, *, on_torn: Callable[[Path, str], None] | None = None
) -> Iterator[Entry]:
    """Yield every entry of every run in `folder`, in the order in which they were written.

    Args:
        folder: a survey's ``journal`` folder.
        on_torn: called with the path and a message for each damaged chunk, and for each file that
            a crash cut off.

    Raises:
        JournalError: there is no journal, or a file is not one of a journal.
    """
    paths = segment_paths(folder)
    if not paths:
        raise JournalError(folder, "holds no journal (files such as 0001.mcap)")
    for path in paths:
        yield from read_segment(path, on_torn=on_torn)


def read_segment(
    path: Path, *, on_torn: Callable[[Path, str], None] | None = None
) -> Iterator[Entry]:
    """Yield the entries of one journal file: those of its whole chunks.

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
                return  # killed between creating the file and writing its first bytes
            raise JournalError(path, "is no MCAP file")
        topics: dict[int, str] = {}
        reported: set[int] = set()
        report = on_torn or _ignore
        for record in whole_records(stream, partial(report, path)):
            if isinstance(record, Channel):
                topics[record.id] = record.topic
            elif isinstance(record, Message):
                topic = topics.get(record.channel_id)
                if topic is None and record.channel_id not in reported:
                    reported.add(record.channel_id)
                    report(path, f"what channel {record.channel_id} is was in a damaged chunk")
                entry = None if topic is None else _decoded(topic, record)
                if entry is not None:
                    yield entry


def _ignore(_path: Path, _message: str) -> None:
    return None


def _decoded(topic: str, record: Message) -> Entry | None:
    time, data = record.log_time, record.data
    if topic == "tick":
        return Tick(time)
    if topic.startswith(_PORT):
        return Chunk(time, topic[len(_PORT) :], data)
    kind, _, port = topic.partition("/")
    if port and kind in ("sent", "unanswered"):
        return Sent(time, port, data, unanswered=kind == "unanswered")
    if topic not in ("port-state", "mark"):
        return None  # a channel of a later version
    detail: dict[str, Any] = json.loads(data)
    if topic == "port-state":
        return PortChange(time, detail["port"], detail["state"], detail["detail"])
    return Mark(time, MarkKind(detail["kind"]), detail["detail"])
