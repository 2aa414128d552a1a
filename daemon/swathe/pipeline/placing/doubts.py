"""Silences that were none: what the late readings of a gauge show.

The path waits for readings only for as long as one may be on its way (`lateness`); where none has come
by then, the gauge is said to have been silent. A line that was held up for longer delivers readings of
that silence all the same: the gauge read, and nothing is known of the echo where such a reading finds
no place, or where the bytes of one among them were damaged.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields

import numpy as np

from swathe.arrays import Bools, Ints, Times

__all__ = ["NO_DOUBTS", "Doubts"]


@dataclass(frozen=True, slots=True)
class Doubts:
    """Spans between two readings in which a gauge was not silent as far as is known, shape (n,) each.

    Attributes:
        begin: time of the reading before, ns; it is not in the span.
        end: of the reading after, ns; it is.
        known: journal time with which that one came, ns.
        unread: whether readings in between may have been sent that could not be read; otherwise there
            was no silence at all.
        probe: number of the probe that read.
    """

    begin: Times
    end: Times
    known: Times
    unread: Bools
    probe: Ints

    def __getitem__(self, rows: Bools | Ints) -> Doubts:
        """Return some spans."""
        return Doubts(*(getattr(self, column.name)[rows] for column in fields(self)))

    @staticmethod
    def joined(parts: Iterable[Doubts]) -> Doubts:
        """Return the spans of all parts by the journal times from which they are known."""
        found = [part for part in parts if part.begin.size]
        if not found:
            return NO_DOUBTS
        columns = (
            np.concatenate([getattr(one, column.name) for one in found])
            for column in fields(Doubts)
        )
        doubts = Doubts(*columns)
        return doubts[np.argsort(doubts.known, kind="stable")]


_NONE = np.empty(0, np.int64)
NO_DOUBTS = Doubts(_NONE, _NONE, _NONE, np.empty(0, bool), _NONE)
