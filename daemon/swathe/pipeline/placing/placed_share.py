"""What share of a gauge's readings counts: an alarm where many have no place on the plan."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Floats, Times
from swathe.pipeline.instants import SECOND_NS, second_of
from swathe.pipeline.placing.conditions import Condition
from swathe.station import AlarmKind

__all__ = ["PlacedShare"]

SPAN_NS: Final = 10_000_000_000
"""Readings of so long are looked at, once a second."""

_EVERY_NS: Final = SECOND_NS
# At the begin of a run devices start one after the other.
_QUIET_NS = 5_000_000_000
# The alarm is raised where so many of them, and more than this share, have no position; or where so
# many have one, and none is on the plan.
_FEWEST, _MOST_UNPLACED = 20, 0.2
_ON_PLAN, _OUTSIDE, _UNPLACED = 0, 1, 2
_FATES = 3
_NONE = np.zeros(_FATES, np.int64)
# Outside of the plan a probe may wait for its crawler or a person; what is outside while it moves
# by more than so many cells, in either direction, says something of the axes.
_MOVED_CELLS = 2.0


class PlacedShare:
    """Follows which readings of one run are placed on the plan.

    It is evaluated at whole seconds of the journal's time, so that it does not depend on batches.

    Args:
        begin: journal time at which the run began, ns; nothing is evaluated for some seconds.
    """

    def __init__(self, begin: int = 0) -> None:
        # Counts by fate of the readings of each second, by the whole second at which it ends, ns.
        self._counts: dict[int, NDArray[np.int64]] = {}
        # Lowest and highest positions outside of the plan, in cells, by the same seconds.
        self._outside: dict[int, tuple[Floats, Floats]] = {}
        self._evaluated = (begin + _QUIET_NS) // _EVERY_NS * _EVERY_NS
        self._detail = ""

    def add(self, known: Times, on_plan: Bools, places: Floats) -> None:
        """Add readings that were placed, and whether each is on the plan.

        Args:
            known: journal times from which their positions are known, ns, in any order, shape (n,).
            on_plan: whether the position is in a cell, shape (n,).
            places: scan and index position, in cells, shape (n, 2).
        """
        self._add(known, np.where(on_plan, _ON_PLAN, _OUTSIDE))
        ends = second_of(known)
        for end in np.unique(ends[~on_plan]).tolist():
            there = places[~on_plan & (ends == end)]
            if end in self._outside:
                there = np.vstack((there, *self._outside[end]))
            self._outside[end] = np.fmin.reduce(there), np.fmax.reduce(there)

    def add_unplaced(self, known: Times) -> None:
        """Add readings without a position, by the journal times at which that is known, ns."""
        self._add(known, np.full(known.shape, _UNPLACED))

    def _add(self, known: Times, fate: Times) -> None:
        if not known.size:
            return
        ends, of_end = np.unique(second_of(known), return_inverse=True)
        counts = np.bincount(of_end * _FATES + fate, minlength=ends.size * _FATES)
        for end, count in zip(ends.tolist(), counts.reshape(-1, _FATES), strict=True):
            self._counts[end] = self._counts.get(end, 0) + count

    def follow(self, until: int) -> list[Condition]:
        """Return what changes at the whole seconds up to the journal time `until`, ns.

        All that is known until then has been added.
        """
        changes: list[Condition] = []
        last = max(until // _EVERY_NS * _EVERY_NS, self._evaluated)
        for second in range(self._evaluated + _EVERY_NS, last + 1, _EVERY_NS):
            detail = self._detail_at(second)
            if detail != self._detail:
                kind = AlarmKind.UNPLACED
                changes.append(Condition(kind, "", second, holds=bool(detail), detail=detail))
                self._detail = detail
        self._evaluated = last
        for end in [end for end in self._counts if end <= last + _EVERY_NS - SPAN_NS]:
            del self._counts[end]
            self._outside.pop(end, None)
        return changes

    def _detail_at(self, second: int) -> str:
        """Return the alarm's text at a journal time, ns; empty for none."""
        recent = range(second - SPAN_NS + _EVERY_NS, second + 1, _EVERY_NS)
        count = sum((self._counts[end] for end in recent if end in self._counts), _NONE)
        if count[_UNPLACED] >= _FEWEST and count[_UNPLACED] > _MOST_UNPLACED * count.sum():
            return (
                "many readings have no position: see the encoder's counts and its other alarms, "
                "then the tables [placing] and [scan]"
            )
        # A crawler begins, and homes, outside of the plan: on its way to it there is nothing to see to.
        # Once it is raised readings may come in bursts.
        shown = (recent[0] in self._counts and self._moved(recent)) or bool(self._detail)
        if shown and count[_OUTSIDE] >= _FEWEST and not count[_ON_PLAN]:
            return (
                "all readings are outside the plan: see the position, then zero_at, reversed and "
                "counts_per_mm of the axes"
            )
        return ""

    def _moved(self, seconds: range) -> bool:
        """Return whether the probe moved outside of the plan within these seconds."""
        extents = [self._outside[end] for end in seconds if end in self._outside]
        if not extents:
            return False
        lowest, highest = (np.array(ends) for ends in zip(*extents, strict=True))
        return bool((highest.max(axis=0) - lowest.min(axis=0)).max() > _MOVED_CELLS)
