"""Instants at which a survey is evaluated: gaps, alarms and rates.

They are the multiples of 50 ms of the journal's time. Whatever becomes known between two instants
takes effect on gaps and alarms at the later one, however the journal is cut into batches.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "INSTANT_NS",
    "SECOND_NS",
    "instant_of",
    "instants_between",
    "last_instant_before",
    "second_of",
]

INSTANT_NS: Final = 50_000_000
"""Time from one instant to the next."""

SECOND_NS: Final = 20 * INSTANT_NS
"""Time between the instants at which slow things are evaluated, such as the places to confirm."""


def instant_of(known: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the instant at which each journal time takes effect, ns: the next one, or its own."""
    return np.asarray(-(-known // INSTANT_NS) * INSTANT_NS)


def second_of(known: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the whole second of the journal's time at which each time takes effect, ns."""
    return np.asarray(-(-known // SECOND_NS) * SECOND_NS)


def last_instant_before(now: int) -> int:
    """Return the last instant of which all is known at `now`, ns: entries of `now` may follow."""
    return (now - 1) // INSTANT_NS * INSTANT_NS


def instants_between(after: int, last: int) -> NDArray[np.int64]:
    """Return the instants later than `after`, up to the instant `last`, ns."""
    first = (after // INSTANT_NS + 1) * INSTANT_NS
    return np.arange(first, last + 1, INSTANT_NS, dtype=np.int64)
