"""Requests that a polled device sends back before it answers."""

from collections.abc import Sequence
from typing import Final

__all__ = ["without_echoes"]

_FEWEST: Final = 8
_SHORTEST: Final = 2


def without_echoes(
    chunks: Sequence[tuple[int, bytes]], requests: Sequence[bytes]
) -> tuple[list[tuple[int, bytes]], bool]:
    """Return chunks without the requests that were sent back, and whether there were any.

    A request of one byte is looked for at the beginning of chunks only, as it may be part of an answer.

    Args:
        chunks: time of arrival, ns, and bytes of each.
        requests: what was sent again and again.
    """
    data = b"".join(piece for _, piece in chunks)
    dropped = bytearray(len(data))
    found = False
    for request in requests:
        places = _places(data, chunks, request)
        if len(places) < _FEWEST or len(places) * len(request) < 0.01 * len(data):
            continue
        found = True
        for at in places:
            dropped[at : at + len(request)] = b"\1" * len(request)
    if not found:
        return list(chunks), False
    kept = []
    at = 0
    for time, piece in chunks:
        left = bytes(
            b for b, gone in zip(piece, dropped[at : at + len(piece)], strict=True) if not gone
        )
        at += len(piece)
        if left:
            kept.append((time, left))
    return kept, True


def _places(data: bytes, chunks: Sequence[tuple[int, bytes]], request: bytes) -> list[int]:
    if len(request) < _SHORTEST:
        starts, at = [], 0
        for _, piece in chunks:
            if piece.startswith(request):
                starts.append(at)
            at += len(piece)
        return starts if len(starts) >= 0.9 * len(chunks) else []
    places = []
    at = data.find(request)
    while at >= 0:
        places.append(at)
        at = data.find(request, at + len(request))
    return places
