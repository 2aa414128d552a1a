"""Armings and halts of a crawler, from the marks of its motion."""

from __future__ import annotations

from dataclasses import dataclass

from swathe.journal import Mark

__all__ = ["CRAWLER", "CrawlerHistory", "FirstMoveResult", "Halt"]

CRAWLER = "crawler"
"""Who speaks in the marks that the crawler makes itself; no person may command by that name."""

# State names as in the marks of a motion.
_ARMED = "armed"
_HALTING = ("failing", "stopping")


@dataclass(frozen=True, slots=True)
class Halt:
    """A motion that was stopped before its end.

    Attributes:
        time: ns UTC.
        cause: what stopped it.
        text: the message of the stop.
    """

    time: int
    cause: str
    text: str


@dataclass(frozen=True, slots=True)
class FirstMoveResult:
    """What the first move of a run has shown.

    Attributes:
        time: ns UTC.
        sound: whether it was made and nothing was wrong.
        text: what was compared, or what is wrong.
    """

    time: int
    sound: bool
    text: str


class CrawlerHistory:
    """What a crawler did in all runs of a survey; no cell depends on it.

    Attributes:
        armings: how often it was armed.
        halts: its halts, in order of time.
        first_moves: what the first moves of its runs have shown, in order of time.
        reference: position of the last homing, (scan, index) in mm; None for an axis without an
            encoder.
    """

    def __init__(self) -> None:
        self.armings = 0
        self.halts: list[Halt] = []
        self.first_moves: list[FirstMoveResult] = []
        self.reference: tuple[float | None, float | None] = (None, None)

    def take(self, mark: Mark, now: int) -> None:
        """Record a change of its state, at `now` in ns UTC."""
        state, event = str(mark.detail["state"]), str(mark.detail["event"])
        if state in _HALTING:
            self.halts.append(Halt(now, event, str(mark.detail["text"])))
        # It returns to this state after each move as well.
        self.armings += state == _ARMED and event == _ARMED

    def take_first_move(self, mark: Mark, now: int) -> None:
        """Record what a first move has shown, at `now` in ns UTC."""
        sound, text = bool(mark.detail["sound"]), str(mark.detail["text"])
        self.first_moves.append(FirstMoveResult(now, sound, text))

    def set_reference(self, scan: float | None, index: float | None) -> None:
        """Record the position of a homing, mm."""
        self.reference = scan, index
