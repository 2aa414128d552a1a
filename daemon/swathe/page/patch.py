"""Pixels as bytes: whole tiles, and what changed since.

A tile is its states, one byte a pixel, then its thicknesses, two bytes a pixel, little-endian, in
steps of 10 µm with 65535 for none. Rows follow one another; tiles at the far edges are smaller. A
tile of one state without any thickness is that state alone, one byte.

A patch is, for each level in turn: the number ``n`` of changed pixels as `uint32`, their places as
``n`` `uint32`, their thicknesses as ``n`` `uint16`, their states as ``n`` `uint8`, and zeros up to
the next multiple of four bytes; all little-endian.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathe.page.pyramid import NO_THICKNESS, Pixels

__all__ = ["pack_patch", "pack_tile"]


def pack_tile(state: NDArray[np.uint8], thickness: NDArray[np.uint16]) -> bytes:
    """Return a tile as bytes."""
    if state.min() == state.max() and thickness.min() == NO_THICKNESS:
        return state[:1, :1].tobytes()
    return state.tobytes() + thickness.astype("<u2").tobytes()


def pack_patch(levels: list[Pixels]) -> bytes:
    """Return changed pixels, by level, as bytes."""
    parts: list[bytes] = []
    for pixels in levels:
        count = pixels.place.size
        parts += [
            count.to_bytes(4, "little"),
            pixels.place.astype("<u4").tobytes(),
            pixels.thickness.astype("<u2").tobytes(),
            pixels.state.tobytes(),
            b"\0" * (-3 * count % 4),
        ]
    return b"".join(parts)
