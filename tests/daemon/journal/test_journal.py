"""The journal on a real disk: what is written comes back, whatever happened to the rest."""

from __future__ import annotations

import gc
import subprocess
import sys
import textwrap
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mcap.reader import make_reader
from mcap.records import ChunkIndex
from mcap.writer import Writer

from daemon.strategies import entries
from swathe.errors import JournalError, MisuseError
from swathe.journal import (
    Chunk,
    Entry,
    JournalWriter,
    Mark,
    MarkKind,
    PortChange,
    Sent,
    Tick,
    read_journal,
    read_segment,
    segment_paths,
)

SAMPLE: list[Entry] = [
    Mark(1, MarkKind.OPENED, {"survey": "s", "station": "name = 'ä'", "versions": {}, "utc_ns": 5}),
    PortChange(2, "gauge", "open", "115200 baud"),
    Chunk(3, "gauge", b"R,1,2.5\r\n"),
    Chunk(4, "encoder", bytes(range(256))),
    Chunk(4, "gauge", b""),
    Sent(4, "gauge", b"MEAS?\n"),
    Sent(5, "gauge", b"\x00\xff", unanswered=True),
    Tick(5),
    Mark(6, MarkKind.LINE, {"line": 3, "by": "operator"}),
    Mark(7, MarkKind.NOTE, {"text": "wet\nsurface µ", "by": "operator"}),
    Mark(8, MarkKind.ENDED, {"status": "complete", "reason": ""}),
]


def write(folder: Path, groups: list[list[Entry]]) -> Path:
    """Write a journal file, one chunk for each group, and return its path."""
    with JournalWriter(folder, wall_clock=lambda: 1_800_000_000_000_000_000) as writer:
        for group in groups:
            for entry in group:
                writer.write(entry)
            writer.flush()
    return writer.path


def chunk_spans(path: Path) -> list[tuple[int, int]]:
    """Return first byte and end of each chunk record, by the format's own description.

    A record is an operation code (6 for a chunk), a length of 8 bytes, low byte first, and a body.
    """
    data = path.read_bytes()
    spans = []
    at = 8
    while at < len(data) - 8:
        end = at + 9 + int.from_bytes(data[at + 1 : at + 9], "little")
        if data[at] == 6:
            spans.append((at, end))
        at = end
    return spans


def test_write_read_every_kind_of_entry(tmp_path: Path) -> None:
    """Each kind of entry comes back as it was, in the order of writing."""
    with JournalWriter(tmp_path / "j") as writer:
        for entry in SAMPLE:
            writer.write(entry)
        assert writer.entries == len(SAMPLE)
    torn: list[str] = []
    assert list(read_journal(tmp_path / "j", on_torn=lambda _, m: torn.append(m))) == SAMPLE
    assert torn == []


@given(st.lists(st.lists(entries(), max_size=5), max_size=5))
def test_write_read_round_trip(
    tmp_path_factory: pytest.TempPathFactory, groups: list[list[Entry]]
) -> None:
    """Any entries, flushed anywhere, come back the same."""
    path = write(tmp_path_factory.mktemp("journal"), groups)
    entries = [entry for group in groups for entry in group]
    assert path.exists() is bool(entries)  # a file has its first chunk, or is not there
    assert not entries or list(read_segment(path)) == entries


def test_write_is_open_to_other_readers(tmp_path: Path) -> None:
    """The file is plain MCAP: the container's own reader finds channels, times and bytes."""
    path = write(tmp_path, [SAMPLE])
    with path.open("rb") as stream:
        found = [
            (channel.topic, message.log_time, message.data)
            for _, channel, message in make_reader(stream).iter_messages(log_time_order=False)
        ]
    assert [topic for topic, _, _ in found] == [
        "mark",
        "port-state",
        "port/gauge",
        "port/encoder",
        "port/gauge",
        "sent/gauge",
        "unanswered/gauge",
        "tick",
        "mark",
        "mark",
        "mark",
    ]
    assert found[3] == ("port/encoder", 4, bytes(range(256)))
    assert found[5] == ("sent/gauge", 4, b"MEAS?\n")
    assert found[6] == ("unanswered/gauge", 5, b"\x00\xff")


def test_flush_makes_entries_readable_by_others(tmp_path: Path) -> None:
    """What was flushed is in the file for any other process; what was not is not yet."""
    with JournalWriter(tmp_path) as writer:
        writer.write(SAMPLE[0])
        writer.flush()
        writer.write(SAMPLE[1])
        assert list(read_segment(writer.path)) == SAMPLE[:1]
        writer.flush()
        writer.sync()
        assert list(read_segment(writer.path)) == SAMPLE[:2]


def test_chunks_take_no_memory(tmp_path: Path) -> None:
    """Of each the library would keep an index: at the pace of a run 50 MB an hour until the next file."""
    with JournalWriter(tmp_path) as writer:
        for number in range(1, 50):
            writer.write(Tick(number))
            writer.flush()
            if number == 9:
                gc.collect()
                before = sum(isinstance(one, ChunkIndex) for one in gc.get_objects())
        gc.collect()
        assert sum(isinstance(one, ChunkIndex) for one in gc.get_objects()) <= before


def note(told: list[str]) -> Callable[[Path, str], None]:
    """Return what writes down what reading tells."""
    return lambda _, message: told.append(message)


def test_read_torn_at_every_byte_gives_a_prefix(tmp_path: Path) -> None:
    """A file cut off at any byte gives the entries of its whole chunks, and never an error."""
    path = write(tmp_path / "j", [SAMPLE[:2], SAMPLE[2:5], SAMPLE[5:]])
    data = path.read_bytes()
    ends = [end for _, end in chunk_spans(path)]
    counts = [2, 5, len(SAMPLE)]
    torn_path = tmp_path / "0001.mcap"
    for cut in range(len(data)):
        torn_path.write_bytes(data[:cut])
        told: list[str] = []
        found = list(read_segment(torn_path, on_torn=note(told)))
        whole = sum(cut >= end for end in ends)
        assert found == SAMPLE[: ([0, *counts])[whole]], f"cut at byte {cut}"
        assert bool(told) is (cut >= 8), f"cut at byte {cut}"


def test_read_flipped_byte_loses_that_chunk_only(tmp_path: Path) -> None:
    """Any rotten byte in a middle chunk, its head included, costs that chunk at most, and is told.

    Some bytes, such as the chunk's first and last time, repeat what its messages say; nothing is
    lost when they rot. The channel that the chunk names first lives on without it.
    """
    groups: list[list[Entry]] = [
        SAMPLE[:3],
        [Chunk(10, "encoder", b"1\r\n"), Tick(11), Chunk(12, "late", b"x")],
        [Chunk(13, "encoder", b"2\r\n"), Chunk(14, "late", b"y"), Tick(15)],
        SAMPLE[5:],
    ]
    path = write(tmp_path / "j", groups)
    data = path.read_bytes()
    first, end = chunk_spans(path)[1]
    rotten = tmp_path / "0001.mcap"
    around = [entry for k, group in enumerate(groups) if k != 1 for entry in group]
    everything = [entry for group in groups for entry in group]
    for at in range(first, end):
        for flip in (0x01, 0x08, 0xFF):
            rotten.write_bytes(data[:at] + bytes([data[at] ^ flip]) + data[at + 1 :])
            told: list[str] = []
            found = list(read_segment(rotten, on_torn=note(told)))
            if found != everything:
                assert found == around, f"byte {at - first} of the chunk, flip {flip:#x}"
                assert len(told) == 1
                assert f"{first:,}" in told[0]


@given(st.data())
@settings(max_examples=50)
def test_read_any_rot_never_raises(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Whatever bytes stand behind the magic ones, reading ends without an error.

    No entry is invented; only a port's name may be rotten, where the chunk is lost that holds it
    under a checksum and the copy beside the chunks is all there is.
    """
    folder = tmp_path_factory.mktemp("rot")
    good = bytearray(write(folder, [SAMPLE[:4], SAMPLE[4:]]).read_bytes())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(8, len(good) - 1))
        good[at : at + data.draw(st.integers(0, 9))] = data.draw(st.binary(max_size=9))
    path = folder / "0001.mcap"
    path.write_bytes(good)
    payloads = {entry.data for entry in SAMPLE if isinstance(entry, Chunk)}
    for entry in read_segment(path):
        assert entry in SAMPLE or (isinstance(entry, Chunk) and entry.data in payloads)


def test_read_channel_of_a_later_version_is_skipped(tmp_path: Path) -> None:
    """A channel that this version does not know, whatever its bytes, is left out."""
    path = tmp_path / "0001.mcap"
    with path.open("wb") as stream:
        writer = Writer(stream)
        writer.start()
        for topic, data in (("tick", b""), ("temperature", b"\xff\x00"), ("tick", b"")):
            channel = writer.register_channel(topic, "", schema_id=0)
            writer.add_message(channel, log_time=channel, publish_time=0, data=data)
        writer.finish()
    told: list[str] = []
    assert list(read_segment(path, on_torn=lambda _, m: told.append(m))) == [Tick(1), Tick(3)]
    assert told == []


def test_segments_are_numbered_on(tmp_path: Path) -> None:
    """Each run writes the next file; reading goes through all of them in order."""
    folder = tmp_path / "survey" / "journal"
    for k in range(3):
        write(folder, [[Tick(k)]])
    assert [path.name for path in segment_paths(folder)] == ["0001.mcap", "0002.mcap", "0003.mcap"]
    assert list(read_journal(folder)) == [Tick(0), Tick(1), Tick(2)]


def test_segments_torn_run_does_not_hide_the_next(tmp_path: Path) -> None:
    """A run that a kill ended in mid-chunk is read up to there; the next run follows."""
    first = write(tmp_path, [[Tick(1)], [Tick(2)]])
    first.write_bytes(first.read_bytes()[: chunk_spans(first)[1][1] - 1])
    write(tmp_path, [[Tick(3)]])
    told: list[Path] = []
    assert list(read_journal(tmp_path, on_torn=lambda path, _: told.append(path))) == [
        Tick(1),
        Tick(3),
    ]
    assert told == [first]


def test_two_writers_same_number_second_is_refused(tmp_path: Path) -> None:
    """Two that saw the same last file do not write into each other: the later one is refused."""
    with JournalWriter(tmp_path) as one:
        (tmp_path / "0001.mcap").write_bytes(b"of another writer")
        one.write(Tick(1))
        with pytest.raises(JournalError, match=r"0001\.mcap: cannot be written: File exists"):
            one.flush()
        with pytest.raises(JournalError, match="File exists"):
            one.close()
    assert one.path.read_bytes() == b"of another writer"
    assert [path.name for path in tmp_path.iterdir()] == ["0001.mcap"]


def test_writer_that_is_killed_before_its_first_flush_leaves_no_file(tmp_path: Path) -> None:
    """What it leaves has a name that nothing reads; the next writer begins as if it had not been."""
    killed = JournalWriter(tmp_path)
    killed.__enter__()
    killed.write(SAMPLE[0])
    assert [path.name for path in tmp_path.iterdir()] == [".0001.mcap.new"]
    assert segment_paths(tmp_path) == []
    path = write(tmp_path, [SAMPLE])
    assert path.name == "0001.mcap"
    assert list(read_journal(tmp_path)) == SAMPLE
    assert [path.name for path in tmp_path.iterdir()] == ["0001.mcap"]
    assert killed._file is not None
    killed._file.close()


def test_write_before_open_or_after_close_is_usage_error(tmp_path: Path) -> None:
    """A writer takes entries between entering and leaving only, and is entered once."""
    writer = JournalWriter(tmp_path)
    with pytest.raises(MisuseError, match="not open"):
        writer.write(Tick(1))
    with writer, pytest.raises(MisuseError, match="entered once"):
        writer.__enter__()
    with pytest.raises(MisuseError, match="not open"):
        writer.write(Tick(2))
    writer.flush()
    writer.sync()
    writer.close()
    with pytest.raises(MisuseError, match="entered once"):
        writer.__enter__()


def test_close_before_open_does_nothing(tmp_path: Path) -> None:
    """Closing a writer that was never entered leaves no file behind."""
    writer = JournalWriter(tmp_path / "j")
    writer.close()
    assert not (tmp_path / "j").exists()


def test_open_where_no_folder_can_be(tmp_path: Path) -> None:
    """A journal below a file cannot be: the error names the path."""
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(JournalError, match="cannot be written: Not a directory") as caught:
        JournalWriter(tmp_path / "file" / "journal").__enter__()
    assert str(caught.value.path).startswith(str(tmp_path / "file"))


def test_read_no_journal_or_foreign_file(tmp_path: Path) -> None:
    """An empty folder, a missing file and a foreign one are told as such; an empty file is none."""
    with pytest.raises(JournalError, match="holds no journal"):
        list(read_journal(tmp_path))
    with pytest.raises(JournalError, match="cannot be read: No such file"):
        list(read_segment(tmp_path / "0001.mcap"))
    (tmp_path / "0001.mcap").write_bytes(b"PK\x03\x04 something else")
    reports: list[str] = []
    assert list(read_journal(tmp_path, on_torn=lambda _, text: reports.append(text))) == []
    assert reports[0] == "its first 8 bytes are not those of an MCAP file"
    (tmp_path / "0001.mcap").write_bytes(b"")
    assert list(read_journal(tmp_path)) == []


# A real full disk is not to be had; a limit on the size of files fails the same system calls, with
# EFBIG in place of ENOSPC. In a process of its own, since the limit is for a whole process.
FULL = """
    import os, resource, signal, sys
    from pathlib import Path
    from swathe.errors import JournalError
    from swathe.journal import Chunk, JournalWriter, Tick, read_segment
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    limit, size, way = int(sys.argv[2]), int(sys.argv[3]), sys.argv[4]
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    writer = JournalWriter(Path(sys.argv[1]))
    written = 0
    try:
        writer.__enter__()
        while True:
            writer.write(Chunk(written, "gauge", os.urandom(size)))
            if way == "flush":
                writer.flush()
            elif written > 3:
                break
            written += 1
        writer.close()
    except JournalError as error:
        print("told", error.path.name, error)
    try:
        writer.close()
    except JournalError as error:
        print("close", error)
    path = Path(sys.argv[1], "0001.mcap")
    found = list(read_segment(path)) if path.exists() else []
    assert [entry.time for entry in found] == list(range(len(found)))
    print("kept", len(found), "of", written)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs a limit on the size of files")
@pytest.mark.parametrize(
    ("limit", "size", "way"),
    [
        (5, 10, "flush"),  # no room for the first bytes of the file
        (20_000, 1_000, "flush"),  # full at a flush
        (20_000, 300_000, "write"),  # full when an entry fills a chunk
        (2_000, 1_000, "close"),  # full at the end
    ],
)
def test_write_full_disk_names_the_path(tmp_path: Path, limit: int, size: int, way: str) -> None:
    """A full disk is a JournalError with the path, wherever it strikes; what was flushed stays."""
    code = textwrap.dedent(FULL)
    args = [sys.executable, "-c", code, str(tmp_path), str(limit), str(size), way]
    done = subprocess.run(args, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 0, done.stderr
    told = done.stdout.splitlines()
    assert told[0].startswith(f"told 0001.mcap {tmp_path / '0001.mcap'}: cannot be ")
    assert "File too large" in told[0]
    assert told[-1].startswith("kept ")
    if limit == 20_000 and way == "flush":
        kept, written = (int(word) for word in told[-1].split() if word.isdigit())
        assert kept == written


def test_writer_goes_on_in_a_next_file(tmp_path: Path) -> None:
    """A long run goes on in a next file before its list of chunks grows too long."""
    with JournalWriter(tmp_path / "j", max_chunks=3) as writer:
        for number in range(10):
            writer.write(Chunk(number, "gauge", b"line %d\n" % number))
            writer.flush()
            writer.sync()
    assert [path.name for path in segment_paths(tmp_path / "j")] == [
        "0001.mcap",
        "0002.mcap",
        "0003.mcap",
        "0004.mcap",
    ]
    told: list[str] = []
    found = list(read_journal(tmp_path / "j", on_torn=note(told)))
    assert found == [Chunk(n, "gauge", b"line %d\n" % n) for n in range(10)]
    assert told == []
