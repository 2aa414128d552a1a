"""What the decoder makes of records that are damaged, or of a later version."""

from __future__ import annotations

import json
import struct

import pytest
from mcap.data_stream import RecordBuilder
from mcap.records import Channel, Message, Schema

from swathe.journal import Chunk, Mark, MarkKind, PortChange, Sent, Tick
from swathe.journal.decoder import EntryDecoder


def record(made: Channel | Message | Schema) -> bytes:
    """Return a record as the container's own library writes it."""
    builder = RecordBuilder()
    made.write(builder)
    return bytes(builder.end())


def channel(number: int, topic: str) -> bytes:
    """Return a channel record."""
    return record(
        Channel(id=number, topic=topic, message_encoding="", metadata={"k": "v"}, schema_id=0)
    )


def message(number: int, time: int, data: bytes) -> bytes:
    """Return a message record."""
    return record(Message(channel_id=number, log_time=time, data=data, publish_time=9, sequence=7))


def mark(time: int, kind: object) -> bytes:
    """Return the record of a mark on channel 1."""
    return message(1, time, json.dumps({"kind": kind, "detail": {"text": "t"}}).encode())


class Decoding:
    """A decoder and what it reports."""

    def __init__(self) -> None:
        self.reports: list[str] = []
        self.decoder = EntryDecoder(self.reports.append)


def test_every_kind_of_message_among_records_of_other_kinds() -> None:
    """Channels become known as they come; a schema is passed over."""
    topics = ("mark", "tick", "port-state", "port/a/b", "sent/g", "unanswered/g", "port/")
    decoding = Decoding()
    block = b"".join(channel(k, topic) for k, topic in enumerate(topics))
    block += record(Schema(id=1, data=b"d", encoding="e", name="n"))
    state = json.dumps({"port": "g", "state": "open", "detail": "x"}).encode()
    data = (b'{"kind": "note", "detail": {}}', b"", state, b"bytes", b"M?", b"M!", b"")
    block += b"".join(message(k, 10 + k, each) for k, each in enumerate(data))
    assert decoding.decoder.decode(block) == [
        Mark(10, MarkKind.NOTE, {}),
        Tick(11),
        PortChange(12, "g", "open", "x"),
        Chunk(13, "a/b", b"bytes"),
        Sent(14, "g", b"M?"),
        Sent(15, "g", b"M!", unanswered=True),
        Chunk(16, "", b""),
    ]
    assert decoding.decoder.decode(message(1, 20, b"")) == [Tick(20)]
    assert decoding.reports == []


@pytest.mark.parametrize("topic", ["tick/x", "mark/", "sent", "sent/", "port", "later/g", ""])
def test_channel_of_a_later_version_is_passed_over(topic: str) -> None:
    """Its messages are no entries, and nobody needs to know."""
    decoding = Decoding()
    assert decoding.decoder.decode(channel(3, topic) + message(3, 1, b"{}")) == []
    assert decoding.reports == []


def test_mark_of_a_later_version_is_reported_by_name_and_left_out() -> None:
    """Once for each kind; what comes before and after it in the chunk counts."""
    decoding = Decoding()
    block = channel(1, "mark") + mark(1, "note") + mark(2, "probe turned") + mark(3, "note")
    block += mark(4, "probe turned") + mark(5, "wall painted")
    found = decoding.decoder.decode(block)
    assert [entry.time for entry in found] == [1, 3]
    assert decoding.reports == [
        "marks 'probe turned' are of a later version and are left out",
        "marks 'wall painted' are of a later version and are left out",
    ]


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"{", "JSONDecodeError: "),
        (b"\xff", "UnicodeDecodeError: "),
        (b"[]", "TypeError: "),
        (b'{"detail": {}}', "KeyError: 'kind'"),
        (b'{"kind": "note"}', "KeyError: 'detail'"),
    ],
)
def test_entry_that_cannot_be_read_is_reported_and_left_out(data: bytes, what: str) -> None:
    """It passed its checksum, so another program wrote it: the chunk's other entries count."""
    decoding = Decoding()
    block = channel(1, "mark") + message(1, 1, data) + mark(2, "note")
    assert decoding.decoder.decode(block) == [Mark(2, MarkKind.NOTE, {"text": "t"})]
    (report,) = decoding.reports
    assert report.startswith(f"an entry of channel 'mark' is left out: {what}")


def test_block_whose_last_record_is_too_long_counts_for_nothing() -> None:
    """Neither its entries nor its channels."""
    decoding = Decoding()
    block = channel(1, "tick") + message(1, 1, b"") + message(1, 2, b"data")
    for cut in range(len(block) - len(message(1, 2, b"data")) + 1, len(block)):
        with pytest.raises((ValueError, struct.error)):
            decoding.decoder.decode(block[:cut])
        assert decoding.decoder.channels == {}
    assert decoding.decoder.decode(block) == [Tick(1), Tick(2)]


def test_message_shorter_than_its_head_is_damage() -> None:
    """A length that ends before the times would place the next record inside this one."""
    decoding = Decoding()
    whole = message(1, 1, b"")
    assert len(whole) == 31
    short = whole[:1] + struct.pack("<Q", 21) + whole[9:]
    with pytest.raises(ValueError, match="a message in it is shorter than its own head"):
        decoding.decoder.decode(channel(1, "tick") + short)


def test_channel_that_is_not_known_is_reported_once() -> None:
    """However many messages it has; another one is reported as well."""
    decoding = Decoding()
    block = message(5, 1, b"") + message(5, 2, b"") + message(6, 3, b"")
    assert decoding.decoder.decode(block) == []
    assert decoding.reports == [
        "what channel 5 is was in a damaged chunk",
        "what channel 6 is was in a damaged chunk",
    ]
