"""The rules for spurious readings on small walls, one cell at a time."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import median_abs_deviation

from daemon.strategies import readings
from swathe.pipeline import CellState, Grid
from swathe.pipeline.spurious.cells import SpuriousCells, SpuriousSettings
from swathe.pipeline.spurious.cycle_skip import thickness_of_period
from swathe.pipeline.spurious.decisions import Decision
from swathe.pipeline.spurious.neighbourhood import Neighbourhood
from swathe.reading_flags import ReadingFlag, are_unconfirmed, flag_names
from swathe.station import Axis, CellRule

F = ReadingFlag
NOMINAL, PERIOD = 10.0, 0.592


def made_grid(rows: int = 5, columns: int = 9, *, wrapped: bool = False) -> Grid:
    """Return an empty grid of cells of 1 mm."""
    return Grid(
        scan=Axis(name="scan", start=0.0, resolution=1.0, cells=columns, wrapped=wrapped),
        index=Axis(name="index", start=0.0, resolution=1.0, cells=rows),
        rule=CellRule.MINIMUM,
    )


class Part:
    """A wall of 10 mm that is read cell by cell."""

    def __init__(self, rows: int = 5, columns: int = 9, *, wrapped: bool = False) -> None:
        self.grid = made_grid(rows, columns, wrapped=wrapped)
        settings = SpuriousSettings(NOMINAL, PERIOD)
        self.spurious = SpuriousCells(self.grid, settings)
        walls = 10.0 + 0.01 * (np.arange(rows * columns) % 3)
        for cell, wall in enumerate(walls):
            self.read(cell, wall)

    def read(
        self, cell: int, *walls: float, flags: int = 0, place: tuple[float, float] | None = None
    ) -> None:
        """Read a cell at one visit; the probe comes from far away."""
        grid = self.grid
        far = (cell + grid.state.size // 2) % grid.state.size
        grid.visits.follow(np.array([far]))
        found = readings(range(len(walls)), list(walls))
        found["flags"] = flags
        cells = np.full(len(walls), cell)
        at = None
        if place is not None:
            at = np.full(len(walls), place[0]), np.full(len(walls), place[1])
        update = grid.begin_update(cells)
        grid.add(found, cells, 0, place=at)
        self.spurious.cells_changed(update)

    def replace(self, cell: int, *walls: float, **how: object) -> None:
        """Read a cell as if it had never been read before."""
        self.grid.clear(np.array([cell]))
        self.read(cell, *walls, **how)  # type: ignore[arg-type]

    def names(self, cell: int) -> tuple[str, ...]:
        """Return the names of a cell's flags."""
        return flag_names(int(self.grid.quality[cell]))

    def is_confirmed(self, cell: int) -> bool:
        """Return whether a cell may be the minimum."""
        return not are_unconfirmed(self.grid.quality[cell : cell + 1])[0]


@pytest.mark.parametrize("shape", [(5, 9), (1, 45), (45, 1)])
@pytest.mark.parametrize(
    ("wall", "names"),
    [
        (9.8, ()),
        (9.0, ("lone_low",)),
        (10.01 - PERIOD, ("cycle_skip", "lone_low")),
        (5.0, ("halved", "lone_low")),
        (3.0, ("lone_low",)),
        (10.01 + PERIOD, ("cycle_skip", "lone_high")),
        (20.0, ("doubled", "lone_high")),
        (14.0, ("lone_high",)),
    ],
)
def test_lone_value_has_the_flags_of_its_rule(
    shape: tuple[int, int], wall: float, names: tuple[str, ...]
) -> None:
    """On an area and on a single line either way; no other cell is flagged."""
    part = Part(*shape)
    part.replace(22, wall)
    assert part.names(22) == names
    assert np.flatnonzero(part.grid.quality).tolist() == ([22] if names else [])
    assert part.is_confirmed(22) == (not names)


@pytest.mark.parametrize("wrapped", [True, False])
def test_neighbours_reach_over_the_seam_of_a_pipe(*, wrapped: bool) -> None:
    """The last cell of a line confirms the first one where the axis goes round."""
    part = Part(1, 9, wrapped=wrapped)
    part.replace(0, 5.0)
    assert "lone_low" in part.names(0)
    part.replace(8, 5.1)
    assert part.names(0) == (() if wrapped else ("halved", "lone_low"))


def test_adjacent_cell_that_agrees_clears_both() -> None:
    """A pit two cells wide is no lone reading."""
    part = Part()
    part.replace(22, 5.0)
    part.replace(23, 5.1)
    assert part.names(22) == part.names(23) == ()


def test_cells_read_while_the_probe_rocks_over_their_border_do_not_confirm_each_other() -> None:
    """Both readings share the couplant: they were taken 0.2 mm apart."""
    part = Part()
    part.replace(22, 5.0, place=(4.4, 2.0))
    part.replace(23, 5.0, place=(4.6, 2.0))
    assert not part.is_confirmed(22)
    part.replace(23, 5.0, place=(5.2, 2.0))
    assert part.is_confirmed(22)


def test_second_pass_confirms_and_readings_of_one_pass_do_not() -> None:
    """However many readings one pass has; the flag remains with that of the confirmation."""
    part = Part()
    part.replace(22, *[5.0] * 50)
    assert not part.is_confirmed(22)
    part.read(22, 5.1)
    assert part.names(22) == ("halved", "lone_low", "confirmed")
    assert part.is_confirmed(22)


def test_second_pass_that_reads_otherwise_leaves_it_doubtful() -> None:
    """The low value stays in its cell."""
    part = Part()
    part.replace(22, 5.0)
    for _ in range(3):
        part.read(22, 10.0)
    assert part.names(22) == ("halved", "lone_low")
    assert part.grid.thickness[22] == 5.0


def test_high_value_is_confirmed_by_a_pass_that_reads_the_same() -> None:
    """And gone where a pass reads the wall, by the rule of the minimum."""
    part = Part()
    part.replace(22, 14.0)
    part.read(22, 14.1)
    assert part.names(22) == ("lone_high", "confirmed")
    part.read(22, 10.0)
    assert part.names(22) == ()


def test_twice_the_nominal_thickness_is_doubtful_though_neighbours_read_the_same() -> None:
    """A setting that doubles one reading doubles them all."""
    part = Part()
    for cell in range(45):
        part.replace(cell, 20.0)
    assert {part.names(cell) for cell in range(45)} == {("doubled",)}
    assert not part.is_confirmed(22)


def test_half_the_nominal_thickness_is_no_doubt_where_neighbours_read_the_same() -> None:
    """A wall may truly have lost one half."""
    part = Part()
    for cell in range(45):
        part.replace(cell, 5.0)
    assert not part.grid.quality.any()


@pytest.mark.parametrize("around", [0, F.AMBIGUOUS])
def test_ambiguous_value_needs_an_unambiguous_neighbour_or_another_pass(around: int) -> None:
    """A cycle jump that all readings of an area have confirms nothing."""
    part = Part()
    for cell in range(45):
        part.replace(cell, 10.0, flags=around)
    part.replace(22, 10.0, flags=F.AMBIGUOUS)
    assert part.is_confirmed(22) == (around == 0)
    part.read(22, 10.0, flags=F.AMBIGUOUS)
    assert part.is_confirmed(22)


@pytest.mark.parametrize("flag", [F.CLIPPED, F.OUTSIDE_CALIBRATION])
def test_value_that_is_only_outside_the_calibration_or_clipped_is_not_doubtful(flag: int) -> None:
    """It was measured: nothing hides a thin wall for want of a thinner step."""
    part = Part()
    part.replace(22, 10.0, flags=flag)
    assert part.names(22) == flag_names(flag)
    assert part.is_confirmed(22)


def test_person_confirms_and_a_lower_value_is_to_be_confirmed_again() -> None:
    """The decision is about a value, within 3 % of it; the opposite decision undoes it."""
    part = Part()
    part.replace(22, 5.0)
    part.spurious.decide(22, Decision(True, 5.0, "K", "seen", 0))
    assert part.is_confirmed(22)
    part.spurious.decide(22, Decision(False, 5.0, "L", "grease", 1))
    assert not part.is_confirmed(22)
    part.spurious.decide(22, Decision(True, 5.0, "K", "seen", 2))
    part.read(22, 4.0)
    assert not part.is_confirmed(22)


def test_excluded_and_unread_cells_are_no_neighbours() -> None:
    """A wall whose neighbours are excluded has nothing to be compared with."""
    part = Part()
    part.replace(22, 5.4)
    others = np.array([cell for cell in range(45) if cell != 22])
    update = part.grid.begin_update(others)
    part.grid.state[others] = CellState.EXCLUDED
    part.spurious.cells_changed(update)
    assert part.names(22) == ()


def test_half_the_nominal_thickness_is_doubtful_where_nothing_else_was_read() -> None:
    """As on a spot that was read once."""
    grid = made_grid()
    spurious = SpuriousCells(grid, SpuriousSettings(NOMINAL, None), apart=True)
    for walls, expected in (([5.1], ("halved",)), ([5.1, 5.0], ("halved", "confirmed"))):
        grid.clear(np.array([7]))
        grid.visits.apart = True
        update = grid.begin_update(np.array([7]))
        for wall in walls:
            grid.add(readings([0], [wall]), np.array([7]), 0)
        spurious.cells_changed(update)
        assert flag_names(int(grid.quality[7])) == expected


def test_couplings_of_a_spot_that_differ_make_the_low_one_doubtful() -> None:
    """No other spot is compared."""
    grid = made_grid()
    spurious = SpuriousCells(grid, apart=True)
    grid.visits.apart = True
    update = grid.begin_update(np.array([7]))
    for wall in (10.0, 8.0):
        grid.add(readings([0], [wall]), np.array([7]), 0)
    spurious.cells_changed(update)
    assert flag_names(int(grid.quality[7])) == ("lone_low",)


def test_settings_of_another_run_are_applied_to_all_cells() -> None:
    """A nominal thickness that turns out to be 5 mm makes 10 mm twice of it."""
    part = Part()
    changed = part.spurious.set_settings(SpuriousSettings(5.0, None))
    assert changed.size == 45
    assert part.names(3) == ("doubled",)
    assert part.spurious.set_settings(SpuriousSettings(5.0, None)).size == 0


def test_wall_and_scatter_are_those_of_scipy() -> None:
    """Median and median absolute deviation of the window (scipy.stats, scale 'normal')."""
    rng = np.random.default_rng(5)
    grid = made_grid()
    cells = np.arange(45)
    walls = rng.normal(10, 1, 45)
    grid.add(readings(range(45), walls), cells, 0)
    grid.hits[[12, 30]] = 0
    found = Neighbourhood(grid).around(np.array([22, 0]))
    area = walls.reshape(5, 9)
    for row, column, wall, scatter in zip((2, 0), (4, 0), found.wall, found.scatter, strict=True):
        window = [
            area[r, c]
            for r in range(max(row - 1, 0), row + 2)
            for c in range(max(column - 2, 0), column + 3)
            if (r, c) != (row, column) and r * 9 + c not in (12, 30)
        ]
        assert wall == pytest.approx(np.median(window))
        assert scatter == pytest.approx(median_abs_deviation(window, scale="normal"), rel=1e-5)


def test_period_of_five_megahertz_in_steel() -> None:
    """V / (2 f): 5.92 mm/µs at 5 MHz are 0.592 mm (arithmetic)."""
    assert thickness_of_period(5.92, 5.0) == pytest.approx(0.592)


def test_cycle_off_a_thick_wall_is_seen_though_it_is_less_than_three_percent() -> None:
    """0.592 mm of 30 mm: within the tolerance of the other rules, not of this one."""
    part = Part()
    for cell in range(45):
        part.replace(cell, 30.0 + 0.01 * (cell % 3))
    part.replace(22, 30.01 - PERIOD)
    assert part.names(22) == ("cycle_skip",)
