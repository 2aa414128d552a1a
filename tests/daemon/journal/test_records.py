"""What is reported of a damaged journal file, byte for byte, and where reading resumes."""

from __future__ import annotations

from pathlib import Path

import pytest

from swathe.journal import Chunk, Entry, JournalWriter, Tick, read_segment

MAGIC = b"\x89MCAP0\r\n"  # of the MCAP format's description
GROUPS: list[list[Entry]] = [[Tick(1)], [Tick(2), Chunk(3, "gauge", b"x")], [Tick(4)]]


@pytest.fixture
def journal(tmp_path: Path) -> bytes:
    """Return a whole journal file of three chunks."""
    with JournalWriter(tmp_path / "whole", wall_clock=lambda: 0) as writer:
        for group in GROUPS:
            for entry in group:
                writer.write(entry)
            writer.flush()
    return writer.path.read_bytes()


def chunks(data: bytes) -> list[tuple[int, int]]:
    """Return first byte and end of each chunk record: code 6, a length of 8 bytes, a body."""
    spans, at = [], len(MAGIC)
    while at < len(data) - len(MAGIC):
        end = at + 9 + int.from_bytes(data[at + 1 : at + 9], "little")
        if data[at] == 6:
            spans.append((at, end))
        at = end
    return spans


def tick_channel(before: bytes) -> bytes:
    """Return the last record of some: the channel record (code 4) right before the first chunk."""
    at = last = len(MAGIC)
    while at < len(before):
        last, at = at, at + 9 + int.from_bytes(before[at + 1 : at + 9], "little")
    assert before[last] == 4
    return before[last:]


def read(folder: Path, data: bytes) -> tuple[list[Entry], list[str]]:
    """Return entries of a file of these bytes, and what is reported of it."""
    path = folder / "0001.mcap"
    path.write_bytes(data)
    reports: list[str] = []

    def note(of: Path, message: str) -> None:
        assert of == path
        reports.append(message)

    return list(read_segment(path, on_torn=note)), reports


@pytest.mark.parametrize("name", [b"zstc", b"zste", b"\x00\x00\x00\x00", b"\xff\xff\xff\xff"])
def test_chunk_of_another_compression_is_no_chunk(
    tmp_path: Path, journal: bytes, name: bytes
) -> None:
    """Its length is not trusted, whether the name is below or above the one expected."""
    (_, _), (first, end), _ = chunks(journal)
    damaged = bytearray(journal)
    damaged[first + 9 + 28 + 4 : first + 9 + 28 + 8] = name
    entries, reports = read(tmp_path, bytes(damaged))
    assert entries == [Tick(1), Tick(4)]
    assert reports == [f"a damaged chunk at bytes {first:,} to {end:,} is left out"]


def test_chunk_with_a_wrong_checksum_is_reported_with_its_cause(
    tmp_path: Path, journal: bytes
) -> None:
    """The chunk is consistent in its lengths; its contents are not those that were written."""
    (_, _), (first, end), _ = chunks(journal)
    damaged = bytearray(journal)
    damaged[first + 9 + 24] ^= 0x01  # of the CRC, behind two times and a size of 8 bytes each
    entries, reports = read(tmp_path, bytes(damaged))
    assert entries == [Tick(1), Tick(4)]
    (report,) = reports
    assert report.startswith(f"a damaged chunk at bytes {first:,} to {end:,} is left out: ")


def test_chunk_of_another_declared_size_is_reported_with_its_cause(
    tmp_path: Path, journal: bytes
) -> None:
    """The size is compared with that of the compressed data before memory is allocated for it."""
    (_, _), (first, end), _ = chunks(journal)
    damaged = bytearray(journal)
    damaged[first + 9 + 16] ^= 0x01
    entries, reports = read(tmp_path, bytes(damaged))
    assert entries == [Tick(1), Tick(4)]
    assert reports == [
        f"a damaged chunk at bytes {first:,} to {end:,} is left out: its size is not the declared one"
    ]


def test_file_cut_off_is_reported_by_where_it_ends(tmp_path: Path, journal: bytes) -> None:
    """Between two chunks, in mid-chunk, in the last bytes and not at all."""
    (_, _), (first, end), (third, last) = chunks(journal)
    assert read(tmp_path, journal[:end]) == (
        [Tick(1), Tick(2), Chunk(3, "gauge", b"x")],
        [f"ends at byte {end:,} without having been closed"],
    )
    assert read(tmp_path, journal[: end - 1]) == (
        [Tick(1)],
        [f"ends in mid-chunk at byte {first:,}: {end - 1 - first:,} bytes are left out"],
    )
    assert read(tmp_path, journal[: third + 1]) == (
        [Tick(1), Tick(2), Chunk(3, "gauge", b"x")],
        [f"ends in mid-chunk at byte {third:,}: 1 bytes are left out"],
    )
    everything = [entry for group in GROUPS for entry in group]
    closed = len(journal) - len(MAGIC)
    assert read(tmp_path, journal[:-1]) == (
        everything,
        [f"is cut off in its last bytes, after byte {closed:,}"],
    )
    assert read(tmp_path, journal) == (everything, [])
    assert read(tmp_path, MAGIC) == ([], ["ends at byte 8 without having been closed"])
    assert last < closed


@pytest.mark.parametrize("off", [-9, -8, -7, -1, 0, 1, 2])
def test_chunk_is_found_across_the_border_of_a_search_block(
    tmp_path: Path, journal: bytes, off: int
) -> None:
    """The search is by blocks of 1 MiB: a chunk's mark may begin before their border and end after.

    The mark is the compression's name, 9 bytes of head and 28 bytes of body behind the chunk's
    first byte, and the search begins where that of a chunk at byte 9 would be.
    """
    (begin, _), (first, end), _ = chunks(journal)
    lead = MAGIC + tick_channel(journal[:begin])
    at = len(lead) + 1 + (1 << 20) + off
    entries, reports = read(
        tmp_path, lead + b"\xff" * (at - len(lead)) + journal[first:end] + MAGIC[:1]
    )
    assert entries == [Tick(2), Chunk(3, "gauge", b"x")]
    assert reports[0] == f"a damaged chunk at bytes {len(lead)} to {at:,} is left out"
    assert reports[-1].startswith(f"ends in mid-chunk at byte {at + end - first:,}: 1 bytes")


def test_mark_of_a_chunk_in_other_bytes_is_passed_over(tmp_path: Path, journal: bytes) -> None:
    """Bytes that look like a chunk's mark, one right after the other, hide no chunk behind them."""
    (first, end), *_ = chunks(journal)
    mark = (4).to_bytes(4, "little") + b"zstd"
    rubbish = b"\xff" * 40 + mark + mark + b"\x06" + mark
    at = len(MAGIC) + len(rubbish)
    _, reports = read(tmp_path, MAGIC + rubbish + journal[first:end])
    assert reports[0] == f"a damaged chunk at bytes 8 to {at:,} is left out"
    assert reports[-1] == f"ends at byte {at + end - first:,} without having been closed"


def test_channel_that_no_record_names_is_reported_once(tmp_path: Path, journal: bytes) -> None:
    """Messages whose channel was lost are left out; one report says so, however many there are."""
    _, (first, end), _ = chunks(journal)
    _, (third, last), *_ = chunks(journal)[1:]
    data = MAGIC + journal[first:end] + journal[third:last]
    entries, reports = read(tmp_path, data)
    missing = [text for text in reports if text.startswith("what channel ")]
    assert missing == ["what channel 1 is was in a damaged chunk"]
    assert entries == []  # whether a mark is lost is not known: what bytes mean is not, either


def test_chunk_that_is_there_twice_is_read_once(tmp_path: Path, journal: bytes) -> None:
    """By its number; one that is out of order is left out as well."""
    _, (one, end), (two, behind) = chunks(journal)
    doubled = journal[:end] + journal[one:end] + journal[end:]
    entries, reports = read(tmp_path, doubled)
    assert entries == [entry for group in GROUPS for entry in group]
    assert reports == ["a chunk is there a second time, or out of order: it is left out"]
    swapped = journal[:one] + journal[two:behind] + journal[one:end] + journal[behind:]
    entries, reports = read(tmp_path, swapped)
    assert entries == [Tick(1), Tick(4)]
    assert "a chunk is there a second time, or out of order: it is left out" in reports
