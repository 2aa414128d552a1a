"""Which survey, run and number a journal file is, and what else is needed to read it.

Each file has this as MCAP attachments named ``segment``: at its start, then at most once a minute
where marks or port changes were added, and at its end. An attachment has a checksum of its own. The
content is JSON, compressed with zstd::

    format: 1
    survey, run, segment: of the file
    previous: segment, size and SHA-256 of the file before, or null
    opened: chunk (0: of an earlier file), time and detail of the mark that opened the run, or null
    chunk: number of the newest chunk
    end: whether this is the end of the file
    channels: topics of the channels 1, 2, ...
    marks: of this file, but for the mark ``opened``: [chunk, time, topic, message]

So a damaged chunk costs its bytes, and no mark: the marks are there a second time.
"""

from __future__ import annotations

import json
import struct
import zlib
from dataclasses import dataclass, field
from io import BytesIO
from typing import Any, NamedTuple

from mcap.data_stream import ReadDataStream
from mcap.records import Attachment
from zstandard import ZstdCompressor, ZstdDecompressor, ZstdError, frame_content_size

from swathe.journal.position import SegmentDigest

__all__ = ["ATTACHMENT", "MEDIA_TYPE", "MarkCopy", "OpeningCopy", "SegmentIdentity"]

ATTACHMENT = "segment"
"""Name of the attachment."""

MEDIA_TYPE = "application/json+zstd"
"""Its media type."""

_MOST_BYTES = 1 << 28
_CRC_BYTES = 4
_WRONG = (ValueError, KeyError, TypeError, IndexError, EOFError, struct.error, ZstdError)


class MarkCopy(NamedTuple):
    """A mark or a port change a second time.

    Attributes:
        chunk: number of the chunk that has it.
        time: host time, ns.
        topic: of its channel.
        message: JSON.
    """

    chunk: int
    time: int
    topic: str
    message: str


class OpeningCopy(NamedTuple):
    """The mark that opened the run a second time; `chunk` is 0 if it is in an earlier file."""

    chunk: int
    time: int
    detail: dict[str, Any]


@dataclass(frozen=True, slots=True)
class SegmentIdentity:
    """What a journal file states of itself.

    Attributes:
        survey: identity of the survey; empty for a journal without a survey.
        run: number of the run, from 1.
        segment: number of the file, from 1.
        previous: digest of the file before, as it was when this one was begun.
        opened: the mark that opened the run.
        chunk: number of the newest chunk whose marks are listed.
        end: whether this is the end of the file.
        channels: topics of the channels so far, from channel 1 on.
        marks: the other marks and the port changes of the file so far.
    """

    survey: str
    run: int
    segment: int
    previous: SegmentDigest | None = None
    opened: OpeningCopy | None = None
    chunk: int = 0
    end: bool = False
    channels: tuple[str, ...] = ()
    marks: tuple[MarkCopy, ...] = field(default=())

    def encoded(self) -> bytes:
        """Return the content of the attachment."""
        content = {
            "format": 1,
            "survey": self.survey,
            "run": self.run,
            "segment": self.segment,
            "previous": self.previous and list(self.previous),
            "opened": self.opened and list(self.opened),
            "chunk": self.chunk,
            "end": self.end,
            "channels": self.channels,
            "marks": [list(mark) for mark in self.marks],
        }
        return ZstdCompressor().compress(json.dumps(content).encode())

    @classmethod
    def of_attachment(cls, body: bytes) -> SegmentIdentity | None:
        """Return what the body of an attachment record states; None for another attachment.

        Raises:
            ValueError: its checksum is wrong, or it cannot be read.
        """
        if zlib.crc32(body[:-_CRC_BYTES]).to_bytes(_CRC_BYTES, "little") != body[-_CRC_BYTES:]:
            message = "the checksum of an attachment is wrong"
            raise ValueError(message)
        try:
            attachment = Attachment.read(ReadDataStream(BytesIO(body)))
            if attachment.name != ATTACHMENT or attachment.media_type != MEDIA_TYPE:
                return None
            if frame_content_size(attachment.data) > _MOST_BYTES:
                message = "an attachment is too large"
                raise ValueError(message)
            content = json.loads(ZstdDecompressor().decompress(attachment.data))
            previous, opened = content["previous"], content["opened"]
            return cls(
                survey=str(content["survey"]),
                run=int(content["run"]),
                segment=int(content["segment"]),
                previous=None if previous is None else SegmentDigest(*previous),
                opened=None if opened is None else OpeningCopy(*opened),
                chunk=int(content["chunk"]),
                end=bool(content["end"]),
                channels=tuple(str(topic) for topic in content["channels"]),
                marks=tuple(MarkCopy(*mark) for mark in content["marks"]),
            )
        except _WRONG as error:
            message = f"an attachment cannot be read: {error}"
            raise ValueError(message) from error
