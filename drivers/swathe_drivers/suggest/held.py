"""Values that look held: a device that has lost the echo often repeats its last value."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

_FEWEST_OTHERS: Final = 50
_FEWEST_REPEATS: Final = 12
_IMPOSSIBLE: Final = 1e-9
_UNLIKELY: Final = 1e-6
_FEWEST_AFTER: Final = 5


@dataclass(frozen=True, slots=True)
class HeldRun:
    """The longest run of one value, which the others make impossible.

    Attributes:
        value: that is repeated.
        repeats: how often.
        share: of the other values, those that repeat the one before.
        after: repeats from which on a value is to count as held.
    """

    value: float
    repeats: int
    share: float
    after: int

    def __str__(self) -> str:
        return (
            f"{self.value:g} came {self.repeats} times more without a change, while "
            f"{self.share:.0%} of the other values repeat the one before: held for want of an "
            "echo, or a probe at rest without noise?"
        )


def find_held(values: NDArray[np.float64]) -> HeldRun | None:
    """Return the longest run of a value if chance does not make it; None without one.

    Each of the other values repeats the one before with a certain share; by chance a run of m
    repeats has the m-th power of it.

    Args:
        values: in their order, NaN where there is none, shape (n,).
    """
    same = values[1:] == values[:-1]  # NaN is equal to nothing
    begins = np.flatnonzero(np.diff(same, prepend=False) & same)
    ends = np.flatnonzero(np.diff(same, append=False) & same) + 1
    if not begins.size:
        return None
    lengths = ends - begins
    longest = int(np.argmax(lengths))
    repeats = int(lengths[longest])
    # Other runs that are as impossible are no sample of chance either.
    short = lengths < max(_FEWEST_REPEATS, repeats / 4)
    others = int(np.count_nonzero(np.isfinite(values))) - int(lengths[~short].sum())
    if others < _FEWEST_OTHERS or repeats < _FEWEST_REPEATS:
        return None
    share = (int(lengths[short].sum()) + 1) / (others + 2)
    if share**repeats >= _IMPOSSIBLE:
        return None
    usual = int(lengths[short].max()) if short.any() else 0
    after = max(_FEWEST_AFTER, math.ceil(math.log(_UNLIKELY) / math.log(share)), usual + 2)
    return HeldRun(float(values[begins[longest]]), repeats, share, min(after, repeats))
