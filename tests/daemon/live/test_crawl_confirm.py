"""A crawler goes back to the places whose thickness is to be confirmed, a few times each."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np

from daemon.strategies import readings
from support.crawl import crawl_station
from swathe.live.crawl.going_back import GoingBack, place_gaps
from swathe.live.crawl.missing import outcome_text
from swathe.live.hand_guide import words_by_hand
from swathe.motion import HandStep, Move, MoveKind, Point, raster_settings_of, work_area_of
from swathe.pipeline import CellState, GapSnapshot, Pipeline
from swathe.pipeline.spurious.register import PlaceState
from swathe.station import parse_station

STATION = parse_station(crawl_station(Path("p")), "x")


class Part:
    """The survey of a wall of 10 mm with a low value in two cells, complete otherwise."""

    def __init__(self) -> None:
        self.pipeline = Pipeline(STATION)
        grid = self.pipeline.grid
        self.columns = grid.shape[1]
        self.pits = [5 * self.columns + 40, 8 * self.columns + 20]
        cells = np.flatnonzero(grid.state != CellState.EXCLUDED)
        walls = 10.0 + 0.01 * (cells % 3)
        walls[np.isin(cells, self.pits)] = 5.0
        self.read(cells, walls)
        self.pipeline.coverage.close_out(0, 0)
        self.pipeline._list_places(0)

    def read(self, cells: Any, walls: Any) -> None:
        """Read cells at a pass of their own."""
        pipeline, grid = self.pipeline, self.pipeline.grid
        grid.visits.follow(np.array([0]))
        update = grid.begin_update(cells)
        grid.add(readings(range(cells.size), walls), cells, 0)
        pipeline._notify(update)
        pipeline._list_places(0)


@dataclass
class Crawler:
    """A machine that reads, at each try, what a function of the cell returns."""

    part: Part
    wall: Callable[[int], float]
    place: Point = (4.0, 8.0)
    tries: list[int] = field(default_factory=list)
    elapsed: float = 0.0
    says: list[str] = field(default_factory=list)

    async def fresh(self) -> Any:
        """Return where it is."""
        return SimpleNamespace(place=self.place)

    async def settled(self) -> None:
        """All that was read has come."""

    async def after_line(self) -> None:
        """No check is due."""

    async def go(self, move: Move, *, tries: Sequence[GapSnapshot]) -> None:
        """Make a move."""
        self.place = move.end
        self.back.book.note_tried(tries)
        grid = self.part.pipeline.grid
        for gap in tries:
            assert move.kind is MoveKind.SCAN
            at = [np.array([sum(extent) / 2]) for extent in (gap.scan, gap.index)]
            cells = grid.cells_at(at[0], at[1])
            self.tries.append(int(cells[0]))
            self.part.read(cells, [self.wall(int(cells[0]))])

    def __post_init__(self) -> None:
        self.back = GoingBack(
            STATION,
            cast("Any", SimpleNamespace(pipeline=self.part.pipeline)),
            drive=cast("Any", self),
            homing=cast("Any", SimpleNamespace(settled=self.settled, place=None)),
            budget=cast("Any", self),
            area=lambda: work_area_of(STATION, []),
            settings=raster_settings_of(STATION),
            go=self.go,
            say=self.says.append,
            after_line=self.after_line,
        )

    def confirm(self) -> str:
        """Go to the places."""
        return asyncio.run(self.back.to_places("the plan is covered"))


def test_places_to_confirm_are_gaps_of_one_cell() -> None:
    """Each with a number of its own below those that are made up of missing cells."""
    part = Part()
    first, second = place_gaps(part.pipeline)
    assert (first.cells, second.cells) == (1, 1)
    assert first.number == second.number + 1 < -1_000_000
    scan, index = part.pipeline.grid.scan, part.pipeline.grid.index
    assert first.scan == scan.edges(40, 40)
    assert first.index == index.edges(5, 5)
    assert place_gaps(part.pipeline) == [first, second]


def test_pass_that_reads_the_same_confirms_and_ends_it() -> None:
    """Each place is passed once; the survey's target was reached before."""
    part = Part()
    crawler = Crawler(part, lambda _: 5.02)
    assert crawler.confirm() == "the plan is covered"
    assert sorted(crawler.tries) == sorted(part.pits)
    assert part.pipeline.minimum.value == 5.0
    states = {place.state for place in part.pipeline.spurious.register.places}
    assert states == {PlaceState.CONFIRMED}
    assert crawler.says[0].startswith("returning to 2 places to confirm, ")
    assert not crawler.back.confirming


def test_place_that_is_read_otherwise_is_left_after_three_tries() -> None:
    """Listed with both values, and said in the end."""
    part = Part()
    doubtful, real = part.pits
    crawler = Crawler(part, lambda cell: 10.0 if cell == doubtful else 5.0)
    assert crawler.confirm() == "the plan is covered; 1 place to confirm left: tries used up"
    assert crawler.tries.count(doubtful) == 3
    assert crawler.tries.count(real) == 1
    (left,) = part.pipeline.spurious.register.listed
    assert (left.cell, left.value, left.others) == (doubtful, 5.0, 3)
    outcome = outcome_text(part.pipeline, "")
    assert outcome == "the plan is covered; 1 place is to be confirmed"


def test_hand_is_led_to_a_place_at_the_end_until_two_passes_read_otherwise() -> None:
    """The most dangerous one first; what is left then is a person's to decide."""
    part = Part()
    step = HandStep(kind="done")
    first, second = (place.number for place in part.pipeline.spurious.register.listed)
    words = words_by_hand(part.pipeline, step)
    assert words.startswith(
        f"pass again, to confirm #{first}: 5.00 mm at scan 160.0 mm, index 40.0 mm: "
    )
    for _ in range(2):
        part.read(np.array(part.pits[:1]), [10.0])
    assert words_by_hand(part.pipeline, step).startswith(f"pass again, to confirm #{second}: ")
    part.read(np.array(part.pits[1:]), [5.0])
    assert not words_by_hand(part.pipeline, step).startswith("pass again")
    assert words_by_hand(part.pipeline, HandStep(kind="continue")) == words_by_hand(
        Pipeline(STATION), HandStep(kind="continue")
    )


def test_rejected_place_is_not_driven_to() -> None:
    """A person has decided about it."""
    part = Part()
    place = part.pipeline.spurious.register.listed[0]
    place.state = PlaceState.REJECTED
    assert len(place_gaps(part.pipeline)) == 1
