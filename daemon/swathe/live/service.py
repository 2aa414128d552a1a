"""The daemon: one task group that owns ports, ticks, checkpoints, broker link and terminal."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import signal
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Protocol

from swathe.errors import first_error
from swathe.journal import MarkKind
from swathe.live.broker import embedded_broker
from swathe.live.delay_keeper import DelayKeeper
from swathe.live.link import BrokerLink
from swathe.live.mirror import Mirror
from swathe.live.page_source import PageSource
from swathe.live.ports import PortHub
from swathe.live.publisher import Publisher
from swathe.live.session import Session
from swathe.messages import CommandMessage, ReplyMessage, moment
from swathe.page import Page
from swathe.pipeline import GapNote, Pipeline
from swathe.station import BrokerSettings, Station
from swathe.store import SurveyFolder, SurveyRecord, read_record

__all__ = ["Daemon", "Observer", "Outcome"]

_log = logging.getLogger(__name__)

# How often the shell looks for what arrived, closes a journal chunk, and lets the pipeline work.
_POLL_SECONDS = 0.01
_FLUSH_NS = 30_000_000
_TICK_NS = 50_000_000
_FAREWELL_SECONDS = 3.0


class Observer(Protocol):
    """Somebody on this machine who watches and may speak: the terminal, or a test."""

    def show(self, daemon: Daemon, gaps: list[GapNote]) -> None:
        """Take note of the state after a tick, and of the gaps that changed."""
        ...


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a run ended."""

    status: Literal["complete", "incomplete"]
    reason: str
    folder: SurveyFolder
    record: SurveyRecord


class Daemon:
    """Runs one station until its plan is covered or somebody stops it.

    Args:
        station: the station file, and
        text: its text.
        folder: the survey.
        observer: is shown each tick.
        on_torn: told of journal files that a crash cut off.
        on_page: told of the page as it opens.
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
    ) -> None:
        self.station = station
        self.folder = folder
        self._observer = observer
        self.delay = DelayKeeper(station)
        self._session = Session(folder, station, text, on_torn=on_torn, watcher=self.delay.watch)
        self._hub = PortHub(station)
        self._mirror = Mirror()
        self._stop = asyncio.Event()
        self._reason = ""
        self.link: BrokerLink | None = None
        self.page: Page | None = None
        self._on_page = on_page

    @property
    def pipeline(self) -> Pipeline:
        """The pipeline, for reading."""
        return self._session.pipeline

    @property
    def waiting(self) -> int:
        """Chunks that arrived and were not handled yet."""
        return self._hub.waiting

    def stop(self, reason: str) -> None:
        """Ask the run to end in good order."""
        self._reason = self._reason or reason
        self._stop.set()

    def set_line(self, line: int, by: str) -> str:
        """Go on with another line of a stepped index axis; return what was done or why not."""
        stepped = self.station.index is not None and self.station.index.mode == "stepped"
        if not stepped:
            return "refused: the index axis is not stepped, its encoder tells the line"
        lines = self.station.index_axis.cells
        if not 0 <= line < lines:
            return f"refused: the plan has the lines 0 to {lines - 1}"
        self._session.mark(MarkKind.LINE, line=line, by=by)
        position = self.station.index_axis.centres[line]
        return f"line {line} at {position:g} mm"

    def note(self, text: str, by: str) -> str:
        """Put an operator's note into the journal; return what was done."""
        self._session.mark(MarkKind.NOTE, text=text, by=by)
        return "noted"

    async def run(self) -> Outcome:
        """Run until the plan is covered or `stop` is called.

        Raises:
            JournalError: the journal cannot be written; what arrived until then is in it.
            SurveyError: the survey cannot be written, or belongs to another plan or process.
        """
        async with contextlib.AsyncExitStack() as stack:
            settings = self.station.broker
            if settings is not None and settings.embedded:
                port = await stack.enter_async_context(embedded_broker(settings.port))
                settings = settings.model_copy(update={"host": "127.0.0.1", "port": port})
            # First: it may have something to say against its settings.
            if (page := self._make_page()) is not None:
                stack.push_async_callback(page.close)
            stack.enter_context(self._session)
            stack.enter_context(_stop_signals(self.stop))
            publisher = Publisher(
                self._mirror,
                self.pipeline,
                progress_interval_ns=(settings or BrokerSettings()).progress_interval,
            )
            publisher.put_all()
            if page is not None:
                stack.push_async_callback(page.close)
                page.open()
            stack.enter_context(self._hub)
            link_task = self._start_link(settings, publisher)
            try:
                status = await self._acquire(publisher)
            except BaseExceptionGroup as group:
                # A full disk, say: told as what it is, not as a group of one.
                raise first_error(group) from group
            self._hub.drain(self._session.enter)
            await self._session.end(status, self._reason)
            await self._say_goodbye(publisher, status, link_task)
        record = read_record(self.folder.record)
        return Outcome(status, self._reason, self.folder, record)

    def _make_page(self) -> Page | None:
        if self.station.page is None:
            return None
        source = PageSource(
            pipeline=lambda: self.pipeline,
            mirror=self._mirror,
            link=lambda: self.link,
            on_command=lambda command: self._obey(command, "from the page"),
        )
        self.page = Page(self.station.page, source)
        if self._on_page is not None:
            self._on_page(self.page)
        return self.page

    def _start_link(
        self, settings: BrokerSettings | None, publisher: Publisher
    ) -> asyncio.Task[None] | None:
        if settings is None:
            return None
        self.link = BrokerLink(
            settings=settings,
            topics=publisher.topics,
            survey=self.pipeline.survey,
            mirror=self._mirror,
            will=lambda: publisher.state("gone", "the broker lost the station"),
            on_command=lambda command: self._obey(command, "over MQTT"),
        )
        task = asyncio.create_task(self.link.run(), name="broker.link")
        task.add_done_callback(_report_end)
        return task

    async def _say_goodbye(
        self, publisher: Publisher, status: str, link_task: asyncio.Task[None] | None
    ) -> None:
        """Tell subscribers how it ended, if a broker is there to tell them."""
        publisher.put_changes(time.monotonic_ns(), self._hub.stalls, self.delay)
        publisher.put_progress()
        publisher.put_ports(self._hub.stalls, self.delay)
        publisher.put_state(status, self._reason)
        if link_task is None or self.link is None:
            return
        if self.link.state == "connected":
            try:
                async with asyncio.timeout(_FAREWELL_SECONDS):
                    await self.link.drained()
            except TimeoutError:
                _log.warning("broker %s did not take the last messages", self.link.address)
        link_task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await link_task

    async def _acquire(self, publisher: Publisher) -> Literal["complete", "incomplete"]:
        """Drain, tick, flush and checkpoint until the end; return how it ended."""
        session = self._session
        next_tick = next_flush = 0
        next_checkpoint = time.monotonic_ns() + self.station.store.checkpoint
        async with asyncio.TaskGroup() as tasks:
            keeper = tasks.create_task(self.delay.run(), name="delay.keeper")
            checkpoint: asyncio.Task[None] | None = None
            while not self._stop.is_set():
                self._hub.drain(session.enter)
                now = time.monotonic_ns()
                if now >= next_tick:
                    next_tick = now + _TICK_NS
                    self._tick(now, publisher)
                if now >= next_flush:
                    next_flush = now + _FLUSH_NS
                    session.flush()
                if now >= next_checkpoint and (checkpoint is None or checkpoint.done()):
                    next_checkpoint = now + self.station.store.checkpoint
                    checkpoint = tasks.create_task(session.checkpoint(), name="store.checkpoint")
                await asyncio.sleep(_POLL_SECONDS)
            keeper.cancel()
        return "complete" if self.pipeline.target_reached else "incomplete"

    def _tick(self, now: int, publisher: Publisher) -> None:
        self._session.tick()
        gaps = publisher.put_changes(now, self._hub.stalls, self.delay)
        if self._observer is not None:
            self._observer.show(self, gaps)
        if self.pipeline.target_reached:
            self.stop("the plan is covered")

    def _obey(self, command: CommandMessage, way: str) -> ReplyMessage:
        """Act on a command; `way` says how it came."""
        match command.command:
            case _ if self._stop.is_set():
                detail = "refused: the run is ending"
            case "next line":
                detail = self.set_line(self.pipeline.line + 1, command.by)
            case "line" if command.line is not None:
                detail = self.set_line(command.line, command.by)
            case "line":
                detail = "refused: 'line' must be given"
            case "note":
                detail = self.note(command.text, command.by)
            case "stop":
                self.stop(f"stopped {way} by {command.by}")
                detail = "stopping"
        return ReplyMessage(
            station=self.station.name,
            survey=self.pipeline.survey,
            time=moment(time.time_ns()),
            id=command.id,
            accepted=not detail.startswith("refused"),
            detail=detail,
        )


def _report_end(task: asyncio.Task[None]) -> None:
    """A link that failed in a way we did not foresee is told, but never stops acquisition."""
    if not task.cancelled() and (error := task.exception()) is not None:
        _log.error("the broker link ended, the scan goes on without it", exc_info=error)


@contextlib.contextmanager
def _stop_signals(stop: Callable[[str], None]) -> Iterator[None]:
    """Let Ctrl-C and SIGTERM end the run in good order, where the loop can take signals."""
    loop = asyncio.get_running_loop()
    taken: list[signal.Signals] = []
    for number, reason in ((signal.SIGINT, "stopped by the user"), (signal.SIGTERM, "terminated")):
        with contextlib.suppress(NotImplementedError, ValueError, RuntimeError):
            loop.add_signal_handler(number, stop, reason)
            taken.append(number)
    try:
        yield
    finally:
        for number in taken:
            loop.remove_signal_handler(number)
