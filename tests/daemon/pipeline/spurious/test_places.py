"""The places to confirm: which are listed, in which order, and what becomes of them."""

from __future__ import annotations

import numpy as np

from daemon.strategies import readings
from swathe.journal import Mark, MarkKind
from swathe.pipeline import Grid
from swathe.pipeline.cells.minimum import MinimumThickness
from swathe.pipeline.spurious.register import PlaceState
from swathe.pipeline.spurious.watch import SpuriousWatch
from swathe.reading_flags import ReadingFlag
from swathe.station import Axis, CellRule


class Scan:
    """A wall of 10 mm on 5 lines of 9 cells, all read once, and its places."""

    def __init__(self) -> None:
        self.grid = Grid(
            scan=Axis(name="scan", start=100.0, resolution=1.0, cells=9),
            index=Axis(name="index", start=50.0, resolution=1.0, cells=5),
            rule=CellRule.MINIMUM,
        )
        self.watch = SpuriousWatch(self.grid, apart=False)
        self.minimum = MinimumThickness(self.grid)
        self.left = np.ones(45, bool)
        self.time = 0
        for cell in range(45):
            self.read(cell, 10.0 + 0.01 * (cell % 3))

    def read(self, cell: int, wall: float, flags: int = 0) -> None:
        """Read a cell at a visit of its own."""
        grid = self.grid
        grid.visits.follow(np.array([(cell + 22) % 45]))
        cells = np.array([cell])
        found = readings([0], [wall])
        found["flags"] = flags
        update = grid.begin_update(cells)
        grid.add(found, cells, 0)
        flagged = self.watch.cells_changed(update)
        self.minimum.cells_changed(np.concatenate((cells, flagged)))

    def evaluate(self) -> list[tuple[int, int, PlaceState]]:
        """Evaluate a second later; return number, cell and state of the listed places."""
        self.time += 1
        self.watch.evaluate(self.time, lambda cell: bool(self.left[cell]), self.minimum.raw_cell)
        return [(place.number, place.cell, place.state) for place in self.watch.register.listed]

    def decide(self, kind: MarkKind, cell: int, wall: float, by: str, text: str) -> None:
        """Let a person decide about the place of a cell."""
        row, column = divmod(cell, 9)
        detail = {"place": 1, "scan": 100.0 + column, "index": 50.0 + row, "thickness": wall}
        mark = Mark(self.time, kind, {**detail, "by": by, "text": text})
        self.minimum.cells_changed(self.watch.decide(mark, self.time))


OPEN, REJECTED, CONFIRMED = PlaceState.OPEN, PlaceState.REJECTED, PlaceState.CONFIRMED


def test_thinnest_is_first_and_high_ones_are_last() -> None:
    """Most dangerous first, whichever was found first; numbers are those of the finding."""
    scan = Scan()
    for cell, wall in ((12, 20.0), (15, 8.0), (30, 4.0), (33, 6.0)):
        scan.read(cell, wall) if wall < 10 else scan.grid.clear(np.array([cell]))
        if wall > 10:
            scan.read(cell, wall)
        scan.evaluate()
    assert scan.evaluate() == [(3, 30, OPEN), (4, 33, OPEN), (2, 15, OPEN), (1, 12, OPEN)]
    assert (scan.minimum.raw_value, scan.minimum.raw_position) == (4.0, (103.0, 53.0))
    assert scan.minimum.value == 10.0
    assert not scan.minimum.is_confirmed


def test_place_is_listed_once_the_probe_has_left_it() -> None:
    """Before, the next cell may yet agree; it is not the minimum meanwhile."""
    scan = Scan()
    scan.left[22] = False
    scan.read(22, 5.0)
    assert scan.evaluate() == []
    assert scan.minimum.value == 10.0
    scan.left[22] = True
    assert scan.evaluate() == [(1, 22, OPEN)]


def test_second_pass_confirms_a_place() -> None:
    """It is the minimum then, and no longer listed; the register keeps it."""
    scan = Scan()
    scan.read(22, 5.0)
    scan.evaluate()
    scan.read(22, 5.05)
    assert scan.evaluate() == []
    place = scan.watch.register.places[0]
    assert (place.state, place.by, place.reason) == (CONFIRMED, "", "read again at another pass")
    assert (scan.minimum.value, scan.minimum.cell) == (5.0, 22)


def test_passes_that_read_otherwise_leave_it_listed_with_both_values() -> None:
    """The low value is evidence: it is never deleted."""
    scan = Scan()
    scan.read(22, 5.0)
    for _ in range(3):
        scan.read(22, 10.1)
    assert scan.evaluate() == [(1, 22, OPEN)]
    place = scan.watch.register.listed[0]
    assert (place.value, place.others) == (5.0, 4)
    assert place.other is not None
    assert abs(place.other - 10.01) < 1e-6
    assert place.wall is not None
    assert abs(place.wall - 10.01) < 0.02


def test_neighbour_that_agrees_settles_a_place() -> None:
    """No doubt is left; if it is doubtful again later, that is another place."""
    scan = Scan()
    scan.read(22, 5.0)
    scan.evaluate()
    scan.read(23, 5.0)
    assert scan.evaluate() == []
    assert scan.watch.register.places[0].state is PlaceState.SETTLED
    assert scan.minimum.value == 5.0


def test_rejected_place_stays_listed_with_name_and_reason() -> None:
    """Behind the open ones; the opposite decision undoes it."""
    scan = Scan()
    scan.read(22, 5.0)
    scan.read(15, 8.0)
    scan.evaluate()
    scan.decide(MarkKind.REJECTED, 22, 5.0, "K", "grease")
    assert scan.evaluate() == [(1, 15, OPEN), (2, 22, REJECTED)]
    place = scan.watch.register.listed[1]
    assert (place.by, place.reason) == ("K", "grease")
    assert scan.minimum.raw_value == 5.0
    scan.decide(MarkKind.CONFIRMED, 22, 5.0, "L", "seen from inside")
    assert scan.evaluate() == [(1, 15, OPEN)]
    assert (place.state, place.by, place.reason) == (CONFIRMED, "L", "seen from inside")
    assert scan.minimum.value == 5.0


def test_second_pass_confirms_what_a_person_rejected() -> None:
    """Evidence counts for more than an opinion, and the register says both."""
    scan = Scan()
    scan.read(22, 5.0)
    scan.evaluate()
    scan.decide(MarkKind.REJECTED, 22, 5.0, "K", "grease")
    scan.evaluate()
    scan.read(22, 5.0)
    assert scan.evaluate() == []
    place = scan.watch.register.places[0]
    assert place.state is CONFIRMED
    assert place.reason == "read again at another pass, after K rejected it: grease"


def test_decision_about_a_cell_without_a_place_changes_nothing() -> None:
    """As after readings were placed otherwise."""
    scan = Scan()
    scan.decide(MarkKind.CONFIRMED, 22, 5.0, "K", "seen")
    scan.read(22, 5.0)
    assert scan.evaluate() == [(1, 22, OPEN)]


def test_raw_minimum_is_listed_for_whatever_doubt() -> None:
    """An ambiguous value elsewhere is counted and not listed."""
    scan = Scan()
    for cell, wall in ((12, 9.9), (32, 9.95)):
        scan.grid.clear(np.array([cell]))
        scan.read(cell, wall, ReadingFlag.AMBIGUOUS)
    around = np.arange(45)
    scan.grid.quality[np.setdiff1d(around, [12, 32])] |= np.uint16(ReadingFlag.AMBIGUOUS)
    scan.watch.register.add(scan.watch.cells._evaluate(around))
    assert [cell for _, cell, _ in scan.evaluate()] == [12]
    assert scan.watch.counts()[ReadingFlag.AMBIGUOUS] == 45
    assert scan.watch.unconfirmed().all()


def test_list_changes_are_noted_once() -> None:
    """For whoever publishes them."""
    scan = Scan()
    scan.evaluate()
    assert not scan.watch.register.take_changed()
    scan.read(22, 5.0)
    scan.evaluate()
    assert scan.watch.register.take_changed()
    scan.evaluate()
    assert not scan.watch.register.take_changed()
