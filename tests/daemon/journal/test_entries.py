"""Entries keep what they were made with; the writer counts them."""

from __future__ import annotations

from pathlib import Path

import pytest
from mcap.reader import make_reader

from swathe.journal import Chunk, Entry, JournalWriter, Mark, MarkKind, PortChange, Sent, Tick

ENTRIES: list[Entry] = [
    Chunk(1, "gauge", b"abc"),
    Sent(2, "gauge", b"de"),
    PortChange(3, "gauge", "open", ""),
    Tick(4),
    Mark(5, MarkKind.NOTE, {"text": "x", "by": "y"}),
]


@pytest.mark.parametrize("entry", ENTRIES)
def test_entry_is_not_changed_after_it_is_made(entry: Entry) -> None:
    """No field of an entry is set again."""
    for name in entry._fields:
        with pytest.raises(AttributeError):
            setattr(entry, name, getattr(entry, name))


def test_sent_is_a_request_unless_it_was_given_up() -> None:
    """Bytes sent are bytes sent by default."""
    assert Sent(1, "gauge", b"M").unanswered is False
    assert Sent(1, "gauge", b"M") != Sent(1, "gauge", b"M", unanswered=True)


def test_writer_counts_entries_and_their_bytes(tmp_path: Path) -> None:
    """A tick has no bytes; a port's change and a mark have those of their JSON."""
    with JournalWriter(tmp_path / "survey" / "journal") as writer:
        assert (writer.entries, writer.bytes) == (0, 0)
        for entry, count in zip(ENTRIES[:4], (3, 5, 5 + 48, 5 + 48), strict=True):
            writer.write(entry)
            assert writer.bytes == count
        assert writer.entries == 4


def test_publish_time_is_the_wall_clock(tmp_path: Path) -> None:
    """Log time is the entry's own, publish time that of writing; JSON is named as such."""
    clock = iter(range(1000, 2000))
    with JournalWriter(tmp_path, wall_clock=lambda: next(clock)) as writer:
        for entry in ENTRIES:
            writer.write(entry)
    with writer.path.open("rb") as stream:
        found = [
            (channel.topic, channel.message_encoding, message.log_time, message.publish_time)
            for _, channel, message in make_reader(stream).iter_messages(log_time_order=False)
        ]
    raw = "application/octet-stream"
    assert found == [
        ("port/gauge", raw, 1, 1000),
        ("sent/gauge", raw, 2, 1001),
        ("port-state", "json", 3, 1002),
        ("tick", raw, 4, 1003),
        ("mark", "json", 5, 1004),
    ]
