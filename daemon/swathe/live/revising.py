"""Has the survey placed again once readings were discarded, moved or restored."""

from __future__ import annotations

import logging

from swathe.live.placing_task import PlacingTask
from swathe.live.replacement import Replacement
from swathe.live.session import Session

__all__ = ["Revising"]

_log = logging.getLogger(__name__)


class Revising(PlacingTask):
    """Places the survey again while its pipeline lacks a revision; a task of a run.

    Args:
        session: of the run.
        replacement: places the survey again.
    """

    def __init__(self, session: Session, replacement: Replacement) -> None:
        super().__init__(replacement)
        self._session = session

    @property
    def pending(self) -> bool:
        """Whether cells and gaps are not yet those of the revisions in force."""
        return self._session.pipeline.revisions_pending

    def begin(self) -> None:
        """Begin, as a task of the running loop; what is pending already is done first."""
        self._wake.set()
        self._start(self._run(), "revisions")

    def wake(self) -> None:
        """Look for a revision that is pending."""
        self._wake.set()

    async def _run(self) -> None:
        while not self._ending:
            await self._wake.wait()
            self._wake.clear()
            await self._place()

    async def _finish(self) -> None:
        await self._place()

    async def _place(self) -> None:
        """Place again until no revision is pending: one may be made meanwhile."""
        while not self._failed and self.pending:
            listed = self._session.pipeline.revisions.in_force
            try:
                if not await self._replacement.run(self._how(), needed=lambda: self.pending):
                    return
            except MemoryError:
                _log.exception("the survey is not placed again: `swathe rebuild` does it")
                self._failed = True
            else:
                # The same marks again: what was fed is not what is read from the disk.
                if self.pending and self._session.pipeline.revisions.in_force == listed:
                    _log.error("the journal on disk lacks marks: the survey is not placed again")
                    self._failed = True

    def _how(self) -> str:
        """Return how the survey is placed otherwise, by the newest revision that is pending."""
        pipeline = self._session.pipeline
        applied = {one.number for one in pipeline.applied_revisions.revisions}
        pending = [
            one
            for one in pipeline.revisions.revisions
            if (one.restored is None) is not (one.number in applied)
        ]
        if not pending:
            return "with all revisions"
        one = pending[-1]
        text = one.text(pipeline.station.display)
        if one.restored is not None:
            return f"without revision {one.number} ({text} as read)"
        if one.to_line is not None:
            return f"with {text} on line {one.to_line}"
        return f"without {text}"
