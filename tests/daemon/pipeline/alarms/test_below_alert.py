"""Areas below the alert level: which cells share an alarm, and what the alarm states of them."""

from __future__ import annotations

import numpy as np
import pytest

from daemon.strategies import readings
from swathe.pipeline import Alarm, CellState, Grid
from swathe.pipeline.alarms.below_alert import BelowAlert
from swathe.pipeline.alarms.register import AlarmRegister
from swathe.reading_flags import ReadingFlag
from swathe.station import AlarmKind, AlarmSettings, Axis, CellRule

LEVEL = 8.0
SIZE = 400


class Wall:
    """A plate of 400 mm by 400 mm in cells of 1 mm, whose thickness is set by (row, column)."""

    def __init__(self, settings: AlarmSettings | None = None) -> None:
        self.grid = Grid(
            scan=Axis(name="scan", start=0.0, resolution=1.0, cells=SIZE),
            index=Axis(name="index", start=0.0, resolution=1.0, cells=SIZE),
            rule=CellRule.LAST,
        )
        self.register = AlarmRegister(settings or AlarmSettings())
        self.below_alert = BelowAlert(self.grid, self.register, LEVEL)
        self.now = 0

    def read(self, thickness: dict[tuple[int, int], float]) -> None:
        """Read cells, all within one update."""
        self.now += 1
        by_cell = {row * SIZE + column: mm for (row, column), mm in sorted(thickness.items())}
        cells = np.array(list(by_cell))
        self.grid.add(readings(range(cells.size), by_cell.values()), cells, 0)
        self.below_alert.add(cells)
        self.below_alert.evaluate(self.now)

    @property
    def open(self) -> list[Alarm]:
        """Alarms that have not ended."""
        return [alarm for alarm in self.register.alarms if alarm.until is None]

    @property
    def details(self) -> list[str]:
        """Texts of the alarms that have not ended."""
        return [alarm.detail for alarm in self.open]


@pytest.mark.parametrize(("thickness", "alarms"), [(8.0, 0), (7.99, 1)])
def test_level_itself_is_no_alarm(thickness: float, alarms: int) -> None:
    """Only what is thinner than the level is below it."""
    wall = Wall()
    wall.read({(5, 5): thickness})
    assert len(wall.open) == alarms


@pytest.mark.parametrize("is_scan", [True, False])
@pytest.mark.parametrize(
    ("first", "second", "alarms"),
    [(10, 90, 1), (99, 100, 1), (0, 199, 1), (199, 0, 1), (99, 200, 2), (200, 99, 2)],
)
def test_thin_cells_of_adjacent_blocks_share_an_alarm(
    first: int, second: int, alarms: int, is_scan: bool
) -> None:
    """Within a block of 100 mm and its neighbours there is one alarm, past them another."""
    wall = Wall()
    for at in (first, second):
        wall.read({(7, at) if is_scan else (at, 7): 6.0})
    assert len(wall.open) == alarms


def test_borders_grow_to_every_side() -> None:
    """An alarm states the outer borders of all its cells, whichever side they came from."""
    wall = Wall()
    wall.read({(50, 50): 6.0})
    (alarm,) = wall.open
    borders = [49.5, 50.5, 49.5, 50.5]
    assert (alarm.index, alarm.scan) == ((49.5, 50.5), (49.5, 50.5))
    for farthest, nearer, side, border in (
        ((40, 50), (45, 50), 0, 39.5),
        ((63, 50), (58, 50), 1, 63.5),
        ((50, 30), (50, 40), 2, 29.5),
        ((50, 75), (50, 70), 3, 75.5),
    ):
        wall.read({farthest: 6.0, nearer: 6.0})
        borders[side] = border
        assert (alarm.index, alarm.scan) == (tuple(borders[:2]), tuple(borders[2:]))
    assert wall.open == [alarm]


def test_cells_read_again_lower_the_minimum_of_their_own_area() -> None:
    """Two areas read again within one update each get their own minimum, and none is raised."""
    wall = Wall()
    wall.read({(5, 5): 7.0, (5, 305): 7.5})
    wall.read({(5, 5): 6.0, (5, 305): 5.0})
    assert wall.details == ["6.00 mm, below 8 mm", "5.00 mm, below 8 mm"]
    wall.read({(5, 5): 6.5, (5, 305): 5.5})
    assert wall.details == ["6.00 mm, below 8 mm", "5.00 mm, below 8 mm"]


@pytest.mark.parametrize("thickness", [6.99, 7.0, 7.01])
@pytest.mark.parametrize("cell", [(5, 5), (5, 6)])
def test_acknowledged_area_is_raised_again_only_when_thinner(
    cell: tuple[int, int], thickness: float
) -> None:
    """An old cell or a new one below the minimum that was acknowledged raises another alarm."""
    wall = Wall()
    wall.read({(5, 5): 7.0})
    wall.register.acknowledge(1, "A. Kern", 1)
    wall.read({cell: thickness})
    ends = [alarm.until for alarm in wall.register.alarms]
    assert ends == ([2, None] if thickness < 7.0 else [None])


def test_alarm_ends_with_the_last_cell_of_its_area() -> None:
    """A cell that is sound or excluded leaves its area, which then raises another alarm if thin."""
    wall = Wall()
    wall.read({(5, 5): 7.0, (5, 6): 7.0})
    wall.read({(5, 5): 9.0})
    assert [alarm.number for alarm in wall.open] == [1]
    wall.grid.state[5 * SIZE + 6] = CellState.EXCLUDED
    wall.below_alert.add(np.array([5 * SIZE + 6]))
    wall.below_alert.evaluate(3)
    assert [alarm.until for alarm in wall.register.alarms] == [3]
    wall.read({(5, 5): 7.0})
    assert [alarm.number for alarm in wall.open] == [2]


def test_alarm_has_the_place_of_its_minimum() -> None:
    """The thinnest cell, not the middle of the area; of equally thin ones the first that was read."""
    wall = Wall()
    wall.read({(10, 20): 7.0, (10, 80): 6.0, (30, 20): 6.0})
    (alarm,) = wall.open
    places = [(alarm.minimum_index, alarm.minimum_scan, alarm.detail[:4])]
    for cells in (
        {(40, 25): 6.5},  # another cell, not as thin
        {(40, 25): 6.0},  # as thin
        {(10, 20): 5.5},  # an old cell that gets thinner
        {(90, 7): 5.0, (89, 8): 5.1},
        {(90, 7): 5.2},  # what it was stays what the alarm states
    ):
        wall.read(cells)
        places.append((alarm.minimum_index, alarm.minimum_scan, alarm.detail[:4]))
    assert places == [
        (10.0, 80.0, "6.00"),
        (10.0, 80.0, "6.00"),
        (10.0, 80.0, "6.00"),
        (10.0, 20.0, "5.50"),
        (90.0, 7.0, "5.00"),
        (90.0, 7.0, "5.00"),
    ]


def test_minimum_of_a_cell_that_left_the_area_is_not_stated() -> None:
    """Where the thinnest cell is excluded or sound, the next one is the minimum, with its place."""
    wall = Wall()
    wall.read({(5, 5): 5.0, (5, 50): 6.0, (150, 150): 7.0, (300, 399): 4.0})
    alarm, other = wall.open
    wall.grid.state[5 * SIZE + 5] = CellState.EXCLUDED
    wall.below_alert.add(np.array([5 * SIZE + 5]))
    wall.below_alert.evaluate(3)
    assert (alarm.minimum_index, alarm.minimum_scan) == (5.0, 50.0)
    assert alarm.detail == "6.00 mm, below 8 mm"
    wall.read({(5, 50): 9.0})
    assert (alarm.minimum_index, alarm.minimum_scan) == (150.0, 150.0)
    assert alarm.detail == "7.00 mm, below 8 mm"
    assert (other.minimum_index, other.minimum_scan) == (300.0, 399.0)
    assert wall.open == [alarm, other]
    wall.register.acknowledge(alarm.number, "A. Kern", 1)
    wall.read({(120, 120): 6.9})  # thinner than what is left of the area that was acknowledged
    assert [one.detail for one in wall.open] == ["4.00 mm, below 8 mm", "6.90 mm, below 8 mm"]


def test_cells_without_a_reading_and_a_kind_that_is_off_raise_nothing() -> None:
    """A cell without a thickness is not thin, nor is any while the kind is off."""
    wall = Wall()
    wall.below_alert.add(np.array([1, 2, 3]))
    wall.below_alert.evaluate(1)
    off = Wall(AlarmSettings(off=(AlarmKind.THIN,)))
    off.read({(5, 5): 1.0})
    without_level = Wall()
    without_level.below_alert = BelowAlert(without_level.grid, without_level.register, None)
    without_level.read({(5, 5): 1.0})
    assert [each.open for each in (wall, off, without_level)] == [[], [], []]


@pytest.mark.parametrize(
    ("rule", "due"),
    [
        (CellRule.MINIMUM, [False, True, False, False]),
        (CellRule.FIRST, [False, True, False, False]),
        # The cell that has an alarm, and the one that is about to, may become thicker again.
        (CellRule.LAST, [False, True, True, True]),
        (CellRule.MEAN, [False, True, True, True]),
        (CellRule.STRONGEST, [False, True, True, True]),
    ],
)
def test_readings_that_may_change_an_alarm(rule: CellRule, due: list[bool]) -> None:
    """Those below the level, and by some rules all others of the cells concerned."""
    wall = Wall()
    wall.grid.rule = rule
    wall.read({(0, 3): 7.0})
    made = np.array([9.0, LEVEL - 0.01, LEVEL, 9.0])
    assert wall.below_alert.due(made, np.array([1, 2, 2, 3])).tolist() == due
    off = Wall(AlarmSettings(off=(AlarmKind.THIN,)))
    assert not off.below_alert.due(made, np.array([1, 2, 2, 3])).any()


def test_area_that_ended_does_not_hide_another_one_nearby() -> None:
    """A thin cell between joins the area that lasts, in the next block."""
    wall = Wall()
    wall.read({(5, 5): 6.0})
    wall.read({(5, 250): 6.5})
    wall.read({(5, 5): 10.0})
    wall.read({(5, 150): 6.2})
    assert wall.details == ["6.20 mm, below 8 mm"]
    assert len(wall.register.alarms) == 2


def test_doubtful_minimum_raises_the_alarm_at_once_and_says_so() -> None:
    """The words go once it is confirmed; the alarm neither ends nor begins by that."""
    wall = Wall()
    wall.grid.quality[5 * SIZE + 5] = ReadingFlag.LONE_LOW
    wall.read({(5, 5): 6.0})
    assert wall.details == ["6.00 mm, below 8 mm, to confirm"]
    wall.register.take_changed()
    wall.below_alert.confirmations_changed()
    assert wall.register.take_changed() == []
    wall.grid.quality[5 * SIZE + 5] |= np.uint16(ReadingFlag.CONFIRMED)
    wall.below_alert.confirmations_changed()
    assert wall.details == ["6.00 mm, below 8 mm"]
    assert wall.register.take_changed() == wall.open
    assert len(wall.register.alarms) == 1
