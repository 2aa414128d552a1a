"""What a board shows of the broker from which its messages come."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from rich.text import Text

from swathe.board import Panel, StationView, one_line
from swathe.board.texts import age_text
from swathe.pipeline.progress.fields import count_text
from swathe.watch.link import WatchLink

__all__ = ["WatchPanel"]


class WatchPanel(Panel):
    """The state of the link, acknowledging by name, and quitting.

    Args:
        link: the link to the broker.
        quit_: ends the program.
        acknowledge: sends a station that an alarm was seen; None where it is not known by whom.
        page: where the page over all stations is, as text; empty without one.
    """

    def __init__(
        self,
        link: WatchLink,
        *,
        quit_: Callable[[], None],
        acknowledge: Callable[[str, int], None] | None = None,
        page: str = "",
    ) -> None:
        self._link, self._page = link, page
        self._quit = quit_
        self._acknowledge = acknowledge
        self.can_acknowledge = acknowledge is not None

    @property
    def is_connected(self) -> bool:
        """Whether the broker is connected."""
        return self._link.state == "connected"

    def head(self, views: list[StationView], now: float, wall: datetime) -> Text:
        """Return the broker and the state of the link."""
        link = self._link
        if self.is_connected:
            return Text.assemble(
                ("swathe watch  ", "bold"),
                (f"{link.address}  ", "dim"),
                ("connected", "green"),
                (f"  {self._page}" if self._page else "", "bold"),
            )
        ages = [age for view in views if (age := view.age(now, wall)) is not None]
        shown = f" What is shown is {age_text(min(ages))} old." if ages else ""
        what = "connecting" if link.state == "connecting" else f"BROKER {link.state.upper()}"
        detail = f": {link.detail}." if link.detail else "."
        return one_line(f" {what}{detail}{shown} ", "bold reverse")

    def press(self, key: str) -> str | None:
        """Quit at q."""
        if key != "q":
            return None
        self._quit()
        return ""

    def acknowledge(self, view: StationView) -> str:
        """Send that the new alarms of a station were seen; the station's own messages confirm it."""
        for alarm in view.new_alarms:
            if self._acknowledge is not None:
                self._acknowledge(view.name, alarm.number)
        return f"acknowledging {count_text(len(view.new_alarms), 'alarm')} of {view.name}"
