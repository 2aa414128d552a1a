"""The daemon: one task group that owns ports, ticks, checkpoints, broker link and terminal."""

from __future__ import annotations

import asyncio
import contextlib
import secrets
import time
from collections.abc import Awaitable, Callable
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Literal, Protocol, TypeVar

from swathe.errors import MisuseError, first_error
from swathe.live.auto_delay import AutoDelay
from swathe.live.check_work import CheckWork
from swathe.live.commands import Commands
from swathe.live.computer import ComputerWatch
from swathe.live.delay_estimator import DelayEstimator
from swathe.live.floods import Floods
from swathe.live.health import Health
from swathe.live.mirror import Mirror
from swathe.live.outcome import RunOutcome, covered_text
from swathe.live.pace import Pace
from swathe.live.ports import PortHub
from swathe.live.publisher import Publisher
from swathe.live.replacement import Replacement
from swathe.live.revising import Revising
from swathe.live.run_state import DecidedState
from swathe.live.service_manager import ServiceManager, survey_status
from swathe.live.session import Session
from swathe.live.setup_log import SetupLog, journal_setup
from swathe.live.shown_state import ShownState
from swathe.live.signals import stop_signals
from swathe.live.spots import SpotWork
from swathe.pipeline import Pipeline
from swathe.station import AlarmKind, BrokerSettings, Station
from swathe.store import SurveyFolder

if TYPE_CHECKING:
    # A station has each of these or not: imported by the function that makes it.
    from swathe.live.crawl import Crawl
    from swathe.live.link import BrokerLink
    from swathe.page import Page

__all__ = ["Daemon", "Observer", "RunOutcome"]

Begun = TypeVar("Begun")


class Observer(Protocol):
    """Whoever is shown each tick: the terminal, or a test."""

    def show(self, daemon: Daemon) -> None:
        """Show the state after a tick."""
        ...


class Daemon:
    """Runs one station until its plan is covered or it is stopped.

    Args:
        station: the station file, and
        text: its text.
        folder: the survey.
        observer: is shown each tick.
        on_torn: called with journal files that a crash cut off.
        on_page: called with the page before it opens.
        armed: somebody at this machine has confirmed that the crawler may move.
        on_crawl: called with a text when the crawler does something else.
        setup_log: of the station file; what is new in it is journalled.
        because: why decisive keys of the station file were changed since the last run.
        manager: gets readiness, state and signs of life.

    Attributes:
        mirror: the newest message of each topic.
        commands: executes commands.
        crawl: drives the crawler; None where nothing moves by itself.
        spots: leads from spot to spot; None where the plan has none.
        replacement: places the survey again.
        checks: leads through calibration checks within the run.
        health: journals what is noticed of disk, network and page, for the alarms of it.
        at_end: awaited with the page when all files are written and the end is published.

    Raises:
        MisuseError: armed, though the station file does not allow it.
    """

    def __init__(
        self,
        station: Station,
        text: str,
        folder: SurveyFolder,
        *,
        observer: Observer | None = None,
        on_torn: Callable[[Path, str], None] | None = None,
        on_page: Callable[[Page], None] | None = None,
        armed: bool = False,
        on_crawl: Callable[[str], None] | None = None,
        setup_log: SetupLog | None = None,
        because: str = "",
        manager: ServiceManager | None = None,
    ) -> None:
        self.station, self.folder = station, folder
        self._manager = manager or ServiceManager()
        self._observer, self._setup_log, self._on_page = observer, setup_log, on_page
        self.delay = DelayEstimator(station)
        self._session = Session(
            folder, station, text, on_torn=on_torn, observer=self.delay.watch, because=because
        )
        self.mirror, self._process = Mirror(), secrets.token_hex(4)
        self._shown = ShownState(
            station, self.mirror, self._session, process=self._process, link=lambda: self.link
        )
        self.replacement = Replacement(
            self._session, self.delay, prepare=self._shown.stage, on_placed=self._shown.replace
        )
        self._auto = AutoDelay(station, self._session, self.delay, self.replacement)
        self._revising = Revising(self._session, self.replacement)
        self._stop = asyncio.Event()
        self.commands = Commands(station, self._session, stop=self.stop, ending=self._stop.is_set)
        self.commands.process = self._process
        self.commands.on_revised = self._revising.wake
        self._hub = PortHub(station)
        self.crawl: Crawl | None = None
        if armed:
            if station.motion is None or not station.motion.arm_allowed:
                raise MisuseError("the station file does not allow its crawler to be armed")
            from swathe.live.crawl import Crawl

            self.crawl = Crawl(station, self._session, read_at=self._hub.read_at, on_words=on_crawl)
            self.commands.on_alive = self.crawl.alive
            self.commands.on_resume = self.crawl.resuming.resume
            self.commands.moves = self.crawl.may_move
        self.health = Health(self._session.mark)
        self._floods = Floods(station, self._hub, self._session.mark, time.monotonic_ns())
        self._computer = ComputerWatch(self._session, self.health)
        self.checks = CheckWork(self._session, self.mirror, station.verification)
        self.commands.checks = self.checks
        if self.crawl is not None:
            self.crawl.take_checks(self.checks)
        self.spots: SpotWork | None = None
        if station.spots is not None:
            self.spots = self.commands.spots = SpotWork(self._session, self.mirror)
        self.at_end: Callable[[Page | None], Awaitable[None]] | None = None
        self._reason = ""
        self.link: BrokerLink | None = None
        self.page: Page | None = None

    @property
    def _halted(self) -> bool:
        """Whether a fault stopped the crawler, and nobody has let it go on."""
        return self.crawl is not None and self.crawl.faulted

    @property
    def pipeline(self) -> Pipeline:
        """The pipeline, for reading."""
        return self._session.pipeline

    def stop(self, reason: str) -> None:
        """Ask the run to end in good order."""
        self._reason = self._reason or reason
        self._stop.set()
        self._manager.stopping(reason)
        if self.crawl is not None:
            self.crawl.halt(reason)
        self._computer.stopping()

    async def run(self) -> RunOutcome:
        """Run until the plan is covered or `stop` is called.

        Raises:
            JournalError: the journal cannot be written; what arrived until then is in it.
            SurveyError: the survey cannot be written, or belongs to another plan or process.
        """
        async with contextlib.AsyncExitStack() as stack:
            stack.callback(self._manager.close)  # then the page, whose settings may be refused
            if (page := self._make_page()) is not None:
                stack.push_async_callback(page.close)
            stack.enter_context(self._session)
            stack.enter_context(stop_signals(self.stop, unsaved=lambda: self._session.unsaved))
            if self.crawl is not None:
                self.crawl.begin()  # before a port delivers readings
            stack.enter_context(self._hub)
            self._shown.open_page()
            # From here on every byte is journalled; what else a run needs is made meanwhile.
            self._manager.ready(f"{self.station.name}: begun")
            beginning = asyncio.create_task(self._begin(stack), name="session.resume")
            settings, link_task, resumed = await self._journal_while(beginning)
            if resumed:
                await self._scan(stack, settings, page)
            else:
                self._reason += ", before the earlier runs were replayed"
            self._floods.end()
            self._hub.drain_all(self._session.enter, self._session.enter)
            self._hub.close(self._session.enter)
            if self.crawl is not None:
                self.crawl.take_entries(self._session.enter)
            self.checks.finish()
            await self._revising.finish()
            await self._auto.finish()
            covered = resumed and self.pipeline.target_reached and not self._revising.pending
            status: Literal["complete", "incomplete"] = "complete" if covered else "incomplete"
            await self._session.end(status, self._reason)
            missing = await self._publish_end(status, link_task)
            if resumed and self.at_end is not None:
                await self.at_end(page)
        return RunOutcome(status, self._reason, self.folder, self._halted, missing, resumed)

    async def _begin(
        self, stack: contextlib.AsyncExitStack
    ) -> tuple[BrokerSettings | None, asyncio.Task[None] | None, bool]:
        """Start the link to the broker and resume the survey.

        Returns the broker's settings, the link's task, and False if the resumption was stopped.
        """
        settings = self.station.broker
        if settings is not None:
            # What they import takes a while, in which the loop must come round.
            await asyncio.to_thread(import_module, "swathe.live.linking")
        if settings is not None and settings.embedded:
            from swathe.live.broker import embedded_broker

            await asyncio.to_thread(import_module, "amqtt.broker")
            port = await stack.enter_async_context(embedded_broker(settings.port))
            settings = settings.model_copy(update={"host": "127.0.0.1", "port": port})
        link_task = self._start_link(settings)
        return settings, link_task, await self._session.resume_meanwhile()

    async def _journal_while(self, beginning: asyncio.Task[Begun]) -> Begun:
        """Journal what arrives until a task is done, and return its result."""
        session = self._session
        pace = Pace(time.monotonic_ns(), checkpoint_ns=self.station.store.checkpoint, crawls=False)
        try:
            while not beginning.done():
                if self._stop.is_set():
                    session.stop_resuming()
                self._take_arrivals(pace, time.monotonic_ns())
                if pace.tick():
                    self._shown.show_resumption(time.monotonic_ns())
                    self._computer.show(time.monotonic_ns())
                    session.tick(self._hub.reached)
                self._hub.more()  # but no sooner: nothing is decoded yet that would show a flood
                await asyncio.wait({beginning}, timeout=pace.wait(time.monotonic_ns()))
        finally:
            session.stop_resuming()  # a thread cannot be cancelled
            await asyncio.wait({beginning})
        return beginning.result()

    def _take_arrivals(self, pace: Pace, now: int, *, moving: bool = False) -> None:
        """Begin a round at `now`, host time in ns: journal and feed what arrived, and flush it if due.

        The operating system has it before anything is computed of it: what a tick takes adds nothing to
        what a kill may lose.
        """
        self._computer.loop.note(now)
        self._manager.alive()
        pace.begin(now, moving=moving)
        pace.take(self._hub.drain(self._session.enter, self._session.enter))
        if pace.flush():
            self._session.flush(sync=pace.sync())

    async def _scan(
        self,
        stack: contextlib.AsyncExitStack,
        settings: BrokerSettings | None,
        page: Page | None,
    ) -> None:
        """Publish the survey, let the crawler begin, and acquire until the end."""
        self.delay.resume(self._session.observer)
        if self._setup_log is not None:
            journal_setup(self._session, self._setup_log)
        publisher = self._shown.publisher = Publisher(
            self.mirror,
            self.pipeline,
            progress_interval_ns=(settings or BrokerSettings()).progress_interval,
            session=self._process,
        )
        publisher.put_all()
        self._shown.show(self)  # a page has the crawler's STOP from the first moment
        self._auto.begin()
        self._revising.begin()
        stack.push_async_callback(self._auto.close)
        stack.push_async_callback(self._revising.close)
        if page is not None:
            stack.push_async_callback(page.close)
            self._shown.begin_page()
        if self.crawl is not None:
            stack.callback(self.crawl.close_now)  # first of all at the end
            self.crawl.start()
        try:
            await self._acquire(publisher)
        except BaseExceptionGroup as group:
            # A full disk, for example, is raised as what it is, not as a group of one.
            raise first_error(group) from group

    def _make_page(self) -> Page | None:
        if self.station.page is None:
            return None
        from swathe.live.page_source import run_page

        self.page, source = run_page(self, self.station.page)
        self._shown.page = self.page, source
        if self._on_page is not None:
            self._on_page(self.page)
        return self.page

    def _start_link(self, settings: BrokerSettings | None) -> asyncio.Task[None] | None:
        if settings is None:
            return None
        from swathe.live.linking import start_link

        self.link, task = start_link(
            settings,
            station=self.station,
            session=self._process,
            mirror=self.mirror,
            settled=lambda: self._shown.publisher is not None,
            will=lambda: self._shown.state(DecidedState("offline", "the broker lost the station")),
            commands=self.commands,
        )
        return task

    async def _publish_end(
        self, status: Literal["complete", "incomplete"], link_task: asyncio.Task[None] | None
    ) -> str:
        """Publish how the run ended; return what the broker does not have of it."""
        if (publisher := self._shown.publisher) is not None:
            publisher.put_changes(time.monotonic_ns(), self._hub.stalls, self.delay)
            publisher.put_progress()
            publisher.put_ports(self._hub.stalls, self.delay)
            if self.crawl is not None:
                publisher.put_crawler(self.crawl.view.message)
        decided = DecidedState(status, self._reason)
        self._shown.put(decided, halted=self._halted and status == "incomplete")
        if link_task is not None and self.link is not None:
            from swathe.live.linking import end_link

            return await end_link(self.link, link_task)
        return ""

    async def _acquire(self, publisher: Publisher) -> None:
        """Drain, tick, flush and checkpoint until the end."""
        session = self._session
        crawl = self.crawl
        pace = Pace(
            time.monotonic_ns(),
            checkpoint_ns=self.station.store.checkpoint,
            crawls=crawl is not None,
            devices=len(self.station.device),
        )
        async with asyncio.TaskGroup() as tasks:
            checkpoint: asyncio.Task[None] | None = None
            crawling = tasks.create_task(self._follow(crawl), name="crawl") if crawl else None
            while not self._stop.is_set():
                now = time.monotonic_ns()
                moving = crawl is not None and crawl.machine.may_move
                self._take_arrivals(pace, now, moving=moving)
                if pace.tick():
                    self._tick(now, publisher)
                if crawl is not None:
                    crawl.watch(now)
                    crawl.take_entries(session.enter)
                self._auto.check()
                self._revising.check()
                if pace.checkpoint(busy=checkpoint is not None and not checkpoint.done()):
                    checkpoint = tasks.create_task(session.checkpoint(), name="store.checkpoint")
                await asyncio.sleep(pace.wait(time.monotonic_ns(), more=self._hub.more()))
            if crawl is not None and crawling is not None:
                if problem := await crawl.close():
                    self._reason += f"; {problem}"
                crawling.cancel()

    async def _follow(self, crawl: Crawl) -> None:
        """End the run when the crawler has nothing more to do."""
        ended = await crawl.run()
        if not self._stop.is_set():  # else nobody waits for it any more, nor does it scan
            self._shown.show(self)  # what stopped it is an alarm also where the run ends by it
        self.stop(ended)

    def _tick(self, now: int, publisher: Publisher) -> None:
        self._shown.show(self)  # before further changes wait for their turn
        trouble = self._computer.show(now)
        self._session.tick(self._hub.reached)
        self._floods.check(now, self.pipeline.tallies)
        if self.spots is not None:
            self.spots.advance()
        self.checks.advance()
        if self.page is not None:
            self.health.show(AlarmKind.WRONG_TOKENS, self.page.wrong_tokens)
        if self.link is not None:
            self.link.own.report(self.health.show)
        publisher.put_changes(now, self._hub.stalls, self.delay)
        self._manager.show(lambda: survey_status(self.pipeline))
        if self._observer is not None:
            self._observer.show(self)
        # A crawler finishes its move and ends the run itself.
        covered = self.pipeline.target_reached and not self._revising.pending
        if self.crawl is None and not trouble and self._auto.may_end(covered=covered):
            self.stop(covered_text(self.pipeline))
