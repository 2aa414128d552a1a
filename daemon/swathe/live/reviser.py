"""Discards, moves and restores readings: each is a mark of the journal, or a reason why not."""

from __future__ import annotations

from swathe.journal import MarkKind
from swathe.live.resumption_progress import resuming_text
from swathe.live.session import Session
from swathe.live.stretches import affected_cells, resolve_stretch
from swathe.messages import StretchSnapshot
from swathe.pipeline import Pipeline, Revision
from swathe.station import Station

__all__ = ["REFUSED", "Reviser"]

REFUSED = "refused: "
"""What the answer to a command begins with where nothing was done."""


class Reviser:
    """Journals revisions; the survey is placed again with them after that.

    Args:
        station: the station file.
        session: whose journal takes the marks.
    """

    def __init__(self, station: Station, session: Session) -> None:
        self._station = station
        self._session = session

    @property
    def _pipeline(self) -> Pipeline:
        return self._session.pipeline

    def discard(self, stretch: StretchSnapshot, by: str, because: str) -> str:
        """Let the readings of a stretch count for no cell; return what is done or why not."""
        return self._revise(stretch, None, by, because)

    def discard_before(self, given: dict[str, float], by: str) -> str:
        """Discard what was read at rest before a position was given, as far as that moves it.

        It was taken at the position that is given, and counts at the one that was known.

        Args:
            given: position by axis, mm.
            by: who gives it.

        Returns:
            what was done, for the reply; empty where nothing was.
        """
        known = dict(zip(("scan", "index"), self._pipeline.position, strict=True))
        axes = {"scan": self._station.scan_axis, "index": self._station.index_axis}
        for axis, position in given.items():
            old, cells = known[axis], axes[axis]
            if old is None:
                continue
            moved = abs(position - old)
            if cells.wrapped:
                turn = cells.cells * cells.resolution
                moved = min(moved % turn, turn - moved % turn)
            if moved > cells.resolution / 2:
                return self.discard_at_rest(by, round(moved, 2))
        return ""

    def discard_at_rest(self, by: str, moved: float) -> str:
        """Discard what was read since the probe rests, and had an echo, at another position.

        Without a revision where nothing was read meanwhile.

        Args:
            by: who gives the position.
            moved: how far it is from where those readings count, mm.

        Returns:
            what was done, for the reply; empty without a revision.
        """
        pipeline = self._pipeline
        begin, now = pipeline.standing_since, self._session.utc_now
        away = self._station.display.stated_text(moved)
        if begin is None:
            return ""
        revision = Revision(
            number=pipeline.revisions.next_number,
            begin=begin,
            end=None,
            this_run=True,
            time=now,
            line=None,
            scan=None,
            to_line=None,
            by=by,
            because=f"read before the position was given, {away} away",
        )
        self._session.mark(MarkKind.DISCARDED, **revision.detail())
        return (
            f"; revision {revision.number} discards what was read here before, which counted "
            f"{away} away"
        )

    def move(self, stretch: StretchSnapshot, line: int, by: str, because: str) -> str:
        """Let the readings of a stretch be of another line; return what is done or why not."""
        if self._station.index is None or self._station.index.mode != "stepped":
            return f"{REFUSED}the index axis is not stepped: its encoder gives the line"
        last = self._station.index_axis.cells - 1
        if not 0 <= line <= last:
            return f"{REFUSED}the plan has the lines 0 to {last}"
        if stretch.line == line:
            return f"{REFUSED}the readings are of line {line} already"
        return self._revise(stretch, line, by, because)

    def restore(self, number: int, by: str, because: str) -> str:
        """Let readings count as they were taken; return what is done or why not."""
        if reason := self._not_now(because):
            return f"{REFUSED}{reason}"
        found = self._pipeline.revisions.find(number)
        if found is None:
            return f"{REFUSED}there is no revision {number}"
        if found.restored is not None:
            return f"{REFUSED}revision {number} was already restored by {found.restored.by}"
        self._session.mark(MarkKind.RESTORED, revision=number, by=by, because=because)
        return (
            f"revision {number} ({found.text(self._station.display)}) is taken back: its readings count again as they "
            "were taken, once the survey is placed again"
        )

    def _not_now(self, because: str) -> str:
        """Return why nothing can be revised now; empty if it can."""
        if resuming := resuming_text(self._session.resumed):
            return resuming
        return "" if because.strip() else "a reason must be given"

    def _revise(self, stretch: StretchSnapshot, to_line: int | None, by: str, because: str) -> str:
        if reason := self._not_now(because):
            return f"{REFUSED}{reason}"
        pipeline, station = self._pipeline, self._station
        try:
            times = resolve_stretch(
                stretch,
                now=self._session.utc_now,
                opened=pipeline.opened,
                notes=pipeline.notes,
                scan=station.scan_axis,
                index=station.index_axis,
                units=station.display,
            )
        except ValueError as error:
            return f"{REFUSED}{error}"
        affected = affected_cells(stretch, times, pipeline)
        if not affected.any:
            return f"{REFUSED}{affected.text}"
        revision = Revision(
            number=pipeline.revisions.next_number,
            begin=times.begin,
            end=times.end,
            this_run=times.this_run,
            time=self._session.utc_now,
            line=stretch.line,
            scan=stretch.scan,
            to_line=to_line,
            by=by,
            because=because,
        )
        # The line in force is the one that was wrong, unless the stretch ended before now.
        sets_line = (
            to_line is not None
            and stretch.end is None
            and stretch.scan is None
            and stretch.line in (None, pipeline.line)
            and pipeline.line != to_line
        )
        kind = MarkKind.DISCARDED if to_line is None else MarkKind.MOVED
        self._session.mark(kind, **revision.detail())
        done = "discards" if to_line is None else f"moves to line {to_line}"
        text = (
            f"revision {revision.number} {done}: {revision.text(station.display)} ({affected.text}); the exact number "
            "follows when the survey is placed again"
        )
        if sets_line:
            self._session.mark(MarkKind.LINE, line=to_line, by=by)
            text += f"; line {to_line} is in force from now on"
        return text
