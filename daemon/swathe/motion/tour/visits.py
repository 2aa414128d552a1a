"""What a tour is made of: places to visit, each to be entered and left in up to four ways.

Way 0 of a visit ends where way 1 begins and the other way round, and so do ways 2 and 3: a tour
that is reversed takes the same ways backwards. A visit of one line has two ways, listed twice.
A way is named by its code, ``4 * visit + way``; ``code ^ 1`` is the same way backwards.
"""

from __future__ import annotations

from dataclasses import dataclass

from swathe.arrays import Floats

__all__ = ["WAYS", "Visits"]

WAYS = 4


@dataclass(frozen=True, slots=True)
class Visits:
    """Places to visit, as arrays.

    Attributes:
        entry: where each way begins, (scan, index) in mm, shape (n, 4, 2).
        own: seconds that each way takes in itself, shape (n, 4); a way that shall be avoided has
            much more.
    """

    entry: Floats
    own: Floats

    @property
    def count(self) -> int:
        """Number of visits."""
        return int(self.entry.shape[0])

    @property
    def exit(self) -> Floats:
        """Where each way ends, shape (n, 4, 2)."""
        return self.entry[:, [1, 0, 3, 2]]
