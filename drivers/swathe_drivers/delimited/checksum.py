"""Checksums at the end of a line, for all lines of a chunk at once."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.delimited.notation import DIGITS
from swathe_drivers.delimited.settings import LineChecksum


@dataclass(frozen=True, slots=True, eq=False)
class Sums:
    """Result of checking n lines.

    Attributes:
        ends: index of the end of each line's body, which is where its marker begins.
        present: the line ends in a marker and two hexadecimal digits.
        sent: the checksum in the line, where present.
        computed: the checksum of the line, where present.
    """

    ends: NDArray[np.int64]
    present: NDArray[np.bool_]
    sent: NDArray[np.uint8]
    computed: NDArray[np.uint8]


def check_sums(
    settings: LineChecksum,
    block: NDArray[np.uint8],
    starts: NDArray[np.int64],
    ends: NDArray[np.int64],
) -> Sums:
    """Checksums of the lines `block[starts[i]:ends[i]]`.

    Every end must be a valid index of `block`, which a terminator behind the line ensures.
    """
    marker = settings.after.encode("latin-1")
    bodies = ends - (2 + len(marker))
    firsts = starts + settings.first
    present = bodies >= firsts
    if not present.all():
        # Where the line is too short these indices are in the line before or wrap round; `present`
        # is False there, so that what is read doesn't matter.
        bodies = np.where(present, bodies, starts)
        firsts = np.where(present, firsts, starts)
    for index, byte in enumerate(marker):
        present &= block.take(bodies + index, mode="clip") == byte
    high: NDArray[np.uint8] = DIGITS[block.take(ends - 2, mode="clip")]
    low: NDArray[np.uint8] = DIGITS[block.take(ends - 1, mode="clip")]
    present &= (high < 16) & (low < 16)
    sent = high * np.uint8(16) + low  # may overflow, harmlessly, where not present

    bounds = np.empty(2 * starts.size, np.int64)
    bounds[0::2] = firsts
    bounds[1::2] = bodies
    if settings.kind == "xor":
        computed = np.bitwise_xor.reduceat(block, bounds)[0::2]
    else:
        computed = np.add.reduceat(block, bounds, dtype=np.uint8)[0::2]
    # `reduceat` gives the first byte, not zero, for an empty segment.
    if (empty := firsts == bodies).any():
        computed = np.where(empty, np.uint8(0), computed)
    return Sums(bodies, present, sent, computed)
