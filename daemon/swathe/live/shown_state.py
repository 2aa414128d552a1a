"""What everybody is shown of a run: what it does, and the whole survey when it was placed again."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from swathe.live.mirror import Mirror
from swathe.live.publisher import Publisher
from swathe.live.resumption_progress import ResumptionClock
from swathe.live.run_state import DecidedState, RunFacts, decide_state
from swathe.live.session import Session
from swathe.live.simple_state import simple_state
from swathe.messages import StateMessage, Topics
from swathe.pipeline import Pipeline
from swathe.station import AlarmKind, Station

if TYPE_CHECKING:
    from swathe.live.link import BrokerLink
    from swathe.live.page_source import PageSource
    from swathe.live.service import Daemon
    from swathe.page import Page

__all__ = ["ShownState", "facts_of"]


class ShownState:
    """Publishes a run's state, and exchanges the survey that is shown for another one, whole.

    Args:
        station: the station file.
        mirror: takes the messages.
        session: has the survey's identity.
        process: session of this process, for its state messages.
        link: returns the link to the broker, if there is one.

    Attributes:
        publisher: of the run; None before the survey is resumed.
        page: that is served, if one is, with its source.
    """

    def __init__(
        self,
        station: Station,
        mirror: Mirror,
        session: Session,
        *,
        process: str,
        link: Callable[[], BrokerLink | None],
    ) -> None:
        self._station, self._mirror, self._session = station, mirror, session
        self._process, self._link = process, link
        self.publisher: Publisher | None = None
        self.page: tuple[Page, PageSource] | None = None
        self._staged: Publisher | None = None
        self._mixed: set[str] = set()  # topics that may be of the survey that was replaced
        self._decided: DecidedState | None = None
        self._resumption = ResumptionClock()

    def state(self, decided: DecidedState, *, halted: bool = False) -> StateMessage:
        """Return a state message, with the plan once the survey is resumed."""
        if self.publisher is not None:
            return self.publisher.state(decided, halted=halted)
        return simple_state(self._station, self._session.survey, decided, session=self._process)

    def put(self, decided: DecidedState, *, halted: bool = False) -> None:
        """Put a state, with or without a survey that is resumed."""
        if self.publisher is not None:
            self.publisher.put_state(decided, halted=halted)
        else:
            self._mirror.put(Topics(self._station.name).state, self.state(decided, halted=halted))

    def show_resumption(self, now: int) -> None:
        """Show how far the replay of earlier runs is at `now`, host time in ns."""
        share = self._session.resumed
        if not self._session.continued or share is None or self.publisher is not None:
            return
        if (progress := self._resumption.follow(share, now)) is not None:
            text = f"earlier runs are replayed, {progress.percent:.1f} %; what arrives is kept"
            if share >= 1:
                text = (
                    "earlier runs are replayed, arrays and record are written; what arrives is kept"
                )
            message = simple_state(
                self._station,
                self._session.survey,
                DecidedState("resuming", text),
                session=self._process,
                progress=progress,
            )
            self._mirror.put(Topics(self._station.name).state, message)

    def open_page(self) -> None:
        """Open the page of a survey that is to be resumed: it shows how far that is."""
        if self.page is not None and self.page[1].opening is not None:
            self.page[0].open()

    def begin_page(self) -> None:
        """Show the survey, which is resumed now, on the page; open it where it is not yet."""
        if self.page is None:
            return
        page, source = self.page
        opened = source.opening is not None
        source.begin()
        if opened:
            page.begin()
        else:
            page.open()

    def stage(self, pipeline: Pipeline) -> None:
        """Prepare what `replace` shows, in a thread: the loop and its guards do not wait for it."""
        self._staged = Publisher.staged(pipeline)

    def replace(self, before: Pipeline, how: str) -> None:
        """Show the staged survey in place of the one before.

        Args:
            before: the one before.
            how: the survey was placed again, as text.
        """
        if self.publisher is not None and self._staged is not None:
            reason = f"placed again {how}: the messages of it follow"
            self._mixed = self.publisher.replace(self._staged, reason)
            self._staged = None
        if self.page is not None:
            page, source = self.page
            source.replaced(before)
            page.replace()

    def show(self, daemon: Daemon) -> None:
        """Show what the run does: its state, its crawler, and an alarm of a crawler that has halted."""
        decided = decide_state(facts_of(daemon))
        self.update(decided)
        crawl = daemon.crawl
        if crawl is None:
            return
        if self.publisher is not None:
            self.publisher.put_crawler(crawl.view.message)
        halted = decided.state in ("waiting", "faulted")
        texts = (decided.reason, decided.todo) if halted else ()
        daemon.health.show(AlarmKind.CRAWLER, "; ".join(text for text in texts if text))

    def update(self, decided: DecidedState) -> None:
        """Put the state, if it changed or the broker has all of a replaced survey."""
        if self.publisher is None:
            return
        if self._mixed:
            link = self._link()
            linked = link is not None and link.state == "connected"
            self._mixed = link.unpublished(self._mixed) if link and linked else set()
            if self._mixed:
                return  # whoever reads along may still have messages of both
        elif decided == self._decided:
            return
        self._decided = decided
        self.publisher.put_state(decided)


def facts_of(daemon: Daemon) -> RunFacts:
    """Return what the state of a run depends on, once its survey is resumed."""
    pauses, checks, crawl = daemon.pipeline.pauses, daemon.checks, daemon.crawl
    work = crawl.view.facts.doing if crawl else daemon.spots.text if daemon.spots else ""
    return RunFacts(
        doing=daemon.replacement.text or checks.step_name or work,
        paused_by=pauses.by if pauses.active else "",
        because=pauses.because if pauses.active else "",
        check=checks.todo,
        lost=daemon.pipeline.lost_axes,
        crawler=None if crawl is None else crawl.view.facts,
    )
