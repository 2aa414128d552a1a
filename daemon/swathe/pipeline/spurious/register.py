"""The places to confirm: numbered, most dangerous first.

A place is a cell whose value is doubtful and that the probe has left behind. It is listed until a
second reading or a person confirms it, or until it is doubtful no more because the cells around it
turn out to read the same, or because the cell is read otherwise by its rule. One that a person
rejected stays in the list, with that person's name and reason; so does one that later passes read otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np

from swathe.arrays import Cells
from swathe.pipeline.cells.grid import Grid
from swathe.pipeline.spurious.cells import SpuriousCells
from swathe.reading_flags import SPURIOUS_BITS, ReadingFlag, are_unconfirmed

__all__ = ["ConfirmRegister", "PlaceState", "PlaceToConfirm"]

_HIGH = ReadingFlag.LONE_HIGH | ReadingFlag.DOUBLED
_LOW = ReadingFlag.LONE_LOW | ReadingFlag.HALVED


class PlaceState(StrEnum):
    """What became of a doubtful value."""

    OPEN = "to confirm"
    REJECTED = "rejected"
    """A person says that it is spurious; it stays in the list."""
    CONFIRMED = "confirmed"
    SETTLED = "settled"
    """It is doubtful no more: cells around it agree, or the cell holds another value."""


@dataclass(slots=True)
class PlaceToConfirm:
    """A doubtful value and what is known of it; lengths in mm, times in ns UTC.

    Attributes:
        number: from 1.
        cell: flat cell.
        flags: why it is doubtful.
        value: thickness.
        wall: median of the cells around it; None where too few were read.
        other: lowest value that another visit of the probe read; None without one.
        others: other visits.
        opened: when it was listed.
        state: what became of it.
        by: who confirmed or rejected it; empty where it was no person.
        reason: that person's, or what confirmed it.
        changed: when the state changed last.
    """

    number: int
    cell: int
    flags: int
    value: float
    wall: float | None
    other: float | None
    others: int
    opened: int
    state: PlaceState = PlaceState.OPEN
    by: str = ""
    reason: str = ""
    changed: int = 0

    @property
    def is_low(self) -> bool:
        """Whether the value is thinner than the wall around it, or may be."""
        if self.flags & (_LOW | _HIGH):
            return bool(self.flags & _LOW)
        return self.wall is None or self.value < self.wall

    @property
    def is_listed(self) -> bool:
        """Whether it is still to be confirmed, or stays in the list as rejected."""
        return self.state in (PlaceState.OPEN, PlaceState.REJECTED)

    @property
    def danger(self) -> tuple[bool, bool, float, int]:
        """Sorts places: open ones first, then low ones, then the thinnest."""
        return self.state is not PlaceState.OPEN, not self.is_low, self.value, self.cell


class ConfirmRegister:
    """The places of a survey.

    Args:
        grid: the cells.
        spurious: has their flags and the decisions of persons.

    Attributes:
        places: all so far, by number.
    """

    def __init__(self, grid: Grid, spurious: SpuriousCells) -> None:
        self._grid = grid
        self._spurious = spurious
        self.places: list[PlaceToConfirm] = []
        self._of_cell: dict[int, PlaceToConfirm] = {}
        self._touched: set[int] = set()
        self._waiting: set[int] = set()  # not left behind yet
        self._changed = False

    @property
    def listed(self) -> list[PlaceToConfirm]:
        """The places that are to be confirmed, most dangerous first, rejected ones last."""
        listed = (place for place in self._of_cell.values() if place.is_listed)
        return sorted(listed, key=lambda place: place.danger)

    @property
    def open(self) -> int:
        """How many places are to be confirmed, without the rejected ones."""
        return sum(place.state is PlaceState.OPEN for place in self._of_cell.values())

    def take_changed(self) -> bool:
        """Return whether the list changed since the last call."""
        changed, self._changed = self._changed, False
        return changed

    def add(self, cells: Cells) -> None:
        """Add cells whose value or flags changed, for the next evaluation."""
        doubtful = (self._grid.quality[cells] & np.uint16(SPURIOUS_BITS)) > 0
        self._touched.update(cells[doubtful].tolist())
        if self._of_cell:
            known = set(cells.tolist()) if cells.size < len(self._of_cell) else None
            listed: Iterable[int] = self._of_cell if known is None else known & set(self._of_cell)
            if known is None:
                rows = np.fromiter(listed, np.int64, len(self._of_cell))
                listed = rows[np.isin(rows, cells)].tolist()
            self._touched.update(listed)

    def evaluate(self, time: int, left: Callable[[int], bool], thinnest: int) -> list[int]:
        """Evaluate the cells added since the last call; return those that changed.

        Args:
            time: ns UTC.
            left: whether the probe has left a flat cell behind.
            thinnest: the cell with the raw minimum, which is listed for whatever doubt; -1 without.
        """
        cells = self._touched | self._waiting
        if thinnest >= 0:
            cells.add(thinnest)
        self._touched, self._waiting = set(), set()
        changed = [
            cell for cell in sorted(cells) if self._evaluate_cell(cell, time, left, thinnest)
        ]
        self._changed |= bool(changed)
        return changed

    def _evaluate_cell(
        self, cell: int, time: int, left: Callable[[int], bool], thinnest: int
    ) -> bool:
        quality = self._grid.quality[cell : cell + 1]
        flags = int(quality[0])
        is_doubtful = bool(flags & SPURIOUS_BITS) or (
            cell == thinnest and bool(flags & ReadingFlag.AMBIGUOUS)
        )
        is_read = self._spurious.is_read(cell)
        place = self._of_cell.get(cell)
        if not (is_doubtful and is_read):
            return place is not None and self._settle(place, time)
        if place is None:
            if not are_unconfirmed(quality)[0]:
                return False
            if not left(cell):
                self._waiting.add(cell)
                return False
            place = PlaceToConfirm(
                number=len(self.places) + 1, cell=cell, flags=0, value=math.nan, wall=None,
                other=None, others=0, opened=time, changed=time,
            )  # fmt: skip
            self.places.append(place)
            self._of_cell[cell] = place
        before = self._facts(place)
        self._describe(place, flags)
        self._judge(place, confirmed=bool(flags & ReadingFlag.CONFIRMED), time=time)
        return self._facts(place) != before

    @staticmethod
    def _facts(place: PlaceToConfirm) -> tuple[Any, ...]:
        return (
            place.flags, repr(place.value), place.wall, place.other, place.others, place.state,
            place.by, place.reason,
        )  # fmt: skip

    def _settle(self, place: PlaceToConfirm, time: int) -> bool:
        del self._of_cell[place.cell]
        place.state, place.changed = PlaceState.SETTLED, time
        place.by, place.reason = "", "cells around it agree, or the cell holds another value"
        return True

    def _describe(self, place: PlaceToConfirm, flags: int) -> None:
        grid, cell = self._grid, place.cell
        place.flags = flags & ~ReadingFlag.CONFIRMED
        place.value = float(grid.thickness[cell])
        place.wall = self._spurious.wall_around(cell)
        visits = grid.visits
        place.others = max(int(visits.count[cell]) - 1, 0)
        second = float(visits.second[cell])
        place.other = second if place.others and math.isfinite(second) else None

    def _judge(self, place: PlaceToConfirm, *, confirmed: bool, time: int) -> None:
        decision = self._spurious.decisions.get(place.cell)
        if decision is not None and not decision.is_about(place.value):
            decision = None
        if confirmed and decision is not None and decision.is_real:
            found = PlaceState.CONFIRMED, decision.by, decision.reason
        elif confirmed:
            reason = "read again at another pass"
            if decision is not None:
                reason += f", after {decision.by} rejected it: {decision.reason}"
            found = PlaceState.CONFIRMED, "", reason
        elif decision is not None:
            found = PlaceState.REJECTED, decision.by, decision.reason
        else:
            found = PlaceState.OPEN, "", ""
        if found != (place.state, place.by, place.reason):
            place.state, place.by, place.reason = found
            place.changed = time

    def find(self, number: int) -> PlaceToConfirm | None:
        """Return the place of a number; None for an unknown one."""
        return self.places[number - 1] if 1 <= number <= len(self.places) else None

    def place_meant(self, detail: Mapping[str, Any]) -> PlaceToConfirm | None:
        """Return the place that a mark means; None where there is none any more.

        Once readings are placed otherwise, the place of the same number may be another one: the cell of
        the mark decides.
        """
        scan, index = (np.array([float(detail[name])]) for name in ("scan", "index"))
        return self._of_cell.get(int(self._grid.cells_at(scan, index)[0]))
