"""What share of a gauge's readings counts: an alarm where many have no place on the plan."""

from __future__ import annotations

from typing import Final

import numpy as np

from swathe.arrays import Bools, Times
from swathe.pipeline.placing.conditions import Condition
from swathe.station import AlarmKind

__all__ = ["PlacedShare"]

SPAN_NS: Final = 10_000_000_000
"""Readings of so long are looked at, once a second."""

_EVERY_NS = 1_000_000_000
# At the begin of a run devices start one after the other.
_QUIET_NS = 5_000_000_000
# The alarm is raised where so many of them, and more than this share, have no position; or where so
# many have one, and none is on the plan.
_FEWEST, _MOST_UNPLACED = 20, 0.2
_ON_PLAN, _OUTSIDE, _UNPLACED = 0, 1, 2


class PlacedShare:
    """Follows which readings of one run are placed on the plan.

    It is evaluated at whole seconds of the journal's time, so that it does not depend on batches.

    Args:
        begin: journal time at which the run began, ns; nothing is evaluated for some seconds.
    """

    def __init__(self, begin: int = 0) -> None:
        self._known: Times = np.empty(0, np.int64)
        self._fate = np.empty(0, np.int8)
        self._evaluated = (begin + _QUIET_NS) // _EVERY_NS * _EVERY_NS
        self._detail = ""

    def add(self, known: Times, on_plan: Bools) -> None:
        """Add readings that were placed, and whether each is on the plan, shape (n,).

        Args:
            known: journal times from which their positions are known, ns, in any order.
            on_plan: whether the position is in a cell.
        """
        self._add(known, np.where(on_plan, _ON_PLAN, _OUTSIDE))

    def add_unplaced(self, known: Times) -> None:
        """Add readings without a position, by the journal times at which that is known, ns."""
        self._add(known, np.full(known.shape, _UNPLACED))

    def _add(self, known: Times, fate: Times) -> None:
        if known.size:
            self._known = np.concatenate((self._known, known))
            self._fate = np.concatenate((self._fate, fate.astype(np.int8)))

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
        keep = self._known > last + _EVERY_NS - SPAN_NS
        self._known, self._fate = self._known[keep], self._fate[keep]
        return changes

    def _detail_at(self, second: int) -> str:
        """Return the alarm's text at a journal time, ns; empty for none."""
        recent = self._fate[(self._known > second - SPAN_NS) & (self._known <= second)]
        count = np.bincount(recent, minlength=3)
        if count[_UNPLACED] >= _FEWEST and count[_UNPLACED] > _MOST_UNPLACED * recent.size:
            return (
                "many readings have no position: see the encoder's counts and its other alarms, "
                "then the tables [placing] and [scan]"
            )
        if count[_OUTSIDE] >= _FEWEST and not count[_ON_PLAN]:
            return (
                "all readings are outside the plan: see the position, then zero_at, reversed and "
                "counts_per_mm of the axes"
            )
        return ""
