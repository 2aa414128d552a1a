"""Decodes the records of a journal file into entries."""

from __future__ import annotations

import json
import struct
from collections.abc import Callable
from io import BytesIO
from typing import Any

from mcap.data_stream import ReadDataStream
from mcap.opcode import Opcode
from mcap.records import Channel

from swathe.journal.entries import Chunk, Entry, Mark, MarkKind, PortChange, Sent, Tick
from swathe.journal.position import Channels, channel_of
from swathe.journal.records import RECORD_HEAD

__all__ = ["EntryDecoder"]

# A message: head of the record, channel, sequence, log time, publish time; data follow.
_MESSAGE = struct.Struct("<BQHIQQ")
_MESSAGE_CODE = int(Opcode.MESSAGE)
_MESSAGE_LENGTH = _MESSAGE.size - RECORD_HEAD.size
_MARKS = frozenset(MarkKind)
_UNKNOWN = "", ""


class EntryDecoder:
    """Decodes blocks of records of one journal file, in order.

    Args:
        report: called with a message for what is left out.
        channels: those that are known from an earlier part of the file.

    Attributes:
        channels: those of the blocks so far.
    """

    def __init__(self, report: Callable[[str], None], channels: Channels | None = None) -> None:
        self._report = report
        self.channels: Channels = channels or {}
        self._reported: set[int | str] = set()

    def decode(self, block: bytes) -> list[Entry]:
        """Return the entries of a block of records.

        Raises:
            ValueError: a record does not end where the block or its own length ends; nothing of
                the block counts, its channels included.
        """
        entries: list[Entry] = []
        channels = self.channels
        at, end = 0, len(block)
        while at < end:
            if block[at] != _MESSAGE_CODE:
                code, length = RECORD_HEAD.unpack_from(block, at)
                at += RECORD_HEAD.size + length
                if code == Opcode.CHANNEL:
                    channels = {**channels, **_channel(block[at - length : at])}
                continue
            _, length, channel, _, time, _ = _MESSAGE.unpack_from(block, at)
            data = block[at + _MESSAGE.size : at + RECORD_HEAD.size + length]
            at += RECORD_HEAD.size + length
            if length < _MESSAGE_LENGTH:
                message = "a message in it is shorter than its own head"
                raise ValueError(message)
            kind, port = channels.get(channel) or self._lost(channel)
            if kind == "port":
                entries.append(Chunk(time, port, data))
            elif kind == "tick":
                entries.append(Tick(time))
            elif kind:
                entries.extend(self._rare(kind, port, time, data))
        if at != end:
            message = "a record in it is longer than the rest"
            raise ValueError(message)
        self.channels = channels
        return entries

    def _rare(self, kind: str, port: str, time: int, data: bytes) -> list[Entry]:
        """Return the entry of a message of another kind; none if it cannot be read."""
        if kind in ("sent", "unanswered"):
            return [Sent(time, port, data, unanswered=kind == "unanswered")]
        try:
            detail: dict[str, Any] = json.loads(data)
            if kind == "port-state":
                return [PortChange(time, detail["port"], detail["state"], detail["detail"])]
            name, detail = str(detail["kind"]), detail["detail"]
        except (ValueError, KeyError, TypeError) as error:
            self._report(
                f"an entry of channel {kind!r} is left out: {type(error).__name__}: {error}"
            )
            return []
        if name in _MARKS:
            return [Mark(time, MarkKind(name), detail)]
        self._report_once(name, f"marks {name!r} are of a later version and are left out")
        return []

    def _lost(self, channel: int) -> tuple[str, str]:
        self._report_once(channel, f"what channel {channel} is was in a damaged chunk")
        return _UNKNOWN

    def _report_once(self, key: int | str, message: str) -> None:
        if key not in self._reported:
            self._reported.add(key)
            self._report(message)


def _channel(body: bytes) -> Channels:
    """Return the channel of a channel record."""
    channel = Channel.read(ReadDataStream(BytesIO(body)))
    return {channel.id: channel_of(channel.topic)}
