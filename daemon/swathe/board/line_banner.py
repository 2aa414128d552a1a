"""The line of a stepped index axis, as large as a terminal can show it."""

from __future__ import annotations

from collections.abc import Callable

from rich.text import Text

from swathe.board.stations import StationView
from swathe.pipeline import LineNow

__all__ = ["LineBanner"]

_CHANGED_SECONDS = 5.0


class LineBanner:
    """Shows which line is scanned, from which one it was changed, and why nothing counts yet."""

    def __init__(self) -> None:
        self._shown: dict[str, LineNow] = {}
        self._before: dict[str, tuple[int, float]] = {}

    def lines(
        self, view: StationView, now: float, width: int, wrap: Callable[[str, str], list[Text]]
    ) -> list[Text]:
        """Return the banner of a station; nothing where its index axis is not stepped.

        Args:
            view: the station.
            now: monotonic seconds.
            width: of the board.
            wrap: returns a text of a style in lines.
        """
        line = None if view.progress is None else view.progress.line_now
        if line is None:
            return []
        shown = self._shown.get(view.name)
        if shown is not None and shown.number != line.number:
            self._before[view.name] = shown.number, now
        self._shown[view.name] = line
        text = f"  LINE {line.number}   index {self._place(view, line)}"
        text += f"   (lines 0 to {line.lines - 1})"
        before = self._before.get(view.name)
        if before is not None and (not line.settled or now - before[1] < _CHANGED_SECONDS):
            text += f"   before: line {before[0]}"
        banner = Text(text.ljust(width), style="bold reverse", no_wrap=True, overflow="ellipsis")
        waiting = [] if line.settled else wrap(f"NOTHING COUNTS YET: {line.waiting}", "bold yellow")
        return [banner, *waiting]

    @staticmethod
    def _place(view: StationView, line: LineNow) -> str:
        resolution = None if view.plan is None else view.plan.index_resolution
        return view.units.stated_text(line.index, resolution)
