"""A calibration check in a crawler's run: by itself on the part, or by hand while it rests."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable
from typing import NoReturn, Protocol

from swathe.journal import MarkKind
from swathe.live.check_work import CheckWork
from swathe.live.crawl.budget import Budget, FinishedError
from swathe.live.crawl.drive import Drive, HaltedError
from swathe.live.crawl.homing import DriftError, Homing
from swathe.live.crawl.travel import moves_to
from swathe.live.reviser import REFUSED
from swathe.live.session import Session
from swathe.motion import Event, MotionError, Move, Point, State, WorkArea
from swathe.pipeline import CRAWLER
from swathe.station import Station, probes_of

__all__ = ["CrawlCheck"]

_TURN_SECONDS = 0.05
_PATIENCE_SECONDS = 30.0
# Only here a hand may be at the probe: in any other state the crawler moves, or is about to.
_AT_REST = (State.STOPPED, State.FAULTED)


class MakeMove(Protocol):
    """Makes a move, once all that must hold before it does."""

    def __call__(self, move: Move, *, counts: bool) -> Awaitable[None]:
        """Make it; see `Crawl`."""
        ...


class CrawlCheck:
    """Makes the checks that are requested or due where a line has ended.

    Where the plan names places of reference steps on the part, the crawler drives there, reads each step
    at rest and returns. Else it stops for a check that is requested, and a person makes it by hand. Every
    move is one of `Crawl`, with its limits and guards; nothing here arms, homes or clears a stop.

    Args:
        station: the station file.
        session: journals the marks.
        drive: the machine's port.
        homing: knows whether the position is right.
        budget: of the run.
        area: returns where the machine moves.
        go: makes a move.

    Attributes:
        work: leads through the steps; None where the run has none.
        waits: it stopped for a check, and a person decides when it continues.
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
        go: MakeMove,
    ) -> None:
        settings = station.verification
        self._places = settings.at if settings is not None else ()
        # The datum is put where the probe is on the step.
        self._datum = {
            probe.name: [
                (place.scan - probe.scan, place.index - probe.index) for place in self._places
            ]
            for probe in probes_of(station).probes
        }
        self._session, self._drive, self._homing, self._budget = session, drive, homing, budget
        self._area, self._go = area, go
        self.work: CheckWork | None = None
        self.waits = False
        self._requested = ""

    def request(self, by: str) -> str | None:
        """Take a request for a check; return the reply, or None where it is made by hand at once."""
        working = self._drive.machine.state not in _AT_REST
        if not (working or self._places):
            # A hand is at the probe: the crawler finds its reference again before anything counts.
            self._homing.done = False
            return None
        self._requested = by
        if not working:
            return (
                "the crawler rests: it checks on its reference step once somebody at this machine lets "
                "it continue"
            )
        if self._places:
            return "the crawler finishes its line, and drives to its reference step"
        return "the crawler finishes its line, and stops for a check by hand"

    @property
    def in_hands(self) -> bool:
        """Whether a check by hand is in progress, so that nothing may move."""
        return self.work is not None and self.work.active and not self.work.by_crawler

    def keep_still(self) -> None:
        """Do not arm while a check by hand is in progress, whatever the station file grants.

        Raises:
            HaltedError: one is.
        """
        if self.in_hands:
            self._halt("a calibration check is made by hand")

    def begin_by_hand(self) -> None:
        """Begin the check for which the crawler has stopped, now that it rests."""
        if self.waits and self._requested and not self._places and self.work is not None:
            by, self._requested = self._requested, ""
            if not self.work.active:
                self.work.start(by, by, off_part=False)

    async def after_line(self) -> None:
        """Make the check that is requested or due.

        Raises:
            HaltedError: it failed or could not be made, is made by hand, or something stopped it.
            FinishedError: a budget does not bear the way there.
            DriftError: motor and encoder have drifted apart.
        """
        work = self.work
        if work is None or work.active:
            return
        if not self._places:
            if self._requested:
                self._halt(f"calibration check requested by {self._requested}")
            return
        if not self._requested and work.overdue is None:
            return
        try:
            await self._check(work, self._requested or CRAWLER)
        except (HaltedError, FinishedError, DriftError, MotionError) as error:
            # Where it is now readings count only once it has found its reference again.
            self._homing.done = False
            if work.active:
                work.give_up(CRAWLER, str(error) or self._drive.machine.text)
            raise

    async def _check(self, work: CheckWork, by: str) -> None:
        begin = (await self._drive.fresh()).place
        lost = [probe.name for probe in self._session.pipeline.progress().probes if probe.alone]
        self._homing.pause("calibration check")
        begun = False
        for name, places in self._datum.items():
            for place in places if name not in lost else (None,):
                if place is not None:
                    await self._travel(place, afford=True)
                    await self._homing.settled()
                if not begun:
                    work.start(by, CRAWLER, off_part=False, by_crawler=True)
                    begun = True
                if not work.active:
                    self._halt("the calibration check was given up")
                if place is None:
                    work.skip(CRAWLER, "it has no echo, while other probes have some")
                    continue
                work.arrive()
                await self._read(work)
        self._requested = ""
        if failed := work.failed:
            which = " and ".join(
                f"{check.number}{f' of probe {check.probe_name}' * bool(check.probe_name)}"
                for check in failed
            )
            self._halt(f"calibration check{'s' * (len(failed) > 1)} {which} failed")
        await self._travel(begin, afford=False)
        pauses = self._session.pipeline.pauses
        if pauses.active and pauses.by == CRAWLER:
            self._session.mark(MarkKind.RESUMED, by=CRAWLER)

    async def _travel(self, place: Point, *, afford: bool) -> None:
        """Drive to a place clear of the zones."""
        area = self._area()
        moves = moves_to(area, (await self._drive.fresh()).place, place)
        if moves is None:
            self._halt("the reference step can't be reached clear of the excluded zones")
        for move in moves:
            if afford:
                self._budget.afford(move, area, self._homing.place)
            await self._go(move, counts=False)

    async def _read(self, work: CheckWork) -> None:
        """Read the step with the first steady readings, at rest."""
        limit = time.monotonic() + _PATIENCE_SECONDS
        while True:
            machine = self._drive.machine
            if machine.state is not State.ARMED:
                raise HaltedError(machine.text)
            if not work.active:
                self._halt("the calibration check was given up")
            if work.now().steady and not work.take(lifted=True).startswith(REFUSED):
                return
            if time.monotonic() > limit:
                self._halt(f"calibration check: {work.now().reason}")
            await asyncio.sleep(_TURN_SECONDS)

    def _halt(self, text: str) -> NoReturn:
        """Stop, and have a person decide when it continues."""
        self.waits = True
        self._drive.trouble(Event.STOP_ASKED, text)
        raise HaltedError(text)
