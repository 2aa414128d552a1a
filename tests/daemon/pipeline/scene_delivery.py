"""How the bytes of a port arrive: at once, in bunches, late, or cut anywhere."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from random import Random
from typing import Literal

from swathe.journal import Chunk

__all__ = ["Manner", "delivered"]

Manner = Literal["prompt", "bunched", "late", "cut"]

_US = 1_000


def delivered(
    port: str, made: Sequence[tuple[int, bytes]], manner: Manner, rng: Random
) -> list[Chunk]:
    """Return the chunks in which a port's records arrive; arrival times never fall.

    Args:
        port: name of the port.
        made: records as (host time at which the record was made in ns, its bytes), in order.
        manner: ``prompt``: each record is a chunk, without delay; ``bunched``: the records of some
            10 ms arrive together, as a few chunks of one time; ``late``: each is up to 80 ms late,
            and now and then one is held up for longer; ``cut``: a chunk ends anywhere.
        rng: source of chance.
    """
    if not made:
        return []
    if manner == "cut":
        pieces: Iterable[tuple[int, bytes]] = _pieces(made, rng)
    elif manner == "bunched":
        step = rng.randrange(10, 60) * 1_000 * _US
        pieces = ((-(-time // step) * step, data) for time, data in made)
    elif manner == "late":
        pieces = ((time + _delay(rng), data) for time, data in made)
    else:
        pieces = made
    chunks: list[Chunk] = []
    for time, data in pieces:
        arrival = max(time, chunks[-1].time) if chunks else time
        if manner == "bunched" and chunks and arrival == chunks[-1].time and rng.random() < 0.6:
            chunks[-1] = Chunk(arrival, port, chunks[-1].data + data)
        else:
            chunks.append(Chunk(arrival, port, data))
    return chunks


def _delay(rng: Random) -> int:
    if rng.random() < 0.01:
        return rng.randrange(150_000, 400_000) * _US
    return rng.randrange(0, 80_000) * _US


def _pieces(made: Sequence[tuple[int, bytes]], rng: Random) -> Iterable[tuple[int, bytes]]:
    """Yield the stream in pieces that end anywhere, each when its last byte had been made."""
    stream = b"".join(data for _, data in made)
    made_at = [time for time, data in made for _ in data]
    begin = 0
    while begin < len(stream):
        end = min(begin + rng.choice((1, 3, 7, 20, 45, 90)), len(stream))
        # To whole ms, so that pieces may have one time.
        yield -(-made_at[end - 1] // (1_000 * _US)) * 1_000 * _US, stream[begin:end]
        begin = end
