"""The daemon as the page needs it; implemented in `swathe.live`."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from swathe.arrays import Cells
from swathe.messages import CommandMessage, ReplyMessage, StretchSnapshot
from swathe.pipeline import Grid
from swathe.pipeline.gauge_state import GaugeState
from swathe.station import Station

__all__ = ["BrokerHealth", "HandGuidance", "Opening", "Source"]


@dataclass(frozen=True, slots=True)
class BrokerHealth:
    """State of the link to the MQTT broker.

    Attributes:
        address: host and port.
        state: connecting, connected or lost.
        detail: the error, if any.
    """

    address: str
    state: str
    detail: str


@dataclass(frozen=True, slots=True)
class Opening:
    """What is known of a station while its survey is being resumed.

    Attributes:
        station: its name.
        part: of the survey.
        crawls: whether a crawler may move once the survey is resumed.
    """

    station: str
    part: str
    crawls: bool


@dataclass(frozen=True, slots=True)
class HandGuidance:
    """The next step of a scan by hand; lengths in mm.

    Attributes:
        gap: number of the gap; None where the step is over none.
        scan: from where to where the probe is moved; round a pipe the higher one may be past the
            seam; None where all is measured.
        index: of the line; None likewise.
        mm: the same as text with lengths in mm.
        inches: the same as text with lengths in inches.
    """

    gap: int | None
    scan: tuple[float, float] | None
    index: float | None
    mm: str
    inches: str


class Source(Protocol):
    """A daemon as the page sees it. All calls come from the daemon's own event loop."""

    @property
    def opening(self) -> Opening | None:
        """What is known while the survey is being resumed; None once it is.

        Until then there are no `station`, `survey`, `grid` and `affected`: they raise `LookupError`.
        """
        ...

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
        """State of the broker link; None when the station has none."""
        ...

    def gauge(self) -> GaugeState | None:
        """Return the gauge's newest reading; None before a run, and of a device with several probes."""
        ...

    def next_step(self) -> HandGuidance | None:
        """Return the next step by hand; None with a crawler."""
        ...

    def notes(self) -> Sequence[tuple[int, str]]:
        """Return the operators' notes: time, ns UTC, and text."""
        ...

    def affected(self, stretch: StretchSnapshot) -> str:
        """Return what a discard or a move of a stretch affects, or why there is no such stretch."""
        ...

    def newest(self) -> dict[str, bytes]:
        """Return the newest message of each topic below the station's own, as JSON."""
        ...

    def position(self) -> tuple[float | None, float | None]:
        """Return the probe's position, scan and index in mm; None while unknown."""
        ...

    def heading(self) -> float | None:
        """Return by how much the carriage is turned, degrees; 0 where it keeps its direction.

        None while unknown.
        """
        ...

    def watch(
        self,
        on_message: Callable[[str, bytes], None],
        on_cells: Callable[[Cells], None],
    ) -> Callable[[], None]:
        """Register callbacks for changed messages and cells; return a function that ends it.

        Args:
            on_message: called with a topic below the station's own and the newest message, as JSON.
            on_cells: called with flat cells that may have changed, shape (n,).
        """
        ...

    async def execute(self, command: CommandMessage) -> ReplyMessage:
        """Execute a command from the page; return the reply once the disk has what it is about."""
        ...
