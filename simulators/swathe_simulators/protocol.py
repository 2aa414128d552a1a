r"""The lines that the simulated devices speak: plain ASCII, comma separated.

    P,<clock us>,<scan counts>[,<index counts>]*HH\r\n
    R,<clock us>,<value>,<amplitude %>,<E|N>*HH\r\n
    C,<clock us>,<scan counts>[,<index counts>],<value>,<amplitude %>,<E|N>*HH\r\n

The value is a time of flight in µs (4 decimals) or a thickness in mm (3 decimals); E
means that there was an echo, N that there was none. HH is the exclusive or of all bytes
before the star, as two upper-case hex digits. The clock column may be left out.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

KIND_LETTER = {"encoder": "P", "gauge": "R", "combined": "C"}


def line_format(kind: str, *, clock: bool, axes: int, value: str | None) -> str:
    """Return the printf format of a line's body, the part before the star.

    Args:
        kind: encoder, gauge or combined.
        clock: whether there is a clock column.
        axes: number of columns of counts.
        value: time_of_flight or thickness, None for an encoder.
    """
    fields = [KIND_LETTER[kind]] + ["%d"] * (int(clock) + axes)
    if value is not None:
        fields += ["%.4f" if value == "time_of_flight" else "%.3f", "%.1f", "%s"]
    return ",".join(fields)


def encode_lines(form: str, columns: Sequence[npt.NDArray[np.generic]]) -> list[bytes]:
    """Write columns of shape (n,) as n whole lines with their checksums."""
    rows = zip(*(column.tolist() for column in columns), strict=True)
    bodies = [(form % row).encode("ascii") for row in rows]
    if not bodies:
        return []
    # Padding with NUL changes no exclusive or, so that one call does a whole batch.
    padded = np.array(bodies, dtype=np.bytes_)
    grid = padded.view(np.uint8).reshape(len(bodies), -1)
    sums = np.bitwise_xor.reduce(grid, axis=1).tolist()
    return [b"%s*%02X\r\n" % pair for pair in zip(bodies, sums, strict=True)]
