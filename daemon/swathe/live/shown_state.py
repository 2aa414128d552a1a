"""What everybody is shown of a run: what it does, and the whole survey when it was placed again."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from swathe.live.publisher import Publisher
from swathe.pipeline import Pipeline

if TYPE_CHECKING:
    from swathe.live.link import BrokerLink
    from swathe.live.page_source import PageSource
    from swathe.page import Page

__all__ = ["ShownState"]


class ShownState:
    """Publishes a run's state, and exchanges the survey that is shown for another one, whole.

    Args:
        link: returns the link to the broker, if there is one.

    Attributes:
        publisher: of the run; None before the survey is resumed.
        page: that is served, if one is, with its source.
    """

    def __init__(self, *, link: Callable[[], BrokerLink | None]) -> None:
        self._link = link
        self.publisher: Publisher | None = None
        self.page: tuple[Page, PageSource] | None = None
        self._staged: Publisher | None = None
        self._mixed: set[str] = set()  # topics that may be of the survey that was replaced
        self._text = ""

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

    def put_text(self, text: str) -> None:
        """Put what the run does, if it changed or the broker has all of a replaced survey."""
        if self.publisher is None:
            return
        if self._mixed:
            link = self._link()
            linked = link is not None and link.state == "connected"
            self._mixed = link.unpublished(self._mixed) if link and linked else set()
            if self._mixed:
                return  # whoever reads along may still have messages of both
        elif text == self._text:
            return
        self._text = text
        self.publisher.put_state("scanning", text)
