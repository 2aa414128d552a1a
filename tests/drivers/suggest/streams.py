"""Byte streams of invented devices, as a USB adapter hands them over; shares no code with drivers."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterable
from functools import reduce
from operator import xor

Chunks = list[tuple[int, bytes]]

START = 5_000_000_000
"""Host time of the beginning, ns."""


def as_chunks(lines: Iterable[tuple[float, bytes]], source: random.Random) -> Chunks:
    """Lines and the times (s) at which they are sent, cut as a USB adapter cuts them.

    It hands over every 16 ms what has come by then, a little late, cut anywhere; the capture
    begins in the middle of a line.
    """
    period = 0.016
    slots: dict[int, list[bytes]] = {}
    for time, line in lines:
        slots.setdefault(int(time / period), []).append(line)
    chunks: Chunks = []
    held = b""
    for slot in range(min(slots), max(slots) + 2):
        sent = slots.get(slot, [])
        data = held + b"".join(sent)
        held = b""
        if sent and source.random() < 0.3:  # the adapter's buffer ends within the last line
            at = len(data) - source.randrange(len(sent[-1]))
            data, held = data[:at], data[at:]
        if slot == min(slots):
            data = data[len(sent[0]) // 2 :]
        if data:
            late = source.uniform(0.0, 0.003)
            chunks.append((START + round(((slot + 1) * period + late) * 1e9), data))
    return chunks


def xor_of(text: bytes) -> int:
    """Exclusive or of all bytes."""
    return reduce(xor, text, 0)


def to_and_fro(time: float, *, length: float, seconds: float) -> float:
    """Position (mm) of a probe that goes to and fro with soft turns."""
    return length * 0.5 * (1 - math.cos(2 * math.pi * time / seconds))


def wall(source: random.Random, nominal: float) -> Callable[[float], float]:
    """Thickness (mm) over time: a wall with dents, and the noise of its measurement."""
    dents = [
        (source.uniform(0, 20), source.uniform(0.2, 1.0), source.uniform(0.05, 0.3))
        for _ in range(6)
    ]

    def at(time: float) -> float:
        value = nominal
        for centre, width, depth in dents:
            value -= nominal * depth * math.exp(-(((time - centre) / width) ** 2))
        return value + source.gauss(0, 0.004 * nominal)

    return at
