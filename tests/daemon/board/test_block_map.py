"""The map in characters from a grid: no gap may be lost by drawing small."""

from __future__ import annotations

import numpy as np
import pytest
from rich.text import Text

from daemon.board.test_stations import gap, line_message, put, state
from daemon.messages.test_messages import OF, progress
from swathe.board import Stations, block_map
from swathe.board.block_map import BlockMap
from swathe.messages import Extent, PlanMessage, ProgressMessage
from swathe.pipeline import CellState, GapCause, Grid
from swathe.station import Axis, CellRule


def grid(rows: int, columns: int) -> Grid:
    """Return a grid whose cells are all measured."""
    made = Grid(
        scan=Axis(name="scan", start=0, resolution=1, cells=columns),
        index=Axis(name="index", start=0, resolution=1, cells=rows),
        rule=CellRule.MINIMUM,
    )
    made.state[:] = CellState.MEASURED
    return made


def draw(
    made: Grid,
    *,
    width: int,
    height: int,
    probe: tuple[float, float] | None = None,
    left: Extent | None = None,
) -> Text:
    """Return the map of a grid; `left` is a stretch of line 0 that was left behind unvisited."""
    stations = Stations()
    plan = PlanMessage(
        scan=Extent(-0.5, made.shape[1] - 0.5),
        index=Extent(-0.5, made.shape[0] - 0.5),
        scan_resolution=1.0,
        index_resolution=1.0,
        lines=made.shape[0],
        profile=False,
        alert_below=None,
        excluded=(),
    )
    put(stations, "state", state(plan=plan))
    if probe is not None:
        at = progress(scan=probe[0], index=probe[1])
        put(stations, "progress", ProgressMessage.of(at, OF))
    if left is not None:
        cause = GapCause.UNVISITED
        put(stations, "gap/7", gap(scan=left, index=Extent(-0.5, 0.5), area=3.0, cause=cause))
    (view,) = stations.views
    return BlockMap().draw(view, width=width, height=height, grid=made)


def test_block_map_shows_every_gap() -> None:
    """One missing cell among fifty thousand is seen in a map of twenty by five characters."""
    made = grid(100, 500)
    made.state.reshape(made.shape)[73, 401] = CellState.NO_SIGNAL
    lines = draw(made, width=20, height=5).plain.splitlines()
    assert [len(line) for line in lines[:5]] == [20] * 5
    assert "".join(lines[:5]).count("○") == 1
    assert lines[3][16] == "○"


def test_block_map_marks_the_probe() -> None:
    """The probe is drawn over the state of its cell."""
    lines = draw(grid(3, 9), width=80, height=24, probe=(4.0, 1.0)).plain.splitlines()
    assert lines[1] == "▪▪▪▪◆▪▪▪▪"


@pytest.mark.parametrize("status", ["scanning", "incomplete"])
def test_line_under_way_is_not_shown_as_still_to_scan(status: str) -> None:
    """Of another machine's station nothing is known of it before it is left; with the end it is."""
    stations = Stations()
    put(stations, "state", state(state=status))
    put(stations, "progress", ProgressMessage.of(progress(line=2, scan=None), OF))
    put(stations, "line/0", line_message(0))
    (view,) = stations.views
    lines = BlockMap().draw(view, width=20, height=4).plain.splitlines()
    under_way = status == "scanning"
    assert lines[2] == ("▫" if under_way else "·") * 20
    assert lines[3] == "·" * 20
    assert ("▫ line under way" in lines[-1]) == under_way
    put(stations, "line/2", line_message(2, (4.5, 9.5)))
    lines = BlockMap().draw(view, width=20, height=4).plain.splitlines()
    assert lines[2] == "▪" * 5 + "·" * 5 + "▪" * 10


def test_stretch_of_a_line_is_left_behind_only_where_a_gap_is_open() -> None:
    """Of a line around an excluded zone the other half is still to do: the plan intends it."""
    stations = Stations()
    put(stations, "state", state())
    put(stations, "line/1", line_message(1, (-0.5, 4.5), (9.5, 11.5)))
    (view,) = stations.views
    drawn = BlockMap()
    row = drawn.draw(view, width=20, height=4).plain.splitlines()[1]
    assert row == "·····▪▪▪▪▪··▪▪▪  ▪▪▪"
    left = gap(scan=Extent(-0.5, 4.5), index=Extent(0.5, 1.5), area=5.0, cause=GapCause.UNVISITED)
    put(stations, "gap/1", left)
    row = drawn.draw(view, width=20, height=4).plain.splitlines()[1]
    assert row == "×××××▪▪▪▪▪··▪▪▪  ▪▪▪"


def test_block_map_of_a_grid_shows_what_was_left_behind_unvisited() -> None:
    """An unvisited cell is 'to scan' until a gap reports that it was left behind."""
    made = grid(2, 9)
    made.state.reshape(made.shape)[:, 3:6] = CellState.UNVISITED
    lines = draw(made, width=80, height=24, left=Extent(2.5, 5.5)).plain.splitlines()
    assert lines[:2] == ["▪▪▪×××▪▪▪", "▪▪▪···▪▪▪"]
    assert lines[2] == "▪ measured  · to scan  × unvisited"


@pytest.mark.parametrize("left", [None, Extent(99.5, 409.5)])
def test_map_of_a_large_grid_is_that_of_its_touched_cells(
    monkeypatch: pytest.MonkeyPatch, left: Extent | None
) -> None:
    """Character by character, also where a block has touched cells and others, and rows share a line."""
    made = grid(13, 1000)
    made.state[:] = CellState.UNVISITED
    random = np.random.default_rng(3)
    for first in (0, 3_000, 5_200, 12_900):
        cells = np.arange(first, first + 100)
        made.touched.add(cells)
        made.state[cells] = random.choice(list(CellState), cells.size)
    made.touched.add(np.arange(7_000, 9_000))
    made.state[7_000:9_000] = CellState.MEASURED
    whole = draw(made, width=70, height=5, left=left)
    monkeypatch.setattr(block_map, "_MOST_CELLS", 0)
    assert draw(made, width=70, height=5, left=left).markup == whole.markup
