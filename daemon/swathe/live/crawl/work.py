"""The work of a crawler: home, scan the raster, revisit what is missing or doubtful, end; or halt."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from functools import partial

from swathe.journal import Entry, MarkKind
from swathe.live.check_work import CheckWork
from swathe.live.crawl.budget import Budget, FinishedError
from swathe.live.crawl.checking import CrawlCheck
from swathe.live.crawl.drive import REACHED_MM, Drive, HaltedError
from swathe.live.crawl.evidence import GuardFault
from swathe.live.crawl.first_move import FirstMove
from swathe.live.crawl.going_back import GoingBack
from swathe.live.crawl.guards import WATCHED_STATES, Guards
from swathe.live.crawl.homing import DriftError, Homing
from swathe.live.crawl.host import HostWatch
from swathe.live.crawl.machine_report import MachineReport
from swathe.live.crawl.missing import outcome_text
from swathe.live.crawl.raster_work import RasterWork
from swathe.live.crawl.recovery import Recovery
from swathe.live.crawl.restarts import LOST
from swathe.live.crawl.resuming import Resuming
from swathe.live.crawl.shown import CrawlerView
from swathe.live.crawl.travel import moves_to
from swathe.live.crawl.watchdog import Watchdog
from swathe.live.outcome import covered_text
from swathe.live.session import Session
from swathe.motion import (
    CrawlStates,
    Event,
    MotionError,
    Move,
    MoveKind,
    Point,
    State,
    WorkArea,
    check_move,
    raster_settings_of,
    work_area_of,
)
from swathe.pipeline import CRAWLER, GapSnapshot
from swathe.station import MotionTable, Station

__all__ = ["Crawl"]

_LATE_SECONDS = 1.0


class Crawl:
    """Covers the plan of a station with its crawler.

    The daemon calls `watch` every few milliseconds and `halt` when the run ends; `run` is a task.

    Args:
        station: a station file with a table `[motion]`, of a run that was confirmed on this machine.
        session: journals marks; its pipeline has the encoder's position.
        read_at: returns when the last read of a device's port returned, host time in ns.
        on_words: called with progress in words.

    Attributes:
        resuming: lets it continue after a stop.
        view: has what is shown of it.
        checking: makes the calibration checks.
    """

    def __init__(
        self,
        station: Station,
        session: Session,
        *,
        read_at: Callable[[str], int | None],
        on_words: Callable[[str], None] | None = None,
    ) -> None:
        assert station.motion is not None  # noqa: S101  made for such stations only
        self._station, self._session = station, session
        self._motion: MotionTable = station.motion
        self._on_words = on_words
        self.words = ""
        self.host = HostWatch()
        self._drive = Drive(self._motion, self.host, self._changed, station.display)
        self._guards = Guards(station, lambda: session.pipeline, self.host)
        self._recovery = Recovery(self._motion, self._drive, self._guards, self.host, self.say)
        self._watchdog = Watchdog(
            _LATE_SECONDS, active=lambda: self.machine.may_move, on_late=self._drive.late
        )
        for name in self._guards.encoders:
            self.host.add(f"the reading thread of '{name}'", partial(read_at, name))
        self.host.add("the watching thread", lambda: self._watchdog.looked_at)
        self._settings = raster_settings_of(station)
        index = station.index
        self._stepped = index is not None and not station.index_encoded
        self._axes = ("scan",) if index is None else ("scan", "index")
        self._homing = Homing(
            station, session, drive=self._drive, guards=self._guards, recovery=self._recovery,
            say=self.say, area=self._area,
        )  # fmt: skip
        self._move: Move | None = None
        self._recovery.disk_trouble = lambda: session.disk_trouble
        self._zones = 0
        self._budget = Budget(self._motion)
        self._first = FirstMove(
            station, session, drive=self._drive, homing=self._homing, recovery=self._recovery,
            host=self.host, area=self._area, go=self._send, say=self.say,
        )  # fmt: skip
        self.checking = CrawlCheck(
            station, session, drive=self._drive, homing=self._homing, budget=self._budget,
            area=self._area, go=self._go,
        )  # fmt: skip
        self._back = GoingBack(
            station, session, drive=self._drive, homing=self._homing, budget=self._budget,
            area=self._area, settings=self._settings, go=self._go, say=self.say,
            after_line=self.checking.after_line,
        )  # fmt: skip
        self.raster = RasterWork(
            session, drive=self._drive, settings=self._settings, area=self._area, go=self._go,
            say=self.say, checking=self.checking,
        )  # fmt: skip
        self.resuming = Resuming(
            self._motion, session, drive=self._drive, homing=self._homing, recovery=self._recovery,
            checking=self.checking,
        )  # fmt: skip
        self.view = CrawlerView(
            session, drive=self._drive, recovery=self._recovery, resuming=self.resuming,
            doing=lambda: self.words, raster=lambda: self.raster.line,
            index_encoded=station.index_encoded,
        )  # fmt: skip

    @property
    def machine(self) -> CrawlStates:
        """What may be done now, and what stopped it."""
        return self._drive.machine

    def may_move(self) -> bool:
        """Return whether motion may be on."""
        return self.machine.may_move

    @property
    def faulted(self) -> bool:
        """Whether a fault stopped it, and it did not go on since."""
        return self.machine.cause not in (None, Event.STOP_ASKED)

    @property
    def report(self) -> MachineReport | None:
        """The newest report of the machine."""
        return self._drive.report

    @property
    def confirmed_late(self) -> int:
        """Commands carried out whose acknowledgement was lost."""
        return self._drive.confirmed_late

    def begin(self) -> None:
        """Journal, before readings arrive, that they count for no cell until homing set the encoder."""
        if self._homing.sets_encoder:
            self._homing.pause_from_start("the encoder has no reference yet")

    def start(self) -> None:
        """Open the machine's port; nothing moves yet."""
        self._drive.start()
        self._watchdog.start()

    def watch(self, now: int) -> None:
        """Look at the guards; a stop is sent before this returns. `now` is the host's time, ns."""
        self._watchdog.pat()
        self._drive.beat()
        self.host.note(now)
        drive = self._drive
        trouble = self._guards.look(
            now,
            self.machine.state,
            since=drive.state_since,
            driven=drive.driven,
            report=drive.report,
        )
        if self._guards.encoder_lost:
            self._homing.lost_encoder()
        if trouble is None and self.machine.state in WATCHED_STATES:
            disk = self._session.disk_trouble
            trouble = GuardFault(Event.DISK, disk) if disk else self._first.look()
        if trouble is None and self.machine.state is State.MOVING:
            trouble = self._new_zone_ahead()
        if trouble is not None:
            drive.trouble(trouble.event, trouble.text(self._station.display), trouble.evidence)

    def halt(self, reason: str) -> None:
        """End it: the stop goes out of turn, before this returns."""
        self._drive.trouble(Event.END, reason)

    def alive(self, by: str) -> str:  # noqa: ARG002  whoever holds the dead man's switch
        """Take a sign of life of the dead man; return what it does."""
        self._guards.alive = time.monotonic_ns()
        return "alive" if self._motion.guard.heartbeat else "alive; the station asks for none"

    def take_checks(self, work: CheckWork) -> None:
        """Have the checks of the run made by the crawler, or while it rests."""
        self.checking.work = work
        work.to_crawler, work.on_resume = self.checking.request, self.resuming.end_pause

    def take_entries(self, enter: Callable[[Entry], None]) -> None:
        """Hand over what was sent, answered and decided since the last call, for the journal."""
        self._drive.entries.take(enter)

    async def close(self) -> str:
        """See the machine to rest, switch its drives off, close the port; return what is amiss."""
        if self.machine.state is not State.ENDED:
            self.halt("the run is over")
        await self._drive.rest_and_disarm()
        self.close_now()
        if self._drive.rests or not self._drive.was_armed:
            return ""
        return "the crawler is not known to be at rest: see to it with its own stop"

    def close_now(self) -> None:
        """Stop it if need be and close the port, without waiting; harmless twice."""
        self._watchdog.close()
        self._drive.close()

    def say(self, words: str) -> None:
        """Report progress in words."""
        self.words = words
        if self._on_words is not None:
            self._on_words(words)

    def _changed(self, event: Event, text: str, state: State) -> None:
        if state in (State.FAILING, State.STOPPING, State.FAULTED, State.STOPPED) and text:
            self.say(f"{state}: {event}: {text}")

    async def run(self) -> str:
        """Cover the plan; return in words why it ended. Never raises for what a machine does."""
        while True:
            try:
                return outcome_text(self._session.pipeline, await self._cover())
            except DriftError as again:
                if not self._recovery.may_resume():
                    text = f"they drift apart again and again: {again}"
                    self._drive.trouble(Event.DISAGREEMENT, text)
                    text = f"stopped: {Event.DISAGREEMENT}: {text}"
                    return outcome_text(self._session.pipeline, text)
                self.say(f"homing again: {again}")
                self._homing.done = False
            except MotionError as error:
                # Nothing of it was sent.
                return outcome_text(self._session.pipeline, f"nothing more can be planned: {error}")
            except HaltedError:
                if self.machine.cause is not Event.UNANSWERED:
                    self._homing.done = self._first.done = False
                why = await self._recovery.after(
                    self.machine, waits=self.checking.waits, at_rest=self._at_rest
                )
                self.checking.waits = False
                if why is not None:
                    return outcome_text(self._session.pipeline, why)

    def _at_rest(self) -> None:
        """Take note of what can be known at rest after a halt."""
        self.checking.begin_by_hand()
        if self.machine.cause in (Event.DISAGREEMENT, Event.UNANSWERED):
            lost = self._homing.lost_text(self._drive.report)
            self._recovery.detail = lost or self._recovery.detail

    async def _cover(self) -> str:
        if self.machine.state is not State.ARMED:
            await self._recovery.ready()
            self.checking.keep_still()
            await self._drive.arm()
        if not self._homing.done:
            await self._homing.find()
        if not self._first.done:
            self._homing.pause("first move")
            await self._first.make()
        self._homing.resume()
        home = self._motion.homing.return_home
        try:
            await self.checking.after_line()
            try:
                await self.raster.scan()
                words = await self._back.to_gaps()
            except FinishedError as over:
                if over.drives_home or not self._session.pipeline.target_reached:
                    raise
                words = str(over)
            words = await self._back.to_places(words)
        except FinishedError as over:
            words = str(over)
            home |= over.drives_home
        if home and self._homing.place is not None:
            await self._drive_home(self._homing.place)
        return words

    def _area(self) -> WorkArea:
        pipeline = self._session.pipeline
        return work_area_of(self._station, pipeline.requests.zones, pipeline.dead_probes)

    async def _drive_home(self, home: Point) -> None:
        moves = moves_to(self._area(), (await self._drive.fresh()).place, home)
        if moves is not None:
            self.say("driving home")
            for move in moves:
                await self._go(move, counts=False)

    async def _go(
        self, move: Move, *, counts: bool = True, tries: Sequence[GapSnapshot] = ()
    ) -> None:
        """Make a move, once all that must hold before it does.

        Args:
            move: the next one.
            counts: it is ended by the target and by budgets, as the way home is not.
            tries: gaps that are tried by it.

        Raises:
            HaltedError: something stopped it, or a limit refused it.
        """
        if counts and self._session.pipeline.target_reached and not self._back.confirming:
            raise FinishedError(covered_text(self._session.pipeline))
        if counts:
            self._budget.afford(move, self._area(), self._homing.place)
        report = await self._drive.fresh()
        await self._homing.check_drift(report)
        if (off := math.dist(report.place, move.start)) > 2 * REACHED_MM:
            text = f"it is {self._station.display.place_text(off)} off its path"
            if off > self._motion.guard.disagreement:
                # Nothing has moved it since it came to rest where this move begins.
                self._drive.trouble(Event.DISAGREEMENT, f"{LOST}: {text}")
                raise HaltedError(text)
            raise DriftError(text)
        await self._send(move, tries=tries)

    async def _send(self, move: Move, *, tries: Sequence[GapSnapshot] = ()) -> None:
        """Make a move within all limits, from where it begins.

        Raises:
            HaltedError: something stopped it, or a limit refused it.
        """
        area = self._area()
        self._zones = len(self._session.pipeline.requests.zones)
        try:
            check_move(move, area.limits, area.zones, area.twist)
        except MotionError as error:
            self._drive.trouble(Event.LIMIT_REFUSED, str(error))
            raise HaltedError(str(error)) from error
        # Of several probes the line in force is that of the datum, and not the number of the pass.
        line = move.line if area.carriage.is_single else area.index_row(move.end)
        is_new = self._session.pipeline.line != line
        if self._stepped and move.kind is MoveKind.SCAN and is_new:
            self._session.mark(MarkKind.LINE, line=line, by=CRAWLER)
        target = {
            name: end
            for name, end, start in zip(self._axes, move.end, move.start, strict=False)
            if abs(end - start) > 1e-6
        }
        if not target:
            return
        # Along a slanted way each axis would bear more; the port checks each against the whole.
        axis_speeds = [area.limits.axes[self._axes.index(name)].speed for name in target]
        speed = min(move.speed, *axis_speeds)
        self._back.book.note_tried(tries)
        self._move = move
        try:
            await self._drive.go(target, speed=speed, seconds=move.distance / speed + move.seconds)
        finally:
            self._move = None

    def _new_zone_ahead(self) -> GuardFault | None:
        """Return what is wrong if a zone was excluded since the move under way was checked."""
        zones = self._session.pipeline.requests.zones
        move, report = self._move, self._drive.report
        if move is None or report is None or len(zones) == self._zones:
            return None
        self._zones = len(zones)
        zone = self._area().zones.met_by(report.place, move.end)
        if zone is None:
            return None
        text = f"zone '{zone.name}', just excluded, is on the path"
        return GuardFault(Event.LIMIT_REFUSED, text)
