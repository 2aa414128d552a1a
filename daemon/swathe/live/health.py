"""What the daemon notices of its surroundings: disk, network, page; each an alarm of the survey."""

from __future__ import annotations

import time
from collections.abc import Callable

from swathe.journal import MarkKind
from swathe.station import AlarmKind

__all__ = ["Health"]

# A text that counts something changes all the time: it is journalled this often.
_TEXT_INTERVAL_NS = 2_000_000_000


class Health:
    """Journals what is noticed, as marks from which the alarms are raised and end.

    A rebuild has the same alarms at the same times. Only changes are journalled.

    Args:
        mark: journals a mark, as `Session.mark`.
        clock: host's monotonic clock, ns.
    """

    def __init__(
        self, mark: Callable[..., None], *, clock: Callable[[], int] = time.monotonic_ns
    ) -> None:
        self._mark = mark
        self._clock = clock
        self._shown: dict[tuple[AlarmKind, str], tuple[str, int]] = {}
        self._followed: list[tuple[AlarmKind, Callable[[], str]]] = []

    def follow(self, kind: AlarmKind, text: Callable[[], str]) -> None:
        """Show with each tick what a function returns, as `show` takes it."""
        self._followed.append((kind, text))

    def show_followed(self) -> None:
        """Show what the followed functions return now."""
        for kind, text in self._followed:
            self.show(kind, text())

    def show(self, kind: AlarmKind, text: str, of: str = "") -> None:
        """Show what is noticed now; may be called with each tick.

        Args:
            kind: of the alarm.
            text: of the alarm; empty where there is nothing to notice, or no longer.
            of: the device or place; one alarm for each.
        """
        key = kind, of
        shown, since = self._shown.get(key, ("", 0))
        now = self._clock()
        if text == shown or (text and shown and now - since < _TEXT_INTERVAL_NS):
            return
        if text:
            self._shown[key] = text, now
        else:
            del self._shown[key]
        self._mark(MarkKind.HEALTH, about=str(kind), of=of, holds=bool(text), detail=text)
