"""A raster that breaks off in mid-line: what is left of it stays to do until it is revisited."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from daemon.motion_model import with_probes
from support.crawl import crawl_station
from swathe.journal import MarkKind
from swathe.live.crawl.drive import HaltedError
from swathe.live.crawl.raster_work import RasterWork, raster_text
from swathe.motion import Move, MoveKind, raster_settings_of, work_area_of
from swathe.pipeline import CellState, Pipeline
from swathe.station import parse_station


class Scene:
    """A crawler whose moves measure what they pass, until one of them is halted."""

    def __init__(
        self, folder: Path, *, at: float = 0.0, offsets: tuple[tuple[float, float], ...] = ()
    ) -> None:
        self.pipeline = Pipeline(parse_station(crawl_station(folder), "belt.toml"))
        self.offsets = offsets or ((0.0, 0.0),)
        self.plans: list[list[list[float]]] = []
        self.said: list[str] = []
        self.halt: tuple[int, float] | None = None  # line, and the share that is measured by then
        self.before: int | None = None  # the move, by its number, that is halted as it begins
        self.moves: list[Move] = []
        station = self.pipeline.station
        if offsets:
            station = with_probes(station, *offsets)

        async def fresh() -> Any:
            return SimpleNamespace(place=(at, 0.0))

        async def after_line() -> None:
            pass

        session = SimpleNamespace(pipeline=self.pipeline, mark=self._mark)
        self.work = RasterWork(
            cast("Any", session),
            drive=cast("Any", SimpleNamespace(fresh=fresh)),
            settings=raster_settings_of(station),
            area=lambda: work_area_of(station),
            go=self._go,
            say=self.said.append,
            checking=cast("Any", SimpleNamespace(after_line=after_line)),
        )

    def _mark(self, kind: MarkKind, **detail: Any) -> None:
        if kind is MarkKind.RASTER_PLANNED:
            self.plans.append(detail["stretches"])

    async def _go(self, move: Move) -> None:
        self.moves.append(move)
        if len(self.moves) - 1 == self.before:
            message = "stopped"
            raise HaltedError(message)
        if move.kind is not MoveKind.SCAN:
            return
        low, high = sorted((move.start[0], move.end[0]))
        halted = self.halt is not None and self.halt[0] == move.line
        end = low + (high - low) * self.halt[1] if halted and self.halt else high
        grid = self.pipeline.grid
        state = grid.state.reshape(grid.shape)
        places = grid.scan.centres
        for scan, index in self.offsets:
            number = int(grid.index.cell(np.array([move.end[1] + index]))[0])
            row = state[number] if number >= 0 else np.empty(places.size, np.uint8)
            within = (places >= low + scan) & (places <= end + scan)
            row[within & (row != CellState.EXCLUDED)] = CellState.MEASURED
        if halted:
            self.halt = None
            message = "stopped"
            raise HaltedError(message)

    def of_line(self, number: int) -> list[list[float]]:
        """Return the stretches of the newest plan that are of a line."""
        at = float(self.pipeline.grid.index.centres[number])
        return [one for one in self.plans[-1] if one[0] == pytest.approx(at)]


@pytest.mark.parametrize("share", [0.3, 0.8])
async def test_rest_of_a_line_that_broke_off_is_to_do_in_the_next_plan(
    tmp_path: Path, share: float
) -> None:
    """Also where more than half of it is measured, so that it is not scanned as a line again."""
    scene = Scene(tmp_path)
    line = scene.pipeline.grid.shape[0] - 2
    scene.halt = line, share
    with pytest.raises(HaltedError):
        await scene.work.scan()
    first = scene.of_line(line)
    assert first
    assert scene.plans[-1] != []  # nothing of it is missing while it waits
    await scene.work.scan()
    again = scene.plans.pop(-2)
    assert scene.plans.pop() == []  # once the lines are over it is a gap, which is revisited
    scene.plans.append(again)
    assert scene.of_line(line) == first


async def test_line_that_broke_off_last_is_missing_at_once(tmp_path: Path) -> None:
    """No line is left to scan: what is left of it is revisited next."""
    scene = Scene(tmp_path)
    line = scene.pipeline.grid.shape[0] - 1
    scene.halt = line, 0.8
    with pytest.raises(HaltedError):
        await scene.work.scan()
    assert scene.of_line(line)
    await scene.work.scan()
    assert scene.plans[-1] == []


async def test_stretch_behind_a_zone_that_was_not_begun_is_to_do_in_the_next_plan(
    tmp_path: Path,
) -> None:
    """A halt before it leaves no gap, though most of its line is measured."""
    whole = Scene(tmp_path, at=400.0)  # so that of each of these lines the long part comes first
    await whole.work.scan()
    parts = [move for move in whole.moves if move.kind is MoveKind.SCAN]
    short = [part for part in parts if min(part.start[0], part.end[0]) > 300]
    assert len({part.line for part in short}) == len(short) == 3
    scene = Scene(tmp_path, at=400.0)
    scene.before = whole.moves.index(short[0])
    scene.halt = parts[-1].line, 0.3  # and again later
    for _ in range(2):
        with pytest.raises(HaltedError):
            await scene.work.scan()
    await scene.work.scan()
    assert scene.plans.pop() == []
    for part in short:
        assert [low for _, low, _ in scene.of_line(part.line)] == [pytest.approx(358, abs=0.1)]


async def test_next_raster_is_said_with_the_lines_that_were_left(tmp_path: Path) -> None:
    """Not as a number of lines out of all, which reads like where the crawler is."""
    scene = Scene(tmp_path)
    total = scene.pipeline.grid.shape[0]
    scene.halt = total - 2, 0.3
    with pytest.raises(HaltedError):
        await scene.work.scan()
    await scene.work.scan()
    first, second = (text.partition(", ")[0] for text in scene.said)
    assert first == f"raster of {total} lines"
    assert second == "raster of the 2 lines that were left"


FOUR = ((0.0, 0.0), (-20.0, 8.0), (0.0, 16.0), (-20.0, 24.0))
"""Four probes a row apart, in two banks."""


async def test_passes_of_several_probes_cover_all_that_the_plan_journals(tmp_path: Path) -> None:
    """Three passes over eleven lines, and one next to the lug; journalled is what each probe scans."""
    scene = Scene(tmp_path, offsets=FOUR)
    grid = scene.pipeline.grid
    await scene.work.scan()
    assert scene.said[0].startswith("raster of 4 passes over 11 lines, ")
    assert scene.plans[-1] == []
    planned = {one[k] for one in scene.plans[0] for k in range(0, len(one), 3)}
    assert planned == set(grid.index.centres.tolist())
    missing = np.flatnonzero(grid.missing(slice(None)).reshape(grid.shape).any(axis=1))
    # The carriage cannot be over the lug at 6 mm to 26 mm, nor further down than the travel's -5 mm.
    assert missing.tolist() == [0]
    assert scene.work.driven == set(range(11))


async def test_lines_of_a_pass_that_broke_off_are_to_do_or_planned_again(tmp_path: Path) -> None:
    """Of its four lines the three that are more than half missing, and the rest of the fourth."""
    scene = Scene(tmp_path, offsets=FOUR)
    scene.halt = 1, 0.3
    with pytest.raises(HaltedError):
        await scene.work.scan()
    await scene.work.scan()
    assert [one[0] for one in scene.plans[-2]] == [40.0, 72.0, 32.0]
    assert scene.said[1].startswith("raster of 2 passes over the 6 lines that were left, ")
    scene = Scene(tmp_path, offsets=FOUR)
    scene.halt = 1, 0.8
    with pytest.raises(HaltedError):
        await scene.work.scan()
    await scene.work.scan()
    assert scene.said[1].startswith("raster of 1 pass over the 3 lines that were left, ")
    again = scene.plans[-2]
    places = sorted({one[k] for one in again for k in range(0, len(one), 3)})
    assert places == [32.0, 40.0, 48.0, 56.0, 64.0, 72.0, 80.0]  # what broke off is still to do


async def test_lines_are_driven_once_all_of_their_stretches_are(tmp_path: Path) -> None:
    """A halt next to the lug leaves those left whose part behind it has not begun."""
    scene = Scene(tmp_path, offsets=FOUR)
    scene.halt = 3, 0.5
    with pytest.raises(HaltedError):
        await scene.work.scan()
    assert scene.work.driven == set()


def test_raster_text_is_of_what_was_left_as_it_began() -> None:
    """It is still true after some of it is done."""
    plan = cast("Any", SimpleNamespace(distance=29_940.0, seconds=1273.4, passes=()))
    planned = ", 29.9 m, 1,273 s planned"
    assert raster_text(plan, 31, 31) == f"raster of 31 lines{planned}"
    assert raster_text(plan, 1, 1) == f"raster of 1 line{planned}"
    assert raster_text(plan, 20, 31) == f"raster of the 20 lines that were left{planned}"
    assert raster_text(plan, 1, 31) == f"raster of the line that was left{planned}"
