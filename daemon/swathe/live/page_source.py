"""The daemon as its page sees it."""

from __future__ import annotations

import time
from collections.abc import Awaitable, Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from swathe.display_units import INCHES, MILLIMETRES
from swathe.live.crawl import Crawl
from swathe.live.hand_guide import step_by_hand, words_by_hand
from swathe.live.link import BrokerLink
from swathe.live.mirror import Mirror
from swathe.live.origin import Origin
from swathe.live.stretches import affected_cells, resolve_stretch
from swathe.messages import ROOT, CommandMessage, ReplyMessage, StretchSnapshot
from swathe.page import BrokerHealth, HandGuidance, Opening, Page
from swathe.pipeline import Grid, Pipeline
from swathe.pipeline.gauge_state import GaugeMonitor, GaugeState
from swathe.station import PageSettings, Station, gauge_of, law_of, probes_of, station_of_probe

if TYPE_CHECKING:
    from swathe.live.service import Daemon
    from swathe.motion import HandStep

__all__ = ["PageSource", "run_page"]


class PageSource:
    """Shows pipeline, mirror and broker to the page, and passes its commands on.

    Args:
        pipeline: returns the pipeline; first called when the survey is resumed.
        mirror: has the messages.
        link: returns the link to the broker, if there is one.
        crawl: the crawler's work, if it may move in this run.
        on_command: executes a command and returns the reply.
        opening: what is known while the survey is being resumed; None where it is already.
    """

    def __init__(
        self,
        *,
        pipeline: Callable[[], Pipeline],
        mirror: Mirror,
        link: Callable[[], BrokerLink | None],
        crawl: Crawl | None = None,
        on_command: Callable[[CommandMessage], Awaitable[ReplyMessage]],
        opening: Opening | None = None,
    ) -> None:
        self._any_pipeline = pipeline
        self._opening = opening
        self._mirror = mirror
        self._link = link
        self._crawl = crawl
        self._on_command = on_command
        self._monitor: GaugeMonitor | None = None
        self._on_cells: Callable[[NDArray[np.int64]], None] | None = None

    @property
    def opening(self) -> Opening | None:
        """What is known while the survey is being resumed; None once it is."""
        return self._opening

    def _pipeline(self) -> Pipeline:
        if self._opening is not None:
            message = "the survey is being resumed"
            raise LookupError(message)
        return self._any_pipeline()

    def begin(self) -> None:
        """Show the survey: it is resumed now, and its pipeline is there."""
        self._opening = None
        self._pipeline().changed.listener = self._on_cells

    @property
    def station(self) -> Station:
        """The station file in force."""
        return self._pipeline().station

    @property
    def survey(self) -> str:
        """Identity of the survey."""
        return self._pipeline().survey

    @property
    def grid(self) -> Grid:
        """The cells."""
        return self._pipeline().grid

    @property
    def broker(self) -> BrokerHealth | None:
        """State of the link to the broker."""
        link = self._link()
        return None if link is None else BrokerHealth(link.address, link.state, link.detail)

    def gauge(self) -> GaugeState | None:
        """Return the gauge's newest reading; None before a run, and of a device with several probes.

        What came last from such a device may be of any of them: `ProbeSnapshot` has the reading of each.
        """
        if self._opening is not None:
            return None
        pipeline = self._pipeline()
        gauge = gauge_of(pipeline.station)
        probes = probes_of(pipeline.station).of_device(gauge)
        if (link := pipeline.link_of()) is None or len(probes) != 1:
            return None
        if self._monitor is None:
            (probe,) = probes
            law = law_of(station_of_probe(pipeline.station, probe.number))
            self._monitor = GaugeMonitor(f"{gauge}, {probe}" if probe.name else gauge, law)
        return self._monitor.look(link, time.monotonic_ns())

    def next_step(self) -> HandGuidance | None:
        """Return the next step by hand; None with a crawler, and of a plan of spots."""
        if self._opening or self._crawl is not None or self.station.spots is not None:
            return None  # which spot is next is a message of its own
        pipeline, at = self._pipeline(), self._pipeline().position
        step = step_by_hand(pipeline, at)
        done = step.kind == "done"
        return HandGuidance(
            gap=step.gap,
            scan=None if done else _unbroken(step, self.grid.scan.turn),
            index=None if done else step.index,
            mm=words_by_hand(pipeline, step, MILLIMETRES),
            inches=words_by_hand(pipeline, step, INCHES),
        )

    def notes(self) -> Sequence[tuple[int, str]]:
        """Return the operators' notes."""
        return () if self._opening else self._pipeline().notes

    def affected(self, stretch: StretchSnapshot) -> str:
        """Return what a discard or a move of a stretch affects, or why there is no such stretch."""
        pipeline = self._pipeline()
        try:
            times = resolve_stretch(
                stretch,
                now=time.time_ns(),
                opened=pipeline.opened,
                notes=pipeline.notes,
                scan=pipeline.grid.scan,
                index=pipeline.grid.index,
                units=pipeline.station.display,
            )
        except ValueError as error:
            return str(error)
        return affected_cells(stretch, times, pipeline).text

    def newest(self) -> dict[str, bytes]:
        """Return the newest message of each topic below the station's own."""
        cut = len(self._root)
        return {topic[cut:]: payload for topic, payload in self._mirror.newest.items()}

    def position(self) -> tuple[float | None, float | None]:
        """Return the position of the probe, mm."""
        if self._opening is not None:
            return None, None
        grid = self.grid
        scan, index = self._pipeline().position
        return (
            None if scan is None else grid.scan.onto(scan),
            None if index is None else grid.index.onto(index),
        )

    def heading(self) -> float | None:
        """Return by how much the carriage is turned, degrees; None while unknown."""
        return None if self._opening is not None else self._pipeline().heading

    def watch(
        self,
        on_message: Callable[[str, bytes], None],
        on_cells: Callable[[NDArray[np.int64]], None],
    ) -> Callable[[], None]:
        """Register callbacks for changed messages and cells; return a function that ends it."""
        cut = len(self._root)
        unwatch = self._mirror.watch(lambda topic, payload: on_message(topic[cut:], payload))
        self._listen(on_cells)

        def end() -> None:
            unwatch()
            self._listen(None)

        return end

    def _listen(self, on_cells: Callable[[NDArray[np.int64]], None] | None) -> None:
        self._on_cells = on_cells
        if self._opening is None:
            self._pipeline().changed.listener = on_cells

    def replaced(self, before: Pipeline) -> None:
        """Watch the cells of the present pipeline in place of those of the one before."""
        before.changed.listener = None
        self._pipeline().changed.listener = self._on_cells

    async def execute(self, command: CommandMessage) -> ReplyMessage:
        """Execute a command from the page; return the reply once the disk has what it is about."""
        return await self._on_command(command)

    @property
    def _root(self) -> str:
        name = self.station.name if self._opening is None else self._opening.station
        return f"{ROOT}/{name}/"


def run_page(daemon: Daemon, settings: PageSettings) -> tuple[Page, PageSource]:
    """Return the page of a run, not open yet, and what it shows.

    Raises:
        SwatheError: the token's environment variable is not set, or its token is easily guessed.
    """
    opening = None
    if daemon.folder.begun:
        part = daemon.station.survey.part
        opening = Opening(daemon.station.name, part, crawls=daemon.crawl is not None)

    async def execute(command: CommandMessage) -> ReplyMessage:
        commands = daemon.commands
        return await commands.replies.saved(commands.execute(command, Origin.PAGE))

    source = PageSource(
        pipeline=lambda: daemon.pipeline,
        mirror=daemon.mirror,
        link=lambda: daemon.link,
        crawl=daemon.crawl,
        on_command=execute,
        opening=opening,
    )
    return Page(settings, source), source


def _unbroken(step: HandStep, turn: tuple[float, float] | None) -> tuple[float, float]:
    """Return begin and end of a step, mm; over the seam of a pipe the higher one is past it."""
    start, end = step.start, step.end
    if turn is not None and step.rising and end < start:
        end += turn[1] - turn[0]
    elif turn is not None and not step.rising and start < end:
        start += turn[1] - turn[0]
    return start, end
