"""The board of a run over spots: the next spot, what the gauge reads there, keys to take it."""

from __future__ import annotations

from collections.abc import Callable

from swathe.board import Question, Reply, spot_lines
from swathe.live.run_panel import RunPanel
from swathe.live.service import Daemon
from swathe.live.spots import SpotWork

__all__ = ["SpotPanel"]


class SpotPanel(RunPanel):
    """Shows and takes spots, in addition to what every run has.

    Args:
        daemon: the run.
        spots: its work at the spots.
    """

    def __init__(self, daemon: Daemon, spots: SpotWork) -> None:
        super().__init__(daemon)
        self._spots = spots
        # There are no positions, lines and stretches.
        kept = {key: self._actions[key] for key in ("c", "t", "q") if key in self._actions}
        keys: dict[str, Callable[[], Reply]] = {
            "enter": self._take,
            " ": self._take,
            "s": spots.skip,
            "left": lambda: spots.step(-1),
            "right": lambda: spots.step(1),
            "k": self._accept,
            "r": self._reopen,
            "d": self._close,
        }
        self._actions = keys | kept
        self.keys = ("Enter", "s", "←→", "k", "r", "d", *kept)

    def next_lines(self, width: int) -> list[str]:  # noqa: ARG002
        """Return the next spot, what the gauge reads, and what is done."""
        return spot_lines(self._spots.state(), units=self._daemon.station.display)

    def _take(self) -> Reply:
        return self._by_name(self._spots.take)

    def _accept(self) -> Reply:
        return self._with_reason("accepted though its readings differ, because", self._spots.accept)

    def _close(self) -> Reply:
        return self._with_reason("no reading is possible, because", self._spots.close)

    def _reopen(self) -> Reply:
        """Have the spot that is shown read again, or the last one that was read if it is unread."""
        chosen, last = self._spots.chosen, self._spots.last_read
        if (chosen is None or not chosen.couplings) and last is not None:
            name = last.name
            return self._with_reason(
                "to be read again, because",
                lambda by, because: self._spots.reopen(by, because, name),
                name,
            )
        return self._with_reason("to be read again, because", self._spots.reopen)

    def _with_reason(
        self, what: str, act: Callable[[str, str], str], name: str | None = None
    ) -> Reply:
        """Ask for the reason, and act at a spot in the operator's name."""
        if name is None and (chosen := self._spots.chosen) is not None:
            name = chosen.name

        def ask(by: str) -> Reply:
            def accept(text: str) -> Reply:
                if not text:
                    message = "a reason is needed"
                    raise ValueError(message)
                return act(by, text)

            return Question(label=f"{name}: {what}:", accept=accept)

        return self._by_name(ask)
