"""Bytes that reach the journal a second after the time at which they arrived, as of a thread held up.

Their own time is that of their arrival: the journal's time is ahead of it by then, ticks and all.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.handmade import MS, START, Motion, ended, opened, station_text
from daemon.pipeline.cutting import Cut, differences, state_after
from swathe.journal import Chunk, Entry
from swathe.pipeline import Pipeline
from swathe.station import parse_station

TEXT = station_text(scan_length=18)
STATION = parse_station(TEXT, "bench.toml")
# 10 mm/s; a reading's thickness tells when it was made, and so where.
MOTION = Motion(
    place=lambda ms: (ms / 100,),
    wall=lambda ms: 10.0 + ms / 1000,
    first=0,
    last=1800,
    sample_ms=10,
    reading_ms=10,
)
PORTS = (("encoder",), ("gauge",), ("encoder", "gauge"))


def late(ports: tuple[str, ...], begin: int, by: int = 1000) -> list[Entry]:
    """Return the journal where a chunk of `ports` at `begin`, ms, comes late, and the port's next bytes after it.

    The thread was held up between reading the bytes, of which it took the time, and handing them over.
    """
    entries: list[Entry] = []
    held: dict[str, list[Chunk]] = {port: [] for port in ports}
    for entry in MOTION.entries():
        ms = (entry.time - START) // MS
        if isinstance(entry, Chunk) and entry.port in held:
            if begin <= ms < begin + by:
                held[entry.port].append(entry)
                continue
            if ms >= begin + by:
                chunks = held.pop(entry.port)
                first, *rest = chunks
                entries += [
                    first,
                    Chunk(entry.time, entry.port, b"".join(one.data for one in rest)),
                ]
        entries.append(entry)
    return [opened(TEXT), *entries, ended(START + 4000 * MS)]


def cells_of(pipeline: Pipeline) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return thickness, mm, and hits of the cells."""
    thickness, hits = (
        pipeline.grid.layer(name, slice(None), slice(None))[0] for name in ("thickness", "hits")
    )
    return thickness, hits


@pytest.mark.parametrize("ports", PORTS)
def test_late_chunk_misplaces_no_reading_and_depends_on_no_batch(ports: tuple[str, ...]) -> None:
    """A cell has what was read there, or nothing; by one reading at its edges, where the clock's line turns."""
    journal = late(ports, 500)
    assert max(a.time - b.time for a, b in pairwise(journal[1:])) >= 990 * MS  # it does come late
    pipeline = Pipeline(STATION)
    for entry in journal:
        pipeline.feed(entry)
    thickness, hits = cells_of(pipeline)
    cells = np.arange(19)
    true = 10.0 + np.maximum(cells - 0.5, 0.0) / 10
    seen = hits > 0
    assert np.abs(thickness[seen] - true[seen]).max() < 0.011
    assert hits.max() <= 11
    # Readings are placed once their path is known; where the encoder's come too late, they are not.
    assert np.count_nonzero(seen) >= (12 if ports == ("encoder",) else 18)
    states = [state_after(STATION, journal, cut) for cut in (Cut(), Cut(advance=0.05))]
    assert list(differences(*states)) == []
