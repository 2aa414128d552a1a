"""Decodes the records of a journal file into entries."""

from __future__ import annotations

import json
import struct
from collections.abc import Callable
from io import BytesIO
from typing import Any, NamedTuple

from mcap.data_stream import ReadDataStream
from mcap.opcode import Opcode
from mcap.records import Channel

from swathe.journal.entries import Chunk, Entry, Mark, MarkKind, PortChange, Sent, Tick
from swathe.journal.position import Channels, channel_of
from swathe.journal.records import RECORD_HEAD

__all__ = ["MARKS_MODULUS", "BlockNumbers", "EntryDecoder", "numbers_of", "sequence_number"]

# A message: head of the record, channel, sequence, log time, publish time; data follow.
_MESSAGE = struct.Struct("<BQHIQQ")
_MESSAGE_CODE = int(Opcode.MESSAGE)
_MESSAGE_LENGTH = _MESSAGE.size - RECORD_HEAD.size
_MARKS = frozenset(MarkKind)
_UNKNOWN = "", ""
_CHUNK_BITS = 20
MARKS_MODULUS = 1 << 12
"""Marks are counted modulo this, in sequence numbers."""


class BlockNumbers(NamedTuple):
    """How a chunk of a journal file is numbered.

    Attributes:
        chunk: its number in the file, from 1; 0 in a journal of an earlier version.
        marks: marks and port changes of the file before the chunk, modulo 4096.
    """

    chunk: int
    marks: int

    def marks_after(self, number: int) -> int:
        """Return the marks of the file after `number` more of them, modulo 4096."""
        return (self.marks + number) % MARKS_MODULUS


def sequence_number(chunk: int, marks: int) -> int:
    """Return the sequence number of a message.

    Args:
        chunk: number of the message's chunk in the file, from 1.
        marks: marks and port changes of the file before the message.
    """
    return (marks % MARKS_MODULUS) << _CHUNK_BITS | chunk


def numbers_of(block: bytes) -> BlockNumbers:
    """Return the numbers of a block of records by its first message; 0 without one.

    Raises:
        struct.error: a record ends too early.
    """
    at = 0
    while at < len(block):
        code, length = RECORD_HEAD.unpack_from(block, at)
        if code == _MESSAGE_CODE:
            _, _, _, sequence, _, _ = _MESSAGE.unpack_from(block, at)
            return BlockNumbers(sequence & ((1 << _CHUNK_BITS) - 1), sequence >> _CHUNK_BITS)
        at += RECORD_HEAD.size + length
    return BlockNumbers(0, 0)


class EntryDecoder:
    """Decodes blocks of records of one journal file, in order.

    Args:
        report: called with a message for what is left out.
        channels: those that are known from an earlier part of the file.

    Attributes:
        channels: those of the blocks so far.
        unnamed: whether the last block had messages of channels that no record names.
        marks: number of marks and port changes in the last block, also of those left out.
    """

    def __init__(self, report: Callable[[str], None], channels: Channels | None = None) -> None:
        self._report = report
        self.channels: Channels = channels or {}
        self.unnamed = False
        self.marks = 0
        self._reported: set[int | str] = set()

    def decode(self, block: bytes) -> list[Entry]:
        """Return the entries of a block of records.

        Raises:
            ValueError: a record does not end where the block or its own length ends; nothing of
                the block counts, its channels included.
        """
        entries: list[Entry] = []
        channels = self.channels
        self.marks, self.unnamed = 0, False
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
                self.marks += kind in ("mark", "port-state")
                entries.extend(self._rare(kind, port, time, data))
        if at != end:
            message = "a record in it is longer than the rest"
            raise ValueError(message)
        self.channels = channels
        return entries

    def name_channels(self, topics: tuple[str, ...]) -> None:
        """Take the topics of the channels 1, 2, ... from a copy, which has a checksum."""
        named = {number: channel_of(topic) for number, topic in enumerate(topics, 1)}
        self.channels = {**self.channels, **named}

    def learn(self, record: bytes) -> None:
        """Take a channel record outside the chunks: it has no checksum, and overrides no other.

        Raises:
            McapError: the record cannot be read; EOFError or ValueError, likewise.
        """
        for number, channel in _channel(record[RECORD_HEAD.size :]).items():
            if number not in self.channels and channel != _UNKNOWN:
                self.channels = {**self.channels, number: channel}

    def copies(self, topic: str, time: int, message: str) -> list[Entry]:
        """Return the entry of which an attachment has a copy; none if it cannot be read."""
        return self._rare(*channel_of(topic), time, message.encode())

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
        self.unnamed = True
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
