"""How a device's records reach the host: delay, jitter, a queue on the line, polls, stalls.

All times are s; columns have one row for each record that is sent, in the order of sending.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["Arrivals", "Delivery", "deliver"]

Floats = NDArray[np.float64]

_BITS_OF_BYTE = 10


@dataclass(frozen=True, kw_only=True)
class Delivery:
    """The path of a device's records to the host.

    Attributes:
        delay: from the event to the first byte on the line without jitter, s.
        jitter: mean of what comes on top, s.
        shape: of its distribution: ``exponential``; ``gamma`` of shape 3; ``uniform``.
        baud: of the line; 0 for a network, on which a record arrives at once.
        poll: the host reads what arrived every so many s, on the mean.
        packets: whether it does so exactly, as a USB converter's timer; else by and by, as a thread.
        stalls: (begin, seconds): what arrives meanwhile is read in one burst afterwards.
        unplugged: (begin, seconds): what arrives meanwhile is lost, and the port with it.
    """

    delay: float = 0.0
    jitter: float = 0.0
    shape: Literal["exponential", "gamma", "uniform"] = "exponential"
    baud: int = 115_200
    poll: float = 0.0005
    packets: bool = False
    stalls: tuple[tuple[float, float], ...] = ()
    unplugged: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Arrivals:
    """The bytes that reached the host, and which records are whole among them.

    Attributes:
        chunks: (time s, bytes), in order.
        whole: whether all bytes of each record arrived, shape (n,).
        offset: of each record's first byte in the stream as received, shape (n,).
        read: when each record's last byte was read, s, shape (n,).
    """

    chunks: list[tuple[float, bytes]]
    whole: NDArray[np.bool_]
    offset: NDArray[np.int64]
    read: Floats


def deliver(
    made: Floats, records: list[bytes], way: Delivery, rng: np.random.Generator
) -> Arrivals:
    """Return how records arrive that were made at `made`, s, rising, shape (n,)."""
    ready = np.maximum.accumulate(made + way.delay + _jitter(way, made.size, rng))
    sizes = np.array([len(record) for record in records], np.int64)
    byte = _BITS_OF_BYTE / way.baud if way.baud else 0.0
    took = np.cumsum(sizes * byte)
    # A record begins when it is ready and the one before is through.
    end = took + np.maximum.accumulate(ready - np.concatenate(([0.0], took[:-1])))
    first = np.cumsum(sizes) - sizes
    number = np.repeat(np.arange(sizes.size), sizes)
    place = np.arange(int(sizes.sum())) - first[number]
    arrival = end[number] - (sizes[number] - 1 - place) * byte
    read = _reads(way, arrival, rng)
    for begin, seconds in way.stalls:
        read = np.where((read >= begin) & (read < begin + seconds), begin + seconds, read)
    lost = np.zeros(read.shape, bool)
    for begin, seconds in way.unplugged:
        lost |= (arrival >= begin) & (read < begin + seconds)
    whole = ~np.logical_or.reduceat(lost, first) if sizes.size else np.empty(0, bool)
    kept = np.flatnonzero(~lost)
    received = np.cumsum(~lost) - 1
    stream = b"".join(records)
    data = np.frombuffer(stream, np.uint8)[kept].tobytes()
    read = np.rint(read * 1e6) / 1e6
    last = read[first + sizes - 1] if sizes.size else read
    read = read[kept]
    borders = np.flatnonzero(np.diff(read)) + 1
    begins = [0, *borders.tolist()] if read.size else []
    ends = [*borders.tolist(), read.size]
    chunks = [(float(read[b]), data[b:e]) for b, e in zip(begins, ends, strict=False)]
    return Arrivals(chunks, whole, received[first] if sizes.size else first, last)


def _jitter(way: Delivery, count: int, rng: np.random.Generator) -> Floats:
    if way.shape == "gamma":
        return rng.gamma(3.0, way.jitter / 3.0, count)
    if way.shape == "uniform":
        return rng.uniform(0.0, 2 * way.jitter, count)
    return rng.exponential(way.jitter, count)


def _reads(way: Delivery, arrival: Floats, rng: np.random.Generator) -> Floats:
    """Return when the host reads what arrived, s, shape as `arrival`."""
    if way.packets:
        phase = rng.uniform(0.0, way.poll)
        return np.asarray(phase + np.ceil((arrival - phase) / way.poll) * way.poll)
    last = float(arrival.max(initial=0.0)) + way.poll
    steps = way.poll * rng.uniform(0.5, 1.5, int(1.2 * last / way.poll) + 100)
    at = np.cumsum(steps)
    return np.asarray(at[np.searchsorted(at, arrival)])
