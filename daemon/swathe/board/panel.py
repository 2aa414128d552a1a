"""What a board shows and does in addition to the messages of its stations."""

from __future__ import annotations

from datetime import datetime

from rich.text import Text

from swathe.board.prompt import Reply
from swathe.board.stations import StationView
from swathe.pipeline import Grid

__all__ = ["Panel", "one_line"]


def one_line(text: str, style: str = "") -> Text:
    """Return a line that is cut rather than wrapped."""
    return Text(text, style=style, no_wrap=True, overflow="ellipsis")


class Panel:
    """What a board shows and does in addition to the messages; the base class adds nothing."""

    keys: tuple[str, ...] = ()
    """Which of the keys in `KEYS` it takes."""
    can_acknowledge = False
    """Whether alarms can be acknowledged from here."""

    def head(self, views: list[StationView], now: float, wall: datetime) -> Text:
        """Return the first line: where the messages come from."""
        raise NotImplementedError

    @property
    def is_connected(self) -> bool:
        """Whether messages can arrive; while they cannot, the age of a station means nothing."""
        return True

    def grid(self, view: StationView) -> Grid | None:  # noqa: ARG002
        """Return the cells of a station, where they are in this process."""
        return None

    def next_lines(self, width: int) -> list[str]:  # noqa: ARG002
        """Return what is next, below the progress; it is wrapped at `width`, never cut."""
        return []

    def health_lines(self) -> list[Text]:
        """Return lines below those of ports and calibration check."""
        return []

    def foot_lines(self) -> list[str]:
        """Return texts for the end of the board; they are wrapped."""
        return []

    def press(self, key: str) -> Reply | None:
        """Act on a key; return the answer or what is to be asked, None where it is no key of it."""
        raise NotImplementedError

    def acknowledge(self, view: StationView) -> Reply:
        """Acknowledge the new alarms of a station; return the answer or what is to be asked."""
        raise NotImplementedError
