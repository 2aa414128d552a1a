"""A crawler's way back: to the gaps, and then to the places whose thickness is to be confirmed."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from functools import partial
from typing import Protocol

import numpy as np

from swathe.live.crawl.budget import Budget, FinishedError
from swathe.live.crawl.drive import Drive
from swathe.live.crawl.homing import Homing
from swathe.live.crawl.missing import missing_gaps
from swathe.live.session import Session
from swathe.motion import (
    Move,
    MoveKind,
    RasterSettings,
    RetryLog,
    RevisitStep,
    Stop,
    WorkArea,
    next_passes,
    pass_settings_of,
    retry_settings_of,
    scan_speed,
)
from swathe.pipeline import GapCause, GapSnapshot, Pipeline
from swathe.pipeline.progress.fields import count_text
from swathe.pipeline.spurious.register import PlaceState
from swathe.station import Station

__all__ = ["GoingBack", "place_gaps"]

_MOST_PLACES = 100
# Numbers below those of the gaps that are made up of what was never left behind.
_FIRST_PLACE = -1_000_000_000


class GoMove(Protocol):
    """Makes a move of the way back, once all that must hold before it does."""

    def __call__(self, move: Move, *, tries: Sequence[GapSnapshot]) -> Awaitable[None]:
        """Make it; see `Crawl`."""
        ...


def place_gaps(pipeline: Pipeline) -> list[GapSnapshot]:
    """Return the open places to confirm as gaps of one cell each, the most dangerous first.

    At most 100 of them; their numbers are below 0, the same for a place each time.
    """
    grid, found = pipeline.grid, []
    for place in pipeline.spurious.register.listed[:_MOST_PLACES]:
        is_open = place.state is PlaceState.OPEN
        if not is_open or not pipeline.spurious.unconfirmed(np.array([place.cell]))[0]:
            continue  # confirmed since the list was evaluated
        row, column = divmod(place.cell, grid.shape[1])
        scan, index = grid.scan.edges(column, column), grid.index.edges(row, row)
        found.append(
            GapSnapshot(
                number=_FIRST_PLACE - place.number,
                status="open",
                cause=GapCause.UNVISITED,
                causes={GapCause.UNVISITED: 1},
                cells=1,
                area=(scan[1] - scan[0]) * (index[1] - index[0]),
                scan=scan,
                index=index,
                opened=place.opened,
                closed=None,
                end=None,
                merged_into=None,
            )
        )
    return found


class GoingBack:
    """Plans and drives tours over what is missing and what is doubtful, with a limit of tries each.

    Args:
        station: the station file.
        session: its pipeline has gaps and places.
        drive: the machine's port.
        homing: knows whether the position is right.
        budget: of the run.
        area: returns where the machine moves.
        settings: of the raster.
        go: makes a move.
        say: takes progress in words.
        after_line: is awaited after each visit.

    Attributes:
        book: how often gaps and places were tried.
        confirming: whether it is on its way to places: the target is reached then, or may be.
    """

    def __init__(
        self,
        station: Station,
        session: Session,
        *,
        drive: Drive,
        homing: Homing,
        budget: Budget,
        area: Callable[[], WorkArea],
        settings: RasterSettings,
        go: GoMove,
        say: Callable[[str], None],
        after_line: Callable[[], Awaitable[None]],
    ) -> None:
        self._station, self._session = station, session
        self._drive, self._homing, self._budget = drive, homing, budget
        self._area, self._settings = area, settings
        self._go, self._say, self._after_line = go, say, after_line
        self._along = 0 if settings.along == "scan" else 1
        self._made_up = -1
        self.book = RetryLog()
        self.confirming = False

    async def to_gaps(self) -> str:
        """Revisit what is missing; return in words why it ended.

        Raises:
            FinishedError: the battery lasts for the way home only, or the plan is covered.
            HaltedError: something stopped the machine.
        """
        while True:
            await self._homing.settled()
            gaps = missing_gaps(self._session.pipeline, self._along, first=self._made_up)
            self._made_up = min([self._made_up, *(gap.number - 1 for gap in gaps)])
            pipeline = self._session.pipeline
            covered = 100.0 if pipeline.target_reached else pipeline.coverage.percent
            step = await self._step(gaps, covered)
            self._say(step.words)
            if step.tour is None:
                return step.words
            await self._tour(step, gaps)

    async def to_places(self, words: str) -> str:
        """Pass over the places to confirm; return `words` and, where some are left, how many.

        Raises:
            FinishedError: a budget is used up.
            HaltedError: something stopped the machine.
        """
        self.confirming = True
        try:
            while True:
                await self._homing.settled()
                places = place_gaps(self._session.pipeline)
                if not places:
                    return words
                step = await self._step(places, 0.0)
                count = count_text(len(places), "place")
                if step.tour is None:
                    return f"{words}; {count} to confirm left: {step.stop}"
                self._say(f"returning to {count} to confirm, {step.tour.seconds:,.0f} s")
                await self._tour(step, places)
        finally:
            self.confirming = False

    async def _step(self, gaps: list[GapSnapshot], covered: float) -> RevisitStep:
        limit = self._area().limits.axes[self._along].speed
        speed = scan_speed(self._settings, self._area().axes[self._along].resolution, limit)
        elapsed, area, pipeline = self._budget.elapsed, self._area(), self._session.pipeline
        make = partial(
            next_passes,
            gaps,
            book=self.book,
            area=area,
            passes=pass_settings_of(self._station, speed=speed),
            settings=retry_settings_of(self._station),
            begin=(await self._drive.fresh()).place,
            coverage=covered,
            elapsed=elapsed,
            on_battery=elapsed,
            home=self._homing.place,
            in_doubt=pipeline.suspect_cells.in_force and not pipeline.dead_probes,
        )
        # Of several probes it may take seconds: the loop has its turns meanwhile.
        step = make() if area.carriage.is_single else await asyncio.to_thread(make)
        if step.stop is Stop.BATTERY and step.tour is None:
            raise FinishedError(step.words, drives_home=True)
        return step

    async def _tour(self, step: RevisitStep, gaps: list[GapSnapshot]) -> None:
        if step.tour is None:
            return
        by_number = {gap.number: gap for gap in gaps}
        for passes, moves in zip(step.tour.passes, step.tour.moves, strict=True):
            await self._visit([by_number[number] for number in passes[0].gaps], moves)
            await self._after_line()

    async def _visit(self, gaps: list[GapSnapshot], moves: tuple[Move, ...]) -> None:
        """Drive over some gaps; it was a try once the scanning began, broken off or not."""
        tried = False
        for move in moves:
            begins = move.kind is MoveKind.SCAN and not tried
            await self._go(move, tries=gaps if begins else ())
            tried |= begins
