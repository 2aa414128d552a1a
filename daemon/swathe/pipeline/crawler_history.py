"""What the journal tells of a machine that moves the probe: how often it was armed and halted."""

from __future__ import annotations

from dataclasses import dataclass

from swathe.journal import Mark

__all__ = ["CrawlerHistory", "Halt"]

# As the mark of a motion names the states; nothing else of it matters here.
_ARMED = "armed"
_HALTING = ("failing", "stopping")


@dataclass(frozen=True, slots=True)
class Halt:
    """A motion that was stopped before it was at its end.

    Attributes:
        time: ns UTC.
        cause: what stopped it.
        text: what is known of it.
    """

    time: int
    cause: str
    text: str


class CrawlerHistory:
    """What a machine did in all runs of a survey; cells do not depend on it.

    Attributes:
        armings: how often it was armed.
        halts: what stopped it, in their order.
        reference: where its reference was found last, (scan, index) in mm; an axis without an
            encoder is None.
    """

    def __init__(self) -> None:
        self.armings = 0
        self.halts: list[Halt] = []
        self.reference: tuple[float | None, float | None] = (None, None)

    def take(self, mark: Mark, now: int) -> None:
        """Take a change of its state, at `now` in ns UTC."""
        state, event = str(mark.detail["state"]), str(mark.detail["event"])
        if state in _HALTING:
            self.halts.append(Halt(now, event, str(mark.detail["text"])))
        # It is in this state after each move as well.
        self.armings += state == _ARMED and event == _ARMED

    def refer(self, scan: float | None, index: float | None) -> None:
        """Take note of the place of its reference."""
        self.reference = scan, index
