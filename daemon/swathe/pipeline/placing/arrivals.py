"""Chunks of bytes by their times of arrival and by the journal times from which they are known."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["Arrival", "joined_chunks", "journal_times", "parts_of"]

# Lines that are all faults take a hundred times their bytes of memory while they are decoded.
_MOST_BYTES = 256 << 10

Arrival = tuple[int, bytes]
"""Bytes, and when they arrived, ns."""


def parts_of(chunks: Sequence[Arrival], *, each: bool = False) -> Iterator[tuple[int, int]]:
    """Yield begin and end of parts that are decoded one after the other.

    A part has 256 kB at most, or is what came at one time: as that is joined to one chunk, wherever the
    first part begins (see `joined_chunks`). With `each`, that is a part by itself.
    """
    begin = total = group = 0  # `group`: the first chunk of the newest time
    newest: int | None = None
    since = 0  # bytes of that time
    for at, (time, data) in enumerate(chunks):
        if newest is None or time > newest:
            newest, group, since = time, at, 0
        since += len(data)
        total += len(data)
        if (each or total > _MOST_BYTES) and group > begin:
            yield begin, group
            begin, total = group, since
    if chunks:
        yield begin, len(chunks)


def joined_chunks(chunks: list[Arrival], known: list[int]) -> tuple[list[Arrival], list[int]]:
    """Return chunks and their journal times, those that a coarse clock gives one time as one."""
    times = np.array([time for time, _ in chunks])
    begins = np.flatnonzero(np.diff(np.maximum.accumulate(times), prepend=times[0] - 1))
    if begins.size == times.size:
        return chunks, known
    ends = [*begins[1:].tolist(), times.size]
    together = [
        (chunks[begin][0], b"".join(data for _, data in chunks[begin:end]))
        for begin, end in zip(begins.tolist(), ends, strict=True)
    ]
    return together, [known[begin] for begin in begins.tolist()]


def journal_times(
    arrivals: NDArray[np.int64], chunks: list[Arrival], known: list[int]
) -> NDArray[np.int64]:
    """Return the journal times of chunks by their times of arrival, shape (n,)."""
    times, journal = np.array([time for time, _ in chunks]), np.array(known)
    if not arrivals.size or np.array_equal(times, journal):
        return arrivals
    chunk = np.searchsorted(times, arrivals, side="right") - 1
    return np.asarray(journal[np.maximum(chunk, 0)])
