"""Lines out of any cut of a stream."""

import re

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from swathe_drivers.framing import LineFramer, Lines

TERMINATORS = [b"\r\n", b"\n", b"\r", b";", b"\x03\x04", b"aba", b"\n\n", b"END!"]


def contents(lines: Lines) -> list[bytes]:
    """The lines as bytes."""
    return [
        bytes(lines.data[start : start + length])
        for start, length in zip(lines.starts.tolist(), lines.lengths.tolist(), strict=True)
    ]


@pytest.mark.parametrize("terminator", TERMINATORS)
@given(
    pieces=st.lists(st.text("ab\r\n;\x03\x04END!", max_size=30).map(str.encode), max_size=10),
    max_length=st.integers(1, 20),
)
@example(pieces=[b"1\n\n\n2\n\n", b"3ababa4aba"], max_length=20)
def test_feed_any_cut_agrees_with_split(
    terminator: bytes, pieces: list[bytes], max_length: int
) -> None:
    """Lines, offsets and lost bytes are those of `bytes.split` over the whole stream."""
    framer = LineFramer(terminator=terminator, max_length=max_length)
    found: list[tuple[int, bytes]] = []
    overlong: list[tuple[int, bytes]] = []
    lost = empty = 0
    for index, piece in enumerate(pieces):
        lines = framer.feed(piece, index)
        found += zip(lines.offsets.tolist(), contents(lines), strict=True)
        overlong += [(one.offset, one.excerpt) for one in lines.overlong]
        lost += lines.dropped_bytes
        empty += lines.empty_bytes
        assert framer.pending < max_length + len(terminator)
    stream = b"".join(pieces)
    *whole, rest = stream.split(terminator)
    offset = 0
    wanted, too_long = [], []
    for line in whole:
        if len(line) > max_length:
            too_long.append((offset, line))
        elif line:
            wanted.append((offset, line))
        offset += len(line) + len(terminator)
    assert found == wanted
    assert [at for at, _ in overlong[: len(too_long)]] == [at for at, _ in too_long]
    assert len(overlong) - len(too_long) in ({0, 1} if len(rest) > max_length else {0})
    for (_, excerpt), (_, line) in zip(overlong, too_long, strict=False):
        assert (line + terminator).startswith(excerpt)
    assert empty == len(terminator) * whole.count(b"")
    records = sum(len(line) + len(terminator) for _, line in found)
    assert records + empty + lost + framer.pending == len(stream)
    assert framer.offset == len(stream)


@pytest.mark.parametrize("size", [10, 11])
@pytest.mark.parametrize("step", [1, 3, 100])
def test_feed_line_at_the_limit_passes_and_above_does_not(size: int, step: int) -> None:
    """The limit counts the bytes before the terminator, however they arrive."""
    framer = LineFramer(terminator=b"\r\n", max_length=10)
    stream = b"x" * size + b"\r\nnext\r\n"
    found: list[bytes] = []
    overlong = 0
    for at in range(0, len(stream), step):
        lines = framer.feed(stream[at : at + step], 0)
        found += contents(lines)
        overlong += len(lines.overlong)
    assert found == ([b"x" * 10, b"next"] if size == 10 else [b"next"])
    assert overlong == (size > 10)


def test_feed_endless_line_is_told_once_in_bounded_memory() -> None:
    """A wrong baud rate gives megabytes without an end of line: one fault, no growth."""
    framer = LineFramer(terminator=b"\r\n", max_length=100)
    overlong = dropped = 0
    for index in range(1000):
        lines = framer.feed(b"\xf0" * 1000, index)
        overlong += len(lines.overlong)
        dropped += lines.dropped_bytes
        assert framer.pending <= 101
    assert overlong == 1
    assert dropped + framer.pending == 1_000_000


def test_feed_times_go_back_by_the_bytes_of_and_behind_the_line() -> None:
    """At 1000 ns a byte, a line of 3 bytes with 6 behind it began 9 µs before the read."""
    framer = LineFramer(terminator=b"\n", ns_per_byte=1000)
    framer.feed(b"first\n", 50_000)
    lines = framer.feed(b"ab\ncd\nefg", 100_000)
    assert lines.times.tolist() == [91_000, 94_000]
    assert framer.feed(b"\n", 100_500).times.tolist() == [96_500]


def test_feed_ends_of_lines_never_precede_the_chunk_before() -> None:
    """Where the stated rate is too low, a line ended after the chunk before was read."""
    framer = LineFramer(terminator=b"\n", ns_per_byte=10_000)
    framer.feed(b"first\n", 50_000)
    end = 50_000
    assert framer.feed(b"ab\ncd\nefghij", 100_000).times.tolist() == [end - 30_000] * 2


def test_feed_times_do_not_depend_on_how_much_of_a_dropped_line_is_held() -> None:
    """A line that was too long has no bearing on when the next one began."""
    chunks = [(900, b"x\n"), (990, b"too long"), (1000, b"\nab\ncd")]
    alone, together = (LineFramer(terminator=b"\n", max_length=3, ns_per_byte=10) for _ in "12")
    *_, last = (alone.feed(data, time) for time, data in chunks)
    assert last.times.tolist() == [990 - 30]
    assert together.feed_chunks(chunks).times.tolist()[1:] == [990 - 30]


def test_feed_first_chunk_is_taken_to_end_when_it_was_read() -> None:
    """How long the first chunk had waited is unknown, also after a reset."""
    framer = LineFramer(terminator=b"\n", ns_per_byte=10)
    assert framer.feed(b"ab\ncd\n", 1000).times.tolist() == [970, 970]
    framer.reset(6)
    assert framer.feed(b"ab\ncd\n", 5000).times.tolist() == [4970, 4970]


@given(
    st.lists(st.tuples(st.integers(-1000, 1000), st.sampled_from([b"a", b"\n", b"b\nc\n"]))),
    st.booleans(),
)
def test_feed_times_never_fall(chunks: list[tuple[int, bytes]], together: bool) -> None:
    """Not even when the times handed in do."""
    framer = LineFramer(terminator=b"\n", ns_per_byte=100)
    times: list[int] = []
    if together and chunks:
        times = framer.feed_chunks(chunks).times.tolist()
    else:
        for time, data in chunks:
            times += framer.feed(data, time).times.tolist()
    assert times == sorted(times)


def test_reset_gives_what_was_pending_and_goes_on_at_the_offset() -> None:
    """The half line is handed back; the next line has the new offset."""
    framer = LineFramer(terminator=b"\n")
    framer.feed(b"ab\ncd", 0)
    assert framer.reset(100) == (3, b"cd", False)
    assert framer.pending == 0
    assert framer.feed(b"ef\n", 1).offsets.tolist() == [100]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"terminator": b""}, "'terminator' must have 1 to 4 bytes (got b'')"),
        ({"terminator": b"12345"}, "'terminator' must have 1 to 4 bytes (got b'12345')"),
        ({"max_length": 0}, "'max_length' must be >= 1 (got 0)"),
        ({"ns_per_byte": -1}, "'ns_per_byte' must be >= 0 (got -1)"),
    ],
)
def test_framer_with_bad_argument_says_which(arguments: dict[str, object], message: str) -> None:
    """A mistake in the call is told by name, requirement and value."""
    with pytest.raises(ValueError, match=f"^{re.escape(message)}$"):
        LineFramer(**arguments)  # type: ignore[arg-type]
