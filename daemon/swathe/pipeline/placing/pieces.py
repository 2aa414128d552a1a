"""Chunks of a polled device in pieces that are decoded in one go, and the requests between them."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import accumulate

from swathe.pipeline.placing.arrivals import Arrival, parts_of

__all__ = ["Piece", "pieces_between"]


@dataclass(frozen=True, slots=True)
class Piece:
    """Chunks that come one after the other.

    As a rule no request was sent within a record, and that is seen at what they give in one go.

    Attributes:
        begin: number of the first of them.
        end: behind the number of the last.
        parts: from one request to the next: begin and end, and journal time of the request behind, ns;
            None behind the last.
        sizes: bytes from the first chunk up to each request between them.
        asked_behind: journal times of the requests behind the last chunk, ns.
    """

    begin: int
    end: int
    parts: tuple[tuple[int, int, int | None], ...]
    sizes: tuple[int, ...]
    asked_behind: tuple[int, ...]


def pieces_between(
    chunks: Sequence[Arrival], cuts: Sequence[tuple[int, int]], *, each: bool
) -> Iterator[Piece]:
    """Yield the pieces of chunks, each a part as of `parts_of`.

    Args:
        chunks: with their times of arrival, ns.
        cuts: requests: chunks before each, and its journal time, ns.
        each: see `parts_of`.
    """
    waiting = deque(cuts)
    if waiting and not waiting[0][0]:
        yield Piece(0, 0, (), (), _taken(waiting, 0))
    for begin, end in list(parts_of(chunks, each=each)):
        parts: list[tuple[int, int, int | None]] = []
        done = begin
        while waiting and waiting[0][0] < end:
            at, asked = waiting.popleft()
            parts.append((done, at, asked))
            done = at
        sizes: tuple[int, ...] = ()
        if parts:
            total = [0, *accumulate(len(data) for _, data in chunks[begin:end])]
            sizes = tuple(total[at - begin] for _, at, _ in parts)
        parts.append((done, end, None))
        yield Piece(begin, end, tuple(parts), sizes, _taken(waiting, end))


def _taken(waiting: deque[tuple[int, int]], at: int) -> tuple[int, ...]:
    found: list[int] = []
    while waiting and waiting[0][0] == at:
        found.append(waiting.popleft()[1])
    return tuple(found)
