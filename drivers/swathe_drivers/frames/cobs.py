"""Frames between bytes 00, in which every other 00 is replaced by how far it is to the next one.

Consistent Overhead Byte Stuffing (S. Cheshire and M. Baker, IEEE/ACM Transactions on Networking, vol. 7,
no. 2, April 1999, pp. 159-172): a code byte n has n - 1 bytes behind it that are data, and a 00 behind
these unless n is 255 or the frame ends there.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.frames.framer import Contents, Found, even_stride
from swathe_drivers.frames.start_stop import StartStopFramer

_LONGEST: Final = 255
"""The code byte behind whose data no 00 is meant."""


class CobsFramer(StartStopFramer):
    """Finds frames between bytes 00, and puts the other ones back."""

    def __init__(self, *, max_length: int, ns_per_byte: int) -> None:
        super().__init__(
            start=0, stop=0, escape=None, max_length=max_length, ns_per_byte=ns_per_byte
        )

    def _contents(self, block: NDArray[np.uint8], found: Found) -> Contents:
        """The frames' bytes as they were before they were stuffed, without the 00 at the ends."""
        starts, ends = found.starts, found.starts + found.sizes - 1
        inside = np.zeros(block.size + 1, np.int8)
        inside[starts] += 1
        inside[ends] -= 1
        kept = np.cumsum(inside[:-1], dtype=np.int8).astype(np.bool_)
        block = block.copy()
        bad: dict[int, str] = {}
        rows, at = np.arange(starts.size), starts
        longest = np.ones(starts.size, np.bool_)  # no 00 is meant at the first code byte
        while rows.size:  # one code byte of every frame at a time
            code = block[at].astype(np.int64)
            block[at] = 0
            kept[at[longest]] = False
            longest = code == _LONGEST
            at = at + code
            for row, reach in zip(
                *(x[at > ends[rows]].tolist() for x in (rows, code)), strict=True
            ):
                bad[row] = f"a code byte {reach:02X}, of which the end is beyond that of the frame"
            more = at < ends[rows]
            rows, at, longest = rows[more], at[more], longest[more]
        before = np.concatenate(([0], np.cumsum(kept)))
        starts, lengths = before[starts], before[ends] - before[starts]
        return Contents(
            block=block[kept],
            starts=starts,
            lengths=lengths,
            stride=even_stride(starts, lengths),
            bad=bad,
        )
