"""What a pipeline keeps of a fast gauge does not grow with the time for which it reads."""

from __future__ import annotations

from collections.abc import Iterator

from daemon.handmade import MS, START, line, opened, station, station_text
from swathe.journal import Chunk, Entry, Tick
from swathe.pipeline import Pipeline
from swathe.store.frozen import freeze

CHUNK_MS, LINES = 100, 200
RATE = 1000 // CHUNK_MS * LINES
LENGTH_MM = 20


def second(number: int) -> Iterator[Entry]:
    """Yield a second of a probe that goes to and fro over one line, with 2,000 readings."""
    for ms in range(1000 * number + CHUNK_MS, 1000 * (number + 1) + 1, CHUNK_MS):
        time = START + ms * MS
        at = range(ms - CHUNK_MS + 20, ms + 1, 20)
        moved = ((k, abs(k // 20 % (2 * LENGTH_MM) - LENGTH_MM)) for k in at)
        yield Chunk(time, "encoder", b"".join(line(f"P,{k},{10 * mm}") for k, mm in moved))
        first = (ms - CHUNK_MS) * LINES // CHUNK_MS
        stamps = ((first + k) * CHUNK_MS // LINES for k in range(LINES))
        yield Chunk(time, "gauge", b"".join(line(f"R,{k},4.700,E") for k in stamps))
        yield Tick(time)


def size_of(pipeline: Pipeline) -> int:
    """Return how many bytes a checkpoint of the pipeline has."""
    frozen = freeze(pipeline, most_bytes=1 << 30)
    assert frozen is not None
    return frozen.nbytes


def test_state_keeps_no_reading_for_longer_than_something_may_need_it() -> None:
    """After twice the time its size is the same, and that of little more than a second's readings."""
    text = station_text(scan_length=LENGTH_MM)
    pipeline = Pipeline(station(text))
    pipeline.collect(opened(text))
    empty = size_of(pipeline)
    sizes = []
    for half in (range(12), range(12, 24)):
        for number in half:
            for entry in second(number):
                pipeline.collect(entry)
            pipeline.advance()
        sizes.append(size_of(pipeline))
    assert pipeline.readings > 0.95 * 24 * RATE
    assert sizes[1] < 1.05 * sizes[0]
    # 7 numbers of 8 bytes of each reading of 1.1 s, and twice as much for all else.
    assert sizes[1] - empty < 3 * 1.1 * RATE * 7 * 8
