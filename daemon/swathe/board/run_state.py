"""What a run does and what a person has to do, in the words of every output."""

from __future__ import annotations

from swathe.board.stations import StationView
from swathe.messages import STATE_TITLES, CrawlerMessage, StateMessage
from swathe.pipeline.progress.fields import number_text

__all__ = ["crawler_lines", "crawler_text", "state_lines"]


def state_lines(view: StationView) -> list[tuple[str, str]]:
    """Return texts with their styles: why a run is not scanning, and what a person has to do.

    Nothing for one that scans, or that the broker has lost.

    Args:
        view: the station.
    """
    state = view.state
    if state is None:
        return []
    lines = _why(state)
    if state.todo:
        lines.append((f"TO DO: {state.todo}", "bold reverse"))
    return lines


def _why(state: StateMessage) -> list[tuple[str, str]]:
    since = "" if state.since is None else f" since {state.since.astimezone():%H:%M:%S}"
    reason = f": {state.reason}" if state.reason else ""
    match state.state:
        case "paused":
            return [(f"{STATE_TITLES[state.state]} · {state.reason}", "bold reverse")]
        case "waiting" | "faulted":
            return [(f"{STATE_TITLES[state.state]}{since}{reason}", "bold reverse")]
        case "resuming" if state.resumed is not None:
            left = (
                "" if state.resumed_in is None else f", {number_text(state, 'resumed_in')} s left"
            )
            share = number_text(state, "resumed")
            return [(f"resuming the survey: {share} % of the earlier runs{left}", "bold")]
        case "complete" | "incomplete":
            halted = " · a fault had stopped the crawler" if state.halted else ""
            title = STATE_TITLES[state.state]
            if state.state == "complete" and state.reason:  # the reason says what is reached
                title, reason = state.reason[:1].upper() + state.reason[1:], ""
            return [(f"run ended · {title}{reason}{halted}", "bold")]
        case _:
            return []


def crawler_text(state: str, doing: str, line: tuple[int, int] | None = None) -> str:
    """Return what a crawler does: its state, and where that is not the same, what it does.

    Args:
        state: of the crawler.
        doing: what it does, in words.
        line: how many lines of the raster are begun, and how many there are; None outside of it.
    """
    at = "" if line is None else f", line {line[0]} of {line[1]}"
    if doing.startswith(state):
        return f"crawler {doing}{at}"
    return f"crawler {state}{at}" + (f": {doing}" if doing else "")


def crawler_lines(crawler: CrawlerMessage | None) -> list[str]:
    """Return what a crawler does, and what stopped it."""
    if crawler is None:
        return []
    line = None
    if crawler.line is not None and crawler.lines is not None:
        line = crawler.line, crawler.lines
    lines = [crawler_text(crawler.state, crawler.doing, line)]
    if crawler.fault is not None:
        lines.append(f"crawler fault: {crawler.fault.cause}, {crawler.fault.text}")
    return lines
