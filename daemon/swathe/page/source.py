"""What the page needs of the daemon; the live shell offers it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from swathe.messages import CommandMessage, ReplyMessage
from swathe.pipeline import Grid
from swathe.station import Station

__all__ = ["BrokerHealth", "CrawlerHealth", "NextStep", "Source"]


@dataclass(frozen=True, slots=True)
class BrokerHealth:
    """How the link to the MQTT broker is.

    Attributes:
        address: host and port.
        state: connecting, connected or lost.
        detail: why, in the words of the error.
    """

    address: str
    state: str
    detail: str


@dataclass(frozen=True, slots=True)
class CrawlerHealth:
    """What a crawler does that this run may move.

    Attributes:
        state: as `swathe.motion.State` has it.
        words: what it does, or why it does not, in words.
    """

    state: str
    words: str


@dataclass(frozen=True, slots=True)
class NextStep:
    """Where an inspector goes next by hand; lengths in mm.

    Attributes:
        gap: number of the gap.
        scan: from where to where the probe is moved.
        index: of the line.
        mm: the same as a sentence with lengths in mm,
        inches: and in inches.
    """

    gap: int
    scan: tuple[float, float]
    index: float
    mm: str
    inches: str


class Source(Protocol):
    """A daemon as the page sees it. All calls come from the daemon's own event loop."""

    @property
    def station(self) -> Station:
        """The station file in force."""
        ...

    @property
    def survey(self) -> str:
        """Identity of the survey."""
        ...

    @property
    def grid(self) -> Grid:
        """The cells, for reading."""
        ...

    @property
    def broker(self) -> BrokerHealth | None:
        """How the broker is; None when the station has none."""
        ...

    @property
    def crawler(self) -> CrawlerHealth | None:
        """What the crawler does; None where nothing moves by itself."""
        ...

    def next_step(self) -> NextStep | None:
        """Return where to go next by hand; None where nothing was left, or a crawler goes."""
        ...

    def newest(self) -> dict[str, bytes]:
        """Return the newest message of each topic below the station's own, as JSON."""
        ...

    def position(self) -> tuple[float | None, float | None]:
        """Return where the probe stands, scan and index in mm; None while unknown."""
        ...

    def watch(
        self,
        on_message: Callable[[str, bytes], None],
        on_cells: Callable[[NDArray[np.int64]], None],
    ) -> Callable[[], None]:
        """Have messages told as they change, and cells; return what ends it.

        Args:
            on_message: takes a topic below the station's own and the newest message, as JSON.
            on_cells: takes flat cells that may have changed, shape (n,).
        """
        ...

    def obey(self, command: CommandMessage) -> ReplyMessage:
        """Act on a command that came from the page."""
        ...
